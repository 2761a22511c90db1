"""The alarm tables agree with the sequence, with each other and with themselves."""

from __future__ import annotations

import pytest

from controller.alarms.bank_rules import BANK_LOOPS, BANK_RULES
from controller.alarms.evidence import (
    UNIT_CONDITIONS,
)
from controller.alarms.rules import AlarmRule, Priority
from controller.alarms.scope import wire
from controller.alarms.unit_rules import UNIT_LOOPS, UNIT_RULES
from controller.bank.shared import SHARED
from controller.bank.view import LOOP_NAMES
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, signal_named
from controller.unit.states import Answer, Event, Trip, UnitState
from controller.unit.table import CELLS, Move

TABLES = [UNIT_RULES, BANK_RULES]
E = Event

# events that are no alarm: what people and the bank ask for, steps, and what the journal tells
NO_ALARM = {
    E.CALL, E.STOP, E.SELECTOR_OFF, E.SELECTOR_AUTO, E.MAINTENANCE_REQUEST, E.RETURN_TO_SERVICE,
    E.CALL_WITHDRAWN, E.REBOOT, E.CLOCK_STEP, E.TOKEN_LOST, E.RESET, E.RESET_REFUSED, E.DONE, E.STARTS_LIMIT,
}  # fmt: skip
# told by a condition that stands as long as the sequence's own alarm does
BY_CONDITION = {E.QUALITY_ALARM}


def raised_on(rules: tuple[AlarmRule, ...]) -> list[Event]:
    """Events that raise an alarm of the table."""
    return [rule.source for rule in rules if isinstance(rule.source, Event)]


def test_every_event_raises_one_alarm_or_is_none_on_purpose() -> None:
    raised = [*raised_on(UNIT_RULES), *raised_on(BANK_RULES)]

    assert len(raised) == len(set(raised))
    assert set(raised) | NO_ALARM | BY_CONDITION == set(Event)
    assert not set(raised) & (NO_ALARM | BY_CONDITION)


def test_an_alarm_of_a_unit_latches_exactly_where_the_sequence_does() -> None:
    not_causes = {E.DONE, E.SELECTOR_AUTO, E.MAINTENANCE_REQUEST}
    latching = {
        event
        for (_, event), cell in CELLS.items()
        if isinstance(cell, Move) and (cell.target is UnitState.LOCKOUT or cell.trip is Trip.WELDED)
    } - not_causes

    assert {rule.source for rule in UNIT_RULES if rule.latching} == latching


def test_what_is_remembered_in_a_stop_latches_too() -> None:
    remembered = {event for (_, event), cell in CELLS.items() if cell is Answer.REMEMBER}
    causes = remembered - {E.CALL, E.SELECTOR_OFF, E.MAINTENANCE_REQUEST}

    assert causes <= {rule.source for rule in UNIT_RULES if rule.latching}


def test_an_alarm_of_the_bank_latches_exactly_where_the_bank_does() -> None:
    assert {rule.source for rule in BANK_RULES if rule.latching} == {r.event for r in SHARED} | {E.ESTOP}


@pytest.mark.parametrize("rules", TABLES)
def test_names_are_unique_and_every_row_says_what_it_means_and_what_to_do(
    rules: tuple[AlarmRule, ...],
) -> None:
    assert len({rule.id for rule in rules}) == len(rules)
    assert all(rule.text and rule.action.endswith(".") for rule in rules)
    assert all(rule.priority is not Priority.LOG for rule in rules)


@pytest.mark.parametrize("rules", TABLES)
def test_a_latching_alarm_has_no_delay_of_its_own(rules: tuple[AlarmRule, ...]) -> None:
    assert all(not rule.on_delay and not rule.off_delay_s for rule in rules if rule.latching)


@pytest.mark.parametrize("rules", TABLES)
def test_no_alarm_explains_itself_round_a_circle(rules: tuple[AlarmRule, ...]) -> None:
    explained = {rule.id: set(rule.by_alarm) for rule in rules}
    while leaves := [name for name, by in explained.items() if not by]:
        for leaf in leaves:
            del explained[leaf]
        for by in explained.values():
            by.difference_update(leaves)

    assert explained == {}


@pytest.mark.parametrize(
    ("rules", "signals"), [(UNIT_RULES, UNIT_SIGNALS), (BANK_RULES, BANK_SIGNALS)], ids=["unit", "bank"]
)
def test_every_tag_stands_in_the_io_list(rules: tuple[AlarmRule, ...], signals: tuple[object, ...]) -> None:
    tags = {signal.tag for signal in signals} | {""}  # type: ignore[attr-defined]  # Signal of both lists

    assert {tag for rule in rules for tag in rule.tag.split(", ")} <= tags


def test_loops_stand_in_the_order_of_the_memory() -> None:
    assert [tag for tag, _ in BANK_LOOPS] == [signal_named(BANK_SIGNALS, name).tag for name in LOOP_NAMES]
    assert [tag for tag, _ in UNIT_LOOPS] == [s.tag for s in UNIT_SIGNALS if s.kind is Kind.AI]


@pytest.mark.parametrize(
    "change", [{"source": "nonsense"}, {"by_condition": ("nonsense",)}, {"by_alarm": ("x",)}]
)
def test_a_row_that_names_what_does_not_exist_is_refused(change: dict[str, object]) -> None:
    row = UNIT_RULES[0]._replace(**change)  # type: ignore[arg-type]  # wrong on purpose

    with pytest.raises(ValueError, match="not in tuple"):
        wire((row,), tuple(UNIT_CONDITIONS), BANK_RULES)
