"""A failing run, reduced to the shortest case that still fails alike.

Every reduction is tried by really carrying the case out, and kept only when the same requirement, or the same
expectation, fails again. Nothing is random: the same run shrinks to the same case.

What may be dropped depends on how the run fails (``failures``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from controller.files import InputError
from sim_plant.bench.case_text import case_toml, table_of
from sim_plant.bench.cases import CaseFile, Expectation, Run, build_case
from sim_plant.bench.failures import Goal, Kind, failure_of, goal_of
from sim_plant.bench.milder import mildest, round_between
from sim_plant.bench.runner import Workshop
from sim_plant.bench.steps import ACTIONS
from sim_plant.bench.verdicts import Finding, RunResult

LIMIT = 60
NAME_CHARS = 81  # as long as the name of a case file may be, without its ending
ROUND_S = (0.1, 0.2, 0.5, 1, 2, 3, 4, 5, 10, 15, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600)
JUST_AFTER_S = 0.5  # an expectation is broken when it is broken
SPARE_S = (
    10.0,
    60.0,
)  # a requirement is judged later than the moment it names, and a repaired controller later
BISECTIONS = 4

Table = dict[str, Any]
Told = Callable[[int, str], None]


@dataclass(frozen=True)
class Shrunk:
    """The smallest case that was found.

    ``after_strike_s`` is the moment of the failure; None where the finding names none. ``tried`` counts the
    runs, the first one included. ``complete`` is False when their limit ended the search.
    """

    run: Run
    goal: Goal
    after_strike_s: float | None
    tried: int
    dropped: tuple[str, ...]
    complete: bool

    @property
    def file_name(self) -> str:
        """Name of its case file: that of the run."""
        return f"{self.run.run_id[-NAME_CHARS:].lstrip('._-')}.case.toml"

    def words(self) -> str:
        """Where it fails, and what the search did, in one sentence."""
        when = "" if self.after_strike_s is None else f", {self.after_strike_s:g} s after the strike"
        name = self.goal.name if self.goal.kind is Kind.REQUIREMENT else f'"{self.goal.name}"'
        stopped = "" if self.complete else " (all that were allowed, so it may not be the smallest)"
        return f"fails at {name}{when}; {self.tried} runs tried{stopped}"

    def toml(self) -> str:
        """The case file: carried out with the same controller, setpoints and seed, it fails again."""
        head = [f"Shrunk from run {self.run.run_id}: {self.words()}."]
        head += [f"  {what}" for what in self.dropped]
        head += ["It fails again with the same controller, setpoints and seed."]
        return case_toml(table_of(self.run.case), [" ".join(line.splitlines()) for line in head])

    def write(self, folder: Path) -> Path:
        """Write the case file into ``folder``, which is made; FileExistsError rather than write over one."""
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / self.file_name
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(self.toml())
        return path


def _silent(_tried: int, _what: str) -> None:
    """Tell nobody."""


def shrink(
    workshop: Workshop, run: Run, findings: Sequence[Finding], limit: int = LIMIT, told: Told = _silent
) -> Shrunk:
    """Reduce a run to the shortest case that fails at one of ``findings`` again, in at most ``limit`` runs.

    Of several failures the earliest requirement is chosen, and an expectation only where no requirement
    failed; of a run that could not be carried out, the error. ``told`` hears before each run its number and
    what is tried. NotFailingError when the run, carried out again, fails at none of them.
    """
    told(1, "as it is")
    result = workshop.carry_out(run)
    search = _Search(workshop, run, goal_of(run, result, findings), result, limit, told)
    _drop_other_expectations(search)
    if search.goal.kind is Kind.MISSING:
        _drop_later_steps(search)
        _cut_length(search)
    else:
        _reduce_freely(search)
    return Shrunk(
        replace(run, case=search.case, variant=""),
        search.goal,
        search.failed_s,
        search.tried,
        tuple(search.dropped),
        search.tried < limit,
    )


def _reduce_freely(search: _Search) -> None:
    _drop_steps(search)
    _cut_length(search)
    _shorten_offset(search)
    _shorten_faults(search)
    if search.table["given"].get("unit", 2) != 1:
        search.attempt(_given(search.table, unit=1), "unit under test is 1")
    _soften_faults(search)
    for key in ("tank_pct", "demand_m3h"):
        if key in search.table["given"]:
            search.attempt(_given(search.table, **{key: None}), f"without given.{key}")
    _cut_length(search)


# --- the search ------------------------------------------------------------------------------------------


class _Search:
    """The smallest case so far, and what it took to find it."""

    def __init__(
        self, workshop: Workshop, run: Run, goal: Goal, result: RunResult, limit: int, told: Told
    ) -> None:
        self._workshop, self._run, self._limit, self._told = workshop, run, limit, told
        self.goal = goal
        self.tried = 1
        self.dropped: list[str] = []
        self._seen: set[str] = set()
        self.table: Table
        found = failure_of(goal, run.case, result)
        assert found is not None, "a goal is taken from this result"
        self._keep(_given(table_of(run.case), states=[run.state.value]), run.case, result, found)
        self.case = build_case(run.source, self.table, workshop.site)  # the same, for one of its states

    def attempt(self, table: Table, what: str) -> bool:
        """Carry a case out; when it fails alike it is the new smallest. Nonsense is passed by."""
        text = case_toml(table)
        if self.tried >= self._limit or text in self._seen:
            return False
        self._seen.add(text)
        try:
            case = build_case(self._run.source, table, self._workshop.site)
        except InputError:
            return False
        self.tried += 1
        self._told(self.tried, what)
        result = self._workshop.carry_out(replace(self._run, case=case))
        found = failure_of(self.goal, case, result)
        if found is None:
            return False
        self._keep(table, case, result, found)
        self.dropped.append(what)
        return True

    def _keep(self, table: Table, case: CaseFile, result: RunResult, found: Finding) -> None:
        """Take a case and its moments, in seconds after the strike."""
        trace = result.trace
        assert trace is not None
        offset_ms = math.ceil(case.given.offset_s * 1000.0 / trace.scan_ms) * trace.scan_ms
        begun_ms = int(trace.t_ms[result.shared_rows - 1]) + trace.scan_ms if result.shared_rows else 0
        strike_ms = begun_ms + offset_ms
        self.table, self.case = table, case
        self.end_s = (int(trace.t_ms[-1]) + trace.scan_ms - strike_ms) / 1000.0
        self.failed_s = None if found.at_ms is None else (found.at_ms - strike_ms) / 1000.0

    @property
    def steps(self) -> list[Table]:
        """The steps of the smallest case so far."""
        steps: list[Table] = self.table.get("step", [])
        return steps

    @property
    def last_step_s(self) -> float:
        """When the last step was done."""
        return self.end_s - self.case.run.for_s

    @property
    def expectation(self) -> Expectation | None:
        """The expectation that is not met, where it is one."""
        return next((e for e in self.case.expect if e.text == self.goal.name), None)


def _given(table: Table, **values: Any) -> Table:
    """The same case in another situation; None leaves the key out."""
    given = {**table["given"], **values}
    return {**table, "given": {key: value for key, value in given.items() if value is not None}}


def _tidy(seconds: float) -> float | int:
    """Up to the next tenth of a second, without a point where it is whole."""
    tenths = math.ceil(round(seconds * 10.0, 3))
    return tenths // 10 if tenths % 10 == 0 else tenths / 10.0


# --- expectations and steps ------------------------------------------------------------------------------


def _drop_other_expectations(search: _Search) -> None:
    name, kind = search.goal.name, search.goal.kind
    kept = [e for e in search.table.get("expect", []) if e["text"] == name and kind is not Kind.REQUIREMENT]
    named = [id_ for id_ in search.table.get("requirements", []) if name == f"puts {id_} to the test"]
    if kind is Kind.REQUIREMENT:
        named = [name]
    table = {**search.table, "requirements": named, "expect": kept}
    if case_toml(table) != case_toml(search.table):
        search.attempt(table, "without what else is expected")


def _drop_steps(search: _Search) -> None:
    """All of them, then halves, quarters, single ones; single ones again while one could go."""
    size = len(search.steps)
    while size >= 1:
        before, first = len(search.steps), 0
        while first < len(search.steps):
            kept = search.steps[:first] + search.steps[first + size :]
            if not search.attempt(_with_steps(search, kept), _without(search, kept)):
                first += size
        if size > 1 or len(search.steps) == before:
            size //= 2
        size = min(size, len(search.steps))


def _with_steps(search: _Search, kept: list[Table]) -> Table:
    """The case with these steps, without what would clear a fault that is gone; it ends when it ended."""
    names = {step.get("name", "") for step in kept if "inject" in step}
    kept = [step for step in kept if "clear" not in step or step["clear"] in names]
    table = {**search.table, "step": kept}
    if kept[-1:] != search.steps[-1:]:
        last_s = kept[-1].get("at_s", 0.0) if kept else 0.0
        table["run"] = {"for_s": _tidy(max(search.end_s - last_s, 0.1))}
    return table


def _without(search: _Search, kept: list[Table]) -> str:
    gone = [_step_words(step) for step in search.steps if step not in kept]
    return f"without {'; '.join(gone)}"


def _step_words(step: Table) -> str:
    action = next(name for name in ACTIONS if name in step)
    done = step[action]
    if isinstance(done, dict):
        done = " ".join(str(value) for value in done.values())
    when = f"at {step['at_s']:g} s" if "at_s" in step else f"in {step['when_state']}"
    return f"{action} {done} {when}"


def _drop_later_steps(search: _Search) -> None:
    closes_s = _needed_s(search)
    if closes_s is None:
        return
    kept = [step for step in search.steps if step.get("at_s", 0.0) <= closes_s]
    if len(kept) < len(search.steps):
        search.attempt(_with_steps(search, kept), _without(search, kept))


# --- length, offset --------------------------------------------------------------------------------------


def _needed_s(search: _Search) -> float | None:
    """So long after the strike the failure has been seen; None when only the run's end tells."""
    e, failed_s = search.expectation, search.failed_s
    if failed_s is None or e is None or search.goal.kind is not Kind.MISSING:
        return failed_s
    if e.within_s is not None:
        return failed_s + e.within_s  # it is told for the moment at which the window opened
    return None if e.until_s is None else failed_s - e.from_s + e.until_s


