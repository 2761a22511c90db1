"""A run's verdicts as pytest tells them: properties of the test, and why it failed."""

from __future__ import annotations

from collections.abc import Iterable

from sim_plant.bench.evidence.exports import finding_text
from sim_plant.bench.evidence.summary import grave_findings, margin_text
from sim_plant.bench.verdicts import Finding, RunResult, Verdict


def properties(result: RunResult) -> list[tuple[str, object]]:
    """Run, verdict, and each finding that was put to the test; they go into JUnit XML."""
    told: list[tuple[str, object]] = [("run_id", result.run_id), ("verdict", result.verdict.value)]
    for number, finding in enumerate(result.expectations, start=1):
        # the words stand in the value: a name may not hold every character that a text may
        told.append((f"expectation {number}", f"{_words(finding)}; {finding.name}"))
    return told + requirement_properties(result.requirements)


def requirement_properties(findings: Iterable[Finding]) -> list[tuple[str, object]]:
    """Verdict and margin of each requirement that was put to the test."""
    tested = (finding for finding in findings if finding.verdict is not Verdict.NOT_EXERCISED)
    return [(finding.name, _words(finding)) for finding in tested]


def _words(finding: Finding) -> str:
    margin = f", margin {margin_text(finding.margin, finding.margin_unit)}"
    return finding.verdict.value + ("" if finding.margin is None else margin)


def why_not_proven(result: RunResult) -> str:
    """One sentence a line: what failed or stayed open, and which run it was; "" when it passed."""
    if result.verdict is Verdict.PASS:
        return ""
    lines = [f"not carried out: {result.error}"] if result.error else []
    lines += map(finding_text, grave_findings(result))
    if not lines:
        lines = ["not exercised: this run put nothing to the test"]
    return "\n".join([*lines, f"{result.case}; {result.variant or 'no variant'}; seed {result.seed}"])
