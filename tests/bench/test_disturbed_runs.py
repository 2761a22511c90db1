"""What the bench does to the target itself: clock, data port, a frozen image, and a run without it."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
import pytest
from bench_samples import make_rig, make_run, pair
from pydantic import ValidationError

from controller.firmware import Controller
from controller.signals import Inputs, Outputs
from controller.unit.states import UnitState
from sim_plant.bench.cases import CaseFile
from sim_plant.bench.port import answered
from sim_plant.bench.rig import NotOfferedError, Rig
from sim_plant.bench.runner import Workshop
from sim_plant.bench.targets import DeskTarget, try_factory
from sim_plant.bench.verdicts import Finding, RunResult, Verdict


def finding(result: RunResult, requirement: str) -> Finding:
    return next(one for one in result.requirements if one.name == requirement)


# --- the shared image ------------------------------------------------------------------------------------


def test_a_frozen_shared_image_ages_and_does_not_change() -> None:
    rig = make_rig()
    rig.run_for(30)
    rig.freeze_bank_image(True, for_s=3)
    rig.operate("bank_run", 0, False)
    rig.run_for(4)
    trace = rig.trace()

    ages = trace.bank_age_ms[300:]
    assert ages[:30].tolist() == list(range(0, 3000, 100))
    assert (ages[30:] == 0).all()
    assert trace.bank("bank_run")[300:330].all()
    assert not trace.bank("bank_run")[330:].any()
    assert [mark[1:] for mark in trace.marks if mark.text.startswith("bank image")] == [
        ("inject", 0, "bank image frozen"),
        ("clear", 0, "bank image frozen"),
    ]


def test_a_rig_with_a_frozen_image_continues_from_a_snapshot() -> None:
    rig = make_rig()
    rig.run_for(10)
    rig.freeze_bank_image(True, for_s=5)
    rig.run_for(2)
    copy = rig.snapshot()
    rig.run_for(6)
    straight = rig.trace().bank_age_ms
    rig.restore(copy)
    rig.run_for(6)

    assert np.array_equal(straight, rig.trace().bank_age_ms)
    assert straight.max() == 4900


def test_the_age_of_a_silent_unit_is_recorded() -> None:
    workshop = Workshop(pair(), Controller, 5)
    step = {"at_s": 0, "inject": {"target": "unit_io", "kind": "lost"}, "for_s": 1}
    result = workshop.carry_out(make_run(step=[step]))
    assert result.trace is not None
    assert result.trace.unit_age_ms[:, 0].max() == 900
    assert result.trace.unit_age_ms[:, 1].max() == 0


# --- the wall clock --------------------------------------------------------------------------------------


class Watches(Controller):
    """Notes what the wall clock shows in each scan."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self.seen: list[tuple[float, int]] = []

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        self.seen.append((time.time(), time.time_ns()))
        return super().scan(inputs, now_ms)


def watching() -> tuple[Rig, Watches]:
    rig = make_rig(Watches)
    assert isinstance(rig.target, DeskTarget)
    return rig, rig.target._controller


