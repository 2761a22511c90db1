"""The form of an alarm's row, and the two tables put together from the pages of rows.

A row for an event follows the protection that raises it, so its delay and limit are the protection's. A row
for a condition or a loop stops nothing; most of them come before a trip. ``by_condition``, ``by_alarm`` and
``by_bank`` are suppression by design: while the condition holds, or while the named alarm of the same table
or of the bank is present, the alarm is not shown. An alarm hidden by another alarm is its consequence.

``latching`` says that the sequence itself latches the event, so a reset is due; a test compares it with the
sequence. ``stops`` marks causes that stop a unit or the bank: the first of them is the first-out.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

from controller.parts.analogue import Quality
from controller.unit.states import Event


class Priority(IntEnum):
    """How urgent an alarm is. LOG is for the journal alone, so no row has it."""

    CRITICAL = 1
    HIGH = 2
    MEDIUM = 3
    LOG = 4


PRIORITY_TEXT: dict[Priority, str] = {
    Priority.CRITICAL: "equipment or people; cannot be shelved",
    Priority.HIGH: "production stops, or will soon",
    Priority.MEDIUM: "act within the shift",
    Priority.LOG: "journal only: moves, refusals, a lost flush slot; no alarm is raised",
}


class LoopFault(NamedTuple):
    """A loop, by its place in the memory, that is BAD or UNCERTAIN."""

    loop: int
    quality: Quality


class Frozen(NamedTuple):
    """A loop, by its place in the memory, that does not move when it must."""

    loop: int


Source = Event | str | LoopFault | Frozen


class AlarmRule(NamedTuple):
    """One alarm. ``on_delay`` is in seconds or names a setpoint in seconds or minutes."""

    id: str
    tag: str
    source: Source
    priority: Priority
    text: str
    action: str
    latching: bool = False
    stops: bool = False
    on_delay: float | str = 0.0
    off_delay_s: float = 0.0
    by_condition: tuple[str, ...] = ()
    by_alarm: tuple[str, ...] = ()
    by_bank: tuple[str, ...] = ()
    in_maintenance: bool = False  # stays in service when the unit does not: it warns the people at work


def trip(
    event: Event,
    name: str,
    tag: str,
    priority: Priority,
    text: str,
    action: str,
    *,
    by_alarm: tuple[str, ...] = (),
    by_bank: tuple[str, ...] = (),
    in_maintenance: bool = False,
) -> AlarmRule:
    """A row for an event that the sequence latches and that stops."""
    return AlarmRule(
        name,
        tag,
        event,
        priority,
        text,
        action,
        latching=True,
        stops=True,
        by_alarm=by_alarm,
        by_bank=by_bank,
        in_maintenance=in_maintenance,
    )


def uncertain(loops: tuple[tuple[str, str], ...]) -> tuple[AlarmRule, ...]:
    """One row for every loop, by tag and name: the current is just outside its range."""
    return tuple(
        AlarmRule(
            f"{name} out of range",
            tag,
            LoopFault(place, Quality.UNCERTAIN),
            Priority.MEDIUM,
            "loop current just outside 3.8 to 20.5 mA; the value is still used",
            "Check range and zero of the transmitter before it fails.",
        )
        for place, (tag, name) in enumerate(loops)
    )
