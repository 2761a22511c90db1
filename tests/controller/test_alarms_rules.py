"""The alarm tables agree with the sequence, with each other and with themselves."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.alarms.bank_rules import BANK_LOOPS, BANK_RULES
from controller.alarms.evidence import (
    UNIT_CONDITIONS,
)
from controller.alarms.rules import AlarmRule, Frozen, LoopFault, Priority
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


COPY = Path(__file__).with_name("alarms.txt").read_text(encoding="utf-8").split("\n\n")[1:]


def raised_on(rules: tuple[AlarmRule, ...]) -> list[Event]:
    """Events that raise an alarm of the table."""
    return [rule.source for rule in rules if isinstance(rule.source, Event)]


def line(rule: AlarmRule) -> str:
    """A row in the form of the copy."""
    kind = "L" * rule.latching + "S" * rule.stops + "M" * rule.in_maintenance
    delays = f"{rule.on_delay}/{rule.off_delay_s:g}".replace(".0/", "/")
    hidden_by = [f"while {name}" for name in rule.by_condition]
    hidden_by += [*rule.by_alarm, *(f"bank {name}" for name in rule.by_bank)]
    first = f"{rule.priority} {kind or '-':3} {delays:6}"
    return " | ".join([first, rule.id, rule.tag, source(rule), "; ".join(hidden_by)]).rstrip()


def source(rule: AlarmRule) -> str:
    match rule.source:
        case Event() as event:
            return f"E{event:02d}"
        case LoopFault(loop, quality):
            return f"loop {loop} {quality.name}"
        case Frozen(loop):
            return f"loop {loop} frozen"
        case condition:
            return condition


@pytest.mark.parametrize(("rules", "copy"), list(zip(TABLES, COPY, strict=True)), ids=["unit", "bank"])
def test_every_row_is_as_written_in_the_copy(rules: tuple[AlarmRule, ...], copy: str) -> None:
    assert [line(rule) for rule in rules] == copy.strip().splitlines()[1:]


UNCERTAIN = (
    "loop current just outside 3.8 to 20.5 mA; the value is still used",
    "Check range and zero of the transmitter before it fails.",
)
STILL = "the value stood still through a pump start or a purge: "
LOOPS_SAY = {
    "header pressure bad": "the loop is broken: the booster keeps its speed, then all calls are withdrawn",
    "feed flow bad": "the loop is broken: dosing follows the number of units that draw",
    "feed temperature bad": "the loop is broken: no start; all calls are withdrawn when it stays so",
    "feed conductivity bad": "the loop is broken: nothing stops for it",
    "free chlorine bad": "the loop is broken: taken for chlorine when it stays so",
    "booster speed bad": "the loop is broken: nothing stops for it",
    "tank level bad": "the loop is broken: no start; running units stop when it stays so",
    "product conductivity bad": "the loop is broken: poor blended water would not be seen",
    "suction pressure does not move": STILL + "low suction may not be seen; the switch still protects",
    "membrane pressure does not move": STILL
    + "high pressure may not be seen; the hard-wired switch still protects",
    "permeate conductivity does not move": STILL + "poor water may not be seen",
    "permeate flow does not move": STILL + "recovery is not known",
    "concentrate flow does not move": STILL + "the volume of a flush is not known",
}
DO = {
    "bad": "Check wire and transmitter.",
    "move": "Look for a shut cock, a blocked line or a hung transmitter; compare with a local gauge.",
}


def test_the_alarm_of_a_loop_says_what_follows_and_what_to_do() -> None:
    rows = {rule.id: rule for rule in (*UNIT_RULES, *BANK_RULES)}
    said = {name: (rule.text, rule.action) for name, rule in rows.items() if name in LOOPS_SAY}
    uncertain = {(r.text, r.action) for r in rows.values() if r.id.endswith("out of range")}

    assert said == {name: (text, DO[name.split()[-1]]) for name, text in LOOPS_SAY.items()}
    assert uncertain == {UNCERTAIN}


def test_the_other_rows_say_what_they_mean_before_what_to_do() -> None:
    rows = {rule.id: rule for rule in (*UNIT_RULES, *BANK_RULES)}
    leak, pump = rows["skid leak"], rows["pump worn"]

    assert (leak.text, leak.action) == (
        "water on the skid",
        "Shut the feed hand valve, find the leak, dry the detector, then reset.",
    )
    assert (pump.text, pump.action) == (
        "the pump gives less than 70 % of the pressure at hand-over",
        "Check direction of rotation and supply; have the pump overhauled.",
    )


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
