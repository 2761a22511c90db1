"""``skidproof study``: which timers suit this feed water."""

from __future__ import annotations

import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from controller.files import InputError
from sim_plant.bench.campaign.hands import HandsLostError, hands_for
from sim_plant.bench.campaign.work import Hands, hand_out_to
from sim_plant.bench.evidence.console import plain_console, plain_table
from sim_plant.bench.prove import Job, about_proof
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.commands.common import (
    BAD_INPUT,
    CAUTION,
    CORES,
    FAILED,
    NOT_REACHED,
    PROVEN,
    STOPPED,
    JobsOption,
    SeedOption,
    SiteArgument,
    progress_columns,
    unused,
)
from sim_plant.site import demo_folder, load_site
from sim_plant.study.analysis import StudyFile, read_study
from sim_plant.study.flushes import flushes
from sim_plant.study.hall import check_hall, hall_lines, hall_of, seasons_of, write_hall
from sim_plant.study.papers import (
    PAGE_FILE,
    SITE_FOLDER,
    SWEEP_FILE,
    Study,
    coverage,
    outcome,
    study_html,
    write_sweep,
)
from sim_plant.study.points import Figures, Order, Point, order_of, points_of, work
from sim_plant.study.proposal import choose, propose, write_site
from sim_plant.study.scaling import most_concentrated


def study(
    site: SiteArgument = None,
    out: Annotated[
        Path | None, typer.Option(help="New folder for the papers; by default evidence/SITE-study-TIME here.")
    ] = None,
    balance_with: Annotated[
        str | None,
        typer.Option(
            metavar="ION", help="Make up a difference of charges with this ion, as sodium or chloride."
        ),
    ] = None,
    set_: Annotated[
        list[str] | None, typer.Option("--set", help="setpoint=number, in place of the site's; several.")
    ] = None,
    seed: SeedOption = None,
    jobs: JobsOption = CORES,
) -> None:
    """Try purges and restrictors on the plant model with the water of study.toml, and propose setpoints.

    Writes sweep.csv, report.html and, when some choice holds every limit, a folder site that prove takes;
    with tables headers, demand and season in study.toml also headers.csv, buffer.csv and season.csv: pipes,
    tank and availability of the bank.
    Exit code 1 when none does, 2 when the analysis does not hold together.
    """
    errors = Console(stderr=True, highlight=False, emoji=False)
    started = datetime.now(UTC)
    try:
        loaded = load_site(site or demo_folder(), set_ or ())
        file, analysis = read_study(loaded.folder, balance_with)
        check_hall(file, loaded.file.plant, loaded.setpoints)
        folder = _new_folder(out, loaded.name, started)
    except (InputError, OSError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    errors.print(CAUTION, style="dim")
    for note in analysis.notes:
        errors.print(f"note: {note}", soft_wrap=True, markup=False)
    chosen_seed = loaded.file.site.seed if seed is None else seed
    plant, setpoints = loaded.file.plant, loaded.setpoints
    order = order_of(plant, setpoints, loaded.units, analysis, file.limits, chosen_seed)
    try:
        with closing(hands_for(jobs, None)) as hands:
            figures = _carry_out(order, points_of(file.sweep, analysis), hands, errors)
    except HandsLostError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(NOT_REACHED) from error
    except KeyboardInterrupt as error:
        errors.print("skidproof: stopped; nothing was written")
        raise typer.Exit(STOPPED) from error
    found = _propose(order, figures, file, errors)
    job = Job(loaded, OUR_FIRMWARE, chosen_seed, folder)
    try:
        _write(found, order, job, started)
    except InputError as error:  # what was written is kept, so that it can be looked at
        errors.print(f"skidproof: the proposal contradicts itself: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(FAILED) from error
    _tell(found, folder)
    raise typer.Exit(PROVEN if found.proposal else FAILED)


def _new_folder(out: Path | None, name: str, started: datetime) -> Path:
    folder = unused(out or Path("evidence") / f"{name}-study-{started:%Y%m%dT%H%M%SZ}")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _carry_out(order: Order, points: list[Point], hands: Hands, errors: Console) -> list[Figures]:
    """The figures of all points, in the order of the points."""

    def lost(point: Point) -> Figures:
        raise HandsLostError(f"the worker was lost three times at {point}")

    came: dict[Point, Figures] = {}
    with Progress(*progress_columns(), console=errors) as progress:
        task = progress.add_task("points", total=len(points))
        for figures in hand_out_to(work, lost, order, points, lambda _point: (0, ""), hands):
            came[figures.point] = figures
            progress.advance(task)
    return [came[point] for point in points]


def _propose(order: Order, figures: list[Figures], file: StudyFile, errors: Console) -> Study:
    held = most_concentrated(order.analysis, order.limits)
    chosen = choose(figures)
    made = [flushes(order, f.point) for f in chosen]
    proposal = propose(order, chosen, made, held) if chosen else None
    with Progress(*progress_columns(), console=errors) as bar:
        seasons = seasons_of(file, chosen)
        task = bar.add_task("seasons", total=seasons, visible=seasons > 0)
        hall = hall_of(file, order, chosen, lambda: bar.advance(task))
    return Study(order.analysis, order.limits, figures, held, proposal, hall)


def _write(found: Study, order: Order, job: Job, started: datetime) -> None:
    write_sweep(found.figures, job.folder / SWEEP_FILE)
    write_hall(found.hall, job.folder)
    about = about_proof(job, started, ["skidproof", *sys.argv[1:]], True, len(found.figures))
    (job.folder / PAGE_FILE).write_text(study_html(found, about), encoding="utf-8")
    if found.proposal is not None:
        write_site(job.site, order, found.proposal, job.folder / SITE_FOLDER)
        load_site(job.folder / SITE_FOLDER)


def _tell(found: Study, folder: Path) -> None:
    console = plain_console()
    if found.proposal is not None:
        table = plain_table("Setpoint", "Proposed", "Now")
        table.add_column("Reason", overflow="fold")
        table.add_column("Margin", overflow="fold")
        for row in found.proposal.setpoints:
            table.add_row(row.name, f"{row.value:g}", f"{row.before:g}", row.reason, row.margin)
        console.print(table)
        for note in found.proposal.notes:
            console.print(f"note: {note}", soft_wrap=True, markup=False)
    for text in hall_lines(found.hall):
        console.print(text, soft_wrap=True, markup=False)
    console.print(coverage(found), soft_wrap=True, markup=False)
    console.print(f"{outcome(found)}.", soft_wrap=True, markup=False)
    console.print(
        f"page: {folder / PAGE_FILE}, all points: {folder / SWEEP_FILE}", soft_wrap=True, markup=False
    )
    if found.proposal is not None:
        console.print(f"prove it: skidproof prove {folder / SITE_FOLDER}", soft_wrap=True, markup=False)
