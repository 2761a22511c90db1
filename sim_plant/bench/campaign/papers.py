"""What a campaign leaves beside its file, written anew each time from the file.

report.html            for people; self-contained, prints on A4
campaign.csv           one row for each cell
cells.parquet          the same with types; findings.parquet the requirements put to the test in each cell
verdicts.xml           for build servers
cases/CELL.case.toml   each failing cell as a case, up to a limit
shrunk/CELL.case.toml  the smallest case that fails like that cell, where it was looked for
"""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from sim_plant.bench.campaign.cells import Cell
from sim_plant.bench.campaign.closer import Look
from sim_plant.bench.campaign.figures import Figures, runs_of
from sim_plant.bench.campaign.page import LISTED_MAX, campaign_html
from sim_plant.bench.case_text import case_toml
from sim_plant.bench.cases import Run
from sim_plant.bench.evidence import About, RequirementText
from sim_plant.bench.evidence.exports import verdicts_xml

_CELLS = """SELECT c.*, (SELECT GROUP_CONCAT(requirement, ' ') FROM finding f
    WHERE f.key = c.key AND f.verdict IN ('fail', 'inconclusive')) AS broken FROM cell c ORDER BY c.key"""
_FINDINGS = "SELECT * FROM finding ORDER BY key, requirement"


def write_papers(
    folder: Path,
    file: Path,
    figures: Figures,
    cells: Mapping[str, Cell],
    about: About,
    requirements: Sequence[RequirementText],
    looks: Sequence[Look],
    cases: Sequence[Run],
) -> None:
    """Write all of them into ``folder``. ``looks`` are the failing cells that were seen again, ``cases`` the
    site's runs, for what faults do not put to the test.
    """
    with closing(sqlite3.connect(file)) as db:
        _write_table(db, folder / "campaign.csv")
        _write_parquet(db, _CELLS, folder / "cells.parquet")
        _write_parquet(db, _FINDINGS, folder / "findings.parquet")
    (folder / "verdicts.xml").write_text(verdicts_xml(runs_of(file), about), encoding="utf-8")
    for_s = float(figures.identity["seconds after the strike"])
    for failure in figures.failures[:LISTED_MAX]:
        cell = cells[failure.key]
        _write_case(folder / "cases", cell, case_toml(cell.case(for_s, failure.broken)))
    for look in looks:
        if look.shrunk:
            _write_case(folder / "shrunk", look.cell, look.shrunk)
    page = campaign_html(figures, requirements, about, looks, cases)
    (folder / "report.html").write_text(page, encoding="utf-8")


def _write_case(folder: Path, cell: Cell, text: str) -> None:
    folder.mkdir(exist_ok=True)
    (folder / f"{cell.run_id}.case.toml").write_text(text, encoding="utf-8")


def _write_table(db: sqlite3.Connection, path: Path) -> None:
    """All cells, one a line, with the requirements that they broke."""
    with path.open("w", encoding="utf-8", newline="") as out:
        rows = db.execute(_CELLS)
        writer = csv.writer(out)
        writer.writerow([column[0] for column in rows.description])
        writer.writerows(rows)


def _write_parquet(db: sqlite3.Connection, query: str, path: Path) -> None:
    rows = db.execute(query)
    names = [column[0] for column in rows.description]
    columns = list(zip(*rows.fetchall(), strict=True)) or [()] * len(names)
    pq.write_table(pa.table(dict(zip(names, map(list, columns), strict=True))), path, compression="zstd")
