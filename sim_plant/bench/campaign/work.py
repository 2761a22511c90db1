"""Carrying out cells: in a worker one after another, from the parent through an executor.

A worker keeps its workshop and the undisturbed runs between calls; only results travel back. A lot of cells
that is lost with its worker is handed out again cell by cell, twice, the second time alone, so that a cell
that kills its worker takes no other with it. After that its cells are errors.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Protocol, TypeVar

import numpy as np

from controller.unit.states import UnitState
from sim_plant.bench.approach import NotReachedError
from sim_plant.bench.campaign.answers import (
    Answer,
    Reference,
    first_alarm,
    first_output,
    reference_of,
)
from sim_plant.bench.campaign.cells import Cell
from sim_plant.bench.cases import CaseFile, Run
from sim_plant.bench.prove import Job, handfuls
from sim_plant.bench.runner import Workshop
from sim_plant.bench.targets import TargetError, find_factory
from sim_plant.bench.trace import Trace
from sim_plant.bench.verdicts import Finding, RunResult, Verdict

LOST = "its worker was lost three times"


@dataclass(frozen=True)
class Order:
    """What every worker must know: the job, and how long a run goes on after the strike."""

    job: Job
    for_s: float


@dataclass(frozen=True)
class CellResult:
    """What one cell showed.

    ``findings`` are those of requirements that were put to the test from the strike on. ``more`` says for
    each of them how much more often than in the undisturbed run, None where there was no such run. ``visits``
    counts scans, ``moves`` times, both of all units from the strike on. A cell that could not be carried out
    has only its error.
    """

    cell: Cell
    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    more: tuple[int, ...] | None = ()
    answer: Answer | None = None
    alarm: Answer | None = None
    visits: tuple[tuple[str, int], ...] = ()
    moves: tuple[tuple[str, str, int], ...] = ()
    simulated_s: float = 0.0
    took_s: float = 0.0
    error: str = ""

    @property
    def seen(self) -> bool | None:
        """Whether anything at all told the fault from no fault; None where nobody looked."""
        if self.more is None:
            return None
        return bool(self.answer or self.alarm or self.error or any(n > 0 for n in self.more))


def failed(cell: Cell, error: str) -> CellResult:
    """A cell that could not be carried out."""
    return CellResult(cell, Verdict.FAIL, error=error)


class Bench:
    """One worker's workshop with the undisturbed runs that it has made."""

    def __init__(self, order: Order) -> None:
        job = order.job
        self.order = order
        self.workshop = Workshop(job.site, find_factory(job.controller), job.seed)
        self._references: dict[tuple[int, UnitState, float], Reference] = {}
        self._reached: dict[tuple[int, UnitState], str] = {}

    def carry_out(self, cell: Cell) -> CellResult:
        """One cell; whatever goes wrong becomes its error, so that thousands of others go on."""
        try:
            if error := self._not_reached(cell.unit, cell.state):
                return failed(cell, error)
            reference = self._reference(cell)
            began = time.perf_counter()
            result = self.workshop.carry_out(cell.run(self.order.for_s), since_strike=True)
            if result.error:
                return failed(cell, result.error)
            return self._told(cell, result, reference, time.perf_counter() - began)
        except Exception as error:
            return failed(cell, f"{type(error).__name__}: {error}")

    def lasts_s(self, unit: int, state: UnitState, up_to_s: float) -> float | None:
        """How long the state lasts undisturbed; None when it lasts longer or is never reached."""
        if self._not_reached(unit, state):
            return None
        rig = self.workshop.prepared(unit, state)
        began_ms = rig.now_ms
        try:
            left = rig.run_until(lambda: rig.state_of(unit) != state.value, up_to_s)
        except TargetError:
            return None  # the cells will say so
        return (rig.now_ms - began_ms) / 1000.0 if left else None

    def _not_reached(self, unit: int, state: UnitState) -> str:
        """Why the state cannot be prepared, "" when it can; tried once, as it takes an hour of the plant."""
        if (unit, state) not in self._reached:
            try:
                self.workshop.prepared(unit, state)
                self._reached[unit, state] = ""
            except (NotReachedError, TargetError) as error:
                self._reached[unit, state] = str(error)
        return self._reached[unit, state]

    def _reference(self, cell: Cell) -> Reference:
        key = (cell.unit, cell.state, cell.moment_s)
        if key not in self._references:
            data = cell.case(self.order.for_s) | {"title": "undisturbed", "step": []}
            run = Run("undisturbed", "", CaseFile.model_validate(data), cell.state, "")
            result = self.workshop.carry_out(run, since_strike=True)
            if result.error:
                raise RuntimeError(f"undisturbed: {result.error}")
            assert result.trace is not None
            self._references[key] = reference_of(result.trace, result.strike_ms, result.requirements)
        return self._references[key]

    def _told(self, cell: Cell, result: RunResult, reference: Reference, took_s: float) -> CellResult:
        trace, strike_ms = result.trace, result.strike_ms
        assert trace is not None
        of_unit = any(fault.unit for fault in cell.faults())
        units = (cell.unit,) if of_unit else tuple(range(1, trace.n_units + 1))
        alone = uncompared(cell, result, took_s)
        return replace(
            alone,
            more=tuple(f.triggers - reference.triggers.get(f.name, 0) for f in alone.findings),
            answer=first_output(trace, reference, strike_ms, units),
            alarm=first_alarm(trace, reference, strike_ms),
        )


