"""What a campaign leaves beside its file: a table, XML for build servers, a case file for each failure."""

from __future__ import annotations

import csv
import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

from sim_plant.bench.campaign.cells import Cell
from sim_plant.bench.campaign.figures import Figures, runs_of
from sim_plant.bench.evidence import About
from sim_plant.bench.evidence.exports import verdicts_xml

CASES_MAX = 200
"""So many failing cells become case files; the rest would only hide them. All are in the table."""


def write_papers(folder: Path, file: Path, figures: Figures, cells: Mapping[str, Cell], about: About) -> None:
    """Write campaign.csv, verdicts.xml and ``cases``, anew each time, from the campaign's file."""
    _write_table(file, folder / "campaign.csv")
    (folder / "verdicts.xml").write_text(verdicts_xml(runs_of(file), about), encoding="utf-8")
    for failure in figures.failures[:CASES_MAX]:
        cell = cells[failure.key]
        (folder / "cases").mkdir(exist_ok=True)
        for_s = float(figures.identity["seconds after the strike"])
        text = case_toml(cell.case(for_s, failure.broken))
        (folder / "cases" / f"{cell.run_id}.case.toml").write_text(text, encoding="utf-8")


def _write_table(file: Path, path: Path) -> None:
    """All cells, one a line, with the requirements that they broke."""
    query = """SELECT c.*, (SELECT GROUP_CONCAT(requirement, ' ') FROM finding f
        WHERE f.key = c.key AND f.verdict IN ('fail', 'inconclusive')) AS broken FROM cell c ORDER BY c.key"""
    with closing(sqlite3.connect(file)) as db, path.open("w", encoding="utf-8", newline="") as out:
        rows = db.execute(query)
        writer = csv.writer(out)
        writer.writerow([column[0] for column in rows.description])
        writer.writerows(rows)


def case_toml(case: Mapping[str, Any]) -> str:
    """A case as plain data, written as a case file."""
    heads = [f"{key} = {_value(value)}" for key, value in case.items() if not _is_table(value)]
    tables = [f"[{key}]\n" + _lines(value) for key, value in case.items() if isinstance(value, Mapping)]
    steps = ["[[step]]\n" + _lines(step) for step in case["step"]]
    return "\n\n".join(["\n".join(heads), tables[0], *steps, *tables[1:]]) + "\n"


def _is_table(value: Any) -> bool:
    return isinstance(value, Mapping) or (isinstance(value, list) and any(map(_is_table, value)))


def _lines(table: Mapping[str, Any]) -> str:
    return "\n".join(f"{key} = {_value(value)}" for key, value in table.items())


def _value(value: Any) -> str:
    """As TOML writes it; a JSON string is a TOML string, too."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    return json.dumps(value)
