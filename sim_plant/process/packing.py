"""From the parameters of a plant to the arrays that the kernel reads: the only place that converts units."""

from __future__ import annotations

import numpy as np

import sim_plant.process.layout as at
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, Signal
from sim_plant.process.layout import Floats
from sim_plant.process.parameters import PlantParameters
from sim_plant.process.sources import bank_sources, measured, unit_sources
from sim_plant.process.water import hydrostatic_pa
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH


def loop_signals(n_units: int) -> tuple[Signal, ...]:
    """The measuring loops in row order."""
    unit = tuple(signal for signal in UNIT_SIGNALS if signal.kind is Kind.AI)
    bank = tuple(signal for signal in BANK_SIGNALS if signal.kind is Kind.AI)
    return unit * n_units + bank


def pack_loops(p: PlantParameters, n_units: int) -> Floats:
    """Range, lag, noise and source of every loop, shape (loops, at.L_COUNT)."""
    field = p.field
    by_unit = {"bar": field.pressure_lag_s, "Hz": field.pressure_lag_s, "m3/h": field.flow_lag_s}
    of = measured(p)
    by_unit |= {"mg/L": field.flow_lag_s, "degC": field.slow_lag_s, "%": field.slow_lag_s}
    return np.array(
        [
            (
                s.lo,
                s.hi - s.lo,
                by_unit.get(s.unit, field.conductivity_lag_s),
                field.noise_pct / 100,
                *of[s.name],
            )
            for s in loop_signals(n_units)
        ]
    )


def neutral_loop_faults(n_loops: int) -> Floats:
    """Healthy loops."""
    table = np.zeros((n_loops, at.LF_COUNT))
    table[:, at.LF_GAIN] = 1.0
    return table


def neutral_unit_faults(n_units: int) -> Floats:
    """Healthy units."""
    table = np.zeros((n_units, at.UF_COUNT))
    table[:, (at.UF_HEAD, at.UF_A, at.UF_B, at.UF_RESTRICTOR, at.UF_FOULING)] = 1.0
    return table


def neutral_bank_faults() -> Floats:
    """Healthy bank."""
    row = np.zeros(at.BF_COUNT)
    row[at.BF_DIP] = at.NO_DIP
    row[[at.BF_TDS, at.BF_TEMPERATURE, at.BF_CHLORINE]] = at.FREE
    row[[at.BF_DRAIN, at.BF_DOSE, at.BF_MAINS]] = 1.0
    return row


def pack_profiles(p: PlantParameters) -> Floats:
    """Daily profiles in SI, shape (at.PROFILES, at.PROFILE_COLUMNS); a constant is one point."""
    s, t = p.source, p.tank
    table = np.zeros((at.PROFILES, at.PROFILE_COLUMNS))
    rows = {
        at.PR_TDS: (s.tds_profile_h_mgl, s.tds_mgl, at.MGL),
        at.PR_TEMPERATURE: (s.temperature_profile_h_degc, s.temperature_degc, 1.0),
        at.PR_CHLORINE: (s.chlorine_profile_h_mgl, s.chlorine_mgl, 1.0),
        at.PR_DEMAND: (t.demand_profile_h_m3h, t.demand_m3h, at.M3H),
    }
    for row, (profile, constant, scale) in rows.items():
        points = profile or ((0.0, constant),)
        table[row, 0] = len(points)
        table[row, 1 : 1 + 2 * len(points)] = [x for h, value in points for x in (h, value * scale)]
    return table


def pack_constants(p: PlantParameters, n_units: int) -> Floats:
    """The whole buffer of constants, in the order of ``layout.views``."""
    parts = (
        pack(p, n_units),
        pack_loops(p, n_units),
        pack_profiles(p),
        np.array([unit_sources(p.unit.cells)[name] for name in UNIT_TRUTH]),
        np.array([bank_sources(p)[name] for name in BANK_TRUTH]),
    )
    return np.concatenate([part.ravel() for part in parts])


