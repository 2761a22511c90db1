"""The report for people and the days for programs; ``upkeep.html`` says how the page looks."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple, TextIO

from sim_plant.bench.evidence import CAUTIONS
from sim_plant.bench.evidence.frame import Badge, pages
from sim_plant.upkeep.days import Day
from sim_plant.upkeep.findings import Findings
from sim_plant.upkeep.normal import driving_bar
from sim_plant.upkeep.picture import draw_unit
from sim_plant.upkeep.rows import has_loss
from sim_plant.upkeep.table import Law
from sim_plant.upkeep.triggers import RECENT_DAYS, State

BADGES = {
    State.REACHED: Badge("reached", "R", "fail"),
    State.WARN: Badge("warning reached", "W", "inconclusive"),
    State.OPEN: Badge("cannot be told", "?", "inconclusive"),
    State.UNJUDGED: Badge("not judged", "-", "not-exercised"),
    State.CLEAR: Badge("not reached", "n", "pass"),
}


class _Row(NamedTuple):
    where: str
    what: str
    rows: int
    line: object


def report_html(findings: Findings, command: str, version: str) -> str:
    """The whole page."""
    table = findings.table
    assert table.baseline is not None  # else the days would have refused
    with_loss = has_loss(table)
    return (
        pages(Path(__file__).parent)
        .get_template("upkeep.html")
        .render(
            f=findings,
            overall=overall(findings),
            badges=BADGES,
            cautions=CAUTIONS,
            footer=re.sub(r"[^\w .,:-]", " ", f"{table.title}, {findings.first_day} to {findings.last_day}"),
            recent=RECENT_DAYS,
            pictures=[(one.unit, draw_unit(one, table.baseline, with_loss)) for one in findings.days],
            rows=list(_rows(findings)),
            standards=[
                (one.unit, one.standard, driving_bar(one.standard, table.water.osmotic_ratio_to_nacl))
                for one in findings.days
            ],
            facts=_facts(findings, command, version),
        )
    )


def overall(findings: Findings) -> Badge:
    """The gravest state of all items."""
    return BADGES[min((item.state for item in findings.items), key=list(State).index)]


def _rows(findings: Findings) -> Iterator[_Row]:
    """Counts that add up to the rows of the file, once for each unit."""
    log = findings.log
    yield _Row("file", "all rows", log.rows_in_file, "")
    for reason, n in log.left_out.of.items():
        yield _Row("file", f"left out: {reason}", n, log.left_out.first_line[reason])
    for one in findings.rows:
        yield _Row(f"unit {one.unit}", "rows that count", int(one.settled.sum()), "")
        for reason, n in sorted(one.counts.of.items(), key=lambda pair: -pair[1]):
            yield _Row(f"unit {one.unit}", reason, n, one.counts.first_line[reason])


def _facts(findings: Findings, command: str, version: str) -> list[tuple[str, str]]:
    water, law = findings.table.water, findings.table.law
    return [
        ("Permeate flow with temperature", _flow_law(law)),
        ("Salt passage with temperature", f"{law.salt_pct_per_degc:g} % for each degree"),
        (
            "Pressure loss",
            f"mean flow to the power {law.loss_exponent:g}, viscosity to {2 - law.loss_exponent:g}",
        ),
        ("Feed", f"{water.feed_mgl_per_us:g} mg/L for each uS/cm"),
        ("Permeate", f"{water.permeate_mgl_per_us:g} mg/L for each uS/cm"),
        (
            "Osmotic pressure",
            f"that of sodium chloride (D4516's estimate) times {water.osmotic_ratio_to_nacl:g}",
        ),
        ("Log", f"{findings.log.name}, SHA-256 {findings.log.sha256}"),
        ("Command", command),
        ("Program", f"skidproof {version}"),
    ]


def _flow_law(law: Law) -> str:
    if law.flow_pct_per_degc is None:
        return "exp(2640 K (1/298.15 K - 1/T)), the activation law of elements' makers, from memory"
    return f"{law.flow_pct_per_degc:g} % for each degree"


def write_days(days: Sequence[Day], file: TextIO) -> None:
    """The days as CSV: one line for each day and unit; a value that is not known is empty."""
    out = csv.writer(file, lineterminator="\n")
    out.writerow(Day._fields)
    for day in days:
        out.writerow([_cell(value) for value in day])


def _cell(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)
