"""One initiating cause, one first-out; consequences hidden; units out of service; horn and relay."""

from __future__ import annotations

import pytest
from alarms_desk import alarm, state, tell
from alarms_harness import AlarmRig
from bank_harness import BankRig, producing_bank
from harness import QUICK

from controller import retained
from controller.bank.memory import BankMemory
from controller.signals import Verb
from controller.unit.memory import UnitMemory
from controller.unit.states import Event, UnitState
from controller.unit.view import CONCENTRATE, QUALITY

E = Event
FEED_SHUT = "feed valve shut or just opened"


# --- first-out ----------------------------------------------------------------------------------------


def test_the_first_cause_that_stops_is_the_first_out_and_stays_it() -> None:
    rig = AlarmRig().come(E.MOTOR_PROTECTOR)
    rig.come(E.SKID_LEAK, E.PERMEATE_PRESSURE)

    assert rig.first_out() == "motor protector open"
    assert rig.state("skid leak") == "UNACK"  # an independent cause is never hidden


def test_a_warning_is_no_first_out() -> None:
    rig = AlarmRig()
    rig.conditions.add("no purge for 1.5 intervals")
    rig.step().come(E.OTHER_SENSOR_BAD)

    assert rig.first_out() == ""
    assert rig.come(E.SKID_LEAK).first_out() == "skid leak"


def test_of_several_causes_in_one_scan_the_one_that_the_sequence_latched_is_first() -> None:
    rig = AlarmRig()
    rig.latched = {E.PERMEATE_PRESSURE}

    rig.come(E.SKID_LEAK, E.PERMEATE_PRESSURE)

    assert rig.first_out() == "permeate side blocked"


def test_the_first_out_ends_only_when_its_cause_is_gone_and_its_latch_released() -> None:
    rig = AlarmRig()
    rig.latched = {E.MOTOR_PROTECTOR}
    rig.come(E.MOTOR_PROTECTOR).go(E.MOTOR_PROTECTOR)
    assert rig.first_out() == "motor protector open"

    rig.latched = set()
    assert rig.step().first_out() == ""
    assert rig.come(E.SKID_LEAK).first_out() == "skid leak"


@pytest.mark.parametrize(
    ("first", "then", "hidden", "by"),
    [
        (E.MOTOR_PROTECTOR, E.PUMP_NOT_PROVEN, "pump start not proven", "motor protector open"),
        (E.DISCHARGE_SWITCH, E.HIGH_DISCHARGE, "membrane pressure too high", "discharge switch open"),
        (E.FEED_NOT_OPEN, E.LOW_SUCTION, "low suction", "feed valve did not open"),
        (E.IO_LOST, E.SUCTION_SENSOR_BAD, "suction transmitter bad", "unit I/O lost"),
    ],
)
def test_a_consequence_is_hidden_and_names_its_cause(first: Event, then: Event, hidden: str, by: str) -> None:
    rig = AlarmRig().come(first).come(then)

    assert rig.state(hidden) == "DSUPR"
    assert rig.texts()[-1] == f"{hidden}: NORM > DSUPR, because of {by}"
    assert rig.first_out() == by


def test_a_cause_that_came_first_is_not_hidden_by_what_would_explain_it() -> None:
    rig = AlarmRig().come(E.PUMP_NOT_PROVEN).come(E.MOTOR_PROTECTOR)

    assert rig.state("pump start not proven") == "UNACK"
    assert rig.first_out() == "pump start not proven"


def test_a_consequence_that_outlives_its_cause_comes_to_light() -> None:
    rig = AlarmRig().come(E.MOTOR_PROTECTOR).come(E.PUMP_NOT_PROVEN)

    rig.go(E.MOTOR_PROTECTOR)

    assert rig.state("pump start not proven") == "UNACK"


def test_a_cause_in_the_bank_hides_its_consequence_in_a_unit() -> None:
    rig = AlarmRig()
    rig.bank = {"feed header lost"}

    rig.come(E.LOW_SUCTION)
    assert rig.state("low suction") == "DSUPR"
    assert rig.first_out() == ""

    rig.bank = set()
    assert rig.step().state("low suction") == "UNACK"


def test_low_suction_is_suppressed_while_the_feed_valve_is_shut() -> None:
    rig = AlarmRig()
    rig.conditions = {FEED_SHUT, "suction below the alarm limit"}
    rig.step().step(60)
    assert rig.state("suction falling") == "DSUPR"

    rig.conditions = {"suction below the alarm limit"}
    assert rig.step().state("suction falling") == "UNACK"


# --- delays -------------------------------------------------------------------------------------------


def test_an_on_delay_and_an_off_delay_ride_through_what_is_shorter() -> None:
    rig = AlarmRig()
    rig.conditions = {"suction below the alarm limit"}
    rig.step().step(1.9)
    assert rig.state("suction falling") == "NORM"
    rig.step(0.1)
    assert rig.state("suction falling") == "UNACK"

    rig.conditions = set()
    rig.step().step(9.9)
    assert rig.state("suction falling") == "UNACK"
    rig.step(0.1)
    assert rig.state("suction falling") == "RTNUN"


def test_a_cause_shorter_than_its_on_delay_raises_nothing() -> None:
    rig = AlarmRig()
    for _ in range(5):
        rig.conditions = {"suction below the alarm limit"}
        rig.step().step(1.8)
        rig.conditions = set()
        rig.step(0.1).step(5)

    assert rig.texts() == []


