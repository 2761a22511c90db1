"""What became of each change, and on which runs it is tried: plain functions of what was carried out."""

from __future__ import annotations

import fnmatch
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from controller.files import InputError, read_toml
from controller.unit.states import UnitState
from sim_plant.bench.cases import Expectation, Run
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.sabotage.change import Change
from sim_plant.bench.sabotage.results import Kept
from sim_plant.bench.sabotage.work import Scouted, Trial

EXPLAINED = "explained.toml"
"""File of a site that says what may survive, and why."""

PATIENCE_S = 300.0
"""So much is simulated for a change at most, beside its first run."""


class Outcome(StrEnum):
    """What became of a change."""

    CAUGHT = "caught"
    SURVIVED = "survived"
    EXPLAINED = "explained"
    UNSEEN = "nothing to see"
    UNTRIED = "not tried"


class Reason(NamedTuple):
    """One entry of the list of what may survive: a pattern of ids, and why."""

    change: str
    reason: str


@dataclass(frozen=True)
class Judged:
    """A change with its outcome. ``trials`` are those that were carried out, ``touching`` how many runs of
    the book touch its entry, ``catcher`` the trial that caught it, ``why`` the reason of an explained one, or
    why no run can touch the entry of one that was not tried.
    """

    change: Change
    outcome: Outcome
    trials: tuple[Trial, ...]
    touching: int
    catcher: Trial | None = None
    why: str = ""

    @property
    def differs(self) -> str:
        """The first difference that was seen, where nothing caught it."""
        return next((f"{t.run}: {t.differs}" for t in self.trials if t.differs), "")


def read_reasons(folder: Path) -> tuple[Reason, ...]:
    """A site's list of what may survive, empty without a file; InputError when an entry lacks a word."""
    path = folder / EXPLAINED
    if not path.exists():
        return ()
    entries = read_toml(path).get("explained", [])
    for number, entry in enumerate(entries, start=1):
        if set(entry) != {"change", "reason"} or not all(str(v).strip() for v in entry.values()):
            raise InputError(f"{path.name}: explained[{number}]: needs change and reason")
    return tuple(Reason(entry["change"], " ".join(entry["reason"].split())) for entry in entries)


def choose_runs(change: Change, kept: Kept, written: Mapping[str, Run], most: int) -> list[Scouted]:
    """Runs that touch the entry, in the order in which they are tried: ``most`` at most, and beside the first
    no more than ``PATIENCE_S`` of them together.

    Of every source one before any has two; cases before what nobody wrote; cases that expect just what the
    entry does, and begin in its state, before those that only come by; the short before the long.
    """

    def rank(one: Scouted) -> tuple[int, bool, float, str]:
        run = written.get(one.run)
        speaks = run is not None and _speaks_of(run, change)
        elsewhere = kept.states[one.run] not in change.entry.split("/")
        strangeness = 3 if run is None else (not speaks) + elsewhere
        return strangeness, elsewhere, one.simulated_s, one.run

    turns: Counter[str] = Counter()
    placed: list[tuple[int, tuple[int, bool, float, str], Scouted]] = []
    ranked = sorted((rank(one), one) for one in kept.touching.get(change.touch, ()))
    for place, one in ranked:
        source = kept.sources[one.run]
        placed.append((turns[source] + (one.run not in written), place, one))
        turns[source] += 1
    ordered = [one for _turn, _rank, one in sorted(placed, key=lambda p: p[:2])]
    return _within_patience(ordered)[:most]


def _within_patience(ordered: Sequence[Scouted]) -> list[Scouted]:
    """The first run, and of the others those for which there is time left."""
    chosen, spent_s = [*ordered[:1]], 0.0
    for one in ordered[1:]:
        if spent_s + one.simulated_s <= PATIENCE_S:
            chosen.append(one)
            spent_s += one.simulated_s
    return chosen


def _speaks_of(run: Run, change: Change) -> bool:
    """Whether a case expects the signal, alarm or state in which the change shows; for a timer, whether it
    names a requirement that depends on it, or in its words the timer itself.
    """
    case = run.case
    if change.kind == "timer":
        depend = {r.id for r in REQUIREMENTS if change.entry in r.setpoints}
        words = " ".join((case.title, *(expectation.text for expectation in case.expect)))
        return bool(depend.intersection(case.requirements)) or change.entry in words
    return any(change.shows in _looked_at(expectation) for expectation in case.expect)


def _looked_at(expectation: Expectation) -> list[str]:
    """An expectation as ``Change.shows`` has it."""
    if expectation.signal != "state":
        return [expectation.signal]
    states = expectation.is_ if isinstance(expectation.is_, tuple) else (expectation.is_,)
    return [f"state {state.value}" for state in states if isinstance(state, UnitState)]


def judge(
    changes: Iterable[Change],
    kept: Kept,
    reasons: Sequence[Reason],
    why_never: Callable[[Change], str] = lambda _change: "",
) -> list[Judged]:
    """The outcome of every change; ``why_never`` says why no run can touch an entry, "" when it may."""
    return [
        _judged(
            change,
            kept.trials.get(change.id, ()),
            len(kept.touching.get(change.touch, ())),
            reasons,
            why_never,
        )
        for change in changes
    ]


def _judged(
    change: Change,
    trials: tuple[Trial, ...],
    touching: int,
    reasons: Sequence[Reason],
    why_never: Callable[[Change], str],
) -> Judged:
    catcher = next((trial for trial in trials if trial.broken), None)
    if catcher is not None:
        return Judged(change, Outcome.CAUGHT, trials, touching, catcher)
    if not trials:
        return Judged(change, Outcome.UNTRIED, trials, touching, None, "" if touching else why_never(change))
    if not any(trial.differs for trial in trials):
        return Judged(change, Outcome.UNSEEN, trials, touching)
    why = next((one.reason for one in reasons if fnmatch.fnmatchcase(change.id, one.change)), "")
    return Judged(change, Outcome.EXPLAINED if why else Outcome.SURVIVED, trials, touching, None, why)


def idle_reasons(judged: Sequence[Judged], reasons: Sequence[Reason]) -> list[Reason]:
    """Entries of the list that no change needed."""
    survivors = [one.change.id for one in judged if one.outcome is Outcome.EXPLAINED]
    return [r for r in reasons if not any(fnmatch.fnmatchcase(one, r.change) for one in survivors)]
