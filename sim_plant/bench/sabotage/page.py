"""The report of a sabotage for people; ``evidence/sabotage.html`` says how it looks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sim_plant.bench.evidence import About, RequirementText
from sim_plant.bench.evidence.frame import Badge, Head, badge, render
from sim_plant.bench.sabotage.book import Book
from sim_plant.bench.sabotage.figures import Figures
from sim_plant.bench.sabotage.outcome import Outcome
from sim_plant.bench.sabotage.plan import KINDS
from sim_plant.bench.sabotage.summary import outcome
from sim_plant.bench.verdicts import Verdict

_BADGES = {
    Outcome.CAUGHT: Badge("caught", "C", "pass"),
    Outcome.SURVIVED: Badge("survived", "S", "fail"),
    Outcome.EXPLAINED: Badge("explained", "E", "inconclusive"),
    Outcome.UNSEEN: Badge("nothing to see", "n", "not-exercised"),
    Outcome.UNTRIED: Badge("not tried", "-", "not-exercised"),
}


class Row(NamedTuple):
    """A requirement with the changes that it caught, and those that it alone caught in their run."""

    text: RequirementText
    caught: int
    alone: int


def sabotage_html(figures: Figures, requirements: Sequence[RequirementText], about: About, book: Book) -> str:
    """The whole page."""
    head = Head(
        outcome(figures),
        _overall(figures),
        [(_BADGES[one], figures.counts[one]) for one in Outcome],
        _coverage(figures, book),
    )
    texts = {text.id: text for text in requirements}
    rows = [Row(texts[name], *counts) for name, counts in figures.caught_by.items()]
    return render(
        "sabotage.html",
        about,
        head,
        figures=figures,
        kinds=KINDS,
        outcomes=list(Outcome),
        by_kind=figures.by_kind,
        catching=sorted((row for row in rows if row.caught), key=lambda row: -row.caught),
        idle=[row for row in rows if not row.caught],
        caught=figures.of(Outcome.CAUGHT),
        survived=figures.of(Outcome.SURVIVED),
        explained=figures.of(Outcome.EXPLAINED),
        unseen=figures.of(Outcome.UNSEEN),
        untried=figures.of(Outcome.UNTRIED),
        sources=figures.kept.sources,
    )


def _overall(figures: Figures) -> Badge:
    if figures.counts[Outcome.SURVIVED] or figures.idle_reasons:
        return badge(Verdict.FAIL)
    return badge(Verdict.PASS if figures.held and figures.carried_out else Verdict.INCONCLUSIVE)


def _coverage(figures: Figures, book: Book) -> str:
    catching = len(figures.caught_by) - len(figures.never_caught)
    untried = figures.counts[Outcome.UNTRIED]
    return (
        f"{catching} of {len(figures.caught_by)} requirements caught a change; {untried} "
        f"changes were not tried, as none of {len(book.runs)} runs touches their entry."
    )
