"""Papers as pages that print on A4, and lists as CSV."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from sim_plant.bench.evidence.cautions import CAUTIONS
from sim_plant.bench.evidence.frame import pages
from sim_plant.papers.book import Book
from sim_plant.papers.form import Cell, Content, Paper, Table, text_of

# what a spreadsheet takes for a formula when it opens a list
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")


def write_papers(folder: Path, book: Book, papers: list[Paper]) -> list[Path]:
    """Write every paper and its list; the folder must exist. Returns the paths in their order."""
    written = []
    for place, paper in enumerate(papers, start=1):
        stem = f"{place:02d}-{paper.name}"
        written.append(_write(folder / f"{stem}.html", page(book, paper)))
        if paper.csv is not None:
            written.append(_write(folder / f"{stem}.csv", csv_text(paper.csv)))
    return written


def page(book: Book, paper: Paper) -> str:
    """A paper as a page that needs nothing else."""
    environment = pages(Path(__file__).parent / "pages")
    footer = re.sub(r"[^\w .,:-]", " ", f"{book.site.name}, {paper.title}")
    title = book.site.file.site.title
    return environment.get_template("paper.html").render(
        book=book, paper=paper, title=title, cautions=CAUTIONS, footer=footer, cell=_cell
    )


def csv_text(table: Table) -> str:
    """The rows as CSV; a cell that would be a formula in a spreadsheet gets an apostrophe before it."""
    out = io.StringIO()
    lines = csv.writer(out, lineterminator="\n")
    lines.writerow(table.head)
    lines.writerows([_guarded(text_of(content)) for content in row] for row in table.rows)
    return out.getvalue()


def _guarded(text: str) -> str:
    formula = text.lstrip().startswith(_FORMULA[:4]) or text.startswith(_FORMULA)
    return f"'{text}" if formula and not _NUMBER.fullmatch(text) else text


def _cell(content: Content) -> Cell:
    return content if isinstance(content, Cell) else Cell(content)


def _write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8", newline="\n")
    return path
