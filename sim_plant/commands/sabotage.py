"""``skidproof campaign --sabotage``: the logic's own tables changed one entry at a time."""

from __future__ import annotations

import hashlib
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from importlib.metadata import version
from pathlib import Path

from rich.console import Console
from rich.progress import Progress, TextColumn, TimeRemainingColumn

from controller.files import InputError
from controller.unit.states import STATES, UnitState
from sim_plant.bench.campaign.cells import Choice
from sim_plant.bench.campaign.hands import Cluster, HandsLostError, Here, Pool, hands_for
from sim_plant.bench.campaign.work import LOST, hand_out_to
from sim_plant.bench.evidence.console import plain_console
from sim_plant.bench.prove import Job, about_proof, requirement_texts
from sim_plant.bench.sabotage.book import Book, make_book
from sim_plant.bench.sabotage.change import Change
from sim_plant.bench.sabotage.figures import Figures
from sim_plant.bench.sabotage.never import why_never
from sim_plant.bench.sabotage.outcome import choose_runs, judge, read_reasons
from sim_plant.bench.sabotage.papers import write_papers
from sim_plant.bench.sabotage.plan import all_changes, sampled
from sim_plant.bench.sabotage.results import FILE, SabotageFile, kept_in
from sim_plant.bench.sabotage.summary import print_changes, print_figures
from sim_plant.bench.sabotage.work import (
    NOT_DONE,
    SabotageOrder,
    Scouted,
    Task,
    Trial,
    Tried,
    attempt,
    scout,
)
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.catalogue import CATALOGUE
from sim_plant.commands.common import (
    BAD_INPUT,
    CAUTION,
    FAILED,
    NOT_REACHED,
    PROVEN,
    STOPPED,
    progress_columns,
)
from sim_plant.site import demo_folder, load_site

TRIES = 6


@dataclass(frozen=True)
class Wanted:
    """What a person asked for."""

    site: Path | None
    out: Path | None
    lines: tuple[str, ...]
    states: tuple[str, ...]
    sample: int
    set_: list[str]
    seed: int | None
    tries: int