def test_the_wall_clock_of_a_desk_target_goes_with_the_simulated_time_and_can_be_stepped() -> None:
    rig, watches = watching()
    rig.run_for(1)
    rig.step_wall_clock(-3600)
    rig.run_for(1)
    seconds = np.array([seen[0] for seen in watches.seen])

    steps = np.round(np.diff(seconds), 3)
    assert steps[9] == pytest.approx(-3599.9)
    assert (np.delete(steps, 9) == 0.1).all()
    assert all(round(seen[0] * 1000) == seen[1] // 10**6 for seen in watches.seen)
    assert rig.trace().marks[-1][1:] == ("clock", 0, "-3600 s")


def test_after_a_scan_the_machines_clock_is_back_even_when_the_scan_failed() -> None:
    class Fails(Controller):
        def scan(self, *_arguments: object) -> Outputs:
            raise ZeroDivisionError

    before = time.time()
    make_rig().scan()
    with pytest.raises(RuntimeError, match="the controller failed"):
        make_rig(Fails).scan()
    assert 0 <= time.time() - before < 3600


def test_a_snapshot_knows_how_far_the_wall_clock_is_off() -> None:
    rig = make_rig(Watches)
    fresh = rig.snapshot()
    rig.step_wall_clock(3600)
    stepped = rig.snapshot()

    def shown(snapshot: Any) -> float:
        rig.restore(snapshot)
        rig.scan()
        assert isinstance(rig.target, DeskTarget)
        return float(rig.target._controller.seen[-1][0])

    assert shown(stepped) - shown(fresh) == pytest.approx(3600)


# --- the data port ---------------------------------------------------------------------------------------


def test_a_setpoint_is_written_and_read_back() -> None:
    rig = make_rig()
    rig.write_setpoint("purge_s", 30.0, "the engineer", "trial")
    rig.write_setpoint("purge_s", 1e9, "the engineer", "trial")
    rig.write_setpoint("no_such_thing", 1.0, "the engineer", "trial")
    answers = [answered(mark.text) for mark in rig.trace().marks]

    assert [(a.accepted, a.after) for a in answers[:2]] == [(True, 30.0), (False, 30.0)]
    assert not answers[2].accepted
    assert math.isnan(answers[2].after)


def test_an_accepted_setpoint_outlasts_the_power_and_goes_back_with_the_rig() -> None:
    rig = make_rig()
    rig.run_for(1)
    before = rig.snapshot()
    rig.write_setpoint("purge_s", 30.0, "the engineer", "trial")
    rig.power(False, for_s=1)
    rig.run_for(3)
    assert isinstance(rig.target, DeskTarget)
    assert rig.target.read_setpoint("purge_s") == 30.0
    rig.restore(before)
    assert rig.target.read_setpoint("purge_s") == 20.0
    rig.power(False, for_s=1)
    rig.run_for(3)
    assert rig.target.read_setpoint("purge_s") == 20.0


class Fixed:
    """A controller that passes images on to the firmware and cannot be set while it runs."""

    def __init__(self, *arguments: Any) -> None:
        firmware = Controller(*arguments)
        for name in ("scan", "states", "retained", "take_events", "snapshot", "restore"):
            setattr(self, name, getattr(firmware, name))


class Wordless:
    """The firmware without its journal."""

    def __init__(self, *arguments: Any) -> None:
        firmware = Controller(*arguments)
        for name in ("scan", "states", "retained", "snapshot", "restore"):
            setattr(self, name, getattr(firmware, name))


def test_a_controller_without_a_journal_is_taken_and_its_stops_are_not_judged_for_their_causes() -> None:
    try_factory(f"{__name__}:Wordless", 2, pair().setpoints)
    run = make_run(UnitState.PRODUCE, step=[{"at_s": 1, "command": "stop"}])

    result = Workshop(pair(), Wordless, 5).carry_out(run)

    assert result.trace is not None
    assert result.trace.journal is None
    assert result.trace.unit("pump", 1).any()
    assert not result.trace.unit("pump", 1)[-1]
    causes = finding(result, "SR-55")
    assert (causes.verdict, causes.detail) == (Verdict.NOT_EXERCISED, "the target gives no journal")


def test_a_controller_that_cannot_be_set_is_an_error_of_the_case() -> None:
    step = {"at_s": 1, "setpoint": {"name": "purge_s", "value": 30}}
    result = Workshop(pair(), Fixed, 5).carry_out(make_run(step=[step]))

    assert result.error == "the controller has no change_setpoint(name, value, by, reason, now_ms)"


class Mute:
    """A target that answers images and nothing else."""

    def __init__(self) -> None:
        self._desk = DeskTarget(2, pair().setpoints)
        self.state_names, self.uncertainty_ms = self._desk.state_names, 0
        for name in ("scan", "states", "power_lost", "power_returned", "snapshot", "restore"):
            setattr(self, name, getattr(self._desk, name))


def test_a_target_that_only_answers_images_is_told_so_and_has_no_journal() -> None:
    plant = make_rig().plant
    rig = Rig(plant, Mute(), 100)  # type: ignore[arg-type] # its methods are lent at run time
    rig.run_for(1)

    assert rig.trace().journal is None
    with pytest.raises(NotOfferedError, match="no wall clock"):
        rig.step_wall_clock(3600)
    with pytest.raises(NotOfferedError, match="no data port"):
        rig.write_setpoint("purge_s", 30.0, "the engineer", "trial")


def test_the_journal_of_a_target_is_part_of_the_trace() -> None:
    rig = make_rig()
    assert rig.run_until(lambda: rig.state_of(1) == "DELAY", 400)
    trace = rig.trace()

    assert trace.journal is not None
    moves = [line.text for line in trace.journal if line.unit == 1 and line.kind == "move"]
    assert moves[-1].startswith("START_FLUSH > DELAY")
    halves = trace.part(0, 1000).followed_by(trace.part(1000))
    assert halves.journal == trace.journal


# --- a second run ----------------------------------------------------------------------------------------


class Dated(Controller):
    """Lets the wall clock time its scans."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:  # noqa: ARG002 - the time it should use
        return super().scan(inputs, round(time.time() * 1000))


def clock_case(disturbs: bool = True) -> Any:
    step = {"at_s": 2, "wall_clock_s": 3600, "disturbs": disturbs}
    return make_run(UnitState.START_FLUSH, step=[step], run={"for_s": 30})


def test_a_case_that_disturbs_is_compared_with_the_same_case_undisturbed() -> None:
    right = Workshop(pair(), Controller, 5).carry_out(clock_case())
    wrong = Workshop(pair(), Dated, 5).carry_out(clock_case())

    assert finding(right, "SR-44").verdict is Verdict.PASS
    assert finding(wrong, "SR-44").verdict is Verdict.FAIL


def test_without_a_disturbing_step_no_second_run_is_made() -> None:
    result = Workshop(pair(), Dated, 5).carry_out(clock_case(disturbs=False))

    assert finding(result, "SR-44").verdict is Verdict.NOT_EXERCISED
    assert "no run without the disturbance" in finding(result, "SR-44").detail


def test_the_record_is_that_of_the_disturbed_run() -> None:
    result = Workshop(pair(), Controller, 5).carry_out(clock_case())
    assert result.trace is not None
    assert [mark.what for mark in result.trace.marks] == ["clock"]
    assert result.simulated_s == pytest.approx(32.0)


def test_a_second_run_that_never_comes_to_a_kept_step_is_an_error_and_keeps_the_first_record() -> None:
    steps = [
        {"at_s": 1, "command": "stop", "disturbs": True},
        {"when_state": "STANDBY", "limit_s": 20, "tank_pct": 50},
    ]
    result = Workshop(pair(), Controller, 5).carry_out(make_run(UnitState.START_FLUSH, step=steps))

    assert "the run without the disturbance" in result.error
    assert result.trace is not None
    assert [mark.text for mark in result.trace.marks] == ["stop"]


def test_a_fault_and_its_clearing_disturb_together() -> None:
    inject = {"target": "suction", "kind": "open_circuit"}
    steps = [{"at_s": 1, "inject": inject, "name": "cut", "disturbs": True}, {"at_s": 2, "clear": "cut"}]
    with pytest.raises(ValidationError, match=r"step\[2\].disturbs must be what it is in step 'cut'"):
        CaseFile.model_validate(
            {
                "title": "t",
                "family": "f",
                "given": {"states": ["BOOT"]},
                "run": {"for_s": 1},
                "step": steps,
            }
        )
