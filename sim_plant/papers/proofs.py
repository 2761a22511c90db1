"""Which cells of the cause-and-effect table a record shows: the journal names the event, the wires tell."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa

from controller.files import InputError
from controller.parts.journal import Entry
from controller.unit.outputs import DRIVES, Drive
from controller.unit.states import EVENT_TEXT, RESTING, STATES, Answer, Event, Trip, UnitState
from controller.unit.table import ALSO, BANK_EVENTS, CELLS, Move, destination
from sim_plant.bench.evidence.folder import record_path
from sim_plant.bench.verdicts import RunResult, Verdict
from sim_plant.papers.shown import OUTPUTS, Shown, read_shown

Key = tuple[UnitState, Event]
_EVENTS = {text: event for event, text in EVENT_TEXT.items()}
_MOVE = re.compile(r"(\w+) > (\w+)(?:, then (\w+))?: (.+)")
_STATES = {state.value: state for state in STATES}
_DRIVEN = {"feed": "feed_valve", "flush": "flush_valve", "pump": "pump", "enable": "enable"}


class Mark(StrEnum):
    """What the records show of a cell."""

    PROVEN = "proven"
    KEPT = "kept"
    REPEAT = "repeat"
    DIFFERS = "differs"
    NOT = "not proven"


class Seen(NamedTuple):
    """One moment in a record that shows a cell, or contradicts it."""

    key: Key
    mark: Mark
    unit: int
    at_ms: int


class Proof(NamedTuple):
    """The first run that shows a cell, and where."""

    mark: Mark
    run_id: str
    unit: int
    at_ms: int


@dataclass
class Proofs:
    """All cells that were seen. ``unread`` names runs without a record."""

    cells: dict[Key, Proof] = field(default_factory=dict)
    unread: list[str] = field(default_factory=list)

    def of(self, key: Key) -> Proof:
        """The cell's proof, or the word that there is none."""
        return self.cells.get(key, Proof(Mark.NOT, "", 0, 0))


def read_proofs(folder: Path, results: Sequence[RunResult]) -> Proofs:
    """Go through the records of the runs, in their order; a run that did not pass can only contradict."""
    proofs = Proofs()
    shared: dict[str, Shown] = {}
    for result in results:
        path = record_path(folder, result)
        if not path.exists():
            proofs.unread.append(result.run_id)
            continue
        try:
            own, before = _read(path, shared)
        except (ValueError, KeyError, OSError, pa.ArrowException) as error:
            raise InputError(f"{path}: cannot be read as a record: {error}") from error
        for part in filter(None, (before, own)):
            for seen in seen_in(part):
                _keep(proofs, seen, result)
    return proofs


def _read(path: Path, shared: dict[str, Shown]) -> tuple[Shown, Shown | None]:
    """A run's own record after the last row of its beginning; the beginning, when it is met first."""
    own = read_shown(path)
    name = own.shared
    if not name:
        return own, None
    met = name in shared
    if not met:
        shared[name] = read_shown(path.with_name(f"{name}.parquet"))
    return own.after_last_of(shared[name]), None if met else shared[name]


def _keep(proofs: Proofs, seen: Seen, result: RunResult) -> None:
    rank = (Mark.NOT, Mark.KEPT, Mark.PROVEN, Mark.DIFFERS)
    if seen.mark is not Mark.DIFFERS and result.verdict is not Verdict.PASS:
        return
    if rank.index(seen.mark) > rank.index(proofs.of(seen.key).mark):
        proofs.cells[seen.key] = Proof(seen.mark, result.run_id, seen.unit, seen.at_ms)


def seen_in(shown: Shown) -> Iterator[Seen]:
    """Every moment of a trace that says something of a cell."""
    lines: dict[tuple[int, int], list[Entry]] = {}
    for entry in shown.journal:
        if entry.unit:
            lines.setdefault((entry.unit, entry.t_ms), []).append(entry)
    rows = {int(t_ms): row for row, t_ms in enumerate(shown.t_ms)}
    for (unit, t_ms), entries in lines.items():
        row = rows.get(t_ms)
        if row is None or row == 0:
            continue
        moved = [found for entry in entries if (found := _move(entry))]
        for move in moved:
            yield from _judged(shown, row, unit, t_ms, move)
        if not moved:
            yield from _stood(shown, row, unit, t_ms, entries)
    yield from _restarts(shown)


class _Moved(NamedTuple):
    left: UnitState
    entered: UnitState
    then: UnitState | None
    event: Event


