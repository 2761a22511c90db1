"""How a run fails, so that a smaller one can be told to fail alike.

A requirement carries its own trigger, so whatever still breaks it may go. An expectation does not: the steps
of its case may be what makes it right to expect it. So it depends on how it failed:

- It held, and then something broke it ("the pump stays on"). Steps are dropped as long as it holds again
  before it is broken. Faults are only made milder and shorter: if less breaks it, so much the worse.
- A reaction never came ("the pump stops within 1 s"). Without its steps nobody could expect it, so only what
  comes after its window is dropped.

A run that could not be carried out, because the controller crashed for example, fails alike at the same
error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto

import numpy as np

from sim_plant.bench.cases import CaseFile, Run
from sim_plant.bench.expect import holds
from sim_plant.bench.verdicts import Finding, RunResult, Verdict


class NotFailingError(RuntimeError):
    """The run does not fail where it is said to fail; the message names both."""


class Kind(Enum):
    """How a run fails, which says what may be dropped; see the module's text."""

    REQUIREMENT = auto()
    BROKEN = auto()
    MISSING = auto()
    ERROR = auto()


@dataclass(frozen=True)
class Goal:
    """What must fail again: the id of a requirement, the words of an expectation, or an error."""

    name: str
    kind: Kind


def goal_of(run: Run, result: RunResult, findings: Sequence[Finding]) -> Goal:
    """Which failure of a run is followed; NotFailingError when it has none of those named."""
    if result.error:
        return Goal(result.error, Kind.ERROR)
    named = {finding.name for finding in findings if finding.verdict is Verdict.FAIL}
    if broken := _earliest(result.requirements, named):
        return Goal(broken.name, Kind.REQUIREMENT)
    if broken := _earliest(result.expectations, named):
        held = _broken_later(run.case, result, broken.name) is not None
        return Goal(broken.name, Kind.BROKEN if held else Kind.MISSING)
    raise NotFailingError(
        f"run {run.run_id} does not fail again at {', '.join(sorted(named)) or 'anything named'}"
    )


def _earliest(findings: Sequence[Finding], named: set[str]) -> Finding | None:
    failed = [f for f in findings if f.name in named and f.verdict is Verdict.FAIL]
    return min(failed, key=lambda f: math.inf if f.at_ms is None else f.at_ms, default=None)


def failure_of(goal: Goal, case: CaseFile, result: RunResult) -> Finding | None:
    """The finding by which a run fails alike, or None."""
    if goal.kind is Kind.ERROR:
        return Finding(goal.name, Verdict.FAIL) if result.error == goal.name else None
    if result.error:
        return None
    if goal.kind is Kind.REQUIREMENT:
        return _earliest(result.requirements, {goal.name})
    if goal.kind is Kind.BROKEN:
        return _broken_later(case, result, goal.name)
    return _earliest(result.expectations, {goal.name})


def _broken_later(case: CaseFile, result: RunResult, name: str) -> Finding | None:
    """The finding of an expectation that held until something broke it."""
    trace = result.trace
    assert trace is not None
    for e, found in zip(case.expect, result.expectations, strict=False):  # requirements come after them
        told = found.verdict is Verdict.FAIL and found.name == e.text == name
        if not told or e.within_s is not None or found.at_ms is None:
            continue
        before = int(np.searchsorted(trace.t_ms, found.at_ms)) - 1
        if before >= 0 and holds(e, trace, found.unit)[before]:
            return found
    return None