@pytest.mark.parametrize(
    ("bad", "uncertain", "name"),
    [
        ({QUALITY}, set(), "permeate conductivity bad"),
        (set(), {QUALITY}, "permeate conductivity out of range"),
        (set(), {CONCENTRATE}, "concentrate flow out of range"),
    ],
)
def test_a_loop_that_is_bad_or_uncertain_is_told_at_once(
    bad: set[int], uncertain: set[int], name: str
) -> None:
    rig = AlarmRig()
    rig.bad, rig.uncertain = bad, uncertain

    assert rig.step().shown() == {name: "UNACK"}


# --- the whole controller -----------------------------------------------------------------------------


def test_a_tripped_unit_shows_one_first_out_and_the_other_unit_none() -> None:
    rig = producing_bank(2)
    rig.units[0]["motor_healthy"] = False

    rig.run(5)

    shown = [(a.unit, a.tag, a.id) for a in rig.controller.alarms() if a.first_out]
    assert shown == [(1, "YA-111", "motor protector open")]
    assert not any(a.unit == 2 for a in rig.controller.alarms())


def test_a_booster_fault_gives_one_alarm_of_the_bank_and_none_asks_in_the_units() -> None:
    rig = producing_bank(2)
    rig.bank["drive_healthy"] = False

    rig.run(100)

    asks = {(a.unit, a.id): a.first_out for a in rig.controller.alarms() if a.state.value not in ("DSUPR",)}
    assert asks == {(0, "booster fault"): True}


def test_an_emergency_stop_is_latched_until_the_units_have_been_reset() -> None:
    rig = producing_bank(2)
    rig.bank["estop_healthy"] = False
    rig.run(1)
    assert state(rig, "emergency stop", 0) == "UNACK"
    rig.bank["estop_healthy"] = True
    rig.run(5)
    assert state(rig, "emergency stop", 0) == "LATUN"

    rig.press_reset()
    rig.run(1)

    assert state(rig, "emergency stop", 0) == "RTNUN"


def test_a_unit_in_maintenance_has_its_alarms_out_of_service() -> None:
    rig = producing_bank(2)
    rig.command(Verb.MAINTAIN, 1)
    rig.until(lambda r: r.states[0] is UnitState.MAINTENANCE, 300)
    rig.units[0]["motor_healthy"] = False
    rig.run(5)

    states = {a.id: a.state.value for a in rig.controller.alarms() if a.unit == 1}
    in_service = {"pump runs when told to stop", "unit may be under pressure"}
    assert set(states.values()) == {"OOSRV"}
    assert len(states) == len(rig.controller._alarms.scopes[1].rules) - len(in_service)
    assert not in_service & states.keys()

    rig.units[0].clear()
    rig.units[0]["selector_auto"] = False
    rig.run(1)
    rig.command(Verb.RETURN_TO_SERVICE, 1)
    rig.run(2)
    assert "OOSRV" not in {a.state.value for a in rig.controller.alarms()}


def test_people_at_a_unit_in_maintenance_are_warned_of_pressure() -> None:
    rig = producing_bank(1)
    rig.command(Verb.MAINTAIN, 1)
    rig.until(lambda r: r.states[0] is UnitState.MAINTENANCE, 300)
    rig.units[0]["suction_bar"] = 2.0

    rig.run(70)

    assert state(rig, "unit may be under pressure") == "UNACK"
    assert state(rig, "feed valve did not close") == "OOSRV"


def test_antiscalant_low_is_told_within_five_seconds() -> None:
    rig = producing_bank(1)
    rig.bank["antiscalant_ok"] = False

    took_s = rig.until(lambda r: not r.out.bank.alarm_relay, 10)

    assert took_s <= 5.0
    assert rig.out.bank.horn
    assert state(rig, "antiscalant tank low", 0) == "UNACK"


def test_a_warning_of_medium_priority_moves_neither_horn_nor_relay() -> None:
    rig = producing_bank(1)
    rig.units[0]["membrane_bar"] = 15.0
    rig.run(10)

    assert state(rig, "membrane pressure rising") == "UNACK"
    assert not any(bank.horn or not bank.alarm_relay for *_, bank in rig.trace[1:])


def test_the_horn_is_silenced_by_the_button_or_by_time_and_not_by_acknowledging() -> None:
    rig = producing_bank(1)
    rig.bank["dosing_healthy"] = False
    rig.run(5)
    tell(rig, Verb.ACKNOWLEDGE, "dosing pump fault", 0)
    rig.run(1)
    assert rig.out.bank.horn

    rig.press_reset()
    assert not rig.out.bank.horn
    assert not rig.out.bank.alarm_relay


def test_a_lockout_kept_over_a_loss_of_power_is_shown_as_latched() -> None:
    kept = UnitMemory(latched=E.SKID_LEAK)
    text = retained.encode(retained.gather(BankMemory(1), [kept]))

    rig = BankRig(1, QUICK, retained=text)
    rig.run(10)

    shown = alarm(rig, "skid leak")
    assert shown is not None
    assert shown.state.value == "LATUN"
    assert shown.first_out


def test_a_stale_image_lets_no_cause_go() -> None:
    rig = producing_bank(1)
    rig.units[0]["permeate_flow_ma"] = 0.0
    rig.run(5)
    rig.unit_age_ms[0] = 5_000
    rig.run(20)
    assert state(rig, "flow transmitter bad") == "DSUPR"  # explained by the lost I/O, but not gone
    assert state(rig, "unit I/O lost") == "UNACK"
