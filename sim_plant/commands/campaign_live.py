"""``skidproof campaign --live``: cells on a live controller, one after another and in real time."""

from __future__ import annotations

import time
from contextlib import closing
from datetime import datetime, timedelta

from rich.console import Console
from rich.progress import Progress, ProgressColumn, Task
from rich.text import Text

from controller.files import InputError
from controller.wiring import Asker
from sim_plant.bench.campaign.cells import Cell, Choice, Plan, make_plan, why_over
from sim_plant.bench.campaign.figures import ASKER
from sim_plant.bench.campaign.live import LiveBench, Over, looks_kept, why_not_asked
from sim_plant.bench.campaign.rehearsal import Rehearsal, rehearse
from sim_plant.bench.campaign.results import FILE, ResultFile
from sim_plant.bench.campaign.summary import print_plan
from sim_plant.bench.campaign.work import Order
from sim_plant.bench.evidence.console import plain_console
from sim_plant.bench.evidence.summary import GRAVE
from sim_plant.bench.live.field import LostError
from sim_plant.bench.live.loop_check import Line
from sim_plant.commands.campaign_file import checksum, conclude, identity
from sim_plant.commands.common import CAUTION, NOT_REACHED, PROVEN, STOPPED, progress_columns
from sim_plant.commands.live import check_line, live_wiring, open_line, tell_lateness

_LINE = "line"
"""Names in the file's ``meta`` how evidence names the line of the last controller that was met."""


def campaign_live(
    order: Order,
    choice: Choice,
    asker: Asker,
    drive_real: bool,
    only_list: bool,
    started: datetime,
    errors: Console,
) -> int:
    """The exit code. InputError or OSError when there is nothing to be carried out, or no line for it."""
    site, folder = order.job.site, order.job.folder
    wiring = live_wiring(site, asker)
    plan = make_plan(choice, site.units, {}, why_not_asked(wiring, order.for_s))
    if not plan.cells:
        raise InputError(f"--live: no cell is left: {'; '.join(plan.skipped)}")
    if only_list:
        console = plain_console()
        print_plan(console, plan)
        console.print(_foretold(plan.cells, _rehearsed(order, plan.cells, errors)), soft_wrap=True)
        return PROVEN
    whose = identity(order, choice) | {
        "controller": "live",
        ASKER: asker.value,
        "checksum of wiring.toml": checksum((site.folder / "wiring.toml").read_text(encoding="utf-8")),
    }
    with (
        closing(open_line(wiring, drive_real, errors)) as line,
        closing(ResultFile(folder, whose)) as file,
    ):
        errors.print(CAUTION, style="dim")
        code = _carry_out(_Undertaking(file, order, plan), line, errors)
        target = file.told(_LINE) or f"{line.name}, never met"
    return conclude(folder / FILE, order, plan, looks_kept(folder / FILE, plan), started, code, target)


class _Undertaking:
    """A plan on its way: what is done, what is left, and which cells turned out to be none."""

    def __init__(self, file: ResultFile, order: Order, plan: Plan) -> None:
        self.file, self.order, self._whole = file, order, plan
        self._done = file.begin(plan)
        self._lasts_s = dict(file.lasts_s() or {})
        self.plan = plan
        self._shorten()

    def left(self) -> list[Cell]:
        """Cells that are still to be carried out, in the order of the plan."""
        return [cell for cell in self.plan.cells if cell.key not in self._done]

    @property
    def n_done(self) -> int:
        """How many are carried out."""
        return len(self._done)

    def is_done(self, cell: Cell) -> None:
        """Its result is in the file."""
        self._done.add(cell.key)

    def is_over(self, cell: Cell, lasts_s: float) -> None:
        """The controller left the state before the cell's moment: no cell there has so late a moment."""
        self._lasts_s[cell.unit, cell.state] = lasts_s
        self.file.note_lasts(self._lasts_s)
        self._shorten()

    def _shorten(self) -> None:
        self.plan = self._whole.without(
            lambda cell: "" if cell.key in self._done else why_over(cell, self._lasts_s)
        )
        self.file.shorten(self.plan)