def _cut_length(search: _Search) -> None:
    """End the run just after the failure, and with it the window in which the failure was seen."""
    needed_s = _needed_s(search)
    if needed_s is None:
        return
    spare = SPARE_S if search.goal.kind is Kind.REQUIREMENT else (JUST_AFTER_S,)
    for spare_s in spare:
        end_s = max(needed_s, search.last_step_s) + spare_s
        for_s = _tidy(end_s - search.last_step_s)
        if for_s >= search.case.run.for_s:
            return
        table = {**search.table, "run": {"for_s": for_s}}
        if search.goal.kind is Kind.BROKEN and not _end_window(search, table, search.last_step_s + for_s):
            return
        if search.attempt(table, f"run.for_s is {for_s:g}"):
            return


def _end_window(search: _Search, table: Table, end_s: float) -> bool:
    """Let no window reach beyond the end of the run, or a repaired controller could never pass; False when
    it is not known where the window lies."""
    e = search.expectation
    if e is None or e.until_s is None:
        return True
    step = next((step for step in search.steps if step.get("name", "") == e.after), {"at_s": 0.0})
    opened_s = step.get("at_s", search.last_step_s if step is search.steps[-1] else None) if e.after else 0.0
    if opened_s is None:
        return False
    until_s = min(e.until_s, math.floor(round((end_s - opened_s) * 10.0, 3)) / 10.0)
    table["expect"] = [{**one, "until_s": until_s} for one in table["expect"]]
    return True