def sabotage_tables(wanted: Wanted, list_: bool, jobs: int, cluster: str | None, refused: str) -> int:
    """Carry it out; the exit code. ``refused`` is said in place of that when it is not empty."""
    errors, started = Console(stderr=True, highlight=False), datetime.now(UTC)
    try:
        if refused:
            raise InputError(refused)
        order = _order(wanted, started)
        changes = sampled(list(all_changes().values()), wanted.sample, order.job.seed)
        if list_:
            print_changes(plain_console(), changes)
            return PROVEN
        read_reasons(order.job.site.folder)
        book = make_book(order.job.site, order.lines, order.states)
        folder = order.job.folder
        with (
            closing(hands_for(jobs, cluster)) as hands,
            closing(SabotageFile(folder, _identity(order))) as file,
        ):
            errors.print(CAUTION, style="dim")
            file.forget_changed(book)
            code = _carry_out(file, order, book, changes, wanted.tries, hands, errors)
    except (InputError, OSError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        return BAD_INPUT
    except HandsLostError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        return NOT_REACHED
    return _conclude(order, book, changes, wanted, started, code)


def _order(wanted: Wanted, started: datetime) -> SabotageOrder:
    site = load_site(wanted.site or demo_folder(), wanted.set_)
    seed = site.file.site.seed if wanted.seed is None else wanted.seed
    folder = wanted.out or Path("evidence") / f"{site.name}-sabotage-{started:%Y%m%dT%H%M%SZ}"
    known = {state.value for state in STATES}
    if strange := [word for word in wanted.states if word not in known]:
        raise InputError(f"--states {strange[0]}: must be one of {', '.join(UnitState)}")
    states = tuple(UnitState(word) for word in wanted.states) or STATES
    choice = Choice(lines=wanted.lines or tuple(CATALOGUE), states=states)
    return SabotageOrder(Job(site, OUR_FIRMWARE, seed, folder), choice.lines, choice.states)


def _identity(order: SabotageOrder) -> dict[str, str]:
    """All that must be the same for two results to belong together; cases may be added."""
    site = order.job.site
    plant = site.file.model_dump_json(exclude={"setpoints"})
    return {
        "site": site.name,
        "version": version("skidproof"),
        "seed": str(order.job.seed),
        **{f"setpoint {name}": f"{value:g}" for name, value in site.setpoints.model_dump().items()},
        "checksum of site.toml without its setpoints": hashlib.sha256(plant.encode()).hexdigest()[:12],
        "lines": ",".join(order.lines),
        "states": ",".join(order.states),
    }


def _carry_out(
    file: SabotageFile,
    order: SabotageOrder,
    book: Book,
    changes: Sequence[Change],
    tries: int,
    hands: Here | Pool | Cluster,
    errors: Console,
) -> int:
    """Scout what is not scouted, try what is not tried; how it ended.

    First on the cases alone: what they catch need not be tried on what nobody wrote.
    """
    try:
        for written in (True, False):
            runs = [key for key in book.runs if (key in book.written) is written]
            _scout(file, order, book, runs, hands, errors)
            _try(file, order, book, changes, tries, hands, errors)
    except KeyboardInterrupt:
        errors.print("stopped by the user; give the same --out to go on")
        return STOPPED
    except HandsLostError as error:
        errors.print(f"skidproof: {error}; give the same --out to go on", soft_wrap=True, markup=False)
        return NOT_REACHED
    return PROVEN


def _scout(
    file: SabotageFile,
    order: SabotageOrder,
    book: Book,
    runs: Sequence[str],
    hands: Here | Pool | Cluster,
    errors: Console,
) -> None:
    done = kept_in(file.path).scouted
    left = [key for key in runs if key not in done]
    with Progress(*progress_columns(), console=errors) as progress:
        task = progress.add_task("scouting runs", total=len(runs), completed=len(runs) - len(left))
        lost = lambda key: Scouted(key, error=LOST)  # noqa: E731  # as short as it is said
        for found in hand_out_to(scout, lost, order, left, lambda key: book.runs[key].start, hands):
            file.add_run(found, book)
            progress.advance(task)


def _try(
    file: SabotageFile,
    order: SabotageOrder,
    book: Book,
    changes: Sequence[Change],
    tries: int,
    hands: Here | Pool | Cluster,
    errors: Console,
) -> None:
    tasks = tasks_left(file.path, book, changes, tries)
    places = {one.change: place for place, one in enumerate(tasks)}
    caught, began = 0, time.monotonic()
    with Progress(*progress_columns(), TextColumn("left"), TimeRemainingColumn(), console=errors) as progress:
        task = progress.add_task("sabotage", total=len(changes), completed=len(changes) - len(tasks))
        lost = lambda one: Tried(one.change, (Trial("", (NOT_DONE,), None, LOST),))  # noqa: E731  # as above
        trying = hand_out_to(attempt, lost, order, tasks, lambda one: (places[one.change], ""), hands)
        for number, tried in enumerate(trying, start=1):
            file.add_trials(tried)
            caught += bool(tried.trials[-1].broken)
            rate = 60.0 * number / (time.monotonic() - began)
            progress.update(task, advance=1, description=f"{caught} of {number} caught, {rate:.0f} a minute")


def tasks_left(path: Path, book: Book, changes: Sequence[Change], tries: int) -> list[Task]:
    """Changes that nothing has caught yet, with the runs that they have not been tried on.

    What was never tried comes first, and all of it mixed, so that what there is when it is stopped is a fair
    part.
    """
    kept = kept_in(path)
    written = {key: book.runs[key] for key in book.written}
    tasks = []
    for change in sorted(changes, key=lambda one: (one.id in kept.trials, _lot(one))):
        trials = kept.trials.get(change.id, ())
        if any(trial.broken for trial in trials):
            continue
        tried = {trial.run for trial in trials}
        left = [s for s in choose_runs(change, kept, written, tries) if s.run not in tried]
        if left:
            tasks.append(Task(change.id, tuple(without_touches(s) for s in left)))
    return tasks


def _lot(change: Change) -> str:
    return hashlib.sha256(change.id.encode()).hexdigest()


def without_touches(scouted: Scouted) -> Scouted:
    """What a worker needs of it."""
    return replace(scouted, touches=())


def is_whole(wanted: Wanted, code: int) -> bool:
    """Whether all was asked for and done: only then does a reason that nothing needed stand for nothing."""
    narrowed = wanted.lines or wanted.states or wanted.set_ or wanted.sample != 1 or wanted.tries < TRIES
    return not narrowed and code == PROVEN


def _conclude(
    order: SabotageOrder,
    book: Book,
    changes: Sequence[Change],
    wanted: Wanted,
    started: datetime,
    code: int,
) -> int:
    """Write the papers, print the figures; the exit code."""
    path = order.job.folder / FILE
    kept = kept_in(path)
    reasons = read_reasons(order.job.site.folder)
    left = len(tasks_left(path, book, changes, wanted.tries))
    never = partial(why_never, setpoints=order.job.site.setpoints)
    figures = Figures(judge(changes, kept, reasons, never), kept, reasons, left, is_whole(wanted, code))
    about = about_proof(order.job, started, ["skidproof", *sys.argv[1:]], not left, len(changes))
    write_papers(order.job.folder, figures, about, requirement_texts(order.job.site.setpoints), book)
    console = plain_console()
    print_figures(console, figures)
    console.print(f"report: {order.job.folder / 'report.html'}", markup=False, soft_wrap=True)
    return FAILED if code == PROVEN and not figures.held else code
