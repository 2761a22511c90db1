"""What a sabotage leaves beside its file, written anew each time from it.

report.html    for people; self-contained, prints on A4
sabotage.csv   one row for each change: outcome, what caught it, where and when, or why nothing did
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from sim_plant.bench.evidence import About, RequirementText
from sim_plant.bench.sabotage.book import Book
from sim_plant.bench.sabotage.figures import Figures
from sim_plant.bench.sabotage.outcome import Judged
from sim_plant.bench.sabotage.page import sabotage_html

COLUMNS = (
    "change", "kind", "text", "outcome", "caught_by", "run", "source", "at_s", "detail", "runs_tried",
    "runs_touching", "differs", "reason",
)  # fmt: skip


def write_papers(
    folder: Path, figures: Figures, about: About, requirements: Sequence[RequirementText], book: Book
) -> None:
    """Write both into ``folder``."""
    with (folder / "sabotage.csv").open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(COLUMNS)
        writer.writerows(_row(one, figures) for one in figures.judged)
    page = sabotage_html(figures, requirements, about, book)
    (folder / "report.html").write_text(page, encoding="utf-8")


def _row(one: Judged, figures: Figures) -> tuple[object, ...]:
    c, change = one.catcher, one.change
    caught = ("; ".join(c.broken), c.run, figures.kept.sources.get(c.run, ""), c.at_s, c.detail) if c else ()
    return (
        change.id,
        change.kind,
        change.text,
        one.outcome.value,
        *(caught or ("", "", "", "", "")),
        len(one.trials),
        one.touching,
        "" if c else one.differs,
        one.why,
    )
