"""In a worker: scout a run with the untouched logic, try a change on runs; only words travel back."""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from controller.unit.states import UnitState
from sim_plant.bench.approach import NotReachedError
from sim_plant.bench.campaign.answers import Reference, first_alarm, first_output, reference_of
from sim_plant.bench.evidence.summary import GRAVE
from sim_plant.bench.prove import Job
from sim_plant.bench.runner import Workshop
from sim_plant.bench.sabotage.book import Book, make_book
from sim_plant.bench.sabotage.change import applied
from sim_plant.bench.sabotage.plan import all_changes
from sim_plant.bench.sabotage.timers import Doctored
from sim_plant.bench.sabotage.touch import noting
from sim_plant.bench.targets import TargetError
from sim_plant.bench.trace import Trace
from sim_plant.bench.verdicts import Finding, RunResult

NOT_DONE = "could not be carried out"
OTHERWISE = "otherwise than untouched"
_REFERENCES = 8  # undisturbed runs that a worker keeps to say what differed


@dataclass(frozen=True)
class SabotageOrder:
    """What every worker must know; lines and states narrow down the runs that nobody wrote."""

    job: Job
    lines: tuple[str, ...]
    states: tuple[UnitState, ...]


@dataclass(frozen=True)
class Scouted:
    """One run with the untouched logic. ``outputs``, ``alarms`` and ``record`` are checksums, the last one of
    all that is judged.
    """

    run: str
    touches: tuple[str, ...] = ()
    simulated_s: float = 0.0
    outputs: str = ""
    alarms: str = ""
    unheld: tuple[str, ...] = ()
    error: str = ""
    record: str = ""


@dataclass(frozen=True)
class Task:
    """A change, and the runs to try it on in this order until something is not held."""

    change: str
    runs: tuple[Scouted, ...]


@dataclass(frozen=True)
class Trial:
    """One change in one run. ``broken`` names what was not held, the first in time first; ``at_s`` is seconds
    after the strike. ``differs`` says what was otherwise than untouched, "" when nothing was.
    """

    run: str
    broken: tuple[str, ...] = ()
    at_s: float | None = None
    detail: str = ""
    differs: str = ""


@dataclass(frozen=True)
class Tried:
    """All trials of a change, the last one being the one that caught it, if any did."""

    change: str
    trials: tuple[Trial, ...]
    took_s: float = 0.0


class Saboteur:
    """One worker's workshop, and the undisturbed runs that it has made."""

    def __init__(self, order: SabotageOrder) -> None:
        job = order.job
        self.order = order
        self.book: Book = make_book(job.site, order.lines, order.states)
        self._workshop = Workshop(job.site, Doctored, job.seed)
        self._ready: set[tuple[int, str]] = set()  # units in states that the workshop has prepared
        self._references: dict[str, tuple[Reference, int]] = {}

    def scout(self, key: str) -> Scouted:
        """The run with the untouched logic, and what it touches."""
        if error := self._prepared(key):
            return Scouted(key, error=error)
        with noting() as notes:
            result = self._workshop.carry_out(self.book.runs[key])
        if result.error:
            return Scouted(key, error=result.error)
        outputs, alarms = checksums(result)
        unheld = tuple(finding.name for finding in _unheld(result))
        words, record = notes.words(), record_of(result)
        return Scouted(key, words, result.simulated_s, outputs, alarms, unheld, record=record)

    def attempt(self, task: Task) -> Tried:
        """The change in one run after another until one of them does not hold."""
        began = time.perf_counter()
        trials: list[Trial] = []
        first: tuple[int, RunResult] | None = None  # that was otherwise
        for known in task.runs:
            trial, result = self._trial(task.change, known)
            trials.append(trial)
            if trial.broken:
                break
            if trial.differs and first is None:
                first = len(trials) - 1, result
        else:
            if first is not None:  # only of what nothing caught somebody asks what it was
                place, result = first
                differs = self._difference(trials[place].run, result)
                trials[place] = replace(trials[place], differs=differs)
        return Tried(task.change, tuple(trials), time.perf_counter() - began)

    def _prepared(self, key: str) -> str:
        """Bring the bank into the run's state with the sound logic; why that cannot be done, or ""."""
        run = self.book.runs[key]
        if run.start in self._ready:
            return ""
        try:
            self._workshop.prepared(run.case.given.unit, run.state)
        except (NotReachedError, TargetError) as error:
            return str(error)
        self._ready.add(run.start)
        return ""

    def _trial(self, change: str, known: Scouted) -> tuple[Trial, RunResult]:
        self._prepared(known.run)
        with applied(all_changes()[change]):
            result = self._workshop.carry_out_unknown(
                self.book.runs[known.run], lambda seen: record_of(seen) == known.record
            )
        if result.error:
            return Trial(known.run, (NOT_DONE,), None, result.error), result
        # nothing is judged, and so nothing is unheld, when all was as it is untouched
        broken = [finding for finding in _unheld(result) if finding.name not in known.unheld]
        if broken:
            return _caught(known.run, broken, result.strike_ms), result
        same = checksums(result) == (known.outputs, known.alarms)
        return Trial(known.run, differs="" if same else OTHERWISE), result

    def _difference(self, key: str, result: RunResult) -> str:
        """The first output, else the first alarm line, that the untouched run has not."""
        assert result.trace is not None
        reference, strike_ms = self._reference(key)
        units = tuple(range(1, result.trace.n_units + 1))
        answer = first_output(result.trace, reference, strike_ms, units)
        if answer is None:
            answer = first_alarm(result.trace, reference, strike_ms)
        if answer is None:
            return "an alarm line is missing, or an analogue output is a little otherwise"
        scans = _scans_apart(result.trace, reference, strike_ms)
        return f"{answer.what} {answer.after_ms / 1000.0:g} s after the strike; {scans} scans otherwise"

    def _reference(self, key: str) -> tuple[Reference, int]:
        if key not in self._references:
            while len(self._references) >= _REFERENCES:
                self._references.pop(next(iter(self._references)))
            result = self._workshop.carry_out_unknown(self.book.runs[key], lambda _seen: True)
            assert result.trace is not None
            self._references[key] = reference_of(result.trace, result.strike_ms, ()), result.strike_ms
        return self._references[key]


