"""One unit in one scan, written down by hand, for rules that need no history.

A test says which state the unit is in, for how long, and what it remembers; everything else is healthy, quiet
and permitted. Moments are given by ``ago``.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import pytest
from harness import PERMITTED, unit_inputs

from controller.settings import Setpoints
from controller.unit.memory import UnitMemory
from controller.unit.moves import perform
from controller.unit.outputs import drive
from controller.unit.progress import WAITS
from controller.unit.states import Event, UnitState
from controller.unit.table import CELLS, Move
from controller.unit.view import View

NOW_MS = 1_000_000_000
COMPLETE = None
DEFAULTS = Setpoints()
RESTED: dict[str, Any] = {"flush_owed": False, "start_flushes_due": 0}
"""Memory of a unit that owes nothing."""


def ago(seconds: float) -> int:
    """The moment so many seconds before now."""
    return NOW_MS - round(seconds * 1000)


def view(
    state: UnitState,
    for_s: float = 0.0,
    *,
    memory: Mapping[str, Any] | None = None,
    permits: Mapping[str, Any] | None = None,
    contacts: Mapping[str, bool] | None = None,
    setpoints: Setpoints = DEFAULTS,
    seat: tuple[int, int] = (1, 1),
    **seen: float | bool | None,
) -> View:
    """A unit that has been in that state for so long; ``seen`` overrides quantities of the View."""
    remembered = {"state": state, "entered_ms": ago(for_s), "io_fresh_ms": ago(3600)} | RESTED
    healthy: dict[str, Any] = {
        "age_ms": 0,
        "suction_bar": 2.8,
        "membrane_bar": 12.5,
        "tds_mgl": 100.0,
        "concentrate_m3h": 0.9,
        "blanked": False,
    }
    return View(
        s=setpoints,
        m=UnitMemory(**(remembered | copy.deepcopy(dict(memory or {})))),
        io=unit_inputs(**(contacts or {})),
        p=PERMITTED._replace(**(permits or {})),
        now_ms=NOW_MS,
        unit=seat[0],
        n_units=seat[1],
        **(healthy | seen),
    )


def values(memory: UnitMemory) -> dict[str, Any]:
    """Every field of the memory; lists are copied."""
    found = {field.name: getattr(memory, field.name) for field in fields(memory)}
    return {name: list(value) if isinstance(value, list) else value for name, value in found.items()}


def move(v: View, event: Event) -> dict[str, Any]:
    """Let the event act as the matrix says; the fields of the memory that are not what they were."""
    cell = CELLS[v.m.state, event]
    assert isinstance(cell, Move)
    before = values(v.m)
    perform(v, event, cell)
    return _changed(before, v.m)


def driven(v: View) -> dict[str, Any]:
    """Drive the outputs of this scan; the fields of the memory that are not what they were."""
    before = values(v.m)
    drive(v)
    return _changed(before, v.m)


def _changed(before: dict[str, Any], memory: UnitMemory) -> dict[str, Any]:
    return {name: value for name, value in values(memory).items() if value != before[name]}


def cases(*rows: tuple[str | None, View]) -> pytest.MarkDecorator:
    """Parametrize over what a unit says and the unit that says it."""
    return pytest.mark.parametrize(("says", "v"), rows, ids=[str(says) for says, _v in rows])


def said(v: View) -> str | None:
    """What the unit waits for in its present state; None when its step is complete."""
    return WAITS[v.m.state](v)
