"""A proof on a live controller: the loop check, then run after run in real time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from controller.wiring import Wiring
from sim_plant.bench.cases import Run
from sim_plant.bench.evidence import keep_run
from sim_plant.bench.live.field import Commands
from sim_plant.bench.live.loop_check import Checked, Line, Measured, check_loops
from sim_plant.bench.live.target import LiveTarget, Pace
from sim_plant.bench.live.workshop import LiveWorkshop, why_left_out
from sim_plant.bench.prove import Job
from sim_plant.bench.verdicts import RunResult
from sim_plant.plant import Plant


@dataclass(frozen=True)
class Chosen:
    """The runs that can be asked of a live controller, and how many were left out for which reason."""

    runs: tuple[Run, ...]
    left_out: Counter[str]


def choose(runs: Sequence[Run], wiring: Wiring) -> Chosen:
    """Split the runs."""
    commands = Commands(wiring)
    reasons = [why_left_out(run, commands, wiring.asker) for run in runs]
    kept = tuple(run for run, reason in zip(runs, reasons, strict=True) if not reason)
    return Chosen(kept, Counter(reason for reason in reasons if reason))


class LiveProof:
    """One controller on one line. Close it after use, whatever happened."""

    def __init__(self, job: Job, line: Line) -> None:
        self._job, self._line = job, line
        self._scan_ms = job.site.file.site.scan_ms
        self.pace = Pace(self._scan_ms)
        self.measured: Measured | None = None

    def check(self, told: Callable[[Checked], None]) -> Measured:
        """The loop check; LostError when the controller cannot be proven."""
        site = self._job.site
        plant = Plant(site.units, site.file.plant, self._job.seed)
        self.measured = check_loops(self._line, plant, self.pace, self._scan_ms, told)
        return self.measured

    def workshop(self) -> LiveWorkshop:
        """Carries out runs on the controller whose loops have been checked."""
        assert self.measured is not None, "the loops must be checked first"
        target = LiveTarget(self._line, self.pace, self.measured.uncertainty_ms)
        return LiveWorkshop(self._job.site, target, self._job.seed, self.pace)

    def carry_out(self, runs: Sequence[Run]) -> Iterator[RunResult]:
        """Results as they come, their records in the evidence folder; LostError when the controller goes."""
        workshop = self.workshop()
        for run in runs:
            result = workshop.carry_out(run)
            yield keep_run(self._job.folder, result, self._job.site.setpoints.model_dump())

    def close(self) -> None:
        """Let the line go."""
        self._line.close()
