"""Every cell of the state x event matrix says what the narrative says."""

from __future__ import annotations

from pathlib import Path

import pytest
from harness import unit_in
from transitions import MachineError

from controller.unit.machine import build, edge
from controller.unit.memory import UnitMemory
from controller.unit.moves import perform
from controller.unit.states import STATES, Answer, Event, Trip, UnitState
from controller.unit.table import BANK_EVENTS, CELLS, MATRIX, Cell, Move, Row, check, destination, moves

CODES = dict(
    zip(
        ("BT", "OF", "MT", "SB", "WP", "SF", "DL", "PS", "PR", "PG", "QF", "XF", "ST", "RW", "LO", "ES"),
        STATES,
        strict=True,
    )
)
ANSWERS = {
    "-": Answer.IGNORE,
    "n": Answer.RECORD,
    "r": Answer.REFUSE,
    "b": Answer.BLOCK,
    "q": Answer.REMEMBER,
}
# a grace time runs before the event is raised, so the cell itself is an ordinary T2
TRIPS = {
    "": Trip.NONE,
    "C": Trip.CLOSE,
    "T2": Trip.T2,
    "g2": Trip.T2,
    "T1": Trip.T1,
    "T0": Trip.T0,
    "K": Trip.WELDED,
}


def read_grid() -> dict[tuple[UnitState, Event], str]:
    """Cells of matrix.txt by state and event."""
    text = Path(__file__).with_name("matrix.txt").read_text(encoding="utf-8")
    head, *rows = [line.split() for line in text.splitlines() if line and not line.startswith("#")]
    states = [CODES[code] for code in head[1:]]
    grid = {}
    for name, *cells in rows:
        for state, cell in zip(states, cells, strict=True):
            grid[state, Event(int(name.removeprefix("E")))] = cell
    return grid


def parse(cell: str) -> Cell:
    """A cell as the firmware's table writes it."""
    if cell in ANSWERS:
        return ANSWERS[cell]
    trip, _, target = cell.partition(">")
    return Move(TRIPS[trip], CODES[target])


GRID = read_grid()


def test_the_grid_names_all_768_cells() -> None:
    assert len(GRID) == 48 * 16 == len(CELLS)
    assert set(GRID) == set(CELLS)


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("event", Event, ids=lambda event: f"E{event:02d}")
def test_cell_of_the_table_says_what_the_grid_says(state: UnitState, event: Event) -> None:
    assert CELLS[state, event] == parse(GRID[state, event])


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        (MATRIX[:-1], "the matrix must have one row for every event, in order"),
        ((MATRIX[1], MATRIX[0], *MATRIX[2:]), "the matrix must have one row for every event, in order"),
        (
            (
                MATRIX[0]._replace(cells={Answer.REFUSE: (UnitState.OFF,), Answer.BLOCK: (UnitState.OFF,)}),
                *MATRIX[1:],
            ),
            "CALL: a state stands in two groups",
        ),
    ],
)
def test_a_matrix_that_leaves_a_cell_to_chance_is_refused(rows: tuple[Row, ...], sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        check(rows)


@pytest.mark.parametrize("trip", Trip)
def test_ordinary_stops_pass_through_stopping_and_emergencies_do_not(trip: Trip) -> None:
    passes = trip in (Trip.CLOSE, Trip.T2, Trip.T1)

    entered = destination(UnitState.PRODUCE, Move(trip, UnitState.LOCKOUT))

    assert entered is (UnitState.STOPPING if passes else UnitState.LOCKOUT)


@pytest.mark.parametrize("trip", Trip)
def test_a_stop_in_progress_goes_straight_to_its_target(trip: Trip) -> None:
    assert destination(UnitState.STOPPING, Move(trip, UnitState.LOCKOUT)) is UnitState.LOCKOUT


def test_the_machine_has_an_edge_for_every_move_of_the_grid() -> None:
    machine = build()

    for (state, event), cell in GRID.items():
        move = parse(cell)
        if isinstance(move, Move):
            entered = destination(state, move)
            assert entered in {
                t.dest for t in machine.events[edge(event, entered)].transitions[state.name]
            }, f"{state} {event.name} {cell}"


def test_the_machine_knows_the_states_and_the_moves_of_the_table_and_nothing_else() -> None:
    machine = build()

    assert set(machine.states) == {state.name for state in STATES}
    assert set(machine.events) == {edge(event, entered) for event, _source, entered in moves()}


def test_every_move_of_the_table_can_be_made_and_no_other() -> None:
    machine = build()
    known = {(edge(event, entered), source): entered for event, source, entered in moves()}

    for name, trigger in machine.events.items():
        for source in STATES:
            memory = UnitMemory(state=source)
            if (name, source) in known:
                trigger.trigger(memory)
                assert memory.state is known[name, source]
            else:
                with pytest.raises(MachineError):
                    trigger.trigger(memory)


@pytest.mark.parametrize("passing", [UnitState.STOPPING, UnitState.STOP_FLUSH])
@pytest.mark.parametrize("event", Event, ids=lambda event: f"E{event:02d}")
def test_whatever_cuts_a_stop_short_finds_an_edge_to_where_the_stop_leads(
    passing: UnitState, event: Event
) -> None:
    cell = CELLS[passing, event]
    if not isinstance(cell, Move):
        return
    leads_to = {UnitState.STANDBY, UnitState.MAINTENANCE, UnitState.LOCKOUT, UnitState.OFF}
    for target in leads_to | ({UnitState.RETRY_WAIT} if passing is UnitState.STOPPING else set()):
        rig = unit_in(passing)
        rig.step()
        seen = rig.sequencer._seen
        assert seen is not None
        rig.sequencer.memory.target = target

        entered = perform(seen, event, cell)

        assert rig.sequencer.memory.state is entered


def test_only_the_shared_causes_of_the_narrative_are_latched_by_the_bank() -> None:
    # rows marked (B), and the loss of the bank itself, which no unit can reset
    assert {int(event) for event in BANK_EVENTS} == {8, 28, 29, 31, 32, 33, 34, 35, 41}
