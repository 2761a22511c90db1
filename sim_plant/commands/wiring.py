"""``skidproof wiring``: the point list of a site, and what one round of requests comes to."""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Iterator
from typing import Annotated, NamedTuple

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from controller.files import InputError
from controller.wiring import Asker, Wiring, load_wiring
from controller.wiring.listing import PointRow, RequestRow, point_rows, request_rows, summary_lines
from sim_plant.bench.evidence.console import plain_console, plain_table
from sim_plant.commands.common import BAD_INPUT, SiteArgument
from sim_plant.site import Site, demo_folder, load_site

_PROOFS = ("feed_valve_shut", "flush_valve_shut")


def wiring(
    site: SiteArgument = None,
    csv_: Annotated[bool, typer.Option("--csv", help="The point list as CSV, and nothing else.")] = False,
    asks: Annotated[
        Asker,
        typer.Option(
            help="Who sends the requests: a controller (our firmware, or a PLC that polls the plant), "
            "or the bench, in front of a PLC that is a server."
        ),
    ] = Asker.CONTROLLER,
) -> None:
    """Check wiring.toml, print where every signal lives on Modbus and which request carries it.

    Remarks go to stderr. Exit code 2 and one line when the wiring is at fault.
    """
    errors = Console(stderr=True, highlight=False, emoji=False)
    try:
        loaded = load_site(site or demo_folder())
        found = load_wiring(loaded.folder, loaded.units, asks)
    except InputError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    for note in (*found.notes, *_proofs_missing(found, loaded)):
        errors.print(f"note: {note}", soft_wrap=True, markup=False)
    if csv_:
        _write_csv(point_rows(found))
    else:
        _print(found)


def _proofs_missing(found: Wiring, site: Site) -> Iterator[str]:
    """What the firmware is told to rely on and has no wire for."""
    missing = [name for name in found.left_out if name.endswith(_PROOFS)]
    if site.setpoints.position_proofs and missing:
        yield f"{missing[0]}: not wired, and position_proofs is true, so the valve never counts as shut"


def _write_csv(rows: Iterable[PointRow]) -> None:
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(PointRow._fields)
    out.writerows(rows)


def _print(found: Wiring) -> None:
    console = plain_console()
    console.print(_table(PointRow._fields, point_rows(found)))
    console.print()
    console.print(_table(RequestRow._fields, request_rows(found)))
    console.print()
    for line in summary_lines(found):
        console.print(line, markup=False, soft_wrap=True)


def _table(fields: Iterable[str], rows: Iterable[NamedTuple]) -> Table:
    table = plain_table()
    for name in fields:
        table.add_column(name.replace("_", " "), overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return table
