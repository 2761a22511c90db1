"""The verdicts for other programs: JUnit XML for build servers, JSON for everything else.

How the four verdicts are told in JUnit XML, which knows only passed, skipped, failure and error:

- pass: a test case without a child;
- fail: ``failure type="fail"``; a run that could not be carried out: ``error type="not carried out"``;
- inconclusive: ``failure type="inconclusive"``. The margin was smaller than what the bench can tell apart, so
  the run has not shown what it was made to show, and a build must not turn green on it;
- not exercised: ``skipped``. The run did not put anything to the test; that is no failure of the target.

A set that a person stopped gets one more case, an error, that says how many runs are missing.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Collection, Sequence
from dataclasses import asdict
from itertools import groupby
from xml.etree import ElementTree as ET

from sim_plant.bench.evidence.summary import (
    About,
    RequirementText,
    count,
    coverage_line,
    grave_findings,
    headline,
    in_order,
    margin_text,
    summary_of_all,
    time_text,
)
from sim_plant.bench.verdicts import Finding, RunResult, Verdict

# XML 1.0 section 2.2 allows tab, line feed, carriage return and these ranges, no other character
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def verdicts_xml(results: Sequence[RunResult], about: About) -> str:
    """One test suite for each family, one test case for each run; see the module's text for the mapping."""
    root = ET.Element("testsuites", name=_clean(f"skidproof {about.site}"))
    for family, runs in groupby(in_order(results), key=lambda result: result.family):
        _suite(root, family, list(runs), about)
    if not about.complete:
        _stopped(root, len(results), about)
    for total in ("tests", "failures", "errors", "skipped"):
        root.set(total, str(sum(int(suite.get(total, "0")) for suite in root)))
    root.set("time", f"{about.took_s:.3f}")
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def run_json(
    results: Sequence[RunResult],
    requirements: Sequence[RequirementText],
    about: About,
    recorded: Collection[str],
) -> str:
    """Everything that the report says, without pictures; numbers that JSON does not know become null.

    ``recorded`` are the runs that have a record.
    """
    listed = summary_of_all(results, requirements)
    content = {
        "format": "skidproof run 1",
        "about": asdict(about),
        "headline": headline(results, about),
        "coverage": coverage_line(summary for _, summary in listed),
        "runs_by_verdict": {verdict.value: n for verdict, n in count(results).items()},
        "requirements": [{**asdict(text), **asdict(summary)} for text, summary in listed],
        "runs": [_run(result, result.run_id in recorded) for result in in_order(results)],
    }
    return json.dumps(plain(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def finding_text(finding: Finding) -> str:
    """One finding as a sentence: what was expected, what was seen, where, by how much."""
    where = f"unit {finding.unit}" if finding.unit else "the bank"
    when = f" at {time_text(finding.at_ms)}" if finding.at_ms is not None else ""
    margin = (
        f" Margin {margin_text(finding.margin, finding.margin_unit)}." if finding.margin is not None else ""
    )
    expected = f"Expected: {finding.limit}. " if finding.limit else ""
    seen = f"Seen: {finding.detail}" if finding.detail else "Seen"
    return f"{finding.name}: {finding.verdict.value}. {expected}{seen}, on {where}{when}.{margin}"


def _suite(root: ET.Element, family: str, runs: list[RunResult], about: About) -> None:
    suite = ET.SubElement(
        root, "testsuite", name=_clean(family or "no family"), timestamp=_clean(about.started)
    )
    properties = ET.SubElement(suite, "properties")
    for name, value in (
        ("site", about.site),
        ("target", about.target),
        ("seed", about.seed),
        ("version", about.version),
        ("complete", str(about.complete).lower()),
    ):
        ET.SubElement(properties, "property", name=name, value=_clean(str(value)))
    for run in runs:
        _case(suite, run)
    for total, tag in (
        ("tests", "testcase"),
        ("failures", "failure"),
        ("errors", "error"),
        ("skipped", "skipped"),
    ):
        suite.set(total, str(len(list(suite.iter(tag)))))
    suite.set("time", f"{sum(run.took_s for run in runs):.3f}")


def _case(suite: ET.Element, run: RunResult) -> None:
    case = ET.SubElement(
        suite, "testcase", classname=_clean(run.source), name=_clean(run.run_id), time=f"{run.took_s:.3f}"
    )
    sentences = [finding_text(finding) for finding in grave_findings(run)]
    if run.error:
        child = ET.SubElement(case, "error", type="not carried out", message=_clean(run.error))
    elif run.verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE):
        child = ET.SubElement(case, "failure", type=run.verdict.value, message=_clean(sentences[0]))
    elif run.verdict is Verdict.NOT_EXERCISED:
        child = ET.SubElement(case, "skipped", message="not exercised: this run put nothing to the test")
    else:
        return
    child.text = _clean(
        "\n".join([*sentences, f"{run.case}; {run.variant or 'no variant'}; seed {run.seed}"])
    )


def _stopped(root: ET.Element, done: int, about: About) -> None:
    suite = ET.SubElement(
        root, "testsuite", name="whole set", tests="1", failures="0", errors="1", skipped="0"
    )
    case = ET.SubElement(suite, "testcase", classname="skidproof", name="all planned runs were carried out")
    message = f"stopped by the user after {done} of {about.planned_runs} runs"
    ET.SubElement(case, "error", type="stopped", message=message)


def _run(result: RunResult, recorded: bool) -> dict[str, object]:
    return {
        "run_id": result.run_id,
        "verdict": result.verdict.value,
        "record": f"records/{result.run_id}.parquet" if recorded else "",
        **{
            name: getattr(result, name)
            for name in ("case", "family", "source", "state", "variant", "unit", "seed")
        },
        "requirements": [asdict(finding) for finding in result.requirements],
        "expectations": [asdict(finding) for finding in result.expectations],
        "strike_ms": result.strike_ms,
        "simulated_s": result.simulated_s,
        "took_s": result.took_s,
        "error": result.error,
        "shrunk": result.shrunk,
        "shrunk_words": result.shrunk_words,
    }


def plain(value: object) -> object:
    """The value in types that JSON knows; what it does not know is told as text, not a number as null."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, str | int | None) else str(value)


def _clean(text: str) -> str:
    """Text without the characters that XML forbids even when escaped."""
    return _NOT_XML.sub("\ufffd", text)
