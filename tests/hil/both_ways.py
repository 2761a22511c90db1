"""One case with one controller twice, at the desk and on a line, and what is different.

``met_midway``: our firmware, from a state that plant and firmware reached at the desk. One run stays there,
as ``skidproof prove`` does it; the other goes on over a line in real time (``own_line``).

``met_at_rest``: our firmware all the way, as ``skidproof prove --live`` does it: loop check, rest, approach,
case. At the desk the same is done in no time.

``sim_plant.bench.alike`` says what the uncertainty of the line explains. It is that of the bench, one scan
and two of the longest round, and what the latest scan of bench or firmware was late.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from controller.firmware import Controller
from controller.signals import BankOutputs, Inputs, Outputs, UnitOutputs
from controller.unit.states import UnitState
from sim_plant.bench.alike import Event, compare, events_of, verdicts_apart
from sim_plant.bench.cases import Run
from sim_plant.bench.evidence import EvidenceFolder, OnLine, read_record
from sim_plant.bench.live.field import LostError
from sim_plant.bench.live.proving import LiveProof
from sim_plant.bench.live.target import LiveTarget, Pace, uncertainty_of
from sim_plant.bench.live.workshop import LiveWorkshop
from sim_plant.bench.prove import Job
from sim_plant.bench.rig import Rig, RigSnapshot
from sim_plant.bench.runner import Workshop
from sim_plant.bench.targets import OUR_FIRMWARE, ControllerFactory, DeskTarget
from sim_plant.bench.verdicts import Finding, RunResult, Verdict
from sim_plant.plant import Plant
from sim_plant.site import Site
from tests.hil.own_line import OwnLine

SEED = 5
MEASURE_S = 3.0
LOOP_CHECK_S = 6.0
"""So long the bench holds E-stop open before the first run."""
ATTEMPTS, LATE_MS = 4, 300.0
"""A run with a scan of bench or firmware that came so late, or with a round of the line that took so long,
decides nothing and is played again. At a second the line would have lost an image."""


@dataclass(frozen=True)
class Task:
    """A run that is made both ways; ``planted`` is a setpoint that the firmware on the line has otherwise."""

    site: Site
    run: Run
    seed: int = SEED
    planted: tuple[str, float] | None = None


@dataclass(frozen=True)
class Outcome:
    """What came of it.

    ``apart`` are the differences in words, ``events`` were compared, ``margin_off_ms`` is how far the margins
    of a requirement are apart at most, ``given_up_ms`` how late the runs were that do not count.
    """

    run_id: str
    apart: list[str] = field(default_factory=list)
    verdict: str = ""
    put_to_the_test: list[str] = field(default_factory=list)
    left_open: list[str] = field(default_factory=list)
    events: int = 0
    unseen: int = 0
    latest_ms: int = 0
    earliest_ms: int = 0
    margin_off_ms: int = 0
    uncertainty_ms: int = 0
    lasted_s: float = 0.0
    given_up_ms: list[float] = field(default_factory=list)


class Unread(Controller):
    """Our firmware with its journal unread: on a line the bench has no port for it."""

    take_events = None


# --- from a state that the desk has reached ----------------------------------------------------------------


class GoesOn(LiveTarget):
    """Our firmware on its line, which begins where the desk has brought it."""

    def __init__(self, line: OwnLine, scan_ms: int, at_ms: int, planted: tuple[str, float] | None) -> None:
        super().__init__(line, Pace(scan_ms), 0)
        self.line, self._at_ms, self._planted = line, at_ms, planted

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        """One scan; LostError once the run decides nothing."""
        if self.late_ms > LATE_MS:
            raise LostError(f"{self.late_ms:.0f} ms late")
        return super().scan(inputs, now_ms)

    def restore(self, snapshot: object) -> None:
        """From the snapshot of a target at the desk. The scans begin now."""
        assert isinstance(snapshot, tuple)
        controller = self.line.controller
        controller.restore(snapshot[0])
        if self._planted is not None:
            controller.change_setpoint(*self._planted, "test", "planted", self._at_ms)
        self.line.begin(self._at_ms)

    @property
    def late_ms(self) -> float:
        """The latest scan of bench and firmware, or the longest round."""
        return max(self.pace.longest_late_ms, self.line.late_ms, self.line.rounds.longest_ms)

    @property
    def uncertainty_ms(self) -> int:
        """As for any live controller, and what the firmware was late, which nobody else can know."""
        return super().uncertainty_ms + round(self.line.late_ms)


class OnTheLine(Workshop):
    """As at the desk, but a run goes on over a line from the state that was prepared there. ``close`` it."""

    def __init__(self, task: Task, desk: Workshop) -> None:
        self._site, self._seed, self._desk, self._planted = task.site, task.seed, desk, task.planted
        self.target: GoesOn | None = None

    def prepared(self, unit: int, state: UnitState) -> Rig:
        """The rig in the state, with a line in between."""
        begun = self._desk.prepared(unit, state).snapshot()
        scan_ms = self._site.file.site.scan_ms
        plant = Plant(self._site.units, self._site.file.plant, self._seed)
        plant.restore(begun.plant)
        line = OwnLine(self._site.units, self._site.setpoints, scan_ms)
        self.target = GoesOn(line, scan_ms, begun.now_ms, self._planted)
        line.carry(plant.inputs(), last_outputs(begun), MEASURE_S)
        self._rig = Rig(plant, self.target, scan_ms)
        self._rig.restore(begun)
        return self._rig

    def close(self) -> None:
        """Let the line go."""
        if self.target is not None:
            self.target.line.close()


def last_outputs(begun: RigSnapshot) -> Outputs:
    """What was driven in the last scan at the desk."""
    trace = begun.recorder.trace()
    bank = BankOutputs(*trace.bank_do[-1].tolist(), *trace.bank_ao[-1].tolist())
    return Outputs(bank, tuple(UnitOutputs(*unit) for unit in trace.unit_do[-1].tolist()))


def met_midway(task: Task) -> Outcome:
    """At the desk, then on the line; the line again while the machine comes late."""
    desk_shop = Workshop(task.site, Unread, task.seed)
    desk = desk_shop.carry_out(task.run)
    if desk.error:
        return Outcome(task.run.run_id, [f"not carried out at the desk: {desk.error}"])
    given_up_ms: list[float] = []
    for _ in range(ATTEMPTS):
        shop = OnTheLine(task, desk_shop)
        try:
            live = shop.carry_out(task.run)
        except LostError as error:
            lost = str(error)
        else:
            lost = live.error
        finally:
            shop.close()
        assert shop.target is not None
        if shop.target.late_ms > LATE_MS:
            given_up_ms.append(round(shop.target.late_ms))
        elif lost:
            return Outcome(task.run.run_id, [f"not carried out on the line: {lost}"])
        else:
            return compared(desk, live, shop.target.uncertainty_ms, given_up_ms)
    return Outcome(task.run.run_id, ["the machine is too busy to judge"], given_up_ms=given_up_ms)


# --- all the way from rest --------------------------------------------------------------------------------


class Lockstep(DeskTarget):
    """At the desk, with a clock that goes on from one run to the next, as that of a live controller does."""

    def __init__(self, site: Site, factory: ControllerFactory) -> None:
        super().__init__(site.units, site.setpoints, factory)
        self._scan_ms, self._now_ms = site.file.site.scan_ms, 0
        self.keeps_journal = False

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:  # noqa: ARG002 - that of one run
        """One scan."""
        self._now_ms += self._scan_ms
        return super().scan(inputs, self._now_ms)


def desk_at_rest(site: Site, factory: ControllerFactory, run: Run, seed: int) -> RunResult:
    """As a live proof does it, at the desk: E-stop open as in the loop check, then rest, then the case."""
    target = Lockstep(site, factory)
    rig = Rig(Plant(site.units, site.file.plant, seed), target, site.file.site.scan_ms)
    rig.operate("estop_healthy", 0, False)
    rig.operate("bank_run", 0, False)
    rig.run_for(LOOP_CHECK_S)
    return LiveWorkshop(site, target, seed).carry_out(run)


def met_at_rest(task: Task) -> Outcome:
    """At the desk, then as a live proof; both records begin when the bank is at rest."""
    desk = desk_at_rest(task.site, Unread, task.run, task.seed)
    line = OwnLine(task.site.units, task.site.setpoints, task.site.file.site.scan_ms)
    with tempfile.TemporaryDirectory() as folder:
        evidence = EvidenceFolder(Path(folder) / "evidence")
        proof = LiveProof(Job(task.site, OUR_FIRMWARE, task.seed, evidence.path), line)
        line.begin()
        try:
            proof.check(lambda _checked: None)
            (live,) = proof.carry_out([task.run])
        except LostError as error:
            return Outcome(task.run.run_id, [f"not carried out on the line: {error}"])
        finally:
            proof.close()
        live.trace = read_record(evidence.path / "records" / f"{live.run_id}.parquet")
    told = proof.told()
    assert told is not None
    return compared(desk, live, widest_ms(told, task.site) + round(line.late_ms))


def widest_ms(told: OnLine, site: Site) -> int:
    """The uncertainty of a live proof of one run, as it came to be in it."""
    round_ms = max(told.longest_round_ms, told.longest_round_in_runs_ms)
    return uncertainty_of(site.file.site.scan_ms, round_ms) + round(told.longest_late_ms)


# --- what is different -------------------------------------------------------------------------------------


def compared(
    desk: RunResult,
    live: RunResult,
    uncertainty_ms: int,
    given_up_ms: Sequence[float] = (),
    from_strike: bool = False,
) -> Outcome:
    """Events of what the runs do not share, or only those from the strike on, and all verdicts.

    How late an event was is known to one scan of the bench, which is added to the uncertainty of the next.
    """
    if desk.error or live.error:
        return Outcome(desk.run_id, [f"not carried out: {r.error}" for r in (desk, live) if r.error])
    (ours, our_end_ms), (theirs, their_end_ms) = (_story(result, from_strike) for result in (desk, live))
    known_to_ms = desk.trace.scan_ms if desk.trace is not None else 0
    like = compare(ours, theirs, uncertainty_ms + known_to_ms, min(our_end_ms, their_end_ms))
    apart = [str(difference) for difference in like.differences]
    apart += verdicts_apart(desk.requirements, live.requirements, uncertainty_ms)
    apart += verdicts_apart(desk.expectations, live.expectations, uncertainty_ms)
    judged = (*live.requirements, *live.expectations)
    return Outcome(
        run_id=desk.run_id,
        apart=apart,
        verdict=live.verdict.value,
        put_to_the_test=[f.name for f in live.requirements if f.triggers],
        left_open=[f.name for f in judged if f.verdict is Verdict.INCONCLUSIVE],
        events=like.compared,
        unseen=like.unseen,
        latest_ms=like.latest_ms,
        earliest_ms=like.earliest_ms,
        margin_off_ms=_margins_off_ms(desk.requirements, live.requirements),
        uncertainty_ms=uncertainty_ms,
        lasted_s=live.simulated_s,
        given_up_ms=list(given_up_ms),
    )


def _story(result: RunResult, from_strike: bool) -> tuple[list[Event], int]:
    """Events and the end, by the time since the record began or since the strike.

    From the strike on without the diverters: they go by the time since a pump start that came before it.
    """
    trace = result.trace
    assert trace is not None
    start_ms = result.strike_ms if from_strike else int(trace.t_ms[0])
    first = max(int(np.searchsorted(trace.t_ms, start_ms)), result.shared_rows, 1)
    events = [event._replace(t_ms=event.t_ms - start_ms) for event in events_of(trace, first)]
    if from_strike:
        events = [event for event in events if not event.source.endswith(".divert")]
    return events, int(trace.t_ms[-1]) - start_ms


def _margins_off_ms(desk: Sequence[Finding], live: Sequence[Finding]) -> int:
    """How far margins are apart at most, where both are in seconds."""
    off_s = [
        abs(d.margin - e.margin)
        for d, e in zip(desk, live, strict=True)
        if d.margin is not None and e.margin is not None and d.margin_unit == e.margin_unit == "s"
    ]
    return round(1000 * max(off_s, default=0.0))
