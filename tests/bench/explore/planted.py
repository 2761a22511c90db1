"""Eleven mistakes in the logic that exploring must find; none of them is among ``tests/broken``.

Each is a context in which the firmware's own tables or functions are wrong. ``WHERE`` names the requirement
that it breaks, and the places from which something must come for that: few enough that a search ends soon.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple
from unittest.mock import patch

from controller import retained
from controller.unit import moves, outputs, progress, protections, sequencer
from controller.unit.states import Answer, Event, UnitState
from controller.unit.table import CELLS
from controller.unit.view import View


class Planted(NamedTuple):
    """What is broken and what must come in for it."""

    requirement: str
    only: tuple[str, ...]


@contextmanager
def _cell(state: UnitState, event: Event, cell: Any) -> Iterator[None]:
    before = CELLS[state, event]
    CELLS[state, event] = cell
    try:
        yield
    finally:
        CELLS[state, event] = before


@contextmanager
def _waits(state: UnitState, waits: Callable[[View], str | None]) -> Iterator[None]:
    with patch.dict(progress.WAITS, {state: waits}):
        yield


@contextmanager
def maintenance_forgotten() -> Iterator[None]:
    """Being out for maintenance is not kept through a loss of power."""
    kept = tuple(name for name in retained.FIELDS if name != "in_maintenance")
    with patch.object(retained, "FIELDS", kept):
        yield


@contextmanager
def estop_forgotten() -> Iterator[None]:
    """An E-stop that waits for its reset is not kept through a loss of power."""
    kept = tuple(name for name in retained.FIELDS if name != "estopped")
    with patch.object(retained, "FIELDS", kept):
        yield


@contextmanager
def start_flush_as_short_as_a_stop_flush() -> Iterator[None]:
    """The start flush counts as whole after the time of a stop flush."""
    with _waits(UnitState.START_FLUSH, progress.stop_flush_whole):
        yield


@contextmanager
def valves_not_settled() -> Iterator[None]:
    """The pump does not wait until the valves have settled."""
    with _waits(UnitState.DELAY, lambda v: None if v.p.start_slot else "waiting for a slot"):
        yield


@contextmanager
def low_suction_ignored_in_a_purge() -> Iterator[None]:
    """A purge goes on without suction."""
    with (
        _cell(UnitState.PURGE, Event.LOW_SUCTION, Answer.RECORD),
        _cell(UnitState.PURGE, Event.LOW_SUCTION_SPENT, Answer.RECORD),
    ):
        yield


@contextmanager
def discharge_switch_recorded_in_a_start() -> Iterator[None]:
    """The discharge switch is not acted on while the pump starts."""
    with _cell(UnitState.PUMP_START, Event.DISCHARGE_SWITCH, Answer.RECORD):
        yield


@contextmanager
def purge_counts_without_evidence() -> Iterator[None]:
    """A purge that never showed itself sets back the interval."""
    original = moves._leave_pump_flush

    def leave(v: View, event: Event, entered: UnitState) -> None:
        v.m.evidence = True
        original(v, event, entered)

    with patch.object(moves, "_leave_pump_flush", leave):
        yield


@contextmanager
def very_bad_water_only_recorded() -> Iterator[None]:
    """Production goes on with very bad water."""
    with _cell(UnitState.PRODUCE, Event.QUALITY_LOCKOUT, Answer.RECORD):
        yield


@contextmanager
def quality_judged_from_the_start() -> Iterator[None]:
    """No blanking after a pump start."""

    def blanked(_s: Any, m: Any, _now_ms: int) -> bool:
        return m.pump_ms == sequencer.NEVER or m.flush_ms != sequencer.NEVER

    from controller.unit import view

    with patch.object(view, "quality_blanked", blanked):
        yield


@contextmanager
def lost_link_not_waited_for() -> Iterator[None]:
    """A link that comes back is believed at once."""
    with (
        patch.object(progress, "link_settling", lambda _v: None),
        patch.object(progress, "_idle_flush_held", lambda v: progress.flush_blocked(v) is not None),
    ):
        yield


@contextmanager
def flush_without_end() -> Iterator[None]:
    """A start flush without its volume goes on, and nothing above it ends it."""
    rules = tuple(rule for rule in protections.RULES if rule.when is not protections.flush_too_long)
    above = tuple(rule for rule in outputs.GLOBAL_RULES if rule.when is not outputs.flush_endless)
    with (
        patch.object(protections, "RULES", rules),
        patch.object(sequencer, "RULES", rules),
        patch.object(outputs, "GLOBAL_RULES", above),
    ):
        yield


WHERE: dict[str, Planted] = {
    "maintenance_forgotten": Planted("SR-49", ("commands", "power")),
    "estop_forgotten": Planted("SR-33", ("estop_open", "power")),
    "start_flush_as_short_as_a_stop_flush": Planted("SR-02", ("loop 0",)),
    "valves_not_settled": Planted("SR-03", ("loop 0",)),
    "low_suction_ignored_in_a_purge": Planted("SR-04", ("loop 0",)),
    "discharge_switch_recorded_in_a_start": Planted("SR-09", ("discharge_ok",)),
    "purge_counts_without_evidence": Planted("SR-15", ("loop 1", "loop 4")),
    "very_bad_water_only_recorded": Planted("SR-20", ("loop 2",)),
    "quality_judged_from_the_start": Planted("SR-21", ("loop 2",)),
    "lost_link_not_waited_for": Planted("SR-45", ("age_ms",)),
    "flush_without_end": Planted("SR-18", ("volume_met",)),
}
