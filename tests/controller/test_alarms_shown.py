"""The board of all alarms: what it tells the horn, what it shows, and what people may do."""

from __future__ import annotations

import copy

import pytest
from board_harness import BoardRig

from controller.alarms.board import AlarmView, Board
from controller.alarms.memory import Shelf
from controller.alarms.rules import Priority
from controller.alarms.states import AlarmState
from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.signals import Command, Verb
from controller.unit.permits import AlarmSignal
from controller.unit.states import Event

E = Event

# --- horn and relay -----------------------------------------------------------------------------------


def test_after_power_up_nothing_sounds_and_nothing_is_urgent() -> None:
    assert Board(2, Setpoints()).signal() == AlarmSignal(sounding=False, urgent=False)


@pytest.mark.parametrize("unit", [1, 2])
def test_an_urgent_alarm_of_any_unit_sounds_in_one_scan_and_is_urgent_while_it_stands(unit: int) -> None:
    rig = BoardRig().scan().come(E.SKID_LEAK, unit)
    assert rig.board.signal() == AlarmSignal(sounding=True, urgent=True)

    assert rig.scan(100).board.signal() == AlarmSignal(sounding=False, urgent=True)
    assert rig.go(E.SKID_LEAK, unit).board.signal() == AlarmSignal(sounding=False, urgent=False)


def test_an_urgent_alarm_of_the_bank_sounds_in_one_scan_and_is_urgent_while_it_stands() -> None:
    rig = BoardRig().scan()
    rig.bank.latched = [E.BOOSTER_FAULT]
    assert rig.scan(100).board.signal() == AlarmSignal(sounding=True, urgent=True)

    assert rig.scan(100).board.signal() == AlarmSignal(sounding=False, urgent=True)


def test_a_restored_board_sounds_as_the_one_it_was_taken_from() -> None:
    rig = BoardRig().scan().come(E.SKID_LEAK)
    other = Board(2, Setpoints())

    other.restore(rig.board.snapshot())

    assert other.signal() == AlarmSignal(sounding=True, urgent=True)
    assert other.views() == rig.board.views()


def test_a_snapshot_is_not_changed_by_what_comes_after_it() -> None:
    rig = BoardRig().scan()
    before, other = rig.board.snapshot(), Board(2, Setpoints())
    rig.come(E.SKID_LEAK).tell(Verb.SHELVE, "purge late", reason="drifts", hours=1)

    other.restore(before)
    assert other.views() == ()
    rig.board.restore(before)
    rig.come(E.MOTOR_PROTECTOR)
    other.restore(before)
    assert other.views() == ()


def test_every_part_of_a_snapshot_is_its_own() -> None:
    rig = BoardRig().scan().come(E.MOTOR_PROTECTOR).come(E.PUMP_NOT_PROVEN)
    rig.tell(Verb.SHELVE, "purge late", reason="drifts", hours=1)
    taken = rig.board.snapshot()
    kept = copy.deepcopy(taken)
    other = Board(2, Setpoints())
    other.restore(taken)

    for board in (rig.board, other):
        m = board.scopes[1].memory
        m.states[0], m.since_ms[0], m.timer_ms[0] = AlarmState.ACKED, 1, 1
        m.explained_by.clear()
        m.shelves.clear()
        assert taken == kept


# --- what it shows ------------------------------------------------------------------------------------


def test_a_first_out_is_shown_with_all_that_a_person_needs() -> None:
    rig = BoardRig(3).scan().come(E.MOTOR_PROTECTOR, 3)

    assert rig.board.views() == (
        AlarmView(
            unit=3,
            tag="YA-311",
            id="motor protector open",
            state=AlarmState.UNACK,
            priority=Priority.HIGH,
            first_out=True,
            since_ms=rig.now_ms,
            text="the pump motor drew too much current, or a phase is missing",
            action="Let the motor cool; have the current of all phases measured before a reset.",
            consequence_of="",
            shelf=None,
        ),
    )