def kv_si(kv_m3h: float) -> float:
    """Kv (m3/h at 1 bar) as m3/s at 1 Pa."""
    return float(kv_m3h * at.M3H / at.BAR**0.5)


def pack(p: PlantParameters, n_units: int) -> Floats:
    """The parameter vector in SI, shape (at.P_COUNT,)."""
    v = np.zeros(at.P_COUNT)
    _pack_unit(v, p)
    _pack_shared(v, p, n_units)
    _pack_field(v, p)
    return v


def _pump_curve(shutoff_bar: float, rated_bar: float, rated_flow: float) -> tuple[float, float]:
    """K and r of H = H0 - K Q^2 - r Q through both points; r takes a small share of the fall."""
    fall = (shutoff_bar - rated_bar) * at.BAR
    return 0.97 * fall / rated_flow**2, 0.03 * fall / rated_flow


def _pack_unit(v: Floats, p: PlantParameters) -> None:
    u = p.unit
    nominal = u.nominal_feed_m3h * at.M3H
    v[at.P_CELLS] = u.cells
    v[at.P_AREA] = u.membrane_area_m2
    v[at.P_A] = u.permeability_lmh_bar * at.LMH / at.BAR
    v[at.P_B] = u.salt_permeability_lmh * at.LMH
    v[at.P_B_PER_K] = u.salt_per_k
    v[at.P_K] = u.mass_transfer_m_s
    v[at.P_Q_MEAN] = 0.5 * (u.nominal_feed_m3h + u.nominal_concentrate_m3h) * at.M3H
    v[at.P_CELL_VOLUME] = u.feed_side_l * at.LITRE / u.cells
    v[at.P_HOLD_UP] = u.permeate_hold_up_l * at.LITRE
    v[at.P_FEED_KV] = kv_si(u.feed_valve_kv_m3h)
    v[at.P_FEED_TRAVEL] = u.feed_valve_travel_s
    v[at.P_FLUSH_KV] = kv_si(u.flush_valve_kv_m3h)
    v[at.P_FLUSH_REGULATOR] = u.flush_regulator_bar * at.BAR
    v[at.P_FLUSH_TRAVEL] = u.flush_valve_travel_s
    v[at.P_RESTRICTOR_KV] = kv_si(u.restrictor_kv_m3h)
    v[at.P_MODULE] = u.module_loss_bar * at.BAR / v[at.P_Q_MEAN] ** 2
    v[at.P_PREFILTER] = u.prefilter_bar * at.BAR / nominal
    v[at.P_NOMINAL_FEED] = nominal
    v[at.P_COMPLIANCE] = u.compliance_l_bar * at.LITRE / at.BAR
    v[at.P_PUMP_HEAD] = u.pump_shutoff_bar * at.BAR
    v[at.P_PUMP_K], v[at.P_PUMP_R] = _pump_curve(u.pump_shutoff_bar, u.pump_nominal_bar, nominal)
    v[at.P_BYPASS_KV] = kv_si(u.pump_bypass_kv_m3h)
    v[at.P_RUN_UP_TAU] = u.run_up_s / 3.0  # 95 % after three time constants
    v[at.P_COAST_TAU] = u.coast_s / 3.0
    v[at.P_LOCKED_TRIP] = u.locked_trip_s
    v[at.P_COOL] = u.protector_cool_s
    v[at.P_DIVERTER] = float(u.has_diverter)
    v[at.P_FOULING] = u.fouling_per_m
    v[at.P_PREFILTER_DOUBLES] = u.prefilter_doubles_m3
    _pack_scaling(v, p)


def _pack_scaling(v: Floats, p: PlantParameters) -> None:
    s = p.scaling
    v[at.P_ANTISCALANT] = p.dosing.density_kg_l * at.LITRE
    v[at.P_TDS_DESIGN] = p.source.tds_mgl * at.MGL
    v[at.P_SATURATION] = s.feed_saturation_ratio
    v[at.P_HELD] = s.held_ratio
    v[at.P_HELD_DOSE] = s.held_dose_mgl * at.MGL
    v[at.P_INDUCTION] = s.induction_s
    v[at.P_GROWTH] = s.growth_per_h / 3600.0


