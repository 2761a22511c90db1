"""The alarms of one unit: how rows are read, which cause is first, what explains what, and what calls."""

from __future__ import annotations

import pytest
from alarms_harness import PLACE, AlarmRig

from controller.alarms.evidence import BAD_BIT, CONDITION_BIT, FROZEN_BIT, UNCERTAIN_BIT
from controller.alarms.memory import Shelf
from controller.alarms.rules import AlarmRule, Frozen, LoopFault, Priority, Source
from controller.alarms.scope import Scope, Seen, Wiring, wire
from controller.alarms.states import AlarmState, Happening
from controller.alarms.unit_rules import UNIT_RULES
from controller.parts.analogue import Quality
from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.unit.states import Event

E = Event
S = Setpoints()


def row(name: str, source: Source, **more: object) -> AlarmRule:
    return AlarmRule(name, "", source, Priority.MEDIUM, "text", "Act.", **more)  # type: ignore[arg-type]  # fields


# --- rows as bits -------------------------------------------------------------------------------------

CONDITIONS = ("first", "second", "third")
SHARED = (row("shared a", E.SUMP_HIGH), row("shared b", E.OXIDANT))


@pytest.mark.parametrize(
    ("rule", "wiring"),
    [
        (row("own", E.SKID_LEAK), Wiring(1 << E.SKID_LEAK, 0, 0, 0, 0)),
        (row("own", E.SKID_LEAK, latching=True), Wiring(1 << E.SKID_LEAK, 1 << E.SKID_LEAK, 0, 0, 0)),
        (row("own", "first", latching=True), Wiring(1 << CONDITION_BIT, 0, 0, 0, 0)),
        (row("own", "third"), Wiring(4 << CONDITION_BIT, 0, 0, 0, 0)),
        (row("own", LoopFault(3, Quality.BAD)), Wiring(1 << BAD_BIT + 3, 0, 0, 0, 0)),
        (row("own", LoopFault(3, Quality.UNCERTAIN)), Wiring(1 << UNCERTAIN_BIT + 3, 0, 0, 0, 0)),
        (row("own", Frozen(2)), Wiring(1 << FROZEN_BIT + 2, 0, 0, 0, 0)),
        (
            row("own", "first", by_condition=("second", "third"), by_alarm=("other",), by_bank=("shared b",)),
            Wiring(1 << CONDITION_BIT, 0, 6 << CONDITION_BIT, 0b10, 0b10),
        ),
    ],
)
def test_a_row_is_wired_to_what_it_names(rule: AlarmRule, wiring: Wiring) -> None:
    assert wire((rule, row("other", "first")), CONDITIONS, SHARED)[0] == wiring


@pytest.mark.parametrize(
    ("on_delay", "on_ms"), [(2.5, 2_500), (0.0, 0), ("product_tds_min", 300_000), ("header_low_s", 5_000)]
)
def test_a_delay_is_given_in_seconds_or_by_a_setpoint_in_seconds_or_minutes(
    on_delay: float | str, on_ms: int
) -> None:
    scope = Scope(1, (row("own", "first", on_delay=on_delay, off_delay_s=1.5),), CONDITIONS, (), S)
    holds, gone = Seen(0, 0, 1 << CONDITION_BIT, 0, False), Seen(0, 0, 0, 0, False)
    shown = []
    for seen, now_ms in (
        (holds, 1_000),
        (holds, 1_000 + on_ms - 1),
        (holds, 1_000 + on_ms),
        (gone, 900_000),
        (gone, 901_499),
        (gone, 901_500),
    ):
        scope.step(seen, now_ms)
        shown.append(scope.memory.states[0].value)

    before = "UNACK" if on_ms == 0 else "NORM"
    assert shown == [before, before, "UNACK", "UNACK", "UNACK", "RTNUN"]


