"""Alarms of what the units share, and what of the board must outlive a scan."""

from __future__ import annotations

from alarms_desk import state
from alarms_harness import AlarmRig
from bank_harness import producing_bank
from test_snapshot import twin_of

from controller.unit.states import Event


def test_a_shared_cause_that_has_gone_is_shown_as_latched_until_its_reset() -> None:
    rig = producing_bank(1)
    rig.bank["drive_healthy"] = False
    rig.run(5)
    assert state(rig, "booster fault", 0) == "UNACK"

    del rig.bank["drive_healthy"]
    rig.run(20)
    assert state(rig, "booster fault", 0) == "LATUN"

    rig.press_reset()
    assert state(rig, "booster fault", 0) == "RTNUN"


def test_lost_shared_values_are_told_once_they_count_as_lost() -> None:
    rig = producing_bank(1)
    rig.bank_age_ms = 2_000
    rig.run(3.8)
    assert state(rig, "shared I/O lost", 0) == "NORM"

    rig.run(0.4)
    assert state(rig, "shared I/O lost", 0) == "UNACK"


def test_a_lost_header_is_one_alarm_of_the_bank_and_none_of_the_units() -> None:
    rig = producing_bank(2)
    rig.bank["header_bar"] = 0.9  # too low for the header, still enough for each unit's own suction trip

    rig.until(lambda r: state(r, "feed header lost", 0) == "UNACK", 10)
    asking = {a.id for a in rig.controller.alarms() if a.unit and a.state.value != "DSUPR"}

    assert asking == set()


def test_the_horn_is_asked_for_once_for_each_alarm() -> None:
    rig = AlarmRig().come(Event.SKID_LEAK)
    assert rig.horn

    assert not rig.step().horn
    assert not rig.go(Event.SKID_LEAK).horn
    assert not rig.come(Event.OTHER_SENSOR_BAD).horn


def test_a_horn_that_is_due_survives_a_snapshot() -> None:
    rig = producing_bank(1)
    rig.bank["dosing_healthy"] = False
    rig.until(lambda r: state(r, "dosing pump fault", 0) == "UNACK", 10)
    twin = twin_of(rig)
    assert not rig.out.bank.horn  # it sounds in the next scan

    twin.step()

    assert twin.out.bank.horn


def test_conditions_are_not_judged_on_a_stale_image() -> None:
    rig = producing_bank(1)
    rig.units[0]["membrane_bar"] = 15.0
    rig.unit_age_ms[0] = 1_500

    rig.run(60)

    assert state(rig, "membrane pressure rising") == "NORM"
