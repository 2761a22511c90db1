"""``skidproof upkeep``: what a log says about membranes and prefilters."""

from __future__ import annotations

import shlex
import shutil
import sys
from datetime import UTC, datetime
from importlib import resources
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table as Lines
from rich.text import Text

from controller.files import InputError
from sim_plant.bench.evidence.console import plain_console, plain_table
from sim_plant.commands.common import BAD_INPUT, CAUTION, FAILED, PROVEN, unused
from sim_plant.upkeep.findings import Findings, look_into
from sim_plant.upkeep.logfile import MENDS
from sim_plant.upkeep.page import report_html, write_days
from sim_plant.upkeep.trend import Interval
from sim_plant.upkeep.triggers import State

LOG, TABLE = "log.csv", "upkeep.toml"
_STYLES = {State.REACHED: "bold red", State.WARN: "yellow", State.OPEN: "yellow", State.UNJUDGED: "dim"}


def upkeep(
    log: Annotated[
        Path | None,
        typer.Argument(help="Log, CSV or Parquet; the invented log of the bundled nursery when left out."),
    ] = None,
    table: Annotated[
        Path | None, typer.Option(help=f"What is in the log: {TABLE} beside it when left out.")
    ] = None,
    mend: Annotated[
        list[str] | None,
        typer.Option(help=f"Correct, and say so: {', '.join(MENDS)}; several."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the report, new or empty; by default evidence/LOG-upkeep-TIME here."),
    ] = None,
    csv_: Annotated[
        bool,
        typer.Option(
            "--csv", help="The days as CSV to standard output and nothing else; a report only with --out."
        ),
    ] = False,
    example: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER", help="Write the nursery's log and table there, to try and to copy; stop."
        ),
    ] = None,
) -> None:
    """Normalise logged data after ASTM D4516 and hold it against the usual maintenance triggers.

    The table says which column is what, in which unit, and which days are the baseline; docs/upkeep.md has a
    worked example. Nothing is guessed: what cannot be read is refused or counted. Exit code 0: all was judged
    and no trigger is reached; 1: one is, or something could not be judged; 2: the input is at fault.
    """
    errors = Console(stderr=True, highlight=False, emoji=False)
    try:
        if example is not None:
            _write_example(example)
            raise typer.Exit(PROVEN)
        log = log or _bundled() / LOG
        findings = look_into(log, _table(log, table), _mends(mend))
        folder = _folder(out, log, csv_)
        if folder is not None:
            _write(findings, folder)
    except (InputError, OSError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    if csv_:
        write_days([day for one in findings.days for day in one.days], sys.stdout)
        for doubt in findings.doubts:
            errors.print(f"note: {doubt}", soft_wrap=True, markup=False)
    else:
        errors.print(CAUTION, style="dim")
        _tell(findings)
    if folder is not None and not csv_:
        plain_console().print(f"report: {folder / 'report.html'}", soft_wrap=True, markup=False)
    raise typer.Exit(FAILED if findings.grave or findings.unclear else PROVEN)


def _bundled() -> Path:
    return Path(str(resources.files("sim_plant.demo") / "upkeep"))


def _write_example(folder: Path) -> None:
    if folder.exists():
        raise InputError(f"{folder} exists already; nothing was written")
    shutil.copytree(_bundled(), folder)
    typer.echo(f"{folder / LOG} is an invented log and {folder / TABLE} says what is in it; try")
    typer.echo(f"  skidproof upkeep {folder / LOG}")


def _table(log: Path, table: Path | None) -> Path:
    """The table that was named, or the one beside the log."""
    found = table or log.with_name(TABLE)
    if log.exists() and not found.exists():
        raise InputError(
            f"{found}: there is no such table to say what is in {log.name}; "
            "skidproof upkeep --example FOLDER writes one to copy"
        )
    return found


def _mends(given: list[str] | None) -> list[str]:
    words = [word.strip() for text in given or () for word in text.split(",") if word.strip()]
    wrong = next((word for word in words if word not in MENDS), None)
    if wrong is not None:
        raise InputError(f"--mend {wrong}: must be one of {', '.join(MENDS)}")
    return words


def _folder(out: Path | None, log: Path, csv_: bool) -> Path | None:
    if out is None and csv_:
        return None
    return unused(out or Path("evidence") / f"{log.stem}-upkeep-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")


def _write(findings: Findings, folder: Path) -> None:
    command = shlex.join(["skidproof", *sys.argv[1:]])
    page = report_html(findings, command, version("skidproof"))
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "report.html").write_text(page, encoding="utf-8")
    with (folder / "days.csv").open("w", encoding="utf-8", newline="") as file:
        write_days([day for one in findings.days for day in one.days], file)


def _tell(findings: Findings) -> None:
    console = plain_console()
    console.print(_items(findings))
    console.print()
    for doubt in findings.doubts:
        console.print(f"note: {doubt}", markup=False, soft_wrap=True)
    for one in findings.advice:
        console.print(f"{_where(one.unit)}: {one.seen}", markup=False, soft_wrap=True)
        console.print(f"  may mean: {one.may_mean}", markup=False, soft_wrap=True)
        console.print(f"  look at: {one.look_at}", markup=False, soft_wrap=True)
        console.print(f"  who: {one.who}", markup=False, soft_wrap=True)
    console.print(f"{findings.headline}.", markup=False, soft_wrap=True)


def _items(findings: Findings) -> Lines:
    lines = plain_table("Where", "State")
    for name in ("What", "Baseline", "Now", "Change, %", "In 30 days, %", "Trigger"):
        lines.add_column(name, overflow="fold")
    for item in findings.items:
        what = f"{item.what} ({item.why})" if item.why else item.what
        state = Text(item.state.value, style=_STYLES.get(item.state, ""))
        cells = (
            what,
            item.measure,
            item.now,
            _interval(item.change),
            _interval(item.per_month),
            item.trigger,
        )
        lines.add_row(_where(item.unit), state, *(Text(cell) for cell in cells))
    return lines


def _where(unit: int) -> str:
    return f"unit {unit}" if unit else "bank"


def _interval(interval: Interval | None) -> str:
    if interval is None:
        return "-"
    known = "" if interval.lo == interval.hi else f" ({interval.lo:+.1f} to {interval.hi:+.1f})"
    return f"{interval.value:+.1f}{known}"
