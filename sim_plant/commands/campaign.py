"""``skidproof campaign``: every fault of the catalogue in every state, into one file."""

from __future__ import annotations

import time
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.progress import Progress, TextColumn, TimeRemainingColumn

from controller.files import InputError
from controller.unit.states import UnitState
from sim_plant.bench.campaign.cells import SEVERITIES, Choice, Plan, make_plan, struck_units
from sim_plant.bench.campaign.closer import (
    SHRUNK_MAX,
    Look,
    first_of_each_kind,
    look_closer,
    worth_a_look,
)
from sim_plant.bench.campaign.figures import figures_of
from sim_plant.bench.campaign.hands import Cluster, HandsLostError, Here, Pool, hands_for
from sim_plant.bench.campaign.results import FILE, ResultFile
from sim_plant.bench.campaign.summary import print_plan
from sim_plant.bench.campaign.work import Order, bench_of, hand_out
from sim_plant.bench.evidence.console import plain_console
from sim_plant.bench.evidence.summary import GRAVE
from sim_plant.bench.prove import Job
from sim_plant.bench.targets import OUR_FIRMWARE, try_factory
from sim_plant.commands.campaign_file import conclude, identity
from sim_plant.commands.campaign_live import campaign_live
from sim_plant.commands.common import (
    BAD_INPUT,
    CAUTION,
    CORES,
    NOT_REACHED,
    PROVEN,
    STOPPED,
    ControllerOption,
    SeedOption,
    SiteArgument,
    progress_columns,
)
from sim_plant.commands.live import LiveOption, RealOption
from sim_plant.commands.sabotage import TRIES, Wanted, sabotage_tables
from sim_plant.site import demo_folder, load_site

_UNSTRUCK = Choice()
Lasts = dict[tuple[int, UnitState], float]
_NO_SABOTAGE = "--sabotage goes with none of --controller, --severity, --moment, --units, --for, --shrink"


