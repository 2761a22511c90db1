"""Cells on a live controller: one after another, in real time, each from rest.

No two runs of a live controller are alike to the scan, so a cell is held against no undisturbed run: it is
judged by the requirements, and what answered the fault first is not looked for. A failing cell cannot be
repeated either, so its record and its picture are kept when it fails.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from controller.unit.states import UnitState
from controller.wiring import Wiring
from sim_plant.bench.campaign.cells import Cell, Plan
from sim_plant.bench.campaign.closer import Look, worth_a_look
from sim_plant.bench.campaign.figures import figures_of, runs_of
from sim_plant.bench.campaign.work import CellResult, Order, failed, uncompared
from sim_plant.bench.evidence import keep_run
from sim_plant.bench.evidence.folder import picture_path, record_path
from sim_plant.bench.evidence.summary import GRAVE
from sim_plant.bench.live.field import Commands, LostError
from sim_plant.bench.live.workshop import LiveWorkshop, why_left_out
from sim_plant.bench.runner import NO_STATE
from sim_plant.bench.verdicts import RunResult

TRIES = 2
"""So often a campaign tries to bring a unit into a state that is not reached."""


class Over(NamedTuple):
    """The state was over before the fault was to strike: it lasts only so long."""

    lasts_s: float


def why_not_asked(wiring: Wiring, for_s: float) -> Callable[[Cell], str]:
    """Answers why a live controller on this wiring cannot be asked for a cell, "" when it can."""
    commands = Commands(wiring)
    return lambda cell: why_left_out(cell.run(for_s), commands, wiring.asker)


class LiveBench:
    """Carries out cells on one live controller."""

    def __init__(self, order: Order, workshop: LiveWorkshop) -> None:
        self._order, self._workshop = order, workshop
        self._unreached: dict[tuple[int, UnitState], list[str]] = {}

    def carry_out(self, cell: Cell) -> CellResult | Over:
        """One cell; LostError when the controller is gone or does not come to rest any more.

        A state that was not reached is tried once more, as a trip may have come in between. Then its other
        cells have the same error, as each try takes an hour.
        """
        tries = self._unreached.setdefault((cell.unit, cell.state), [])
        if len(tries) == TRIES:
            return _failed(cell, tries[-1])
        began_s = time.monotonic()
        result = self._workshop.carry_out(cell.run_if_still_there(self._order.for_s), since_strike=True)
        if result.error and not self._workshop.came_to_rest:
            raise LostError(f"{result.error}; put it right by hand")
        if result.error:
            tries.append(result.error)
            return _failed(cell, result.error)
        if result.expectations:  # the step that strikes could not be done
            return _not_struck(cell, result)
        told = uncompared(cell, result, time.monotonic() - began_s)
        if result.verdict in GRAVE:
            self._keep(result)
        return told

    def _keep(self, result: RunResult) -> None:
        """Record and picture, in place of any of a cell that was stopped before it was written down."""
        folder = self._order.job.folder
        for path in (record_path(folder, result), picture_path(folder, result)):
            path.parent.mkdir(exist_ok=True)
            path.unlink(missing_ok=True)
        keep_run(folder, result, self._order.job.site.setpoints.model_dump())


def _not_struck(cell: Cell, result: RunResult) -> CellResult | Over:
    trace = result.trace
    assert trace is not None
    if NO_STATE in result.expectations[0].detail:
        return _failed(cell, "the controller did not tell its state when the fault was to strike")
    row = int(trace.t_ms.searchsorted(result.strike_ms - round(1000 * cell.moment_s)))
    while row < len(trace.t_ms) and trace.state(row, cell.unit) in (cell.state.value, ""):
        row += 1
    left_ms = int(trace.t_ms[row]) if row < len(trace.t_ms) else result.strike_ms
    return Over(round(cell.moment_s - (result.strike_ms - left_ms) / 1000.0, 3))


def _failed(cell: Cell, error: str) -> CellResult:
    return replace(failed(cell, error), more=None)


def looks_kept(file: Path, plan: Plan) -> list[Look]:
    """Failing cells with the pictures that were drawn when they failed."""
    cells = {cell.key: cell for cell in plan.cells}
    results = {result.run_id: result for result in runs_of(file)}
    looks = []
    for failure in worth_a_look(figures_of(file).failures):
        cell = cells[failure.key]
        path = picture_path(file.parent, replace(results[cell.key], run_id=cell.run_id))
        picture = path.read_text(encoding="utf-8") if path.exists() else ""
        looks.append(Look(cell, results[cell.key], picture))
    return looks