def test_two_rows_on_one_event_both_come() -> None:
    rules = (row("a", E.SKID_LEAK), row("b", E.SKID_LEAK), row("c", E.SUMP_HIGH))
    scope = Scope(4, rules, (), (), S)

    scope.step(Seen(1 << E.SKID_LEAK, 0, 0, 0, False), 700)

    assert scope.events == [Entry(700, 4, "alarm", f"{name}: NORM > UNACK") for name in "ab"]
    assert scope.memory.since_ms[:2] == [700, 700]


def test_an_event_that_no_row_names_is_not_looked_at() -> None:
    scope = Scope(1, (row("a", E.SKID_LEAK),), (), (), S)

    scope.step(Seen(1 << E.SUMP_HIGH, 0, 0, 0, False), 700)

    assert scope.memory.active == 0


# --- the first cause ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("together", "latched", "first"),
    [
        ((E.MOTOR_PROTECTOR, E.SKID_LEAK), set(), "skid leak"),  # the most urgent
        ((E.FLUSH_NOT_CLOSED, E.PERMEATE_PRESSURE), set(), "flush valve did not close"),  # then by the table
        ((E.PUMP_WELDED, E.SKID_LEAK), set(), "pump runs when told to stop"),
        ((E.MOTOR_PROTECTOR, E.SKID_LEAK), {E.MOTOR_PROTECTOR}, "motor protector open"),
        ((E.MOTOR_PROTECTOR, E.SKID_LEAK), {E.MOTOR_PROTECTOR, E.SKID_LEAK}, "skid leak"),
        ((E.PUMP_NOT_PROVEN, E.MOTOR_PROTECTOR), {E.PUMP_NOT_PROVEN}, "motor protector open"),  # it explains
        ((E.OTHER_SENSOR_BAD, E.PURGE_OVERDUE), set(), "purge overdue"),  # a warning is none
    ],
)
def test_of_several_causes_in_one_scan_one_is_first(
    together: tuple[Event, ...], latched: set[Event], first: str
) -> None:
    rig = AlarmRig()
    rig.latched = latched

    assert rig.come(*together).first_out() == first


def test_a_cause_that_already_stood_does_not_become_first_when_the_first_has_gone() -> None:
    rig = AlarmRig().come(E.MOTOR_PROTECTOR).come(E.SKID_LEAK)

    assert rig.go(E.MOTOR_PROTECTOR).first_out() == ""
    assert rig.come(E.PERMEATE_PRESSURE).first_out() == "permeate side blocked"


def test_a_cause_that_comes_as_the_first_goes_is_the_next() -> None:
    rig = AlarmRig().come(E.MOTOR_PROTECTOR)
    rig.events = {E.SKID_LEAK}

    assert rig.step().first_out() == "skid leak"


def test_the_very_first_row_can_be_the_first_out_and_stay_it() -> None:
    rig = AlarmRig().come(E.PUMP_WELDED).come(E.SKID_LEAK)

    assert rig.first_out() == UNIT_RULES[0].id == "pump runs when told to stop"


def test_a_latch_without_its_cause_is_shown_once_as_latched_and_is_the_first_out() -> None:
    rig = AlarmRig()
    rig.latched = {E.SKID_LEAK}

    rig.step().step()

    assert rig.first_out() == "skid leak"
    assert rig.texts() == ["skid leak: NORM > UNACK", "skid leak: UNACK > LATUN"]
    rig.latched = set()
    assert rig.step().texts()[2:] == ["skid leak: LATUN > RTNUN"]


def test_a_latch_that_comes_after_its_cause_has_come_changes_nothing_that_is_shown() -> None:
    rig = AlarmRig().come(E.SKID_LEAK)
    rig.latched = {E.SKID_LEAK}

    assert rig.step().texts() == ["skid leak: NORM > UNACK"]


def test_a_latch_that_comes_as_its_cause_goes_is_shown_as_latched_once() -> None:
    rig = AlarmRig().come(E.SKID_LEAK)
    rig.latched = {E.SKID_LEAK}

    rig.go(E.SKID_LEAK)

    assert rig.texts() == ["skid leak: NORM > UNACK", "skid leak: UNACK > LATUN"]