def _carry_out(undertaking: _Undertaking, line: Line, errors: Console) -> int:
    """Everything that is left; how it ended."""
    try:
        if cells := undertaking.left():
            rehearsal = _rehearsed(undertaking.order, cells, errors)
            errors.print(_foretold(cells, rehearsal), soft_wrap=True, markup=False)
            proof, words = check_line(undertaking.order.job, line, errors)
            undertaking.file.note(_LINE, words)
            try:
                _run_cells(undertaking, LiveBench(undertaking.order, proof.workshop()), rehearsal, errors)
            finally:
                tell_lateness(proof, errors)
    except KeyboardInterrupt:
        errors.print("stopped by the user; give the same --out to go on")
        return STOPPED
    except LostError as error:
        errors.print(f"skidproof: {error}; give the same --out to go on", soft_wrap=True, markup=False)
        return NOT_REACHED
    return PROVEN


def _run_cells(undertaking: _Undertaking, bench: LiveBench, rehearsal: Rehearsal, errors: Console) -> None:
    failed, time_left = 0, _TimeLeft(rehearsal)
    with Progress(*progress_columns(), time_left, console=errors) as progress:
        task = progress.add_task("all held so far", total=None)
        while cells := undertaking.left():
            time_left.expect(cells)
            progress.update(task, total=len(undertaking.plan.cells), completed=undertaking.n_done)
            told = bench.carry_out(cells[0])
            if isinstance(told, Over):
                undertaking.is_over(cells[0], told.lasts_s)
                continue
            undertaking.file.add(told)
            undertaking.is_done(cells[0])
            time_left.is_done(cells[0])
            failed += told.verdict in GRAVE
            progress.update(task, description=f"{failed} not held" if failed else "all held so far")
        progress.update(task, total=len(undertaking.plan.cells), completed=undertaking.n_done)


class _TimeLeft(ProgressColumn):
    """Real time left, from the rehearsal and from how long the cells so far took against it."""

    def __init__(self, rehearsal: Rehearsal) -> None:
        super().__init__()
        self._rehearsal = rehearsal
        self._began_s = self._ends_s = time.monotonic()
        self._rehearsed_s = 0.0

    def expect(self, cells: list[Cell]) -> None:
        """These are still to come, from this moment on."""
        now_s = time.monotonic()
        slower = (now_s - self._began_s) / self._rehearsed_s if self._rehearsed_s else 1.0
        self._ends_s = now_s + slower * sum(map(self._rehearsal.expected_s, cells))

    def is_done(self, cell: Cell) -> None:
        """This one has been carried out."""
        self._rehearsed_s += self._rehearsal.expected_s(cell)

    def render(self, task: Task) -> Text:  # noqa: ARG002  # it is the only task
        """As a person says it."""
        return Text(f"about {_duration(self._ends_s - time.monotonic())} left")


def _rehearsed(order: Order, cells: list[Cell] | tuple[Cell, ...], errors: Console) -> Rehearsal:
    errors.print("reckoning how long this takes", style="dim")
    return rehearse(order.job.site, order.job.seed, cells, order.for_s)


def _foretold(cells: list[Cell] | tuple[Cell, ...], rehearsal: Rehearsal) -> str:
    """What lies ahead, in words."""
    takes_s = sum(map(rehearsal.expected_s, cells))
    until = datetime.now().astimezone() + timedelta(seconds=takes_s)
    return (
        f"{len(cells)} cells, one after another: about {_duration(takes_s)} of real time, until "
        f"{until:%Y-%m-%d %H:%M}, if the controller takes as long as our firmware with these setpoints"
    )


def _duration(seconds: float) -> str:
    """Hours and minutes, rounded up; a day has 24 h.

    >>> _duration(59.0), _duration(4000.0), _duration(90061.0)
    ('1 min', '1 h 07 min', '25 h 02 min')
    """
    minutes = max(0, -int(-seconds // 60))
    return f"{minutes // 60} h {minutes % 60:02} min" if minutes >= 60 else f"{minutes} min"