def test_a_consequence_is_shown_with_its_cause_and_a_shelved_alarm_with_its_shelf() -> None:
    rig = BoardRig().scan().come(E.MOTOR_PROTECTOR).come(E.PUMP_NOT_PROVEN)
    came_ms = rig.now_ms
    rig.tell(Verb.SHELVE, "pump start not proven", reason="known", hours=2)

    shown = rig.view("pump start not proven")

    assert shown is not None
    assert (shown.state, shown.first_out, shown.consequence_of) == ("SHLVD", False, "motor protector open")
    assert shown.since_ms == came_ms + 100
    assert shown.shelf == Shelf("Ada", "known", rig.now_ms + 7_200_000)


def test_alarms_are_shown_bank_first_then_by_unit_in_the_order_of_the_tables() -> None:
    rig = BoardRig().scan()
    rig.bank.latched = [E.SUMP_HIGH, E.OXIDANT]
    rig.units[1].active = 1 << E.ISOLATED
    rig.units[0].active = 1 << E.ISOLATED | 1 << E.PERMEATE_PRESSURE
    rig.scan(100)

    assert [(a.unit, a.tag) for a in rig.board.views()] == [
        (0, "AT-013"), (0, "LSH-062"), (1, "PSH-105"), (1, "HS-102"), (2, "HS-202"),
    ]  # fmt: skip


def test_journal_lines_are_given_once_bank_first() -> None:
    rig = BoardRig().scan()
    rig.bank.latched = [E.SUMP_HIGH]
    rig.come(E.ISOLATED, 2)

    assert rig.lines() == [
        Entry(rig.now_ms, 0, "alarm", "drain sump high: NORM > UNACK"),
        Entry(rig.now_ms, 2, "alarm", "isolator off: NORM > UNACK"),
    ]
    assert rig.lines() == []


# --- people -------------------------------------------------------------------------------------------


def isolated() -> BoardRig:
    """An alarm of priority 3 in unit 1 and one of priority 2 in the bank."""
    rig = BoardRig().scan()
    rig.bank.header_low_ms = rig.now_ms - 10_000
    rig.come(E.ISOLATED)
    rig.lines()
    return rig


@pytest.mark.parametrize(
    ("verb", "unit", "name", "more", "lines"),
    [
        (Verb.ACKNOWLEDGE, 1, "isolator off", {}, ["UNACK > ACKED, by Ada"]),
        (Verb.ACKNOWLEDGE, 0, "feed header lost", {}, ["UNACK > ACKED, by Ada"]),
        (Verb.SHELVE, 1, "isolator off", {"reason": "at work", "hours": 0.5},
         ["UNACK > SHLVD, by Ada for 0.5 h: at work"]),
        (Verb.SHELVE, 0, "feed header lost", {"reason": "at work", "hours": 8.0},
         ["UNACK > SHLVD, by Ada for 8 h: at work"]),
        (Verb.SHELVE, 2, "isolator off", {"reason": "at work", "hours": 0.001},
         ["NORM > SHLVD, by Ada for 0.001 h: at work"]),
    ],
)  # fmt: skip
def test_what_a_person_does_is_in_the_journal_of_the_unit(
    verb: Verb, unit: int, name: str, more: dict[str, object], lines: list[str]
) -> None:
    rig = isolated()

    rig.tell(verb, name, unit, **more)

    assert rig.lines() == [Entry(rig.now_ms, unit, "alarm", f"{name}: {text}") for text in lines]


def test_taking_an_alarm_from_the_shelf_is_in_the_journal() -> None:
    rig = isolated().tell(Verb.SHELVE, "isolator off", reason="at work", hours=1)
    rig.lines()

    rig.tell(Verb.UNSHELVE, "isolator off", by="Ben")

    assert rig.lines() == [Entry(rig.now_ms, 1, "alarm", "isolator off: SHLVD > UNACK, by Ben")]


