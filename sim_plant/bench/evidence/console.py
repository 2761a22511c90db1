"""The verdicts on a terminal, or in a pipe, where they must be plain and whole."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from rich.console import Console
from rich.table import Table
from rich.text import Text

from sim_plant.bench.evidence.summary import (
    RequirementText,
    grave_findings,
    in_order,
    margin_text,
    summary_of_all,
    time_text,
)
from sim_plant.bench.verdicts import RunResult, Verdict

_STYLES = {Verdict.FAIL: "bold red", Verdict.INCONCLUSIVE: "yellow", Verdict.NOT_EXERCISED: "dim"}
_PIPE_WIDTH = 1000  # columns; wide enough that no cell is folded, so that a line can be searched


def plain_console(file: TextIO | None = None) -> Console:
    """A console that in a pipe or file neither colours, folds nor cuts."""
    stream = sys.stdout if file is None else file
    width = None if stream.isatty() else _PIPE_WIDTH
    return Console(file=stream, width=width, highlight=False, soft_wrap=False)


def verdict_table(results: Sequence[RunResult], requirements: Sequence[RequirementText]) -> Table:
    """One row for each requirement: verdict, how often it was put to the test, worst margin, where, words."""
    table = plain_table("Id", "Verdict", "Times", "Worst margin")
    table.add_column("Run, time, unit", overflow="fold")
    table.add_column("Requirement", overflow="fold")
    for text, summary in summary_of_all(results, requirements):
        where = (
            f"{summary.run_id}, {time_text(summary.at_ms)}, {_unit(summary.unit)}" if summary.run_id else "-"
        )
        table.add_row(
            text.id,
            _word(summary.verdict),
            str(summary.triggers),
            margin_text(summary.margin, summary.margin_unit),
            where,
            Text(text.statement),
        )
    return table


def case_table(results: Sequence[RunResult], only_open: bool = False) -> Table:
    """One row for each run: its name, verdict and what failed; ``only_open`` leaves the passing ones out."""
    table = plain_table("Run", "Verdict")
    for name in ("Case", "State", "Variant", "Unit", "Failed or open"):
        table.add_column(name, overflow="fold")
    for result in in_order(results):
        if only_open and result.verdict is Verdict.PASS:
            continue
        broken = result.error or "; ".join(finding.name for finding in grave_findings(result)) or "-"
        cells = (result.case, result.state or "-", result.variant or "-", _unit(result.unit), broken)
        table.add_row(Text(result.run_id), _word(result.verdict), *(Text(cell) for cell in cells))
    return table


def shrunk_lines(results: Sequence[RunResult], folder: Path) -> list[str]:
    """One line for each run that was shrunk: the file in the evidence ``folder``, and where it fails."""
    return [
        f"shrunk: {folder / r.shrunk if r.shrunk else r.run_id}: {r.shrunk_words}"
        for r in in_order(results)
        if r.shrunk_words
    ]


def plain_table(*whole: str) -> Table:
    """A table without lines; the columns named here are never folded or cut."""
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for name in whole:
        table.add_column(name, no_wrap=True, overflow="ignore", min_width=len(name))
    return table


def _word(verdict: Verdict) -> Text:
    return Text(
        verdict.value.upper() if verdict is Verdict.FAIL else verdict.value, style=_STYLES.get(verdict, "")
    )


def _unit(unit: int) -> str:
    return f"unit {unit}" if unit else "bank"
