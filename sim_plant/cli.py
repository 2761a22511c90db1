"""The ``skidproof`` command.

Exit codes of ``prove``: 0 all that was tried is proven, 1 something failed, 2 the input is at fault, 3 the
target could not be reached, 4 stopped by the user. Evidence so far is kept in every case. So it is with
``campaign``, where 3 says that a live controller or a cluster could not be reached. ``control`` has
those of ``python -m controller``: 0 stopped by a signal or by --for, 1 a crash, 2 the input is at fault.
``plant``: 0 ended by --for or SIGTERM, 2 the input is at fault or a port is taken, 4 stopped by the user.
``watch``: 0 ended by a signal, 2 the input is at fault or the port is taken. ``upkeep``: 0 all was judged and
no trigger is reached, 1 one is or something could not be judged, 2 the input is at fault.
``papers``: 0 written, 1 written but the evidence does not count or hold, 2 as above, 4 stopped by the user.
``study``: 0 proposed, 1 no choice holds every limit, 2 the input is at fault, 3 workers were lost, 4 stopped.
"""

from __future__ import annotations

import shutil
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from controller.files import InputError
from sim_plant.commands.campaign import campaign
from sim_plant.commands.common import BAD_INPUT, CAUTION, PROVEN
from sim_plant.commands.explore import explore
from sim_plant.commands.papers import papers
from sim_plant.commands.plant import plant
from sim_plant.commands.prove import prove
from sim_plant.commands.study import study
from sim_plant.commands.upkeep import upkeep
from sim_plant.commands.watch import watch
from sim_plant.commands.wiring import wiring
from sim_plant.site import demo_folder

app = typer.Typer(
    help="Prove the control logic of a bank of reverse-osmosis units before water and power reach the site.",
    epilog=CAUTION,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


@app.callback(invoke_without_command=True)
def _root(
    show_version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if show_version:
        typer.echo(f"skidproof {version('skidproof')}")
        raise typer.Exit(PROVEN)


app.command(epilog="Example: skidproof prove my_site --set purge_s=15 --out evidence/first-try")(prove)


@app.command(epilog="Example: skidproof begin my_site && skidproof prove my_site")
def begin(
    folder: Annotated[Path, typer.Argument(help="Folder to make; it must not exist yet.")],
) -> None:
    """Make a new site folder to fill in: a copy of the bundled nursery, cases and all."""
    if folder.exists():
        typer.echo(f"skidproof: {folder} exists already; nothing was written", err=True)
        raise typer.Exit(BAD_INPUT)
    try:
        shutil.copytree(demo_folder(), folder)
    except OSError as error:
        typer.echo(f"skidproof: {folder}: {error.strerror or error}", err=True)
        raise typer.Exit(BAD_INPUT) from error
    typer.echo(f"{folder}/site.toml holds an invented plant: replace every value by your own, then run")
    typer.echo(f"  skidproof prove {folder}")


@app.command(
    epilog='Example: skidproof control my_site --for 60 --by "A. Person" --why "harder water". '
    "What is written where, and the exit codes: python -m controller --help"
)
def control(
    site: Annotated[Path, typer.Argument(help="Site folder, holds site.toml.")],
    for_s: Annotated[
        float | None, typer.Option("--for", metavar="SECONDS", help="Stop after so long; else by a signal.")
    ] = None,
    data: Annotated[
        Path | None,
        typer.Option(help="Retained memory, changed setpoints and journal; SITE/data when left out."),
    ] = None,
    by: Annotated[str, typer.Option(help="Who edited setpoints in site.toml since the last start.")] = "",
    why: Annotated[str, typer.Option(help="Why they were edited.")] = "",
    drive_real_outputs: Annotated[
        bool,
        typer.Option(
            "--drive-real-outputs",
            help="wiring.toml may name other hosts and serial ports. Read the cautions.",
        ),
    ] = False,
    wait: Annotated[
        float, typer.Option(metavar="SECONDS", help="Wait so long for the devices before the first scan.")
    ] = 10.0,
    status_port: Annotated[
        int | None,
        typer.Option(metavar="PORT", help="Show status on this Modbus TCP port: docs/status-map.md."),
    ] = None,
    status_host: Annotated[
        str, typer.Option(metavar="HOST", help="Show it to this address; 127.0.0.1 when left out.")
    ] = "",
    accept_commands: Annotated[
        bool, typer.Option("--accept-commands", help="Take commands of a panel on the status port.")
    ] = False,
) -> None:
    """Run the site's firmware in real time: on the devices of its wiring.toml, or on a field in memory."""
    from controller.program import Options, run_site, status_options  # needs a Unix; other commands do not

    errors = Console(stderr=True, highlight=False, emoji=False)
    try:
        status = status_options(status_port, status_host, accept_commands)
        options = Options(for_s, data, by, why, drive_real_outputs, wait, status)
        code = run_site(site, options, lambda: errors.print(CAUTION, style="dim"))
    except InputError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    raise typer.Exit(code)


app.command(epilog="Example: skidproof explore my_site --set purge_s=15 --out evidence/explored")(explore)
app.command(
    epilog="Example: skidproof campaign my_site --line F01 --states PRODUCE --out evidence/faults; "
    "on a PLC: skidproof campaign my_site --live controller --line F01,F47 --states PRODUCE --list; "
    "skidproof campaign my_site --sabotage --sample 20 --out evidence/sabotage"
)(campaign)
app.command(epilog="Example: skidproof papers my_site --evidence evidence/first-try --date 2026-12-01")(
    papers
)
app.command(epilog="Example: skidproof study my_site --out evidence/study, then prove evidence/study/site")(
    study
)
app.command(epilog="Example: skidproof watch my_site --speed 20, then open the address that it prints")(watch)
app.command(epilog="Example: skidproof wiring my_site --csv > points.csv")(wiring)
app.command(
    epilog="Example: skidproof plant my_site, and in another terminal "
    "mbpoll -m tcp -p 1502 -a 1 -t 3 -0 -r 0 -c 12 127.0.0.1"
)(plant)
app.command(
    epilog="Example: skidproof upkeep --example try && skidproof upkeep try/log.csv --out try/report"
)(upkeep)


def main() -> None:
    """Entry point of the ``skidproof`` command."""
    app()


if __name__ == "__main__":
    main()
