"""What became of each change, and on which runs it is tried: plain functions of what was carried out."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from controller.files import InputError, read_toml
from sim_plant.bench.alarms_seen import PREFIX
from sim_plant.bench.cases import Run
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.sabotage.change import Change
from sim_plant.bench.sabotage.results import Kept
from sim_plant.bench.sabotage.work import Scouted, Trial

EXPLAINED = "explained.toml"
"""File of a site that says what may survive, and why."""


PATIENCE_S = 600.0


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
    the book touch its entry, ``catcher`` the trial that caught it, ``why`` the reason of an explained one.
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
    """Runs that touch the entry, in the order in which they are tried, ``most`` at most.

    Cases before what nobody wrote; runs that begin in the very state of the entry before those that only come
    by; cases that speak of the very timer or alarm before others; of every source one before any has two; the
    short before the long. The last is the longest of at most ``PATIENCE_S`` that is left, since some things
    show late.
    """
    found = [s for s in kept.scouted.values() if change.touch in s.touches]

    def rank(one: Scouted) -> tuple[int, bool, float]:
        run = written.get(one.run)
        elsewhere = kept.states[one.run] not in change.entry.split("/")
        if run is None:
            return 2, elsewhere, one.simulated_s
        return 0 if _speaks_of(run, change) else 1, elsewhere, one.simulated_s

    turns: dict[str, int] = {}
    placed: list[tuple[tuple[int, bool, int, float], Scouted]] = []
    for one in sorted(found, key=lambda s: (*rank(s), s.run)):
        source = kept.sources[one.run]
        turns[source] = turn = turns.get(source, -1) + 1
        group, elsewhere, long_s = rank(one)
        placed.append(((turn + (group == 2), elsewhere, group, long_s), one))
    ordered = [one for _place, one in sorted(placed, key=lambda p: p[0])]
    if len(ordered) <= most:
        return ordered
    if most == 1:
        return ordered[:1]
    first, rest = ordered[: most - 1], ordered[most - 1 :]
    return [*first, max(rest, key=lambda one: (one.simulated_s <= PATIENCE_S, one.simulated_s))]


def _speaks_of(run: Run, change: Change) -> bool:
    """Whether a case names a requirement that depends on the timer, or expects the alarm."""
    if change.kind == "timer":
        depend = {r.id for r in REQUIREMENTS if change.entry in r.setpoints}
        return bool(depend.intersection(run.case.requirements))
    if change.kind == "alarm":
        scope, _, alarm = change.touch.removeprefix("alarm ").partition(" ")
        signal = ("bank." if scope == "bank" else "") + PREFIX + alarm
        return any(expectation.signal == signal for expectation in run.case.expect)
    return False


def judge(changes: Iterable[Change], kept: Kept, reasons: Sequence[Reason]) -> list[Judged]:
    """The outcome of every change."""
    touching: dict[str, int] = {}
    for scouted in kept.scouted.values():
        for word in scouted.touches:
            touching[word] = touching.get(word, 0) + 1
    return [
        _judged(change, kept.trials.get(change.id, ()), touching.get(change.touch, 0), reasons)
        for change in changes
    ]


def _judged(change: Change, trials: tuple[Trial, ...], touching: int, reasons: Sequence[Reason]) -> Judged:
    catcher = next((trial for trial in trials if trial.broken), None)
    if catcher is not None:
        return Judged(change, Outcome.CAUGHT, trials, touching, catcher)
    if not trials:
        return Judged(change, Outcome.UNTRIED, trials, touching)
    if not any(trial.differs for trial in trials):
        return Judged(change, Outcome.UNSEEN, trials, touching)
    why = next((one.reason for one in reasons if fnmatch.fnmatchcase(change.id, one.change)), "")
    return Judged(change, Outcome.EXPLAINED if why else Outcome.SURVIVED, trials, touching, None, why)


def idle_reasons(judged: Sequence[Judged], reasons: Sequence[Reason]) -> list[Reason]:
    """Entries of the list that no change needed."""
    survivors = [one.change.id for one in judged if one.outcome is Outcome.EXPLAINED]
    return [r for r in reasons if not any(fnmatch.fnmatchcase(one, r.change) for one in survivors)]
