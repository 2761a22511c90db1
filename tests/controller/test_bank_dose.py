"""The antiscalant dose: in proportion to the feed, never into still water, and missed when it stops."""

from __future__ import annotations

import pytest
from alarms_desk import state
from bank_harness import BankRig, producing_bank
from harness import QUICK, SCAN_MS

from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, from_ma, signal_named
from controller.unit.states import PUMPING, UnitState

S = UnitState
RATE = signal_named(BANK_SIGNALS, "dosing_rate_cmd_ma")


def rate_pct(rig: BankRig) -> float:
    """Rate reference of the dosing pump."""
    return from_ma(RATE, rig.out.bank.dosing_rate_cmd_ma)


def test_the_dose_follows_the_feed_flow() -> None:
    rig = producing_bank(2)
    rig.run(5)

    # 2 x 2.33 m3/h x 4 mL/m3 of 200 mL/h at 100 %
    assert rate_pct(rig) == pytest.approx(100 * 2 * 2.33 * 4.0 / 200.0, abs=0.05)


def test_no_dose_into_still_water() -> None:
    rig = producing_bank(1)
    rig.bank["feed_m3h"] = 0.2

    assert rig.until(lambda r: not r.out.bank.dosing_run, 10) <= 5.0
    assert rate_pct(rig) == pytest.approx(0.0)


def test_no_dose_while_nobody_draws_but_for_the_proving_strokes() -> None:
    rig = BankRig(1)
    rig.bank["level_pct"] = 90.0
    rig.run(200)

    dosed = [not any(u.feed_valve for u in units) for *_, units, bank in rig.trace if bank.dosing_run]
    assert sum(dosed) * 0.1 <= QUICK.dosing_proof_s + 5.0


def test_with_a_bad_feed_meter_the_dose_follows_the_units_that_draw() -> None:
    rig = producing_bank(2)
    rig.bank["feed_flow_ma"] = 0.0

    rig.run(10)

    assert rate_pct(rig) == pytest.approx(100 * 2 * 2.33 * 4.0 / 200.0, abs=0.05)


def test_dosing_unproven_for_60_seconds_of_feed_stops_the_units_with_a_flush() -> None:
    rig = producing_bank(2)
    rig.bank["dosing_pulse"] = False

    took_s = rig.until(lambda r: not any(out.pump for out in r.out.units), 100)

    assert 59.0 <= took_s <= 62.0
    assert all(s is S.STOPPING for s in rig.states)


def test_a_low_antiscalant_tank_holds_new_starts_and_stops_units_after_its_grace() -> None:
    rig = producing_bank(1, Setpoints(**(QUICK.model_dump() | {"antiscalant_grace_min": 2})))
    rig.bank["antiscalant_ok"] = False

    took_s = rig.until(lambda r: r.states[0] not in PUMPING, 200)

    assert took_s == 120.0


def test_without_a_grace_a_low_antiscalant_tank_stops_units_in_the_same_scan() -> None:
    rig = producing_bank(1, Setpoints(**(QUICK.model_dump() | {"antiscalant_grace_min": 0})))
    rig.bank["antiscalant_ok"] = False

    rig.step()

    assert rig.states[0] not in PUMPING


def test_the_grace_begins_anew_when_the_tank_was_filled_in_between() -> None:
    rig = producing_bank(1, Setpoints(**(QUICK.model_dump() | {"antiscalant_grace_min": 2})))
    rig.bank["antiscalant_ok"] = False
    rig.run(119.9)
    rig.bank["antiscalant_ok"] = True
    rig.step()
    rig.bank["antiscalant_ok"] = False

    rig.run(119.9)

    assert rig.states[0] in PUMPING


def test_a_low_antiscalant_tank_holds_a_start_in_the_same_scan() -> None:
    reference, rig = BankRig(1), BankRig(1)
    reference.until(lambda r: r.states[0] is S.START_FLUSH, 200)
    while rig.now_ms < reference.now_ms - SCAN_MS:
        rig.step()
    rig.bank["antiscalant_ok"] = False

    rig.step()  # the scan in which the start would have begun

    assert rig.states[0] is S.WAIT_PERMIT


def test_a_low_antiscalant_tank_lets_nobody_start() -> None:
    rig = BankRig(1)
    rig.bank["antiscalant_ok"] = False

    rig.run(150)

    assert S.START_FLUSH not in {states[0] for _, states, _, _ in rig.trace}


# --- strokes that nobody asked for -----------------------------------------------------------------------


def idle_bank() -> BankRig:
    """A bank with a full tank: nobody draws, nothing is dosed."""
    rig = BankRig(1)
    rig.bank["level_pct"] = 96.0
    rig.run(300)  # the flush that is owed after power-up is over
    assert not rig.out.bank.dosing_run
    return rig


def strokes(rig: BankRig, count: int, apart_s: float) -> None:
    """Strokes that come whatever is driven, the last one just over."""
    for _ in range(count):
        rig.bank["dosing_pulse"] = True
        rig.run(0.3)
        rig.bank["dosing_pulse"] = False
        rig.run(apart_s - 0.3)


def test_two_strokes_that_nobody_asked_for_are_an_alarm_until_they_are_ten_minutes_old() -> None:
    rig = idle_bank()

    strokes(rig, 1, 30)
    assert state(rig, "antiscalant siphons", 0) == "NORM"
    strokes(rig, 1, 30)
    assert state(rig, "antiscalant siphons", 0) == "UNACK"
    rig.run(600)

    assert state(rig, "antiscalant siphons", 0) == "RTNUN"


def test_two_strokes_far_apart_are_no_alarm() -> None:
    rig = idle_bank()

    strokes(rig, 2, 601)

    assert state(rig, "antiscalant siphons", 0) == "NORM"


def test_strokes_of_a_running_dose_and_its_last_one_are_no_alarm() -> None:
    rig = producing_bank(1)
    rig.run(60)
    rig.bank["level_pct"] = 96.0
    rig.until(lambda r: not r.out.bank.dosing_run, 120)
    strokes(rig, 2, 2)
    del rig.bank["dosing_pulse"]
    rig.run(60)

    assert state(rig, "antiscalant siphons", 0) == "NORM"
