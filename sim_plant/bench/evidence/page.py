"""The report for people: gathers what the template prints. The template decides how it looks."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from controller.settings import Setpoints
from sim_plant.bench.evidence.cautions import CAUTIONS
from sim_plant.bench.evidence.exports import finding_text
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
    time_text,
)
from sim_plant.bench.verdicts import Finding, RunResult, Verdict, worst_of

# Pictures beyond this stay beside the page and are linked, so that it opens at once anywhere (own choice)
PICTURE_BUDGET_CHARS = 5_000_000

_LETTERS = {Verdict.PASS: "P", Verdict.FAIL: "F", Verdict.INCONCLUSIVE: "I", Verdict.NOT_EXERCISED: "-"}


class Badge(NamedTuple):
    """A verdict as word, letter and style; never as a colour alone."""

    word: str
    letter: str
    css: str


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


class Setting(NamedTuple):
    """One row of the setpoint table."""

    name: str
    value: str
    default: str
    changed: bool
    meaning: str


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
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"clock": time_text, "badge": badge}
    environment.globals["link"] = lambda run_id: f"#{'run' if run_id in detailed else 'row'}-{run_id}"
    settings = _settings(about)
    return environment.get_template("report.html").render(
        about=about,
        run_count=len(ordered),
        detailed=detailed,
        recorded=recorded,
        footer=re.sub(r"[^\w .,:-]", " ", f"{about.site}, seed {about.seed}, {about.started}"),
        headline=headline(ordered, about),
        overall=_overall(ordered, about),
        counts=[(badge(verdict), n) for verdict, n in count(ordered).items()],
        coverage=coverage_line(summary for _, summary in listed),
        cautions=CAUTIONS,
        requirements=[
            (text, s, badge(s.verdict), margin_text(s.margin, s.margin_unit)) for text, s in listed
        ],
        states=_states(ordered),
        map_rows=_map_rows(ordered),
        families=[(family, list(runs)) for family, runs in groupby(ordered, key=lambda run: run.family)],
        broken=lambda run: [f.name for f in grave_findings(run)],
        drawn=_drawn(drawn),
        settings=settings,
        changed=", ".join(f"{s.name} = {s.value}" for s in settings if s.changed),
        plant=list(_flat(about.plant)),
    )


def badge(verdict: Verdict) -> Badge:
    """How a verdict is shown."""
    return Badge(verdict.value, _LETTERS[verdict], verdict.value.replace(" ", "-"))


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


def _settings(about: About) -> list[Setting]:
    rows = []
    for name, value in about.settings.items():
        default = about.defaults.get(name)
        field = Setpoints.model_fields.get(name)
        rows.append(
            Setting(
                name=name,
                value=f"{value:g}",
                default="-" if default is None else f"{default:g}",
                changed=default is None or value != default,
                meaning=(field.description or "") if field else "",
            )
        )
    return rows


def _flat(values: Mapping[str, object], before: str = "") -> Iterable[tuple[str, str]]:
    for key, value in values.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{before}{key}.")
        else:
            yield f"{before}{key}", _plain_value(value)


def _plain_value(value: object) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return ", ".join(_plain_value(item) for item in value)
    return str(value)
