"""The ``skidproof`` command.

Exit codes of ``prove``: 0 all that was tried is proven, 1 something failed, 2 the input is at fault, 3 the
target could not be reached, 4 stopped by the user. Evidence so far is kept in every case; so it is with
``campaign``, where 3 says that a cluster could not be reached. ``control`` has
those of ``python -m controller``: 0 stopped by a signal or by --for, 1 a crash, 2 the input is at fault.
"""

from __future__ import annotations

import shutil
import sys
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from controller.files import InputError
from sim_plant.bench.cases import CASE_ENDING, Run, load_case_files, load_cases, unique
from sim_plant.bench.evidence import About, EvidenceFolder, RequirementText, headline
from sim_plant.bench.evidence.console import case_table, plain_console, shrunk_lines, verdict_table
from sim_plant.bench.prove import Job, about_proof, carry_out, requirement_texts
from sim_plant.bench.targets import OUR_FIRMWARE, try_factory
from sim_plant.bench.verdicts import RunResult, Verdict
from sim_plant.commands.campaign import campaign
from sim_plant.commands.common import (
    BAD_INPUT,
    CAUTION,
    CORES,
    FAILED,
    PROVEN,
    STOPPED,
    ControllerOption,
    JobsOption,
    SeedOption,
    SiteArgument,
)
from sim_plant.commands.plant import plant
from sim_plant.commands.wiring import wiring
from sim_plant.site import Site, demo_folder, load_site

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


@app.command(epilog="Example: skidproof prove my_site --set purge_s=15 --out evidence/first-try")
def prove(
    site: SiteArgument = None,
    out: Annotated[
        Path | None, typer.Option(help="Evidence folder, new or empty; by default evidence/SITE-TIME here.")
    ] = None,
    case: Annotated[
        list[str] | None,
        typer.Option(
            help="Only case files whose name contains this, or a case file from anywhere by its path, as "
            "evidence/x/shrunk/y.case.toml; may be repeated."
        ),
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="setpoint=number, in place of the site's; may be repeated."),
    ] = None,
    controller: ControllerOption = OUR_FIRMWARE,
    seed: SeedOption = None,
    jobs: JobsOption = CORES,
    shrink: Annotated[
        bool,
        typer.Option(
            "--shrink",
            help="Look for the smallest case that fails like each failed run; up to 60 further runs each.",
        ),
    ] = False,
) -> None:
    """Run the site's cases against a controller, print verdicts, write the evidence folder."""
    started = datetime.now(UTC)
    errors = Console(stderr=True, highlight=False)
    try:
        loaded = load_site(site or demo_folder(), set_ or ())
        runs = _chosen(loaded, case or [])
        try_factory(controller, loaded.units, loaded.setpoints)
        folder = EvidenceFolder(out or Path("evidence") / f"{loaded.name}-{started:%Y%m%dT%H%M%SZ}")
    except (InputError, FileExistsError, OSError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    errors.print(CAUTION, style="dim")
    chosen_seed = loaded.file.site.seed if seed is None else seed
    job = Job(loaded, controller, chosen_seed, folder.path.resolve(), shrink)
    results, complete = _run_all(job, runs, jobs, folder, errors)
    about = about_proof(job, started, ["skidproof", *sys.argv[1:]], complete, len(runs))
    requirements = requirement_texts(loaded.setpoints)
    folder.close(about, requirements)
    _print(results, requirements, about, folder.path)
    if not complete:
        raise typer.Exit(STOPPED)
    raise typer.Exit(PROVEN if all(r.verdict is Verdict.PASS for r in results) else FAILED)


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

    errors = Console(stderr=True, highlight=False)
    try:
        status = status_options(status_port, status_host, accept_commands)
        options = Options(for_s, data, by, why, drive_real_outputs, wait, status)
        code = run_site(site, options, lambda: errors.print(CAUTION, style="dim"))
    except InputError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    raise typer.Exit(code)


app.command(epilog="Example: skidproof campaign my_site --line F01 --states PRODUCE --out evidence/faults")(
    campaign
)
app.command(epilog="Example: skidproof wiring my_site --csv > points.csv")(wiring)
app.command(
    epilog="Example: skidproof plant my_site, and in another terminal "
    "mbpoll -m tcp -p 1502 -a 1 -t 3 -0 -r 0 -c 12 127.0.0.1"
)(plant)


def _chosen(site: Site, wanted: list[str]) -> list[Run]:
    """The site's cases, or those wanted; a file from anywhere is meant when it is named with its ending."""
    paths = [Path(text) for text in wanted if text.endswith(CASE_ENDING) and Path(text).is_file()]
    names = [text for text in wanted if Path(text) not in paths]
    runs = load_case_files(paths, site) if paths else []
    if not names:
        return runs or load_cases(site)
    known = load_cases(site)
    chosen = [run for run in known if any(text in run.source for text in names)]
    if not chosen:
        files = ", ".join(sorted({run.source.removesuffix(CASE_ENDING) for run in known}))
        raise InputError(f"--case {' '.join(names)}: no such case; there are: {files}")
    return unique(chosen + runs)


def _run_all(
    job: Job, runs: list[Run], jobs: int, folder: EvidenceFolder, errors: Console
) -> tuple[list[RunResult], bool]:
    """Carry out all runs with a progress bar; False when a person stopped it."""
    results: list[RunResult] = []
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=errors) as progress:
        task = progress.add_task("preparing the bank", total=len(runs))
        try:
            for result in carry_out(job, runs, min(jobs, len(runs))):
                results.append(result)
                folder.add(result)
                failed = sum(r.verdict is not Verdict.PASS for r in results)
                progress.update(
                    task, advance=1, description=f"{failed} not passed" if failed else "all passed so far"
                )
        except KeyboardInterrupt:
            errors.print("stopped by the user; writing the evidence so far")
            return results, False
    return results, True


def _print(results: list[RunResult], requirements: list[RequirementText], about: About, folder: Path) -> None:
    console = plain_console()
    console.print(verdict_table(results, requirements))
    if any(result.verdict is not Verdict.PASS for result in results):
        console.print()
        console.print(case_table(results, only_open=True))
    console.print()
    console.print(headline(results, about), markup=False, style="bold")
    for line in shrunk_lines(results, folder):
        console.print(line, markup=False, soft_wrap=True)
    console.print(f"evidence: {folder}/report.html", markup=False, soft_wrap=True)


def main() -> None:
    """Entry point of the ``skidproof`` command."""
    app()


if __name__ == "__main__":
    main()