def test_a_command_reaches_only_the_unit_and_the_alarm_that_it_names() -> None:
    rig = isolated().come(E.ISOLATED, 2).come(E.OTHER_SENSOR_BAD)

    rig.tell(Verb.ACKNOWLEDGE, "isolator off")

    assert rig.shown() == {
        (0, "feed header lost", "UNACK"),
        (1, "isolator off", "ACKED"),
        (1, "flow transmitter bad", "UNACK"),
        (2, "isolator off", "UNACK"),
    }


def test_acknowledging_without_a_name_takes_all_of_the_unit() -> None:
    rig = isolated().come(E.ISOLATED, 2).come(E.OTHER_SENSOR_BAD)

    rig.tell(Verb.ACKNOWLEDGE)

    assert {state for unit, _, state in rig.shown() if unit == 1} == {"ACKED"}
    assert {state for unit, _, state in rig.shown() if unit != 1} == {"UNACK"}


def test_a_shelf_ends_to_the_millisecond_also_when_nothing_else_happens() -> None:
    rig = isolated().tell(Verb.SHELVE, "isolator off", reason="at work", hours=1)

    assert rig.scan(3_599_999).state("isolator off") == "SHLVD"
    assert rig.scan(1).state("isolator off") == "UNACK"


@pytest.mark.parametrize(
    ("verb", "unit", "name", "by", "more", "refusal", "told_unit"),
    [
        (Verb.ACKNOWLEDGE, 3, "", "Ada", {}, "acknowledge all: there is no unit 3", 0),
        (Verb.ACKNOWLEDGE, -1, "x", "Ada", {}, "acknowledge x: there is no unit -1", 0),
        (Verb.ACKNOWLEDGE, 2, "", "", {}, "acknowledge all: needs the name of a person", 2),
        (Verb.ACKNOWLEDGE, 2, "", "Ada", {}, "acknowledge all: nothing to acknowledge", 2),
        (Verb.ACKNOWLEDGE, 1, "x", "Ada", {}, "acknowledge x: there is no alarm of that name", 1),
        (Verb.ACKNOWLEDGE, 1, "skid leak", "Ada", {}, "acknowledge skid leak: it is NORM", 1),
        (Verb.SHELVE, 1, "", "Ada", {}, "shelve all: there is no alarm of that name", 1),
        (Verb.SHELVE, 1, "skid leak", "Ada", {"reason": "r", "hours": 1.0},
         "shelve skid leak: an alarm of priority 1 cannot be shelved", 1),
        (Verb.SHELVE, 0, "feed warm", "Ada", {"hours": 1.0}, "shelve feed warm: needs a reason", 0),
        (Verb.SHELVE, 0, "feed warm", "Ada", {"reason": "r", "hours": 0.0},
         "shelve feed warm: needs a time up to 8 h", 0),
        (Verb.SHELVE, 0, "feed warm", "Ada", {"reason": "r", "hours": 8.001},
         "shelve feed warm: needs a time up to 8 h", 0),
        (Verb.UNSHELVE, 1, "", "Ada", {}, "unshelve all: there is no alarm of that name", 1),
        (Verb.UNSHELVE, 1, "isolator off", "Ada", {}, "unshelve isolator off: it is UNACK", 1),
    ],
)  # fmt: skip
def test_a_refusal_says_why_and_changes_nothing(
    verb: Verb, unit: int, name: str, by: str, more: dict[str, object], refusal: str, told_unit: int
) -> None:
    rig = isolated()
    before = rig.shown()

    rig.tell(verb, name, unit, by, **more)

    assert rig.lines() == [Entry(rig.now_ms, told_unit, "refused", refusal)]
    assert rig.shown() == before


def test_a_refused_command_does_not_keep_the_next_from_being_taken() -> None:
    rig = isolated()

    rig.scan(
        100,
        Command(Verb.ACKNOWLEDGE, 9, "Ada"),
        Command(Verb.START, 1, "Ada"),
        Command(Verb.ACKNOWLEDGE, 1, "Ada"),
    )

    assert rig.state("isolator off") == "ACKED"
