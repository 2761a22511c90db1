"""Changes of the matrix: cells that do something made to do less, or another thing, or what they refuse."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

from controller.unit import machine
from controller.unit.states import STATES, Answer, Event, Trip, UnitState
from controller.unit.table import ALSO, CELLS, MATRIX, Cell, Move
from sim_plant.bench.sabotage.change import Change, attribute, item

U = UnitState

ELSEWHERE: dict[UnitState, tuple[UnitState, ...]] = {
    U.BOOT: (U.STANDBY,),
    U.OFF: (U.STANDBY,),
    U.MAINTENANCE: (U.OFF,),
    U.STANDBY: (U.RETRY_WAIT, U.LOCKOUT),
    U.WAIT_PERMIT: (U.START_FLUSH,),
    U.START_FLUSH: (U.DELAY,),
    U.DELAY: (U.PUMP_START,),
    U.PUMP_START: (U.PRODUCE,),
    U.PRODUCE: (U.STANDBY,),
    U.PURGE: (U.QUALITY_FLUSH,),
    U.QUALITY_FLUSH: (U.PURGE,),
    U.STOP_FLUSH: (U.STANDBY,),
    U.RETRY_WAIT: (U.STANDBY, U.LOCKOUT),
    U.LOCKOUT: (U.STANDBY, U.RETRY_WAIT),
    U.ESTOP: (U.STANDBY, U.LOCKOUT),
}
"""Where a move might end by mistake: one step too far, or one latch too few or too many."""


def moved(state: UnitState, event: Event) -> str:
    """The touch of a move that was made."""
    return f"move {state.value} {event.name}"


def stood(state: UnitState, event: Event) -> str:
    """The touch of an event that stood where the matrix names no move."""
    return f"stand {state.value} {event.name}"


def edge_taken(state: UnitState, event: Event, entered: UnitState) -> str:
    """The touch of a move that ended where the unit remembered it to."""
    return f"edge {state.value} {event.name} {entered.value}"


def changes() -> Iterator[Change]:
    """All of them, in the order of the matrix."""
    for (state, event), cell in CELLS.items():
        if isinstance(cell, Move):
            yield from _of_move(state, event, cell)
        elif cell in (Answer.BLOCK, Answer.REMEMBER):
            yield _change("answer", state, event, "drop", f"it is no longer {cell.value}", Answer.RECORD)
        elif cell is Answer.REFUSE:
            yield from _obeyed(state, event)
    for (state, event), targets in ALSO.items():
        for target in targets:
            yield _also(state, event, target)


def _of_move(state: UnitState, event: Event, cell: Move) -> Iterator[Change]:
    yield _change("move", state, event, "drop", "it moves nothing", Answer.RECORD)
    for target in ELSEWHERE[cell.target]:
        if target is not state:
            told = f"it leads to {target.value}, not {cell.target.value}"
            yield _change("move", state, event, f"to-{target.value}", told, Move(cell.trip, target))
    if cell.trip is not Trip.NONE:
        weaker = Trip(cell.trip - 1)
        told = f"it is left as {weaker.name}, not {cell.trip.name}"
        yield _change("move", state, event, f"as-{weaker.name}", told, Move(weaker, cell.target))
        if weaker is not Trip.NONE:
            told = f"the state just changes, in place of {cell.trip.name}"
            yield _change("move", state, event, "as-NONE", told, Move(Trip.NONE, cell.target))


def _obeyed(state: UnitState, event: Event) -> Iterator[Change]:
    """What the matrix refuses here is done as the same event does it elsewhere."""
    row = next(row for row in MATRIX if row.event is event)
    plain = (cell for cell in row.cells if isinstance(cell, Move) and cell.target is not state)
    for cell in plain:
        told = f"it is not refused and leads to {cell.target.value}"
        yield _change("answer", state, event, "obey", told, cell)
        return


def _change(kind: str, state: UnitState, event: Event, how: str, told: str, cell: Cell) -> Change:
    touch = moved(state, event) if kind == "move" else stood(state, event)
    text = f"{event.name} in {state.value}: {told}"
    patch = partial(_cell, state, event, cell)
    return Change(kind, f"{state.value}/{event.name}", how, text, touch, patch, _shown(state, event))


def _shown(state: UnitState, event: Event) -> str:
    """Where the sound logic comes to: the target of its move, or the state in which it stays."""
    cell = CELLS[state, event]
    return in_state(cell.target if isinstance(cell, Move) else state)


def in_state(state: UnitState) -> str:
    """``Change.shows`` of a state."""
    return f"state {state.value}"


def _also(state: UnitState, event: Event, target: UnitState) -> Change:
    text = f"{event.name} in {state.value}: the machine refuses to go to {target.value}"
    others = tuple(other for other in ALSO[state, event] if other is not target)
    touch = edge_taken(state, event, target)
    entry = f"{state.value}/{event.name}"
    return Change(
        "also",
        entry,
        f"without-{target.value}",
        text,
        touch,
        partial(_fewer, state, event, others),
        in_state(U.BOOT),  # a unit whose machine refuses a move begins anew
    )


@contextmanager
def _cell(state: UnitState, event: Event, cell: Cell) -> Iterator[None]:
    """The cell changed, and a machine that lets it lead anywhere: what the table says must decide alone."""
    with item(CELLS, (state, event), cell):
        changed = machine.build()
        present = {changed.events[name] for name in changed.events if name.startswith(f"{event.name}>")}
        allowed = {edge.name for edge in present if state.value in edge.transitions}
        for target in STATES:
            name = machine.edge(event, target)
            if name not in allowed:
                changed.add_transition(name, state, target)
        with attribute(machine, "_MACHINE", changed):
            yield


@contextmanager
def _fewer(state: UnitState, event: Event, others: tuple[UnitState, ...]) -> Iterator[None]:
    with item(ALSO, (state, event), others), attribute(machine, "_MACHINE", machine.build()):
        yield  # the machine is built with the fewer targets, since it is made second
