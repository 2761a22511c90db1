"""The rig that moves plant and target in lockstep, and the runner that does a case on it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from bench_samples import make_rig, make_run, pair

from controller.firmware import Controller
from controller.signals import Inputs, Outputs, Verb
from controller.unit.states import UnitState
from sim_plant.bench.evidence import keep_run
from sim_plant.bench.rig import Rig
from sim_plant.bench.runner import Workshop
from sim_plant.bench.trace import UNIT_DO, Trace
from sim_plant.bench.verdicts import Verdict
from sim_plant.faults import Fault

LOW = Fault("suction", "stuck_at", 1, 0.6)
PARTS = ("t_ms", "unit_di", "unit_ai", "unit_do", "bank_di", "bank_ai", "bank_do", "bank_ao")


def same(first: Trace, second: Trace) -> bool:
    """Bit for bit, truth, states and marks included."""
    arrays = (*PARTS, "unit_truth", "bank_truth", "unit_state", "unit_age_ms", "bank_age_ms")
    equal = all(np.array_equal(getattr(first, name), getattr(second, name)) for name in arrays)
    return equal and first.marks == second.marks and first.journal == second.journal


def rows(rig: Rig, name: str, unit: int = 1) -> list[bool]:
    """A contact of a unit over the whole trace."""
    return [bool(value) for value in rig.trace().unit(name, unit)]


# --- copies ----------------------------------------------------------------------------------------------


def test_a_rig_continues_from_a_snapshot_bit_for_bit() -> None:
    rig = make_rig()
    rig.run_for(95)
    rig.inject(LOW, for_s=4)
    rig.operate("selector_auto", 2, False, for_s=6)
    copy = rig.snapshot()

    rig.run_for(40)
    straight = rig.trace()
    rig.restore(copy)
    rig.run_for(40)

    assert same(straight, rig.trace())
    assert rows(rig, "feed_valve").count(True) > 100, "nothing moved, so nothing was compared"


def test_a_snapshot_is_not_changed_by_what_comes_after() -> None:
    rig = make_rig()
    rig.run_for(5)
    copy = rig.snapshot()
    rig.inject(LOW)
    rig.run_for(20)

    rig.restore(copy)

    assert (rig.now_ms, len(rig.trace().t_ms), rig.trace().marks) == (5000, 50, [])
    assert rig.plant.active() == ()


def test_a_snapshot_goes_into_another_rig() -> None:
    first, second = make_rig(), make_rig(seed=99)
    first.run_for(100)
    second.run_for(3)
    second.restore(first.snapshot())
    for rig in (first, second):
        rig.run_for(30)
    assert same(first.trace(), second.trace())


def test_a_command_that_waits_for_the_next_scan_is_part_of_the_copy() -> None:
    rig = make_rig()
    assert rig.run_until(lambda: rig.state_of(1) == "START_FLUSH", 300)
    rig.command(Verb.STOP, 1, "bench")
    copy = rig.snapshot()
    rig.scan()
    rig.restore(copy)
    rig.scan()
    assert rig.state_of(1) == "STOPPING"


def test_a_copy_without_power_stays_without_power() -> None:
    rig = make_rig()
    rig.run_for(20)
    rig.power(False, for_s=2)
    copy = rig.snapshot()
    rig.run_for(10)
    straight = rig.trace()
    rig.restore(copy)
    rig.run_for(10)
    assert same(straight, rig.trace())


# --- power -----------------------------------------------------------------------------------------------


def test_power_off_records_outputs_of_zero_and_no_state() -> None:
    rig = make_rig()
    assert rig.run_until(lambda: rig.state_of(1) == "DELAY", 400)
    before = rig.now_ms
    rig.power(False, for_s=1)
    assert rig.state_of(1) == ""
    rig.run_for(1)

    dark = rig.trace().t_ms >= before
    trace = rig.trace()
    assert dark.sum() == 10
    assert trace.unit_do[~dark][-1, 0, UNIT_DO.index("feed_valve")]
    assert not trace.unit_do[dark].any()
    assert not trace.bank_do[dark].any()
    assert (trace.bank_ao[dark] == 4.0).all()
    assert (trace.unit_state[dark] == -1).all()


def test_power_that_returns_meets_a_new_controller() -> None:
    made: list[str | None] = []

    class Counted(Controller):
        def __init__(self, n_units: int, setpoints: object, retained: str | None = None) -> None:
            made.append(retained)
            super().__init__(n_units, setpoints, retained)  # type: ignore[arg-type]  # passed on as it is

    rig = make_rig(Counted)
    rig.run_for(30)
    assert rig.state_of(1) == "STANDBY"
    rig.power(False, for_s=1)
    rig.run_for(1.1)

    assert made[0] is None
    assert made[-1] is not None
    assert '"latched"' in made[-1]
    assert rig.state_of(1) == "BOOT"
    assert [(mark.what, mark.text) for mark in rig.trace().marks] == [("power", "off"), ("power", "on")]


def test_after_a_loss_of_power_the_bank_produces_again_by_itself() -> None:
    rig = make_rig()
    assert rig.run_until(lambda: rig.state_of(1) == "PRODUCE", 600)
    rig.power(False, for_s=1)
    rig.run_for(10)
    assert rig.run_until(lambda: rig.state_of(1) == "PRODUCE", 900)


# --- what is undone by itself ----------------------------------------------------------------------------


def test_a_fault_with_a_time_is_cleared_after_it() -> None:
    rig = make_rig()
    rig.run_for(1)
    rig.inject(LOW, for_s=2)
    rig.run_for(1.9)
    assert rig.plant.active() == (LOW,)
    rig.run_for(0.3)
    assert rig.plant.active() == ()
    assert [(mark.t_ms, mark.what) for mark in rig.trace().marks] == [(1000, "inject"), (3000, "clear")]


def test_a_switch_with_a_time_goes_back() -> None:
    rig = make_rig()
    rig.run_for(1)
    rig.operate("selector_auto", 1, False, for_s=2)
    rig.run_for(4)
    off = [i for i, on in enumerate(rows(rig, "selector_auto")) if not on]
    assert (off[0], off[-1]) == (10, 29)
    assert [mark.text for mark in rig.trace().marks] == ["selector_auto off", "selector_auto on"]


def test_a_reset_button_is_let_go_by_itself() -> None:
    rig = make_rig()
    rig.run_for(1)
    rig.operate("reset_button", 0, True)
    rig.run_for(2)
    pressed = np.flatnonzero(rig.trace().bank("reset_button"))
    assert (pressed[0], pressed[-1]) == (10, 14)


def test_power_with_a_time_comes_back() -> None:
    rig = make_rig()
    rig.run_for(1)
    rig.power(False, for_s=2)
    rig.run_for(3)
    dark = np.flatnonzero(rig.trace().bank("powered") == 0)
    assert (dark[0], dark[-1]) == (10, 29)


# --- the runner ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def workshop() -> Workshop:
    """The firmware on two units."""
    return Workshop(pair(), Controller, 5)


def test_a_run_that_keeps_its_promises_passes(workshop: Workshop) -> None:
    expect = [{"text": "no pump while booting", "signal": "pump", "is": False}]
    result = workshop.carry_out(make_run(expect=expect))
    assert (result.verdict, result.error) == (Verdict.PASS, "")
    assert result.simulated_s == pytest.approx(2.0)


def test_the_same_run_twice_is_the_same(workshop: Workshop) -> None:
    run = make_run(UnitState.START_FLUSH, run={"for_s": 5})
    first, second = workshop.carry_out(run), workshop.carry_out(run)
    assert first.trace is not None
    assert second.trace is not None
    assert same(first.trace, second.trace)
    assert first.requirements == second.requirements


def test_a_state_that_never_comes_is_a_failure_and_not_an_error(workshop: Workshop) -> None:
    step = {"when_state": "LOCKOUT", "limit_s": 3, "command": "stop"}
    result = workshop.carry_out(make_run(step=[step]))
    (finding,) = result.expectations
    assert (result.verdict, result.error, finding.verdict) == (Verdict.FAIL, "", Verdict.FAIL)
    assert finding.name == "step 1: unit 1 comes into LOCKOUT"
    assert (finding.limit, finding.detail) == ("within 3 s", "it is in BOOT")


def test_what_was_to_be_seen_after_a_step_that_was_not_done_fails_too(workshop: Workshop) -> None:
    step = {"when_state": "LOCKOUT", "limit_s": 3, "command": "stop", "name": "cut"}
    expect = [{"text": "it stops", "signal": "pump", "is": False, "after": "cut"}]
    result = workshop.carry_out(make_run(step=[step], expect=expect))
    assert [finding.verdict for finding in result.expectations] == [Verdict.FAIL, Verdict.FAIL]
    assert "never done" in result.expectations[1].detail


def test_a_requirement_that_is_named_and_not_triggered_fails_the_case(workshop: Workshop) -> None:
    result = workshop.carry_out(make_run(requirements=["SR-04"]))
    assert result.verdict is Verdict.FAIL
    assert [finding.name for finding in result.expectations] == ["puts SR-04 to the test"]


def test_a_requirement_that_is_named_and_triggered_does_not(workshop: Workshop) -> None:
    result = workshop.carry_out(make_run(UnitState.START_FLUSH, requirements=["SR-17"]))
    assert result.verdict is Verdict.PASS
    assert result.expectations == []


def test_a_time_that_has_passed_already_is_told(workshop: Workshop) -> None:
    steps = [
        {"when_state": "STANDBY", "after_s": 5, "tank_pct": 40},
        {"at_s": 1, "tank_pct": 50},
    ]
    result = workshop.carry_out(make_run(step=steps))
    assert result.verdict is Verdict.FAIL
    assert result.error == "step 2: at_s = 1 has passed already"


def test_steps_are_done_at_their_moments(workshop: Workshop) -> None:
    steps = [
        {"at_s": 1, "inject": {"target": "suction", "kind": "stuck_at", "value_bar": 0.6}, "name": "low"},
        {"at_s": 3, "clear": "low"},
        {"when_state": "STANDBY", "after_s": 2, "operate": "selector_auto off", "for_s": 1},
    ]
    result = workshop.carry_out(make_run(step=steps, run={"for_s": 3}))
    assert result.trace is not None
    standby_ms = int(result.trace.t_ms[np.argmax(result.trace.unit_state[:, 0] > 0)])
    start_ms = int(result.trace.marks[0].t_ms) - 1000
    seen = [(mark.t_ms - start_ms, mark.what) for mark in result.trace.marks]
    assert seen[:2] == [(1000, "inject"), (3000, "clear")]
    off, on = (mark.t_ms for mark in result.trace.marks[2:])
    assert off - standby_ms == pytest.approx(2000, abs=100)
    assert on - off == 1000


# --- controllers that break down -------------------------------------------------------------------------


class Crashes(Controller):
    """Divides by zero once the pump of unit 1 should start."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        outputs = super().scan(inputs, now_ms)
        if outputs.units[0].pump:
            raise ZeroDivisionError("no flow, no recovery")
        return outputs