def _scans_apart(trace: Trace, reference: Reference, strike_ms: int) -> int:
    """In how many scans any contact output is otherwise."""
    first = int(np.searchsorted(trace.t_ms, strike_ms))
    n = min(len(trace.t_ms) - first, len(reference.unit_do))
    units = (trace.unit_do[first : first + n] != reference.unit_do[:n]).any(axis=(1, 2))
    bank = (trace.bank_do[first : first + n] != reference.bank_do[:n]).any(axis=1)
    return int((units | bank).sum())


def _unheld(result: RunResult) -> list[Finding]:
    return [f for f in (*result.requirements, *result.expectations) if f.verdict in GRAVE]


def _caught(run: str, broken: Sequence[Finding], strike_ms: int) -> Trial:
    """The first in time leads; what has no moment comes last."""
    ordered = sorted(broken, key=lambda f: (f.at_ms is None, f.at_ms or 0))
    first = ordered[0]
    at_s = None if first.at_ms is None else (first.at_ms - strike_ms) / 1000.0
    return Trial(run, tuple(dict.fromkeys(f.name for f in ordered)), at_s, first.detail)


def checksums(result: RunResult) -> tuple[str, str]:
    """Of all outputs from the beginning of the run on, and of all alarm lines."""
    trace = result.trace
    assert trace is not None
    return _of_outputs(trace, result.shared_rows), _of_alarms(trace, result.shared_rows)


def record_of(result: RunResult) -> str:
    """Checksum of what depends on the logic in a run: outputs, states, all lines of the journal, what the
    data port answered. Plant and instruments follow from the outputs, bit for bit.
    """
    trace = result.trace
    assert trace is not None
    first = result.shared_rows
    start_ms = int(trace.t_ms[first]) if first < len(trace.t_ms) else 0
    lines = [entry for entry in trace.journal or [] if entry.t_ms >= start_ms]
    found = hashlib.sha256(trace.unit_state[first:].tobytes())
    found.update(repr((_of_outputs(trace, first), lines, trace.marks)).encode())
    return found.hexdigest()[:16]


def _of_outputs(trace: Trace, first: int) -> str:
    found = hashlib.sha256()
    for column in (trace.unit_do, trace.bank_do, trace.bank_ao):
        found.update(column[first:].tobytes())
    return found.hexdigest()[:16]


def _of_alarms(trace: Trace, first: int) -> str:
    start_ms = int(trace.t_ms[first]) if first < len(trace.t_ms) else 0
    lines = [e for e in trace.journal or [] if e.kind == "alarm" and e.t_ms >= start_ms]
    return hashlib.sha256(repr(lines).encode()).hexdigest()[:16]


# --- called by an executor --------------------------------------------------------------------------------

_lock = threading.Lock()
_saboteur: Saboteur | None = None


def saboteur_of(order: SabotageOrder) -> Saboteur:
    """This process's saboteur for the order; another order replaces it."""
    global _saboteur  # an executor has no other place to keep what a worker made
    if _saboteur is None or _saboteur.order != order:
        _saboteur = Saboteur(order)
    return _saboteur


def scout(order: SabotageOrder, runs: tuple[str, ...]) -> list[Scouted]:
    """Scout runs here; one at a time, since tables are shared by all threads."""
    with _lock:
        saboteur = saboteur_of(order)
        return [saboteur.scout(key) for key in runs]


def attempt(order: SabotageOrder, tasks: tuple[Task, ...]) -> list[Tried]:
    """Try changes here; one at a time, as above."""
    with _lock:
        saboteur = saboteur_of(order)
        return [saboteur.attempt(task) for task in tasks]
