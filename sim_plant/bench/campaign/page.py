"""The campaign's report for people; ``evidence/campaign.html`` says how it looks.

Its size does not grow with the number of cells: the map has one field for each line and state, pictures
have a budget, and of the failures those are listed that became case files.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from markupsafe import Markup

from controller.unit.states import STATES
from sim_plant.bench.campaign.answers import RESIDUAL
from sim_plant.bench.campaign.closer import Look
from sim_plant.bench.campaign.figures import POSSIBLE_MOVES, Failure, Figures, LineFigures, Spot
from sim_plant.bench.campaign.idle import why_idle
from sim_plant.bench.campaign.summary import NOT_COMPARED, outcome, sentences
from sim_plant.bench.cases import Run
from sim_plant.bench.evidence import About, RequirementText
from sim_plant.bench.evidence.exports import finding_text
from sim_plant.bench.evidence.frame import Badge, Head, badge, render
from sim_plant.bench.evidence.page import PICTURE_BUDGET_CHARS
from sim_plant.bench.evidence.summary import grave_findings, margin_text
from sim_plant.bench.verdicts import Verdict
from sim_plant.catalogue import CATALOGUE

LISTED_MAX = 200
"""So many failing cells are listed; all are in campaign.csv."""


class Row(NamedTuple):
    """One requirement as the page shows it; ``why_idle`` says why no cell put it to the test."""

    text: RequirementText
    badge: Badge
    cells: int
    more: int
    broken: int
    margin: str
    key: str
    why_idle: str


class Field(NamedTuple):
    """One line in one state: letter and style, and in words what they mean."""

    letter: str
    css: str
    words: str


class Drawn(NamedTuple):
    """A failing cell in detail; ``picture`` is empty when the page is full or there is none."""

    look: Look
    sentences: Sequence[str]
    picture: Markup


def campaign_html(
    figures: Figures,
    requirements: Sequence[RequirementText],
    about: About,
    looks: Sequence[Look],
    cases: Sequence[Run],
) -> str:
    """The whole page. ``looks`` are the failing cells shown in detail, in the order of showing; ``cases``
    are the site's, which put to the test what faults do not.
    """
    listed = figures.failures[:LISTED_MAX]
    head = Head(outcome(figures), _overall(figures), _counts(figures), _coverage(figures))
    return render(
        "campaign.html",
        about,
        head,
        figures=figures,
        requirements=_rows(figures, requirements, cases),
        states=[state.value for state in STATES],
        map_rows=[(line, _fields(figures, line)) for line in figures.lines],
        not_the_plants=[(name, line) for name, line in CATALOGUE.items() if not line.ways],
        residual=_residual(figures),
        not_compared=NOT_COMPARED if figures.live else "",
        unseen=[line for line in figures.unseen if not line.residual],
        sentences=list(sentences(figures)),
        possible_moves=sorted(POSSIBLE_MOVES),
        failures=listed,
        more_failures=len(figures.failures) - len(listed),
        broken_by=_broken_by(figures.failures),
        drawn=_drawn(looks),
        detailed={look.cell.key for look in looks},
        anchor=lambda key: key.replace("/", "-"),
        breakable=lambda key: Markup("/<wbr>").join(key.split("/")),
    )


def _overall(figures: Figures) -> Badge:
    """Verdict of the whole: a campaign that was stopped has not passed."""
    if figures.verdicts[Verdict.FAIL]:
        return badge(Verdict.FAIL)
    return badge(Verdict.PASS if figures.held and figures.done else Verdict.INCONCLUSIVE)


def _counts(figures: Figures) -> list[tuple[Badge, int]]:
    order = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS, Verdict.NOT_EXERCISED)
    return [(badge(verdict), figures.verdicts[verdict]) for verdict in order]


def _coverage(figures: Figures) -> str:
    tested = sum(1 for r in figures.requirements if r.cells)
    states = len(STATES) - len(figures.states_missed)
    return (
        f"{tested} of {len(figures.requirements)} requirements were put to the test; "
        f"{sum(1 for line in figures.lines if line.cells)} of {len(CATALOGUE)} lines of the fault catalogue "
        f"injected; {states} of {len(STATES)} states visited."
    )


def _rows(figures: Figures, requirements: Sequence[RequirementText], cases: Sequence[Run]) -> list[Row]:
    texts = {text.id: text for text in requirements}
    return [
        Row(
            texts[r.id],
            badge(r.verdict),
            r.cells,
            r.more,
            r.broken,
            margin_text(r.margin, r.margin_unit),
            r.key,
            "" if r.cells else why_idle(r.id, cases, figures.live),
        )
        for r in figures.requirements
    ]


def _residual(figures: Figures) -> list[tuple[str, str, int, str]]:
    """Each residual line of the catalogue: name, text, cells, what was seen of it."""
    told = {line.line: line for line in figures.lines}
    rows = []
    for name in RESIDUAL:
        line, text = told.get(name), CATALOGUE[name].text
        if line is None:
            why = "not among these cells" if CATALOGUE[name].ways else CATALOGUE[name].belongs_to
            rows.append((name, text, 0, f"not injected: {why}"))
        elif figures.live:
            rows.append((name, text, line.cells, "not looked for on a live controller"))
        elif not line.seen:
            rows.append((name, text, line.cells, "nothing, in no cell"))
        else:
            first = f", first by {line.answers[0][0]}" if line.answers else ""
            seen = f"told from no fault in {line.seen} cells{first}; do not rely on it"
            rows.append((name, text, line.cells, seen))
    return rows


def _fields(figures: Figures, line: LineFigures) -> list[Field | None]:
    spots = (figures.spots.get((line.line, state.value)) for state in STATES)
    return [None if spot is None else _field(spot, figures.live) for spot in spots]


def _field(spot: Spot, live: bool) -> Field:
    """The gravest of the cells there; what nothing told from no fault has a letter of its own."""
    if spot.failed:
        return Field("F", "fail", f"{spot.failed} of {spot.cells} failed, first {spot.key}")
    if spot.left_open:
        return Field("I", "inconclusive", f"{spot.left_open} of {spot.cells} stayed open, first {spot.key}")
    if live:
        return Field("P", "pass", f"all {spot.cells} held")
    if spot.seen:
        return Field("P", "pass", f"all {spot.cells} held, {spot.seen} told from no fault")
    return Field("n", "unseen", f"all {spot.cells} held, nothing told them from no fault")


def _broken_by(failures: Sequence[Failure]) -> list[tuple[str, int, int]]:
    """Requirements that were broken: in how many cells, by how many lines; the most frequent first."""
    cells: dict[str, list[str]] = {}
    for failure in failures:
        for name in failure.broken or ("not carried out",):
            cells.setdefault(name, []).append(failure.key.split("/")[0])
    told = [(name, len(lines), len(set(lines))) for name, lines in cells.items()]
    return sorted(told, key=lambda one: (-one[1], one[0]))


def _drawn(looks: Sequence[Look]) -> list[Drawn]:
    shown, used = [], 0
    for look in looks:
        used += len(look.picture)
        fits = used <= PICTURE_BUDGET_CHARS
        told = [finding_text(finding) for finding in grave_findings(look.result)] if look.result else []
        if look.result and look.result.error:
            told.append(f"It could not be carried out: {look.result.error}")
        # our own SVG; its texts were escaped when it was drawn
        shown.append(Drawn(look, told, Markup(look.picture if fits else "")))
    return shown