# --- what explains it ---------------------------------------------------------------------------------


def explained_by(rig: AlarmRig, name: str) -> str:
    return rig.scope.memory.explained_by.get(PLACE[name], "")


def test_an_explanation_of_the_unit_is_named_before_one_of_the_bank_and_each_by_its_table() -> None:
    rig = AlarmRig().come(E.SKID_LEAK)  # the first-out, which explains nothing
    rig.bank = {"booster fault", "emergency stop"}
    assert explained_by(rig.come(E.PUMP_NOT_PROVEN), "pump start not proven") == "emergency stop"

    rig.come(E.MOTOR_PROTECTOR)
    assert explained_by(rig, "pump start not proven") == "motor protector open"
    rig.come(E.DISCHARGE_SWITCH)
    assert explained_by(rig, "pump start not proven") == "discharge switch open"

    rig.bank = set()
    rig.go(E.DISCHARGE_SWITCH, E.MOTOR_PROTECTOR)
    assert explained_by(rig, "pump start not proven") == ""
    assert rig.state("pump start not proven") == "UNACK"


def test_an_alarm_that_has_gone_is_explained_no_longer() -> None:
    rig = AlarmRig().come(E.MOTOR_PROTECTOR).come(E.PUMP_NOT_PROVEN)
    assert explained_by(rig, "pump start not proven") == "motor protector open"

    rig.go(E.PUMP_NOT_PROVEN)

    assert explained_by(rig, "pump start not proven") == ""
    assert rig.state("pump start not proven") == "NORM"
    assert rig.texts()[-2:] == [
        "pump start not proven: NORM > DSUPR, because of motor protector open",
        "pump start not proven: DSUPR > NORM",
    ]


def test_an_explanation_that_only_waits_for_its_reset_still_explains() -> None:
    rig = AlarmRig()
    rig.latched = {E.MOTOR_PROTECTOR}
    rig.come(E.MOTOR_PROTECTOR).go(E.MOTOR_PROTECTOR)

    assert rig.come(E.PUMP_NOT_PROVEN).state("pump start not proven") == "DSUPR"


def test_the_first_out_is_not_hidden_by_a_cause_in_the_bank_that_comes_later() -> None:
    rig = AlarmRig().come(E.LOW_SUCTION)
    rig.bank = {"feed header lost"}

    assert rig.step().state("low suction") == "UNACK"
    assert rig.first_out() == "low suction"


def test_a_condition_hides_without_being_an_explanation() -> None:
    rig = AlarmRig()
    rig.conditions = {"feed valve shut or just opened"}
    rig.step()
    assert rig.texts() == ["suction falling: NORM > DSUPR"]
    assert explained_by(rig, "suction falling") == ""

    rig.conditions = set()
    rig.step()
    assert rig.texts()[1:] == ["suction falling: DSUPR > NORM"]


# --- what calls a person ------------------------------------------------------------------------------


def of_priority(priority: Priority) -> int:
    return next(place for place, rule in enumerate(UNIT_RULES) if rule.priority is priority)


CALLS = {"UNACK", "ACKED", "LATUN", "LATACK"}


@pytest.mark.parametrize("state", AlarmState)
@pytest.mark.parametrize("priority", [Priority.CRITICAL, Priority.HIGH, Priority.MEDIUM])
def test_an_alarm_is_urgent_by_its_priority_while_it_stands_or_waits_for_its_reset(
    priority: Priority, state: AlarmState
) -> None:
    rig = AlarmRig()
    rig.scope.memory.states[of_priority(priority)] = state

    rig.scope.settle()

    assert rig.scope.memory.urgent is (state.value in CALLS and priority is not Priority.MEDIUM)


