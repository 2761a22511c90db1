"""The page of the alarms: what people are told, in which states, and what they may do."""

from __future__ import annotations

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.rules import PRIORITY_TEXT, AlarmRule, Frozen, LoopFault
from controller.alarms.scope import URGENT
from controller.alarms.states import COVERS, STATE_TEXT, TABLE, AlarmState, Answer, Happening
from controller.alarms.unit_rules import UNIT_RULES
from controller.settings import Setpoints
from controller.unit.states import EVENT_TEXT, Event
from sim_plant.docs_pages.markdown import code, number, page, table

_ANSWERS = {Answer.KEEP: "-", Answer.REFUSE: "r", Answer.BENEATH: "b", Answer.UNCOVER: "u"}


def alarms_page() -> str:
    """The whole page."""
    return page(
        "Alarms",
        "An alarm tells a person of something; it stops nothing. What stops a unit is in "
        "[sequence.md](sequence.md), and an alarm for it comes in the same scan. Conditions and loops that "
        "only warn are looked at twice a second.",
        "## Priorities",
        table(("Priority", "Meaning"), [(str(p.value), text) for p, text in PRIORITY_TEXT.items()]),
        f"An alarm of priority 1 to {URGENT.value} sounds the horn when it comes, and holds the alarm relay "
        "down while its cause stands or a reset is due. The horn is silenced by the reset button or by time; "
        "a latch of the bank and a locked-out unit hold the relay whatever is shelved.",
        "## States",
        "The words are those of ISA-18.2 and IEC 62682 (from memory; the standards were not at hand).",
        table(("State", "Meaning"), [(s.value, text) for s, text in STATE_TEXT.items()]),
        _covers_text(),
        "## State by happening",
        _states(),
        f"Letters: {_letters()}.",
        "## What people may do",
        f"**Acknowledge** says: seen. It changes no output, not even the horn. **Shelving** needs a name, a "
        f"reason and a time of up to `shelve_max_h` (default {number(Setpoints().shelve_max_h)} h) on the "
        "firmware's clock; priority 1 cannot be shelved, nor can an alarm that only waits for its reset. A "
        "restart of the firmware empties the shelf and forgets what was acknowledged. **Reset** is no "
        "command to an alarm: it releases what the sequence has latched, and the alarm follows. A unit in "
        "MAINTENANCE has its alarms out of service, but for those that warn the people at work.",
        "## First-out and consequences",
        "The first cause that stops a unit, or the bank, is its first-out, marked until the cause has gone "
        "and its reset is given. An alarm that another present alarm explains is hidden and names it; the "
        "first-out itself is never hidden so. When the explanation is gone and the cause still stands, the "
        "alarm comes to light.",
        "## Alarms of a unit",
        _rules(UNIT_RULES),
        "## Alarms of the bank",
        _rules(BANK_RULES),
    )


def _covers_text() -> str:
    names = ", ".join(state.value for state in COVERS)
    return (
        f"{names} cover the others, the strongest first. Underneath, cause and latch are followed as ever; "
        "when the cover goes, what is shown begins anew: UNACK while the cause stands, LATUN while only a "
        "reset is due, else NORM."
    )


def _states() -> str:
    rows = [
        (state.value, *(_cell(TABLE[state, happening]) for happening in Happening)) for state in AlarmState
    ]
    return table(("State", *(happening.value for happening in Happening)), rows)


def _cell(cell: AlarmState | Answer) -> str:
    return cell.value if isinstance(cell, AlarmState) else _ANSWERS[cell]


def _letters() -> str:
    return "; ".join(f"{code(letter)} {answer.value}" for answer, letter in _ANSWERS.items())


def _rules(rules: tuple[AlarmRule, ...]) -> str:
    head = ("Alarm", "Tag", "Priority", "Raised by", "Delay on / off", "Kind", "Hidden by", "Means", "Do")
    return table(head, [_rule(rule) for rule in rules])


def _rule(rule: AlarmRule) -> tuple[str, ...]:
    on = code(rule.on_delay) if isinstance(rule.on_delay, str) else f"{number(rule.on_delay)} s"
    hidden = [*rule.by_condition, *rule.by_alarm, *(f"bank: {name}" for name in rule.by_bank)]
    return (
        rule.id,
        rule.tag,
        str(rule.priority.value),
        _source(rule),
        f"{on} / {number(rule.off_delay_s)} s",
        _kind(rule),
        ", ".join(hidden),
        rule.text,
        rule.action,
    )


def _source(rule: AlarmRule) -> str:
    match rule.source:
        case Event():
            return f"E{rule.source.value:02d} {EVENT_TEXT[rule.source]}"
        case LoopFault():
            return f"loop {rule.source.quality.name}"
        case Frozen():
            return "loop frozen"
    return rule.source


def _kind(rule: AlarmRule) -> str:
    words = (
        ("latches", rule.latching),
        ("stops", rule.stops),
        ("in service in MAINTENANCE", rule.in_maintenance),
    )
    return ", ".join(word for word, holds in words if holds) or "warns"
