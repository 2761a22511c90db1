"""Every setpoint of the firmware: unit in the name, default, range, reason.

All are the commissioner's to change inside the range; a value outside it, NaN, an unknown name or a
pair of values that contradict each other is refused before the firmware starts. Defaults belong to the
invented demo plant: each must be replaced by a site value and signed.

Times are seconds, pressures bar gauge, flows m3/h, volumes litres, concentrations mg/L as dissolved
solids; the firmware's clock counts whole milliseconds.
"""

from __future__ import annotations

import math
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

BY_MAX, REASON_MAX = 60, 300  # characters of a name and of a reason for a change


class Setpoints(BaseModel):
    """The firmware's settings; one flat list, because a setpoint sheet is one."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=False)

    # --- flushing: fresh water through the membranes, pump off -------------------------------------
    start_flush_s: float = Field(120, ge=30, le=600, description="start flush, both valves open")
    start_flush_volume_l: float = Field(60, ge=0, le=1000, description="least volume of a start flush")
    start_flush_max_s: float = Field(240, ge=45, le=1800, description="longest start flush before it fails")
    flush_lead_s: float = Field(1, ge=0.2, le=5, description="flush valve opens before the feed valve")
    flush_tail_s: float = Field(2, ge=0.5, le=10, description="flush valve closes after the feed valve")
    settle_s: float = Field(5, ge=3, le=30, description="both valves settled before the pump may start")
    start_slot_wait_s: float = Field(30, ge=10, le=120, description="longest wait for a pump-start slot")
    flush_proof_m3h: float = Field(1.5, gt=0, le=20, description="least flow of a flush with the pump off")
    settled_flow_m3h: float = Field(1.2, gt=0, le=10, description="concentrate flow below it: flush shut")
    settled_suction_bar: float = Field(1.5, ge=0.5, le=5, description="suction needed to start the pump")
    flush_shut_s: float = Field(10, ge=5, le=60, description="a shut flush valve must show itself")
    stop_flush_s: float = Field(75, ge=20, le=600, description="stop flush, pump off")
    stop_flush_volume_l: float = Field(40, ge=0, le=1000, description="least volume of a stop flush")
    quality_flush_s: float = Field(60, ge=20, le=300, description="flush after a quality alarm, pump on")
    quality_flush_budget: int = Field(2, ge=1, le=5, description="quality flushes in 60 min")
    stagnation_h: float = Field(24, ge=0, le=72, description="flush an idle unit this often; 0 for never")

    position_proofs: bool = Field(False, description="the valves carry closed proofs ZSC-x01 and ZSC-x02")
    valve_travel_s: float = Field(
        10, ge=2, le=60, description="a valve with a closed proof has moved by then"
    )

    # --- purge -------------------------------------------------------------------------------------
    purge_interval_s: float = Field(600, ge=120, le=7200, description="production between two purges")
    purge_s: float = Field(20, ge=5, le=120, description="purge, pump on and flush valve open")
    purge_evidence_s: float = Field(5, ge=2, le=20, description="time in which a purge must show itself")
    purge_evidence_flow_m3h: float = Field(2.0, gt=0, le=20, description="flow of an open flush valve")
    purge_evidence_ratio: float = Field(0.6, gt=0, lt=1, description="pressure fall that shows the same")
    purge_retry_s: float = Field(60, ge=10, le=600, description="wait after a purge without evidence")

    # --- pump --------------------------------------------------------------------------------------
    coast_s: float = Field(2, ge=1, le=10, description="pump off before the feed valve closes")
    enable_lead_s: float = Field(0.2, ge=0.1, le=1, description="enable contactor before main contactor")
    feedback_s: float = Field(2, ge=0.5, le=2, description="run feedback must agree with the command")
    pressure_rise_s: float = Field(15, ge=5, le=60, description="time to reach the least membrane pressure")
    pressure_rise_bar: float = Field(8, ge=1, le=20, description="membrane pressure of a healthy start")
    min_off_s: float = Field(90, ge=80, le=900, description="least time between stop and start of a motor")
    max_starts_per_h: int = Field(8, ge=1, le=9, description="pump starts in a rolling hour")
    stagger_s: float = Field(10, ge=5, le=60, description="between pump starts of different units")

    # --- suction -----------------------------------------------------------------------------------
    suction_trip_bar: float = Field(0.8, ge=0.3, le=1.5, description="low suction")
    suction_trip_s: float = Field(5, ge=2, le=10, description="low suction, held")
    suction_fast_bar: float = Field(0.3, ge=0, le=0.5, description="suction all but gone")
    suction_fast_s: float = Field(1, ge=0.2, le=2, description="the same, held; also the suction switch")
    suction_blank_s: float = Field(10, ge=2, le=30, description="not evaluated after the feed valve opens")
    suction_retry_1_s: float = Field(60, ge=30, le=900, description="wait before the first retry")
    suction_retry_2_s: float = Field(120, ge=30, le=900, description="wait before the second retry")
    suction_retry_3_s: float = Field(300, ge=30, le=900, description="wait before the third and later ones")
    suction_retries: int = Field(3, ge=0, le=5, description="retries in a rolling 60 min")
    suction_forgive_min: float = Field(30, ge=5, le=120, description="production that clears the count")

    # --- discharge and permeate pressure -----------------------------------------------------------
    discharge_trip_bar: float = Field(16, ge=5, le=25, description="high membrane pressure; by vessel rating")
    discharge_trip_s: float = Field(0.5, ge=0.2, le=2, description="the same, held")
    permeate_trip_s: float = Field(0.5, ge=0.2, le=2, description="permeate pressure switch open, held")

    # --- permeate quality --------------------------------------------------------------------------
    tds_per_us: float = Field(0.5, ge=0.45, le=0.70, description="mg/L for each uS/cm; site data")
    tds_alarm_mgl: float = Field(200, gt=0, le=2000, description="quality alarm")
    tds_clear_mgl: float = Field(170, gt=0, le=2000, description="quality alarm off")
    tds_alarm_s: float = Field(30, ge=5, le=120, description="alarm level held")
    tds_lockout_mgl: float = Field(300, gt=0, le=5000, description="quality lockout")
    tds_lockout_s: float = Field(60, ge=10, le=300, description="lockout level held")
    tds_blank_start_s: float = Field(120, ge=30, le=600, description="quality not judged after pump start")
    tds_blank_purge_s: float = Field(30, ge=10, le=120, description="quality not judged after a purge")
    quality_bad_s: float = Field(60, ge=10, le=120, description="running on with a BAD quality loop")

    # --- leaks -------------------------------------------------------------------------------------
    leak_s: float = Field(2, ge=1, le=5, description="leak or sump contact open, held")

    # --- bank: header, water quality, dosing -------------------------------------------------------
    header_bar: float = Field(3.0, ge=1.5, le=5.5, description="header pressure setpoint")
    header_ready_bar: float = Field(2.0, ge=0.5, le=5, description="header pressure that lets a unit start")
    header_ready_s: float = Field(10, ge=2, le=60, description="the same, held")
    header_rise_max_s: float = Field(60, ge=20, le=300, description="time to make the header ready")
    header_low_bar: float = Field(1.0, ge=0.2, le=3, description="header lost")
    header_low_s: float = Field(5, ge=1, le=20, description="the same, held")
    header_ramp_bar_s: float = Field(0.2, ge=0.05, le=0.5, description="pressure ramp against water hammer")
    booster_min_hz: float = Field(25, ge=10, le=40, description="least booster speed")
    booster_max_hz: float = Field(50, ge=40, le=60, description="highest booster speed")
    health_s: float = Field(5, ge=2, le=30, description="healthy signals before a start")
    water_good_s: float = Field(60, ge=10, le=600, description="good feed water before a start")
    temp_trip_degc: float = Field(42, ge=20, le=45, description="feed too hot for the membranes")
    temp_clear_degc: float = Field(40, ge=15, le=44, description="cool enough again")
    chlorine_trip_mgl: float = Field(0.10, gt=0, le=1, description="oxidant that ruins membranes")
    chlorine_clear_mgl: float = Field(0.05, gt=0, le=1, description="oxidant gone")
    water_trip_s: float = Field(10, ge=2, le=30, description="hot or oxidant water, held")
    dosing_proof_s: float = Field(10, ge=5, le=60, description="a stroke must show in a start")
    dosing_lost_s: float = Field(60, ge=10, le=300, description="dosing unproven while feed flows")
    antiscalant_grace_min: float = Field(30, ge=0, le=60, description="running on with the tank low")
    dosing_ml_m3: float = Field(4.0, gt=0, le=100, description="antiscalant product for each m3 of feed")
    dosing_full_ml_h: float = Field(200, gt=0, le=10000, description="dosing pump at 100 %")
    dosing_flow_min_m3h: float = Field(0.3, ge=0, le=5, description="no dose into still water")
    level_fallback_h: float = Field(0, ge=0, le=4, description="running on floats alone; 0 for never")
    bank_sensor_bad_s: float = Field(60, ge=10, le=120, description="running on with a BAD bank loop")

    # --- bank: slots -------------------------------------------------------------------------------
    unit_feed_m3h: float = Field(2.33, gt=0, le=50, description="feed of one unit, producing")
    unit_concentrate_m3h: float = Field(0.93, gt=0, le=50, description="concentrate of one unit, producing")
    flush_drain_m3h: float = Field(3.05, gt=0, le=50, description="most drain water of one flushing unit")
    flush_feed_m3h: float = Field(3.4, gt=0, le=50, description="most feed of one flushing unit")
    booster_capacity_m3h: float = Field(16, gt=0, le=500, description="booster at header setpoint")
    drain_capacity_m3h: float = Field(9, gt=0, le=500, description="what the drain takes")
    token_wait_s: float = Field(120, ge=10, le=600, description="a stopping unit waits so long for its flush")
    debt_repay_min: float = Field(30, ge=5, le=120, description="an idle unit repays its flush in this time")
    feed_close_gap_s: float = Field(1, ge=0.5, le=5, description="between feed closures of different units")

    # --- bank: demand ------------------------------------------------------------------------------
    tank_stop_pct: float = Field(95, ge=50, le=97, description="tank full: all units stop")
    tank_first_pct: float = Field(85, ge=20, le=90, description="first unit is called below it")
    tank_last_pct: float = Field(35, ge=5, le=80, description="all units are called below it")
    tank_release_pct: float = Field(7, ge=2, le=20, description="a unit is released so much higher")
    demand_change_s: float = Field(60, ge=5, le=600, description="between two changes of the number of units")
    min_run_min: float = Field(15, ge=0, le=60, description="least run of a unit by demand")
    rotation_h: float = Field(24, ge=1, le=720, description="longest run while another unit is ready")
    product_tds_mgl: float = Field(250, gt=0, le=5000, description="blended product too poor")
    product_tds_min: float = Field(5, ge=0.5, le=60, description="the same, held; then the worst unit rests")
    min_rest_min: float = Field(10, ge=0, le=60, description="least rest of a unit by demand")
    max_in_maintenance: int = Field(1, ge=1, le=63, description="units that may be out for service at once")

    resets_per_h: int = Field(3, ge=1, le=10, description="resets of one cause before a person must say why")

    # --- alarms: before a trip, and shelving -------------------------------------------------------
    suction_alarm_bar: float = Field(1.2, ge=0.5, le=2, description="low suction, before the trip")
    discharge_alarm_bar: float = Field(14.5, ge=5, le=25, description="high pressure, before the trip")
    prefilter_alarm_bar: float = Field(0.7, ge=0.2, le=2, description="pressure taken by the prefilter")
    temp_alarm_degc: float = Field(38, ge=15, le=45, description="warm feed, before the trip")
    chlorine_alarm_mgl: float = Field(0.05, gt=0, le=1, description="oxidant, before the trip")
    debt_alarm_h: float = Field(4, ge=0.5, le=24, description="flush owed by a unit that is OFF")
    shelve_max_h: float = Field(8, ge=0.25, le=8, description="longest time an alarm may be shelved")

    # --- as left at hand-over: what a healthy unit shows in steady production; 0 while not entered ---
    as_left_membrane_bar: float = Field(0, ge=0, le=25, description="membrane pressure as left")
    as_left_concentrate_m3h: float = Field(0, ge=0, le=50, description="concentrate flow as left")
    as_left_permeate_m3h: float = Field(0, ge=0, le=50, description="permeate flow as left")
    as_left_pump_bar: float = Field(0, ge=0, le=25, description="membrane minus suction pressure as left")
    as_left_prefilter_bar: float = Field(
        0, ge=0, le=2, description="header minus suction pressure as left, new cartridge"
    )

    # --- power and I/O -----------------------------------------------------------------------------
    boot_s: float = Field(5, ge=2, le=60, description="good I/O after power-up before a decision")
    auto_resume: bool = Field(True, description="start by itself after power return, if the risk is assessed")
    brownout_returns: int = Field(3, ge=2, le=10, description="power returns in short order that mean a hold")
    brownout_min: float = Field(15, ge=1, le=60, description="what short order is, and how long the hold")
    resume_s: float = Field(30, ge=0, le=600, description="wait after power return")
    resume_step_s: float = Field(10, ge=0, le=60, description="further wait for each unit number")
    io_stale_s: float = Field(1, ge=0.3, le=2, description="age at which an I/O image is BAD")
    io_lost_s: float = Field(2, ge=0.5, le=2, description="age at which a unit's I/O is lost")
    io_back_s: float = Field(30, ge=5, le=300, description="stable I/O before a retry")
    io_retries: int = Field(3, ge=0, le=5, description="lost I/O in a rolling 60 min")

    @model_validator(mode="after")
    def _agree(self) -> Self:
        """Refuse pairs that contradict each other; the message names both values."""
        rules = (
            (
                self.stagnation_h == 0 or self.stagnation_h >= 8,
                f"stagnation_h = {self.stagnation_h:g} must be 0 or lie in 8 to 72",
            ),
            (
                1.5 * self.start_flush_s <= self.start_flush_max_s <= 3 * self.start_flush_s,
                f"start_flush_max_s = {self.start_flush_max_s:g} must lie in 1.5 to 3 times "
                f"start_flush_s = {self.start_flush_s:g}",
            ),
            (
                self.tds_clear_mgl < self.tds_alarm_mgl < self.tds_lockout_mgl,
                f"tds_clear_mgl = {self.tds_clear_mgl:g} < tds_alarm_mgl = {self.tds_alarm_mgl:g} < "
                f"tds_lockout_mgl = {self.tds_lockout_mgl:g} does not hold",
            ),
            (
                self.suction_fast_bar < self.suction_trip_bar < self.settled_suction_bar,
                f"suction_fast_bar = {self.suction_fast_bar:g} < suction_trip_bar = "
                f"{self.suction_trip_bar:g} < settled_suction_bar = {self.settled_suction_bar:g} "
                "does not hold",
            ),
            (
                self.tank_last_pct < self.tank_first_pct < self.tank_stop_pct,
                f"tank_last_pct = {self.tank_last_pct:g} < tank_first_pct = {self.tank_first_pct:g} < "
                f"tank_stop_pct = {self.tank_stop_pct:g} does not hold",
            ),
            (
                self.header_low_bar < self.header_ready_bar < self.header_bar,
                f"header_low_bar = {self.header_low_bar:g} < header_ready_bar = "
                f"{self.header_ready_bar:g} < header_bar = {self.header_bar:g} does not hold",
            ),
            (
                self.temp_clear_degc < self.temp_trip_degc,
                f"temp_clear_degc = {self.temp_clear_degc:g} must be below "
                f"temp_trip_degc = {self.temp_trip_degc:g}",
            ),
            (
                self.chlorine_clear_mgl < self.chlorine_trip_mgl,
                f"chlorine_clear_mgl = {self.chlorine_clear_mgl:g} must be below "
                f"chlorine_trip_mgl = {self.chlorine_trip_mgl:g}",
            ),
            (
                self.suction_trip_bar < self.suction_alarm_bar,
                f"suction_alarm_bar = {self.suction_alarm_bar:g} must be above "
                f"suction_trip_bar = {self.suction_trip_bar:g}, or the alarm comes after the trip",
            ),
            (
                self.discharge_alarm_bar < self.discharge_trip_bar,
                f"discharge_alarm_bar = {self.discharge_alarm_bar:g} must be below "
                f"discharge_trip_bar = {self.discharge_trip_bar:g}, or the alarm comes after the trip",
            ),
            (
                self.temp_alarm_degc < self.temp_trip_degc,
                f"temp_alarm_degc = {self.temp_alarm_degc:g} must be below "
                f"temp_trip_degc = {self.temp_trip_degc:g}, or the alarm comes after the trip",
            ),
            (
                self.chlorine_alarm_mgl < self.chlorine_trip_mgl,
                f"chlorine_alarm_mgl = {self.chlorine_alarm_mgl:g} must be below "
                f"chlorine_trip_mgl = {self.chlorine_trip_mgl:g}, or the alarm comes after the trip",
            ),
            (
                self.as_left_membrane_bar < self.discharge_alarm_bar,
                f"as_left_membrane_bar = {self.as_left_membrane_bar:g} must be below "
                f"discharge_alarm_bar = {self.discharge_alarm_bar:g}",
            ),
            (
                self.as_left_membrane_bar == 0 or self.as_left_pump_bar <= self.as_left_membrane_bar,
                f"as_left_pump_bar = {self.as_left_pump_bar:g} must not be above "
                f"as_left_membrane_bar = {self.as_left_membrane_bar:g}",
            ),
            (
                self.as_left_prefilter_bar < self.prefilter_alarm_bar,
                f"as_left_prefilter_bar = {self.as_left_prefilter_bar:g} must be below "
                f"prefilter_alarm_bar = {self.prefilter_alarm_bar:g}",
            ),
            (
                self.purge_evidence_s < self.purge_s,
                f"purge_evidence_s = {self.purge_evidence_s:g} must be shorter than "
                f"purge_s = {self.purge_s:g}",
            ),
            (
                self.purge_s + self.tds_blank_purge_s < 0.5 * self.purge_interval_s,
                f"purge_s + tds_blank_purge_s = {self.purge_s + self.tds_blank_purge_s:g} must be below "
                f"half of purge_interval_s = {self.purge_interval_s:g}, or quality is hardly ever judged",
            ),
            (
                max(self.tds_alarm_s, self.tds_lockout_s) + self.purge_s + self.tds_blank_purge_s
                < self.purge_interval_s,
                f"tds_alarm_s = {self.tds_alarm_s:g} and tds_lockout_s = {self.tds_lockout_s:g} must pass "
                f"between two purges: purge_interval_s = {self.purge_interval_s:g} less purge_s + "
                f"tds_blank_purge_s = {self.purge_s + self.tds_blank_purge_s:g}, or purging hides bad water",
            ),
        )
        broken = [text for holds, text in rules if not holds]
        if broken:
            raise ValueError("; ".join(broken))
        return self

    def with_change(self, name: str, value: float, by: str, reason: str, n_units: int) -> Self:
        """These setpoints with one of them changed by a person who says why.

        Raises ValueError when the value is out of range, contradicts another setpoint or leaves no room for
        a flush of ``n_units`` units, or when nobody gives a name and a reason, each in one line.
        """
        for text, most in ((by, BY_MAX), (reason, REASON_MAX)):
            if not text.strip() or len(text) > most or not text.isprintable():
                raise ValueError(
                    f"a change of {name} needs the name of a person and a reason, each one line of at most "
                    f"{BY_MAX} and {REASON_MAX} characters"
                )
        if name not in type(self).model_fields:
            raise ValueError(f"{name} is not a known setpoint")
        changed = type(self).model_validate(self.model_dump() | {name: value})
        changed.flush_slots(n_units)
        return changed

    @property
    def token_lease_s(self) -> float:
        """A flush slot is lent for the longest flush and 10 s; then it lapses (own choice)."""
        return self.start_flush_max_s + 10.0

    def seconds(self, name: str) -> float:
        """A time setpoint by its name, which ends in "_min" or "_s", in seconds."""
        return float(getattr(self, name)) * (60.0 if name.endswith("_min") else 1.0)

    def retry_wait_s(self, failure: int) -> float:
        """Wait after the ``failure``-th low suction in a row, counted from 1."""
        waits = (self.suction_retry_1_s, self.suction_retry_2_s, self.suction_retry_3_s)
        return waits[min(failure, len(waits)) - 1]

    def flush_slots(self, n_units: int) -> int:
        """How many units may have the flush valve open at once.

        The largest k for which the other units' production and k flushes fit 95 % of the drain and
        of the booster. Raises ValueError when not even one fits, or when the purges of all units
        would fill more than 70 % of the slots' time (own choices).
        """
        k = 0
        while k < n_units and self._slots_fit(n_units, k + 1):
            k += 1
        if k == 0:
            raise ValueError(
                f"{n_units} units leave no room for one flush: drain_capacity_m3h = "
                f"{self.drain_capacity_m3h:g}, booster_capacity_m3h = {self.booster_capacity_m3h:g}"
            )
        occupancy = n_units * (self.purge_s + 5.0) / k / self.purge_interval_s
        if occupancy > 0.7:
            need_s = math.ceil(n_units * (self.purge_s + 5.0) / k / 0.7)
            raise ValueError(
                f"purge_interval_s = {self.purge_interval_s:g} is too short for {n_units} units on "
                f"{k} flush slot(s): at least {need_s} s"
            )
        return k

    def _slots_fit(self, n_units: int, k: int) -> bool:
        drain = (n_units - k) * self.unit_concentrate_m3h + k * self.flush_drain_m3h
        feed = (n_units - k) * self.unit_feed_m3h + k * self.flush_feed_m3h
        return drain <= 0.95 * self.drain_capacity_m3h and feed <= 0.95 * self.booster_capacity_m3h