def _pack_shared(v: Floats, p: PlantParameters, n_units: int) -> None:
    b, h = p.booster, p.header
    all_m3h = n_units * p.unit.nominal_permeate_m3h
    v[at.P_BOOSTER_HEAD] = b.shutoff_bar * at.BAR
    v[at.P_BOOSTER_K], v[at.P_BOOSTER_R] = _pump_curve(b.shutoff_bar, b.rated_bar, b.rated_flow_m3h * at.M3H)
    v[at.P_BOOSTER_RAMP] = b.ramp_hz_s
    v[at.P_BOOSTER_COAST] = b.coast_s
    v[at.P_MINIMUM_KV] = kv_si(b.minimum_flow_kv_m3h)
    v[at.P_HEADER_COMPLIANCE] = h.compliance_l_bar * at.LITRE / at.BAR
    v[at.P_PRODUCT_STATIC] = hydrostatic_pa(h.product_static_m, 20.0)
    v[at.P_PRODUCT_KV] = kv_si(all_m3h / h.product_loss_bar**0.5)
    v[at.P_PRODUCT_COMPLIANCE] = n_units * 0.3 * at.LITRE / at.BAR  # hoses and trapped air, own choice
    v[at.P_RELIEF] = h.product_relief_bar * at.BAR
    v[at.P_DRAIN] = p.drain.capacity_m3h * at.M3H
    v[at.P_SUMP_HIGH] = p.drain.high_l * at.LITRE
    v[at.P_SUMP_SPILL] = p.drain.spill_l * at.LITRE
    v[at.P_TANK] = p.tank.volume_m3
    v[at.P_DOSE_FULL] = p.dosing.full_ml_h / 3600.0
    v[at.P_STROKE] = p.dosing.stroke_ml
    v[at.P_PULSE] = p.dosing.pulse_s
    v[at.P_STOCK_LOW] = p.dosing.low_l * 1000.0
    v[at.P_OSMOTIC] = p.source.osmotic_ratio_to_nacl
    v[at.P_MIXING] = p.source.mixing_s
    v[at.P_START_MULTIPLE] = p.supply.starting_multiple
    v[at.P_SAG] = p.supply.sag_all_starting_pct / 100.0
    v[at.P_SAG_RELAY] = p.supply.relay_pct / 100.0
    v[at.P_PICK_UP] = p.supply.pick_up_pct / 100.0
    v[at.P_DROP_OUT] = p.supply.drop_out_pct / 100.0
    v[at.P_HOLD_UP_S] = p.supply.hold_up_s
    v[at.P_HEADER_VOLUME] = h.volume_l * at.LITRE
    v[at.P_START_H] = p.day.start_h


def _pack_field(v: Floats, p: PlantParameters) -> None:
    f = p.field
    v[at.P_MIRROR] = f.mirror_s
    v[at.P_WATCHDOG] = f.watchdog_s
    v[at.P_MODULE_TIMEOUT] = f.module_timeout_s
    v[at.P_PSLL] = f.suction_switch_bar * at.BAR
    v[at.P_PSHH] = f.discharge_switch_bar * at.BAR
    v[at.P_PSHH_RESET] = f.discharge_reset_bar * at.BAR
    v[at.P_PSH] = f.permeate_switch_bar * at.BAR
    v[at.P_FLOAT_HIGH] = f.float_high_pct / 100.0
    v[at.P_FLOAT_LOW] = f.float_low_pct / 100.0
    v[at.P_RESOLUTION] = f.resolution_ma
    v[at.P_PERMEATE_FACTOR] = f.permeate_tds_per_us
    v[at.P_FEED_FACTOR] = f.feed_tds_per_us
