"""Which column, times which scale, is what a loop measures and what a truth shows.

Scales turn SI into display units. The kernel reads these tables, so adding a quantity adds a row here
and no code there.
"""

from __future__ import annotations

import sim_plant.process.layout as at
from sim_plant.process.parameters import PlantParameters

Sources = dict[str, tuple[int, float]]

PER_BAR, PER_M3H, PER_MGL = 1.0 / at.BAR, 1.0 / at.M3H, 1.0 / at.MGL


def measured(p: PlantParameters) -> Sources:
    """What each loop measures, in its signal's unit."""
    permeate = PER_MGL / p.field.permeate_tds_per_us
    return {
        "suction_ma": (at.U_SUCTION, PER_BAR),
        "membrane_ma": (at.U_MEMBRANE, PER_BAR),
        "permeate_cond_ma": (at.U_PERMEATE_TDS, permeate),
        "permeate_flow_ma": (at.U_Q_PERMEATE, PER_M3H),
        "concentrate_flow_ma": (at.U_Q_CONCENTRATE, PER_M3H),
        "header_ma": (at.B_HEADER, PER_BAR),
        "feed_flow_ma": (at.B_Q_FEED, PER_M3H),
        "feed_temp_ma": (at.B_TEMPERATURE, 1.0),
        "feed_cond_ma": (at.B_TDS, PER_MGL / p.field.feed_tds_per_us / 1000.0),
        "chlorine_ma": (at.B_CHLORINE, 1.0),
        "booster_speed_ma": (at.B_SHAFT_HZ, 1.0),
        "tank_level_ma": (at.B_TANK, 100.0 / p.tank.volume_m3),
        "product_cond_ma": (at.B_PRODUCT_TDS, permeate),
    }


def unit_sources(cells: int) -> Sources:
    """Source of each name in ``truth.UNIT_TRUTH``."""
    last = cells - 1
    return {
        "suction_bar": (at.U_SUCTION, PER_BAR),
        "membrane_bar": (at.U_MEMBRANE, PER_BAR),
        "feed_m3h": (at.U_Q_FEED, PER_M3H),
        "permeate_m3h": (at.U_Q_PERMEATE, PER_M3H),
        "concentrate_m3h": (at.U_Q_CONCENTRATE, PER_M3H),
        "permeate_tds_mgl": (at.U_PERMEATE_TDS, PER_MGL),
        "tail_tds_mgl": (at.U_CELL + last, PER_MGL),
        "feed_valve_open": (at.U_FEED_X, 1.0),
        "flush_valve_open": (at.U_FLUSH_X, 1.0),
        "pump_closed": (at.U_LIVE, 1.0),
        "flushed_l": (at.U_FLUSHED, 1.0 / at.LITRE),
        "permeate_bar": (at.U_PERMEATE_PRESSURE, PER_BAR),
        "permeate_total_m3": (at.U_TOTAL, 1.0),
        "antiscalant_tail_mgl": (at.U_ANTISCALANT + last, PER_MGL),
        "saturation_tail_ratio": (at.U_SATURATION, 1.0),
        "scale_ratio": (at.U_SCALE, 1.0),
        "fouling_ratio": (at.U_FOULING, 1.0),
        "prefilter_total_m3": (at.U_LOADED, 1.0),
        "motor_current_ratio": (at.U_CURRENT, 1.0),
    }


def bank_sources(p: PlantParameters) -> Sources:
    """Source of each name in ``truth.BANK_TRUTH``."""
    return {
        "header_bar": (at.B_HEADER, PER_BAR),
        "feed_m3h": (at.B_Q_FEED, PER_M3H),
        "drain_m3h": (at.B_Q_DRAIN, PER_M3H),
        "product_m3h": (at.B_Q_PRODUCT, PER_M3H),
        "demand_m3h": (at.B_Q_DEMAND, PER_M3H),
        "tank_pct": (at.B_TANK, 100.0 / p.tank.volume_m3),
        "overflow_m3": (at.B_OUT_OVERFLOW, 1.0),
        "product_tds_mgl": (at.B_TANK_TDS, PER_MGL),
        "feed_tds_mgl": (at.B_TDS, PER_MGL),
        "feed_degc": (at.B_TEMPERATURE, 1.0),
        "chlorine_mgl": (at.B_CHLORINE, 1.0),
        "booster_hz": (at.B_SHAFT_HZ, 1.0),
        "dose_ml": (at.B_DOSED, 1.0),
        "powered": (at.B_CONTROL, 1.0),
        "antiscalant_feed_mgl": (at.B_ANTISCALANT, PER_MGL),
        "supply_ratio": (at.B_VOLTAGE, 1.0),
        "sump_m3": (at.B_SUMP, 1.0),
        "spilled_m3": (at.B_SPILLED, 1.0),
    }