def _move(entry: Entry) -> _Moved | None:
    found = _MOVE.fullmatch(entry.text) if entry.kind == "move" else None
    if found is None or found[4] not in _EVENTS or found[1] not in _STATES or found[2] not in _STATES:
        return None
    then = _STATES.get(found[3] or "")
    return _Moved(_STATES[found[1]], _STATES[found[2]], then, _EVENTS[found[4]])


def _judged(shown: Shown, row: int, unit: int, t_ms: int, move: _Moved) -> Iterator[Seen]:
    """A move that the journal tells: as the table has it, and the outputs with it?"""
    key = (move.left, move.event)
    cell = CELLS[key]
    if not isinstance(cell, Move):
        yield Seen(key, Mark.DIFFERS, unit, t_ms)
        return
    further = ALSO.get(key, ())
    right = move.entered in (destination(move.left, cell), *further)
    if move.then is not None and move.left is not UnitState.STOPPING:
        right = right and move.then in _targets(move.left, cell)
    # journal and record are of one scan: the state that was told then must be the one entered
    right = right and shown.state(row, unit) == move.entered.value
    off = _must_be_off(move.entered, cell.trip)
    driven = dict(zip(OUTPUTS, shown.on(row, unit), strict=True))
    right = right and not any(driven[name] for name in off)
    yield Seen(key, Mark.PROVEN if right else Mark.DIFFERS, unit, t_ms)


def _targets(left: UnitState, cell: Move) -> tuple[UnitState, ...]:
    """Where a stop may lead: in STOP_FLUSH its STANDBY stands for the target recorded before."""
    recorded = left is UnitState.STOP_FLUSH and cell.target is UnitState.STANDBY
    return (
        (cell.target, UnitState.OFF, UnitState.MAINTENANCE, UnitState.LOCKOUT) if recorded else (cell.target,)
    )


def _must_be_off(entered: UnitState, trip: Trip) -> tuple[str, ...]:
    """Outputs that must be de-energised in the scan of the move."""
    if trip in (Trip.T0, Trip.WELDED):
        return OUTPUTS
    row = DRIVES[entered]
    off = [name for part, name in _DRIVEN.items() if getattr(row, part) is Drive.OFF]
    if trip in (Trip.T1, Trip.T2) and entered is UnitState.STOPPING:
        off.append("flush_valve")
    return tuple(off)


def _stood(shown: Shown, row: int, unit: int, t_ms: int, entries: Sequence[Entry]) -> Iterator[Seen]:
    """Events that came and moved nothing: state and outputs of the unit must be those of the scan before."""
    before, after = shown.state(row - 1, unit), shown.state(row, unit)
    if before not in _STATES:
        return
    kept = before == after and shown.on(row, unit) == shown.on(row - 1, unit)
    for entry in entries:
        event = _EVENTS.get(entry.text) if entry.kind == "cause" else None
        if event is None or not kept:
            continue
        key = (_STATES[before], event)
        cell = CELLS[key]
        if isinstance(cell, Move):
            continue  # a standing event that a budget or a permit holds back is no word on its move
        if cell is Answer.REMEMBER:
            if _rests_as_remembered(shown, row, unit, event):
                yield Seen(key, Mark.PROVEN, unit, t_ms)
        else:
            yield Seen(key, Mark.KEPT if cell is Answer.BLOCK else Mark.PROVEN, unit, t_ms)


def _rests_as_remembered(shown: Shown, row: int, unit: int, event: Event) -> bool:
    """Whether the unit then came to rest where what it remembered leads."""
    if event in BANK_EVENTS:
        return False
    wanted = {Event.SELECTOR_OFF: UnitState.OFF, Event.MAINTENANCE_REQUEST: UnitState.MAINTENANCE}.get(
        event, UnitState.LOCKOUT
    )
    for later in range(row, len(shown.t_ms)):
        state = _STATES.get(shown.state(later, unit))
        if state in RESTING:
            return state is wanted
    return False


def _restarts(shown: Shown) -> Iterator[Seen]:
    """E37 makes no line: the supply goes in a state, and when it returns the unit is in BOOT, all off."""
    for unit, states in enumerate(shown.states, start=1):
        left: UnitState | None = None
        for row in range(1, len(states)):
            if states[row - 1] and not states[row]:
                left = _STATES.get(states[row - 1])
            elif states[row] and not states[row - 1] and left is not None:
                right = states[row] == UnitState.BOOT.value and not any(shown.on(row, unit))
                mark = Mark.PROVEN if right else Mark.DIFFERS
                yield Seen((left, Event.REBOOT), mark, unit, int(shown.t_ms[row]))
                left = None