@pytest.mark.parametrize(
    ("events", "sounds"),
    [
        ((E.SKID_LEAK,), True),
        ((E.PERMEATE_PRESSURE,), True),
        ((E.ISOLATED,), False),
        ((E.SKID_LEAK, E.ISOLATED), True),  # whichever of them is told last
        ((E.ISOLATED, E.FEED_NOT_CLOSED), True),
    ],
)
def test_the_horn_is_for_what_newly_calls_and_is_urgent(events: tuple[Event, ...], sounds: bool) -> None:
    rig = AlarmRig().come(*events)

    assert rig.horn is sounds
    assert rig.step().horn is False
    assert rig.go(*events).horn is False


def test_an_urgent_alarm_that_comes_back_from_the_shelf_sounds_again() -> None:
    rig = AlarmRig().come(E.MOTOR_PROTECTOR)
    rig.scope.shelve(PLACE["motor protector open"], Shelf("Ada", "known", rig.now_ms + 60_000), rig.now_ms)
    rig.scope.settle()
    assert rig.texts()[-1] == "motor protector open: UNACK > SHLVD, by Ada for 0.0166667 h: known"
    assert not rig.step(59.9).horn

    assert rig.step(0.1).horn
    assert rig.texts()[-1] == "motor protector open: SHLVD > UNACK, the time is over"


def test_a_row_that_warns_people_at_work_stays_in_service() -> None:
    rig = AlarmRig()
    rig.in_maintenance = True
    rig.step()
    assert {rule.id for rule in UNIT_RULES} - set(rig.shown()) == {
        "pump runs when told to stop",
        "unit may be under pressure",
    }

    rig.come(E.PUMP_WELDED, E.SKID_LEAK)
    assert (rig.state("pump runs when told to stop"), rig.state("skid leak")) == ("UNACK", "OOSRV")
    place = PLACE["pump runs when told to stop"]
    rig.scope.shelve(place, Shelf("Ada", "known", rig.now_ms + 60_000), rig.now_ms)
    rig.scope.unshelve(place, rig.now_ms, "")
    assert rig.state("pump runs when told to stop") == "UNACK"  # not OOSRV as the rest

    rig.in_maintenance = False
    assert rig.step().shown() == {"pump runs when told to stop": "UNACK", "skid leak": "UNACK"}


def test_causes_that_go_in_one_scan_are_all_told() -> None:
    rig = AlarmRig().come(E.SKID_LEAK, E.ISOLATED, E.PURGE_OVERDUE).go(E.SKID_LEAK, E.ISOLATED)

    assert rig.shown() == {"skid leak": "RTNUN", "isolator off": "RTNUN", "purge overdue": "UNACK"}


def test_a_happening_that_changes_nothing_keeps_the_moment_of_the_last_change() -> None:
    rig = AlarmRig().come(E.SKID_LEAK)
    came_ms, place = rig.now_ms, PLACE["skid leak"]

    rig.scope.tell(place, Happening.CAUSE_COMES, came_ms + 500)

    assert rig.scope.memory.since_ms[place] == came_ms
    assert len(rig.texts()) == 1


def test_the_next_look_is_due_at_the_end_of_the_nearest_delay_or_shelf() -> None:
    rig = AlarmRig().step()
    assert rig.scope.memory.due_ms == 2**62

    rig.conditions = {"suction below the alarm limit", "membrane pressure above the alarm limit"}
    rig.step()
    assert rig.scope.memory.due_ms == rig.now_ms + 2_000
    rig.scope.shelve(PLACE["purge late"], Shelf("Ada", "known", rig.now_ms + 1_000), rig.now_ms)
    rig.scope.settle()
    assert rig.scope.memory.due_ms == rig.now_ms + 1_000

    rig.step(2.0)
    assert rig.scope.memory.due_ms == rig.now_ms + 1_000  # the membrane pressure's 3 s
    assert [rig.state("suction falling"), rig.state("purge late")] == ["UNACK", "NORM"]
