"""What ``prove`` and ``campaign`` need to meet a live controller: options, the line, the loop check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import typer
from rich.console import Console

from controller.drivers.wired import beyond_this_machine
from controller.files import InputError
from controller.wiring import Asker, Wiring, load_wiring
from sim_plant.bench.cases import Run
from sim_plant.bench.evidence import CAUTIONS
from sim_plant.bench.live.field import StateWords
from sim_plant.bench.live.lines import asked_line, polled_line
from sim_plant.bench.live.loop_check import Checked, Line
from sim_plant.bench.live.proving import Chosen, LiveProof, choose
from sim_plant.bench.prove import Job
from sim_plant.site import Site

LiveOption = Annotated[
    Asker | None,
    typer.Option(
        "--live",
        help="Hold a live controller against it over the site's wiring.toml: 'controller' when it polls our "
        "plant as its remote I/O, 'bench' when it is a server whose image the bench writes and reads.",
    ),
]
RealOption = Annotated[
    bool,
    typer.Option(
        "--drive-real-outputs",
        help="Needed with --live for any line that leaves this machine: the controller's outputs will move.",
    ),
]


@dataclass(frozen=True)
class LiveRuns:
    """A line that has been checked, what will be carried out on it, and how the evidence names it."""

    proof: LiveProof
    runs: tuple[Run, ...]
    target: str


@dataclass(frozen=True)
class Meeting:
    """An open line, and the runs that a live controller can be asked for."""

    line: Line
    chosen: Chosen


def open_meeting(site: Site, asker: Asker, runs: Sequence[Run], drive_real: bool, errors: Console) -> Meeting:
    """Open the line of the site's wiring; InputError or OSError when there is none to be had."""
    wiring = live_wiring(site, asker)
    chosen = choose(runs, wiring)
    if not chosen.runs:
        raise InputError(f"--live: no run is left: {'; '.join(chosen.left_out)}")
    return Meeting(open_line(wiring, drive_real, errors), chosen)


def live_wiring(site: Site, asker: Asker) -> Wiring:
    """The site's wiring, if a live controller can be met over it; else InputError."""
    wiring = load_wiring(site.folder, site.units, asker)
    if not StateWords(wiring).told:
        raise InputError(
            "wiring.toml: --live needs unit*.state, the states of the controller: they say when to strike"
        )
    return wiring


def open_line(wiring: Wiring, drive_real: bool, errors: Console) -> Line:
    """Open it; InputError when it leaves this machine and may not, OSError when a port cannot be had."""
    if beyond := beyond_this_machine(wiring):
        if not drive_real:
            raise InputError(
                f"wiring.toml leaves this machine: {', '.join(beyond)}; give --drive-real-outputs if its "
                "outputs may move"
            )
        for caution in CAUTIONS:
            errors.print(f"! {caution}", soft_wrap=True, markup=False)

    def say(text: str) -> None:
        errors.print(f"line: {text}", soft_wrap=True, markup=False, style="dim")

    if wiring.asker is Asker.BENCH:
        return asked_line(wiring, drive_real, say)
    return polled_line(wiring, drive_real)


def checked(job: Job, meeting: Meeting, errors: Console) -> LiveRuns:
    """The loop check, told line by line; LostError when the controller cannot be proven."""
    for why, n in meeting.chosen.left_out.most_common():
        errors.print(f"left out: {n} runs: {why}", soft_wrap=True, markup=False)
    proof, words = check_line(job, meeting.line, errors)
    return LiveRuns(proof, meeting.chosen.runs, words)


def tell_lateness(proof: LiveProof, errors: Console) -> None:
    """Say how late the bench itself came, if it did: a machine with too much to do proves less."""
    pace = proof.pace
    if pace.late:
        errors.print(
            f"the bench came late {pace.late} times, by {pace.longest_late_ms:.0f} ms at most; time limits "
            "of those runs are uncertain by so much more",
            soft_wrap=True,
            markup=False,
        )


def check_line(job: Job, line: Line, errors: Console) -> tuple[LiveProof, str]:
    """The loop check, told line by line, and how evidence names the line; LostError as ``checked``."""
    proof = LiveProof(job, line)

    def told(one: Checked) -> None:
        errors.print(f"loop check: {'ok  ' if not one.fault else 'NO  '}{one.what}", markup=False)

    measured = proof.check(told)
    words = (
        f"{line.name}; a round takes {measured.longest_round_ms:.0f} ms at most, "
        f"time limits are uncertain by {measured.uncertainty_ms} ms"
    )
    errors.print(words, soft_wrap=True, markup=False)
    return proof, words