def _shorten_offset(search: _Search) -> None:
    for offset_s in (0, 2):
        if search.case.given.offset_s == offset_s:
            return
        if search.attempt(_given(search.table, offset_s=offset_s), f"given.offset_s is {offset_s}"):
            return


# --- faults ----------------------------------------------------------------------------------------------


def _changed(search: _Search, number: int, step: Table) -> Table:
    steps = search.steps
    return {**search.table, "step": [*steps[:number], step, *steps[number + 1 :]]}


def _shorten_faults(search: _Search) -> None:
    """As few steps as possible are undone after a time; if one must be, after the shortest round time."""
    for number, step in enumerate(search.steps):
        if "for_s" not in step:
            continue
        words, for_s = _step_words(step), step["for_s"]
        lasting = {key: value for key, value in step.items() if key != "for_s"}
        if search.goal.kind is not Kind.BROKEN and search.attempt(
            _changed(search, number, lasting), f"{words} is not undone"
        ):
            continue
        shorter = [seconds for seconds in ROUND_S if seconds < for_s]
        passes, fails = -1, len(shorter)
        while fails - passes > 1:
            middle = (passes + fails) // 2
            table = _changed(search, number, {**step, "for_s": shorter[middle]})
            if search.attempt(table, f"{words} for {shorter[middle]:g} s"):
                fails = middle
            else:
                passes = middle


def _soften_faults(search: _Search) -> None:
    """A rounder value, and the mildest round one, as far as a few halvings find it."""
    for number, step in enumerate(search.steps):
        inject = step.get("inject", {})
        key = next((key for key in inject if key.startswith("value")), None)
        if key is None:
            continue
        value = float(inject[key])

        def attempt(new: float, number: int = number, key: str = key) -> bool:
            step = search.steps[number]
            table = _changed(search, number, {**step, "inject": {**step["inject"], key: new}})
            return search.attempt(table, f"{_step_words(step)}: {key} is {new:g}")

        mild = mildest(inject["target"], inject["kind"], value)
        if mild is None:
            rounded = float(f"{value:.2g}")
            if rounded != value:
                attempt(rounded)
        elif not attempt(mild):
            _halve(mild, value, attempt)


def _halve(passes: float, fails: float, attempt: Callable[[float], bool]) -> None:
    """Between a value that passes and one that fails, look for a round one nearer to passing."""
    for _ in range(BISECTIONS):
        middle = round_between(passes, fails)
        if middle is None:
            return
        if attempt(middle):
            fails = middle
        else:
            passes = middle
