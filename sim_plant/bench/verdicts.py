"""The words of judgement and what carries them from a run to the report.

A requirement whose trigger never came has not passed: it is "not exercised". A margin smaller than the
timing uncertainty of the target is "inconclusive". A margin is how much was left before the limit:
positive is inside, negative is beyond, in the unit that is named beside it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from sim_plant.bench.trace import Trace


class Verdict(StrEnum):
    """Worst last; ``worst_of`` relies on the order."""

    NOT_EXERCISED = "not exercised"
    PASS = "pass"
    INCONCLUSIVE = "inconclusive"
    FAIL = "fail"


_RANK = {verdict: rank for rank, verdict in enumerate(Verdict)}


def worst_of(verdicts: Iterable[Verdict]) -> Verdict:
    """The gravest of several; NOT_EXERCISED when there is none."""
    return max(verdicts, key=_RANK.__getitem__, default=Verdict.NOT_EXERCISED)


@dataclass(frozen=True)
class Finding:
    """What one requirement, or one expectation of a case, says of one run.

    ``name`` is the requirement's number ("SR-04") or the expectation in words. ``triggers`` counts how
    often the requirement was put to the test. ``margin`` (in ``margin_unit``) is the smallest seen,
    None where nothing can be measured. ``at_ms`` and ``unit`` say where the smallest margin, or the
    failure, was; unit 0 is the bank. ``limit`` is the limit in words, ``detail`` what was seen.
    """

    name: str
    verdict: Verdict
    triggers: int = 0
    margin: float | None = None
    margin_unit: str = ""
    at_ms: int | None = None
    unit: int = 0
    limit: str = ""
    detail: str = ""


@dataclass
class RunResult:
    """One run of one case: what was done, what was found, what was recorded."""

    run_id: str  # file-name safe, unique in the evidence folder
    case: str  # title of the case
    family: str
    source: str  # file of the case, relative to the site
    state: str  # unit state in which the case struck, "" when it does not name one
    variant: str  # the varied values in words, "" when there are none
    unit: int  # unit under test, 0 for the bank
    seed: int
    requirements: list[Finding] = field(default_factory=list)
    expectations: list[Finding] = field(default_factory=list)
    trace: Trace | None = None
    shared: str = ""  # name of the record that the run begins with, which other runs share
    shared_rows: int = 0  # so many rows of the trace belong to it
    strike_ms: int = 0  # when the first step was due
    simulated_s: float = 0.0
    took_s: float = 0.0
    error: str = ""  # set when the run could not be carried out
    shrunk: str = ""  # file of the smallest case that fails alike, relative to the evidence folder
    shrunk_words: str = ""  # where that case fails, or why there is none; "" when nobody asked

    @property
    def verdict(self) -> Verdict:
        """The worst of its findings; an error counts as a failure."""
        if self.error:
            return Verdict.FAIL
        return worst_of(finding.verdict for finding in (*self.requirements, *self.expectations))
