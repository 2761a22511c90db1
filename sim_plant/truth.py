"""Names of the quantities that the plant knows to be true, whatever its instruments say.

The order is the column order of ``Plant.unit_truth`` (units x quantities) and ``Plant.bank_truth``.
Requirement monitors and trend plots use these names; the firmware never sees them.
"""

from __future__ import annotations

UNIT_TRUTH: tuple[str, ...] = (
    "suction_bar",  # pump suction, after the prefilter
    "membrane_bar",  # membrane inlet
    "feed_m3h",  # into the membranes
    "permeate_m3h",
    "concentrate_m3h",  # restrictor plus flush valve
    "permeate_tds_mgl",  # leaving the permeate hold-up, as the conductivity cell sees it
    "tail_tds_mgl",  # last feed-side cell
    "feed_valve_open",  # 0..1, travel
    "flush_valve_open",  # 0..1, travel
    "pump_closed",  # 1 when the motor is truly powered, whatever the feedback says
    "flushed_l",  # feed-side water replaced since the pump last ran
    "permeate_bar",  # behind the membranes
    "permeate_total_m3",  # since the start of the run
    "antiscalant_tail_mgl",  # product in the last feed-side cell
    "saturation_tail_ratio",  # of the last feed-side cell, 1 is full
    "scale_ratio",  # -ln of the permeability lost to scale, 0 when clean
    "fouling_ratio",  # -ln of the permeability lost to fouling, 0 when clean
    "prefilter_total_m3",  # through the prefilter since the start of the run
    "motor_current_ratio",  # multiple of full load
)

BANK_TRUTH: tuple[str, ...] = (
    "header_bar",
    "feed_m3h",
    "drain_m3h",
    "product_m3h",
    "demand_m3h",
    "tank_pct",
    "overflow_m3",  # total since the start of the run
    "product_tds_mgl",  # mix in the tank
    "feed_tds_mgl",
    "feed_degc",
    "chlorine_mgl",
    "booster_hz",
    "dose_ml",  # antiscalant dosed since the start of the run
    "powered",  # 1 while the control and motor supply is present
    "antiscalant_feed_mgl",  # product in the feed header
    "supply_ratio",  # voltage at the motors against nominal
    "sump_m3",
    "spilled_m3",  # over the sump's rim, since the start of the run
)