class NeverFlushes(Controller):
    """Its flush valves never open, so no unit comes to produce."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        outputs = super().scan(inputs, now_ms)
        units = tuple(unit._replace(flush_valve=False) for unit in outputs.units)
        return outputs._replace(units=units)


def test_a_controller_that_breaks_down_fails_its_run_and_keeps_what_was_seen(tmp_path: Path) -> None:
    (tmp_path / "records").mkdir()
    (tmp_path / "pictures").mkdir()
    workshop = Workshop(pair(), Crashes, 5)

    crashed = workshop.carry_out(make_run(UnitState.PUMP_START))
    before = workshop.carry_out(make_run(UnitState.START_FLUSH))

    assert crashed.verdict is Verdict.FAIL
    assert crashed.error == "the controller failed: ZeroDivisionError: no flow, no recovery"
    assert crashed.trace is not None
    assert len(crashed.trace.t_ms) > 1000
    keep_run(tmp_path, crashed, pair().setpoints.model_dump())
    assert (tmp_path / "records" / "typed.parquet").exists()
    assert before.verdict is Verdict.PASS, "a later run starts afresh"


def test_a_state_that_cannot_be_reached_is_told_with_what_was_seen() -> None:
    result = Workshop(pair(), NeverFlushes, 5).carry_out(make_run(UnitState.DELAY))
    assert result.verdict is Verdict.FAIL
    assert "unit 1 did not come into DELAY" in result.error
    assert result.trace is not None
    assert any(finding.verdict is not Verdict.NOT_EXERCISED for finding in result.requirements)