def campaign(
    site: SiteArgument = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Evidence folder, new or of the same campaign, which then goes on; "
            "by default evidence/SITE-campaign-TIME here."
        ),
    ] = None,
    line: Annotated[
        list[str] | None, typer.Option(help="Only these lines of the catalogue, F01 to F94; several.")
    ] = None,
    states: Annotated[list[str] | None, typer.Option(help="Only these states; several.")] = None,
    severity: Annotated[
        list[str] | None, typer.Option(help=f"Only {', '.join(SEVERITIES)}; several.")
    ] = None,
    moment: Annotated[
        list[float] | None, typer.Option(help="Seconds after the entry into the state, 2 and 20; several.")
    ] = None,
    units: Annotated[int, typer.Option(min=1, help="How many units are struck, spread over the bank.")] = 1,
    sample: Annotated[int, typer.Option(min=1, help="Only one cell in so many, drawn by the seed.")] = 1,
    for_s: Annotated[
        float,
        typer.Option("--for", metavar="SECONDS", help="How long a run goes on after the strike."),
    ] = _UNSTRUCK.for_s,
    list_: Annotated[bool, typer.Option("--list", help="Say what would be carried out, and stop.")] = False,
    set_: Annotated[
        list[str] | None, typer.Option("--set", help="setpoint=number, in place of the site's; several.")
    ] = None,
    controller: ControllerOption = OUR_FIRMWARE,
    seed: SeedOption = None,
    shrink: Annotated[
        bool,
        typer.Option(
            "--shrink",
            help="Reduce one failing cell of each kind to the shortest case that fails alike; "
            "also afterwards, with the same --out.",
        ),
    ] = False,
    jobs: Annotated[
        int | None,
        typer.Option(min=1, max=64, help="Worker processes; one for each core when left out."),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Carry out on the workers of this dask scheduler.")
    ] = None,
    live: LiveOption = None,
    drive_real: RealOption = False,
    sabotage: Annotated[
        bool,
        typer.Option(
            "--sabotage",
            help="In place of faults: change the logic's own tables one entry at a time, and show which "
            "requirement catches it.",
        ),
    ] = False,
    tries: Annotated[
        int, typer.Option(min=1, help="With --sabotage: on how many runs a change is tried at most.")
    ] = TRIES,
) -> None:
    """Try every fault in every state, at several moments and severities; goes on where it was stopped.

    Options that take several are repeated or take a list with commas. On a live controller each cell takes
    minutes of real time: see with --list how long all of it takes, and choose.
    """
    if sabotage:
        elsewhere = severity or moment or shrink or units != 1 or for_s != _UNSTRUCK.for_s
        wanted = Wanted(site, out, _words(line), _words(states), sample, set_ or [], seed, tries)
        only = "" if controller == OUR_FIRMWARE and not elsewhere else _NO_SABOTAGE
        raise typer.Exit(sabotage_tables(wanted, list_, jobs or CORES, cluster, only))
    started = datetime.now(UTC)
    errors = Console(stderr=True, highlight=False, emoji=False)
    try:
        loaded = load_site(site or demo_folder(), set_ or ())
        chosen_seed = loaded.file.site.seed if seed is None else seed
        choice = _choice(line, states, severity, moment, units, sample, chosen_seed, for_s)
        struck_units(loaded.units, units)
        if live is not None and (shrink or jobs or cluster or controller != OUR_FIRMWARE):
            raise InputError(
                "--live has one controller and one cell at a time: it goes with none of "
                "--controller, --jobs, --cluster, --shrink"
            )
        try_factory(controller, loaded.units, loaded.setpoints)
        folder = out or Path("evidence") / f"{loaded.name}-campaign-{started:%Y%m%dT%H%M%SZ}"
        order = Order(Job(loaded, controller, chosen_seed, folder), for_s)
        if live is not None:
            raise typer.Exit(campaign_live(order, choice, live, drive_real, list_, started, errors))
        if list_:
            print_plan(plain_console(), make_plan(choice, loaded.units, _measured(order, choice, errors)))
            raise typer.Exit(PROVEN)
        with (
            closing(hands_for(jobs or CORES, cluster)) as hands,
            closing(ResultFile(folder, identity(order, choice))) as file,
        ):
            errors.print(CAUTION, style="dim")
            code, plan = _carry_out(file, order, choice, hands, errors)
            looks: list[Look] = []
            if plan is not None and code == PROVEN:
                looks = _look_closer(folder / FILE, order, plan, hands, shrink, errors)
    except (InputError, OSError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    except HandsLostError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(NOT_REACHED) from error
    if plan is not None:
        code = conclude(folder / FILE, order, plan, looks, started, code)
    raise typer.Exit(code)


def _choice(
    line: list[str] | None,
    states: list[str] | None,
    severity: list[str] | None,
    moment: list[float] | None,
    units: int,
    sample: int,
    seed: int,
    for_s: float,
) -> Choice:
    """What was asked for; what was not has its default. InputError when a word is not known."""
    asked: dict[str, Any] = {
        "lines": _words(line),
        "states": tuple(_state(word) for word in _words(states)),
        "severities": _words(severity),
        "moments_s": tuple(dict.fromkeys(moment or ())),
    }
    return Choice(units=units, sample=sample, seed=seed, for_s=for_s, **{k: v for k, v in asked.items() if v})


def _words(given: list[str] | None) -> tuple[str, ...]:
    """Repeated, or in one list with commas; each once, in the order given."""
    words = (word.strip() for text in given or () for word in text.split(","))
    return tuple(dict.fromkeys(word for word in words if word))


def _state(word: str) -> UnitState:
    try:
        return UnitState(word)
    except ValueError as error:
        raise InputError(f"--states {word}: must be one of {', '.join(UnitState)}") from error


def _measured(order: Order, choice: Choice, errors: Console) -> Lasts:
    """How long each state lasts when nobody disturbs it, for those that are over before the last moment."""
    errors.print("finding out how long each state lasts", style="dim")
    bench, up_to_s = bench_of(order), max(choice.moments_s)
    units = struck_units(order.job.site.units, choice.units)
    measured = {
        (unit, state): bench.lasts_s(unit, state, up_to_s) for unit in units for state in choice.states
    }
    return {start: lasts_s for start, lasts_s in measured.items() if lasts_s is not None}


def _carry_out(
    file: ResultFile, order: Order, choice: Choice, hands: Here | Pool | Cluster, errors: Console
) -> tuple[int, Plan | None]:
    """All cells that are not in the file yet; how it ended, and the plan unless it was stopped before."""
    plan = None
    try:
        lasts_s = file.lasts_s()
        if lasts_s is None:
            lasts_s = _measured(order, choice, errors)
            file.note_lasts(lasts_s)
        plan = make_plan(choice, order.job.site.units, lasts_s)
        done = file.begin(plan)
        _show_progress(file, order, plan, done, hands, errors)
    except KeyboardInterrupt:
        errors.print("stopped by the user; give the same --out to go on")
        return STOPPED, plan
    except HandsLostError as error:
        errors.print(f"skidproof: {error}; give the same --out to go on", soft_wrap=True, markup=False)
        return NOT_REACHED, plan
    return PROVEN, plan


def _show_progress(
    file: ResultFile, order: Order, plan: Plan, done: set[str], hands: Here | Pool | Cluster, errors: Console
) -> None:
    left = [cell for cell in plan.cells if cell.key not in done]
    failed, began = 0, time.monotonic()
    with Progress(*progress_columns(), TextColumn("left"), TimeRemainingColumn(), console=errors) as progress:
        task = progress.add_task("preparing the bank", total=len(plan.cells), completed=len(done))
        for number, result in enumerate(hand_out(order, left, hands), start=1):
            file.add(result)
            failed += result.verdict in GRAVE
            rate = number / (time.monotonic() - began)
            told = f"{failed} not held" if failed else "all held so far"
            progress.update(task, advance=1, description=f"{told}, {rate:.1f} cells/s")


def _look_closer(
    file: Path, order: Order, plan: Plan, hands: Here | Pool | Cluster, shrinking: bool, errors: Console
) -> list[Look]:
    """A few failing cells once more, to draw them; one of each kind reduced when that was asked for."""
    chosen = worth_a_look(figures_of(file).failures)
    if not chosen:
        return []
    reduced = {failure.key for failure in first_of_each_kind(chosen)[:SHRUNK_MAX]} if shrinking else set()
    cells = {cell.key: cell for cell in plan.cells}
    looks: dict[str, Look] = {}
    with (
        Progress(*progress_columns(), console=errors) as progress,
        suppress(KeyboardInterrupt, HandsLostError),
    ):
        task = progress.add_task("looking closer at failures", total=len(chosen))
        for hard in (False, True):
            part = [cells[failure.key] for failure in chosen if (failure.key in reduced) is hard]
            for look in look_closer(order, part, hands, hard):
                looks[look.cell.key] = look
                progress.advance(task)
    return [looks[failure.key] for failure in chosen if failure.key in looks]
