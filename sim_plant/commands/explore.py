"""``skidproof explore``: every reachable state of a unit's logic."""

from __future__ import annotations

import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from controller.files import InputError
from controller.settings import Setpoints
from sim_plant.bench.campaign.hands import Cluster, HandsLostError, Here, SplitPool
from sim_plant.bench.evidence.console import plain_console
from sim_plant.bench.explore.liveness import Liveness, liveness
from sim_plant.bench.explore.pair_papers import pair_figures, world_line
from sim_plant.bench.explore.pair_worlds import Worlds, explore_worlds
from sim_plant.bench.explore.papers import Figures, coverage, figures_of, outcome, sorted_cycles, write_papers
from sim_plant.bench.explore.search import Bound, Hands, Level, Order, Search, search
from sim_plant.bench.prove import Job, about_proof
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.bench.verdicts import Verdict
from sim_plant.commands.common import (
    BAD_INPUT,
    CAUTION,
    CORES,
    FAILED,
    NOT_REACHED,
    PROVEN,
    STOPPED,
    JobsOption,
    SiteArgument,
    unused,
)
from sim_plant.site import demo_folder, load_site

_BOUND = Bound()


def explore(
    site: SiteArgument = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Evidence folder, new or empty; by default evidence/SITE-explore-TIME here."),
    ] = None,
    set_: Annotated[
        list[str] | None, typer.Option("--set", help="setpoint=number, in place of the site's; several.")
    ] = None,
    states: Annotated[int, typer.Option(min=1, help="Stop at so many states.")] = _BOUND.states,
    depth: Annotated[int, typer.Option(min=1, help="Stop so many scans deep.")] = _BOUND.depth,
    seconds: Annotated[float, typer.Option(min=1, help="Stop after so long.")] = _BOUND.seconds,
    jobs: JobsOption = CORES,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Explore on the workers of this dask scheduler.")
    ] = None,
    pair: Annotated[
        bool,
        typer.Option(
            "--pair", help="Two units with their coordinator: many small worlds, each bounded by itself."
        ),
    ] = False,
) -> None:
    """Visit every state that one unit's logic can reach, and ask the requirements of every scan.

    Timers are scaled to a few scans and on-delays may run out at any time: docs/exploring.md says what that
    proves and what it does not. Minutes of work. Exit code 0: closed, and nothing can be broken; 1: something
    can, and the shortest way there is written as a case file; or the search was stopped by a bound.
    """
    errors = Console(stderr=True, highlight=False)
    errors.print(CAUTION, style="dim")
    started = datetime.now(UTC)
    try:
        loaded = load_site(site or demo_folder(), set_ or ())
        folder = _new_folder(out, loaded.name, started)
        hands = Cluster(cluster) if cluster is not None else Here() if jobs == 1 else SplitPool(jobs)
    except InputError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    except HandsLostError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(NOT_REACHED) from error
    bound = Bound(states, depth, seconds)
    try:
        with closing(hands):
            if pair:
                figures = pair_figures(_look_at_pair(loaded.setpoints, hands, bound, errors))
            else:
                found, live = _look(Order(loaded.setpoints), hands, bound, errors)
                figures = figures_of(found, live, folder)
    except HandsLostError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(NOT_REACHED) from error
    except KeyboardInterrupt as error:
        errors.print("skidproof: stopped; nothing was written")
        raise typer.Exit(STOPPED) from error
    job = Job(loaded, OUR_FIRMWARE, loaded.file.site.seed, folder)
    about = about_proof(job, started, ["skidproof", *sys.argv[1:]], figures.search.closed, 1)
    write_papers(figures, about, folder)
    _tell(figures, folder)
    raise typer.Exit(PROVEN if figures.verdict is Verdict.PASS else FAILED)


def _new_folder(out: Path | None, name: str, started: datetime) -> Path:
    folder = unused(out or Path("evidence") / f"{name}-explore-{started:%Y%m%d-%H%M%S}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: {error.strerror or error}") from error
    return folder


def _look(order: Order, hands: Hands, bound: Bound, errors: Console) -> tuple[Search, Liveness | None]:
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=errors, transient=True) as bar:
        task = bar.add_task("exploring", total=1.0)

        def told(level: Level) -> None:
            words = f"depth {level.depth}: {level.states:,} states, {level.edges:,} edges"
            bar.update(task, description=words, completed=level.done)

        found = search(order, hands, bound, told)
        if not found.closed:
            return found, None
        bar.update(task, description="liveness", completed=0.0)
        return found, liveness(found, hands, lambda share: bar.update(task, completed=share))


def _look_at_pair(site: Setpoints, hands: Hands, bound: Bound, errors: Console) -> Worlds:
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=errors, transient=True) as bar:
        task = bar.add_task("exploring two units", total=1.0)
        return explore_worlds(
            site, hands, bound, lambda world, share: bar.update(task, description=world.told, completed=share)
        )


def _tell(figures: Figures, folder: Path) -> None:
    console = plain_console()
    table = Table(box=None, pad_edge=False)
    for name in ("Id", "Verdict", "Times", "Rule"):
        table.add_column(name, justify="right" if name == "Times" else "left", overflow="fold")
    for c in figures.checked:
        table.add_row(c.id, c.verdict.value, f"{c.times:,}", c.text)
    console.print(table)
    for row in figures.worlds:
        console.print(world_line(row), soft_wrap=True, markup=False)
    for cycle in sorted_cycles(figures.live):
        word = "CHATTER" if cycle.chatters else "cycle"
        console.print(
            f"{word} of {cycle.ticks} scans in {', '.join(cycle.states)}: {', '.join(cycle.outputs)} "
            f"({cycle.held})",
            soft_wrap=True,
            markup=False,
        )
    for f in figures.found:
        where = folder / (f.case or "report.html")
        console.print(
            f"{f.violation.id} can be broken in {f.violation.depth} scans: {where}",
            soft_wrap=True,
            markup=False,
        )
    console.print()
    console.print(coverage(figures), soft_wrap=True, markup=False)
    console.print(f"{outcome(figures)}.", soft_wrap=True, markup=False)
    console.print(f"evidence: {folder / 'report.html'}", soft_wrap=True, markup=False)
