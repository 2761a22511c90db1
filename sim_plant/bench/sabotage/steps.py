"""Changes of the steps: a guard that opens at once, an output dropped or driven when it must not be."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from controller.unit.outputs import DRIVES, Drive, DriveRow
from controller.unit.progress import WAITS
from controller.unit.states import Event, UnitState
from controller.unit.table import CELLS, Move
from controller.unit.view import View
from sim_plant.bench.sabotage.change import Change, item
from sim_plant.bench.sabotage.matrix import in_state

DRIVEN = {
    "feed": "feed_valve",
    "flush": "flush_valve",
    "pump": "pump",
    "enable": "enable",
    "divert": "divert",
}
"""Columns of a row of outputs, and the signal that each drives."""


def held(state: UnitState) -> str:
    """The touch of a step that was asked whether it is complete, and was not."""
    return f"held {state.value}"


def on(state: UnitState, signal: str) -> str:
    """The touch of an output that was on in a state."""
    return f"on {state.value} {signal}"


def off(state: UnitState, signal: str) -> str:
    """The touch of an output that was off in a state."""
    return f"off {state.value} {signal}"


def changes() -> Iterator[Change]:
    """All of them. A guard that never opens is its move DONE dropped, which the matrix has."""
    for state in WAITS:
        if isinstance(CELLS[state, Event.DONE], Move):
            text = f"{state.value} is taken to be complete at once"
            patch = partial(item, WAITS, state, complete)
            yield Change("guard", state.value, "at-once", text, held(state), patch, in_state(state))
    for state, row in DRIVES.items():
        for column, signal in DRIVEN.items():
            yield from _of_output(state, row, column, signal)


def complete(_v: View) -> str | None:
    """Always."""
    return None


def _of_output(state: UnitState, row: DriveRow, column: str, signal: str) -> Iterator[Change]:
    drive: Drive = getattr(row, column)
    entry = f"{state.value}/{signal}"
    if drive is not Drive.OFF:
        patch = partial(item, DRIVES, state, _with(row, {column: Drive.OFF}))
        text = f"{signal} stays off in {state.value}, where it is {drive.value}"
        yield Change("output", entry, "drop", text, on(state, signal), patch, signal)
    strongest = {"pump": Drive.LED_BY_ENABLE, "divert": Drive.TO_TANK}.get(column, Drive.ON)
    if drive is not strongest:
        driven = {column: strongest} | ({"enable": Drive.ON} if column == "pump" else {})
        patch = partial(item, DRIVES, state, _with(row, driven))
        text = f"{signal} is on in {state.value}, where it is {drive.value}"
        yield Change("output", entry, "drive", text, off(state, signal), patch, signal)


def _with(row: DriveRow, columns: dict[str, Any]) -> DriveRow:
    return row._replace(**columns)
