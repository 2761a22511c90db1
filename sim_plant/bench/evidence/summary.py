"""What many runs say together: of each requirement, of the whole, of each corner of the campaign.

Everything here is a plain function of the results, so the page, the XML, the JSON and the console cannot
disagree.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sim_plant.bench.verdicts import Finding, RunResult, Verdict, worst_of

GRAVE = (Verdict.FAIL, Verdict.INCONCLUSIVE)
_GRAVEST_FIRST = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS, Verdict.NOT_EXERCISED)


@dataclass(frozen=True)
class OnLine:
    """How a live controller was met: the line as it was measured, and how time was kept in the runs."""

    uncertainty_ms: int  # of every time limit
    longest_round_ms: float  # of the exchange, before the runs
    longest_round_in_runs_ms: float
    scans: int  # of the bench, in the runs
    late_scans: int
    longest_late_ms: float

    def words(self) -> str:
        """For people: whether the bench kept its time, and what to think of the limits when it did not."""
        told = [f"all {self.scans} scans of the bench came in time"]
        if self.late_scans:
            told = [
                f"{self.late_scans} of {self.scans} scans of the bench came late, by "
                f"{self.longest_late_ms:.0f} ms at most: time limits of that run are so much less certain"
            ]
        if self.longest_round_in_runs_ms > self.longest_round_ms:
            told.append(
                f"a round of the exchange took up to {self.longest_round_in_runs_ms:.0f} ms in the runs, "
                f"{self.longest_round_ms:.0f} ms when it was measured: likewise, by twice the difference"
            )
        return "; ".join(told)


@dataclass(frozen=True)
class About:
    """Where the evidence comes from. ``complete`` is False when a person stopped the work.

    ``settings`` are the values in force, ``defaults`` the values they are compared with; ``plant`` is
    whatever describes the simulated plant, shown as it is; ``line`` is None for a controller at the desk.
    """

    site: str
    title: str
    target: str
    seed: int
    settings: dict[str, float]
    defaults: dict[str, float]
    plant: dict[str, object]
    started: str
    took_s: float
    version: str
    python: str
    platform: str
    command: str
    complete: bool
    planned_runs: int
    line: OnLine | None = None


@dataclass(frozen=True)
class RequirementText:
    """One requirement in words; ``kind`` I invariant, R response, Q sequence."""

    id: str
    statement: str
    kind: str
    hazard: str


@dataclass(frozen=True)
class RequirementSummary:
    """One requirement over all runs.

    ``runs`` counts the runs whose monitor was triggered, ``triggers`` all triggers. Margin, run, time and
    unit belong to the worst finding: of the gravest verdict, the smallest margin. A monitor gives its
    margins in one unit, so they can be compared. "" and None where no run put it to the test, or where all
    runs passed and nothing was measured: then no run is worse than another.
    """

    id: str
    verdict: Verdict
    runs: int = 0
    triggers: int = 0
    margin: float | None = None
    margin_unit: str = ""
    run_id: str = ""
    at_ms: int | None = None
    unit: int = 0


def summarise(results: Sequence[RunResult]) -> list[RequirementSummary]:
    """One summary for each requirement that any run judged, in the order of their numbers."""
    found: dict[str, list[tuple[str, Finding]]] = {}
    for result in in_order(results):
        for finding in result.requirements:
            found.setdefault(finding.name, []).append((result.run_id, finding))
    return [_summary(name, found[name]) for name in sorted(found, key=natural)]


def summary_of_all(
    results: Sequence[RunResult], requirements: Sequence[RequirementText]
) -> list[tuple[RequirementText, RequirementSummary]]:
    """Every requirement of the list with its summary, judged or not.

    A requirement that a run judged and the list does not hold is appended without words, so that no
    verdict is lost.
    """
    seen = {summary.id: summary for summary in summarise(results)}
    listed = [(text, seen.pop(text.id, _never(text.id))) for text in requirements]
    return listed + [(RequirementText(name, "", "", ""), summary) for name, summary in seen.items()]


def in_order(results: Iterable[RunResult]) -> list[RunResult]:
    """Results in an order that does not depend on which worker was first: family, case file, run."""
    return sorted(results, key=lambda r: (natural(r.family), natural(r.source), natural(r.run_id)))


def natural(text: str) -> list[tuple[int, str]]:
    """Sort key that puts "SR-9" before "SR-10".

    >>> sorted(["SR-10", "SR-9"], key=natural)
    ['SR-9', 'SR-10']
    """
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", text) if part]


def count(results: Iterable[RunResult]) -> dict[Verdict, int]:
    """How many runs have each verdict, the gravest first; verdicts that no run has are 0."""
    counter = Counter(result.verdict for result in results)
    return {verdict: counter[verdict] for verdict in _GRAVEST_FIRST}


def headline(results: Sequence[RunResult], about: About) -> str:
    """The outcome in a sentence or two; "All passed" is said only of a complete set of passes."""
    ordered = in_order(results)
    counts = count(ordered)
    n, failed = len(ordered), counts[Verdict.FAIL]
    stopped = "" if about.complete else f"Stopped after {n} of {about.planned_runs} runs. "
    if n == 0:
        return stopped + "No run was carried out."
    if counts[Verdict.PASS] == n and not stopped:
        return f"All {n} runs passed." if n > 1 else "The one run passed."
    if failed:
        first = next(result for result in ordered if result.verdict is Verdict.FAIL)
        rest = _others(counts, Verdict.FAIL)
        return f"{stopped}{failed} of {_runs(n)} failed{rest}. First: {name_of(first)}."
    if counts[Verdict.INCONCLUSIVE]:
        rest = _others(counts, Verdict.INCONCLUSIVE)
        return f"{stopped}No run failed, but {counts[Verdict.INCONCLUSIVE]} of {n} are inconclusive{rest}."
    passed = counts[Verdict.PASS]
    rest = f"; {counts[Verdict.NOT_EXERCISED]} put nothing to the test" if passed < n else ""
    return f"{stopped}{passed} of {_runs(n)} passed{rest}."


def coverage_line(summaries: Iterable[RequirementSummary]) -> str:
    """How many requirements were put to the test, and which were not."""
    listed = list(summaries)
    never = [summary.id for summary in listed if summary.verdict is Verdict.NOT_EXERCISED]
    line = f"{len(listed) - len(never)} of {len(listed)} requirements were put to the test"
    return f"{line}. Not exercised, so not proven: {', '.join(never)}." if never else f"{line}."


def name_of(result: RunResult) -> str:
    """A run in words: case, state, variant, unit."""
    details = [result.state, result.variant, f"unit {result.unit}" if result.unit else "bank"]
    return f"{result.case} ({', '.join(filter(None, details))})"


def grave_findings(result: RunResult) -> list[Finding]:
    """What failed or stayed open in a run, expectations first, failures before open ones."""
    findings = [*result.expectations, *result.requirements]
    return [f for verdict in GRAVE for f in findings if f.verdict is verdict]


def runs_to_draw(results: Sequence[RunResult]) -> list[RunResult]:
    """Failures, then inconclusive runs, then of each case file the passing run with least time to spare."""
    ordered = in_order(results)
    drawn = [result for verdict in GRAVE for result in ordered if result.verdict is verdict]
    nearest: dict[str, RunResult] = {}
    for result in ordered:
        if result.verdict is Verdict.PASS:
            best = nearest.get(result.source)
            if best is None or _closeness(result) < _closeness(best):
                nearest[result.source] = result
    return drawn + list(nearest.values())


def time_text(at_ms: int | None) -> str:
    """Simulated time as minutes and seconds, or with hours from one hour on; "-" for none.

    >>> time_text(83_400), time_text(3_723_000), time_text(None)
    ('1:23.4', '1:02:03.0', '-')
    """
    if at_ms is None:
        return "-"
    tenths = round(at_ms / 100)
    minutes, seconds = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    return f"{minutes}:{seconds / 10:04.1f}" if not hours else f"{hours}:{minutes:02}:{seconds / 10:04.1f}"


def margin_text(margin: float | None, unit: str) -> str:
    """A margin with its sign and unit, "-" for none.

    >>> margin_text(-1.25, "s"), margin_text(0.4, "bar"), margin_text(None, "s")
    ('-1.25 s', '+0.4 bar', '-')
    """
    return "-" if margin is None else f"{margin:+.3g} {unit}".strip()


def _closeness(result: RunResult) -> tuple[bool, float]:
    """Runs with a margin in seconds first, smallest first; margins of other kinds cannot be compared."""
    spare = [f.margin for f in (*result.requirements, *result.expectations) if f.margin_unit == "s"]
    margins = [margin for margin in spare if margin is not None and not math.isnan(margin)]
    return (not margins, min(margins, default=0.0))


def _summary(name: str, found: list[tuple[str, Finding]]) -> RequirementSummary:
    tested = [(run_id, f) for run_id, f in found if f.verdict is not Verdict.NOT_EXERCISED]
    if not tested:
        return _never(name)
    gravest = worst_of(f.verdict for _, f in tested)
    run_id, worst = min(
        ((run_id, f) for run_id, f in tested if f.verdict is gravest),
        key=lambda pair: math.inf if pair[1].margin is None else pair[1].margin,
    )
    runs, triggers = len(tested), sum(f.triggers for _, f in tested)
    if gravest is Verdict.PASS and worst.margin is None:
        return RequirementSummary(name, gravest, runs, triggers)
    return RequirementSummary(
        id=name,
        verdict=gravest,
        runs=runs,
        triggers=triggers,
        margin=worst.margin,
        margin_unit=worst.margin_unit if worst.margin is not None else "",
        run_id=run_id,
        at_ms=worst.at_ms,
        unit=worst.unit,
    )


def _never(name: str) -> RequirementSummary:
    return RequirementSummary(name, Verdict.NOT_EXERCISED)


def _runs(n: int) -> str:
    return f"{n} run" if n == 1 else f"{n} runs"


def _others(counts: dict[Verdict, int], named: Verdict) -> str:
    """ ", 2 inconclusive, 200 passed": the verdicts that the sentence has not named yet."""
    words = {
        Verdict.PASS: "passed",
        Verdict.INCONCLUSIVE: "inconclusive",
        Verdict.NOT_EXERCISED: "not exercised",
    }
    return "".join(f", {counts[v]} {w}" for v, w in words.items() if v is not named and counts[v])