def uncompared(cell: Cell, result: RunResult, took_s: float) -> CellResult:
    """What a run shows by itself, held against no other run."""
    assert result.trace is not None
    found = tuple(f for f in result.requirements if f.verdict is not Verdict.NOT_EXERCISED)
    visits, moves = _walked(result.trace, result.strike_ms)
    return CellResult(
        cell,
        result.verdict,
        found,
        more=None,
        visits=visits,
        moves=moves,
        simulated_s=result.simulated_s,
        took_s=took_s,
    )


def _walked(
    trace: Trace, strike_ms: int
) -> tuple[tuple[tuple[str, int], ...], tuple[tuple[str, str, int], ...]]:
    """States and moves of all units from the strike on, as far as the target tells them."""
    names, first = trace.state_names, int(np.searchsorted(trace.t_ms, strike_ms))
    states = trace.unit_state[first:]
    codes, scans = np.unique(states[states >= 0], return_counts=True)
    moves: Counter[tuple[str, str]] = Counter()
    for unit in range(trace.n_units):
        told = states[:, unit][states[:, unit] >= 0]
        changed = np.flatnonzero(np.diff(told))
        edges = [0, *(changed + 1).tolist()] if len(told) else []
        moves.update((names[told[a]], names[told[b]]) for a, b in pairwise(edges))
    visits = tuple((names[code], int(n)) for code, n in zip(codes, scans, strict=True))
    return visits, tuple((*move, n) for move, n in sorted(moves.items()))


# --- in a worker ------------------------------------------------------------------------------------------

_lock = threading.Lock()
_bench: Bench | None = None


def bench_of(order: Order) -> Bench:
    """This process's bench for the order; another order replaces it."""
    global _bench  # an executor has no other place to keep what a worker made
    if _bench is None or _bench.order != order:
        _bench = Bench(order)
    return _bench


def work(order: Order, cells: tuple[Cell, ...]) -> list[CellResult]:
    """Carry out cells here; a worker with several threads does one lot at a time."""
    with _lock:
        bench = bench_of(order)
        return [bench.carry_out(cell) for cell in cells]


# --- in the parent ----------------------------------------------------------------------------------------


Told = TypeVar("Told")
Thing = TypeVar("Thing")
What = TypeVar("What")
Work = Callable[[What, tuple[Thing, ...]], list[Told]]
"""What is done with things by an order: cells are carried out (``work``) or looked at (``closer``)."""


class Hands(Protocol):
    """Something that works elsewhere or here; see ``hands``."""

    lot: int
    lost: tuple[type[BaseException], ...]

    def window(self) -> int:
        """How many lots may be on their way at a time."""

    def submit(
        self, do: Work[What, Thing, Told], order: What, things: tuple[Thing, ...], /
    ) -> Future[list[Told]]:
        """Start a lot, on new workers when the old ones are gone."""


def hand_out(order: Order, cells: Sequence[Cell], hands: Hands) -> Iterator[CellResult]:
    """The result of every cell, as they come."""
    return hand_out_to(work, lambda cell: failed(cell, LOST), order, cells, cell_start, hands)


def cell_start(cell: Cell) -> tuple[int, str]:
    """Cells that start alike share the preparation."""
    return cell.unit, cell.state.value


def hand_out_to(
    do: Work[What, Thing, Told],
    lost_for_good: Callable[[Thing], Told],
    order: What,
    things: Sequence[Thing],
    start: Callable[[Thing], tuple[int, str]],
    hands: Hands,
) -> Iterator[Told]:
    """What comes of every thing, as it comes; ``lost_for_good`` says what of one that nobody survives.

    Things with the same ``start``, a unit and its state, go out together.
    """
    lots = handfuls(things, start, hands.lot)
    for alone in (False, False, True):
        lost: list[Thing] = []
        yield from _round(do, order, lots, hands, 1 if alone else hands.window(), lost)
        lots = [(thing,) for thing in lost]
    for (thing,) in lots:
        yield lost_for_good(thing)


def _round(
    do: Work[What, Thing, Told],
    order: What,
    lots: Sequence[tuple[Thing, ...]],
    hands: Hands,
    window: int,
    lost: list[Thing],
) -> Iterator[Told]:
    """Every lot once. No more than ``window`` are out, so that a lost worker takes only few with it."""
    queue = deque(lots)
    out: dict[Future[list[Told]], tuple[Thing, ...]] = {}
    while queue or out:
        while queue and len(out) < window:
            out[hands.submit(do, order, queue[0])] = queue[0]
            queue.popleft()
        done, _rest = wait(out, return_when=FIRST_COMPLETED)
        for future in done:
            things = out.pop(future)
            try:
                yield from future.result()
            except hands.lost:
                lost.extend(things)
