"""The report for people: gathers what the template prints. The template decides how it looks."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from itertools import groupby
from typing import NamedTuple

from markupsafe import Markup

from sim_plant.bench.evidence.exports import finding_text
from sim_plant.bench.evidence.frame import Badge, Head, badge, render
from sim_plant.bench.evidence.strips import STATE_ORDER
from sim_plant.bench.evidence.summary import (
    About,
    RequirementText,
    count,
    coverage_line,
    grave_findings,
    headline,
    in_order,
    margin_text,
    name_of,
    natural,
    summary_of_all,
)
from sim_plant.bench.verdicts import Finding, RunResult, Verdict, worst_of

# Pictures beyond this stay beside the page and are linked, so that it opens at once anywhere (own choice)
PICTURE_BUDGET_CHARS = 5_000_000


class MapCell(NamedTuple):
    """Worst verdict of the runs of one family in one state, and how many of them have it."""

    badge: Badge
    worst: int
    runs: int
    link: str


class Drawn(NamedTuple):
    """One run in detail. ``picture`` is empty when there is no record or the page is full (``left_out``)."""

    run: RunResult
    name: str
    badge: Badge
    sentences: list[str]
    others: str
    picture: Markup
    left_out: bool


def report_html(
    results: Sequence[RunResult],
    requirements: Sequence[RequirementText],
    about: About,
    drawn: Sequence[tuple[RunResult, str]],
    recorded: Collection[str],
) -> str:
    """The whole page.

    ``drawn`` are the runs shown in detail with their pictures, in the order of showing; ``recorded`` are the
    runs that have a record.
    """
    ordered = in_order(results)
    detailed = {run.run_id for run, _ in drawn}
    listed = summary_of_all(ordered, requirements)
    head = Head(
        headline(ordered, about),
        _overall(ordered, about),
        [(badge(verdict), n) for verdict, n in count(ordered).items()],
        coverage_line(summary for _, summary in listed),
    )
    return render(
        "report.html",
        about,
        head,
        link=lambda run_id: f"#{'run' if run_id in detailed else 'row'}-{run_id}",
        run_count=len(ordered),
        detailed=detailed,
        recorded=recorded,
        requirements=[
            (text, s, badge(s.verdict), margin_text(s.margin, s.margin_unit)) for text, s in listed
        ],
        states=_states(ordered),
        map_rows=_map_rows(ordered),
        families=[(family, list(runs)) for family, runs in groupby(ordered, key=lambda run: run.family)],
        broken=lambda run: [f.name for f in grave_findings(run)],
        drawn=_drawn(drawn),
    )


def _overall(results: Sequence[RunResult], about: About) -> Badge:
    """Verdict of the whole: a set that was stopped, or is empty, has not passed."""
    verdicts = [result.verdict for result in results]
    worst = worst_of(verdicts)
    if worst is Verdict.PASS and (not about.complete or Verdict.NOT_EXERCISED in verdicts):
        return badge(Verdict.INCONCLUSIVE)
    return badge(worst)


def _states(results: Iterable[RunResult]) -> list[str]:
    """States in which runs struck, in the order of the sequence, strangers after them, "" last."""
    known = {name: i for i, name in enumerate(STATE_ORDER)}
    found = {result.state for result in results}
    return sorted(found, key=lambda s: (s == "", known.get(s, len(known)), s))


def _map_rows(results: Sequence[RunResult]) -> list[tuple[str, list[MapCell | None]]]:
    states = _states(results)
    rows = []
    for family in sorted({result.family for result in results}, key=natural):
        cells: list[MapCell | None] = []
        for state in states:
            runs = [r for r in results if r.family == family and r.state == state]
            worst = worst_of(run.verdict for run in runs)
            having = [run.run_id for run in runs if run.verdict is worst]
            cells.append(MapCell(badge(worst), len(having), len(runs), having[0]) if runs else None)
        rows.append((family, cells))
    return rows


def _drawn(drawn: Sequence[tuple[RunResult, str]]) -> list[Drawn]:
    shown, used = [], 0
    for run, picture in drawn:
        used += len(picture)
        fits = used <= PICTURE_BUDGET_CHARS
        grave = grave_findings(run)
        shown.append(
            Drawn(
                run=run,
                name=name_of(run),
                badge=badge(run.verdict),
                sentences=[finding_text(finding) for finding in grave],
                others=_others(run, grave),
                picture=Markup(
                    picture if fits else ""
                ),  # our own SVG; its texts were escaped when it was drawn
                left_out=bool(picture) and not fits,
            )
        )
    return shown


def _others(run: RunResult, grave: Sequence[Finding]) -> str:
    """The findings that were no trouble, in one line."""
    calm = [f for f in (*run.expectations, *run.requirements) if f not in grave]
    return "; ".join(
        f"{f.name} {f.verdict.value}"
        + (
            f" ({f.triggers} x"
            + (f", {margin_text(f.margin, f.margin_unit)})" if f.margin is not None else ")")
        )
        for f in calm
        if f.verdict is Verdict.PASS
    )
