"""A failing run is reduced to what matters, and what is left fails again."""

from __future__ import annotations

from typing import Any

import pytest
from bench_samples import make_run, pair

from controller.firmware import Controller
from controller.settings import Setpoints
from controller.signals import Inputs, Outputs
from controller.unit.states import UnitState
from sim_plant.bench.cases import Run
from sim_plant.bench.failures import Kind, NotFailingError
from sim_plant.bench.milder import mildest, round_between
from sim_plant.bench.runner import Workshop
from sim_plant.bench.shrink import Shrunk, shrink
from sim_plant.bench.verdicts import Finding, RunResult, Verdict

DIP = {"target": "suction", "kind": "stuck_at", "value_bar": 0.6}
NEEDLESS = [
    {"at_s": 0.5, "operate": "selector_auto off", "unit": 1, "for_s": 3},
    {"at_s": 1, "name": "noise", "inject": {"target": "membrane", "kind": "noise", "value_pct_span": 0.1}},
    {"at_s": 1.5, "wall_clock_s": 60},
]
AFTERWARDS = [
    {"at_s": 30, "clear": "noise"},
    {"at_s": 31, "command": "stop", "unit": 1},
    {"at_s": 33, "demand_m3h": 5},
]
STAYS_ON = {"text": "the pump stays on", "signal": "pump", "is": True, "until_s": 15}
FLOWS = {"text": "it is fed", "signal": "feed_valve", "is": True, "after": "noise", "until_s": 2}


class Hasty(Controller):
    """Trips on a dip that should have been ridden through."""

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        super().__init__(n_units, setpoints.model_copy(update={"suction_trip_s": 2.0}), retained_text)


class Crashes(Controller):
    """Cannot bear the emergency stop."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        if not inputs.bank.estop_healthy:
            raise ZeroDivisionError("no unit left")
        return super().scan(inputs, now_ms)


@pytest.fixture(scope="module")
def hasty() -> Workshop:
    return Workshop(pair(), Hasty, 5)


@pytest.fixture(scope="module")
def right() -> Workshop:
    return Workshop(pair(), Controller, 5)


def producing(*steps: dict[str, Any], for_s: float = 40, **tables: Any) -> Run:
    given = {"states": ["PRODUCE"], "unit": 2, "offset_s": 7, "tank_pct": 40, "demand_m3h": 3}
    given |= tables.pop("given", {})
    return make_run(UnitState.PRODUCE, given=given, step=list(steps), run={"for_s": for_s}, **tables)


def failed(result: RunResult) -> list[Finding]:
    return [f for f in (*result.requirements, *result.expectations) if f.verdict is Verdict.FAIL]


def shrunk_from(workshop: Workshop, run: Run, **options: Any) -> Shrunk:
    return shrink(workshop, run, failed(workshop.carry_out(run)), **options)


def messy() -> Run:
    return producing(
        *NEEDLESS,
        {"at_s": 20, "name": "low", "inject": DIP, "for_s": 4},
        *AFTERWARDS,
        expect=[FLOWS, {**STAYS_ON, "until_s": 40}],
        requirements=["SR-04", "SR-17"],
    )


# --- a requirement ---------------------------------------------------------------------------------------


def test_the_one_step_that_breaks_a_requirement_is_left(hasty: Workshop) -> None:
    small = shrunk_from(hasty, messy())
    case = small.run.case

    assert (small.goal.name, small.goal.kind) == ("SR-04", Kind.REQUIREMENT)
    assert small.complete
    assert [step.inject.target for step in case.step if step.inject] == ["suction"]
    assert len(case.step) == 1
    assert (case.expect, case.requirements) == ((), ("SR-04",))
    assert (case.given.unit, case.given.offset_s) == (1, 0)
    assert (case.given.tank_pct, case.given.demand_m3h) == (None, None)
    assert small.after_strike_s is not None
    assert small.after_strike_s < 20 + case.run.for_s <= small.after_strike_s + 10


def test_what_is_left_fails_at_the_same_requirement_and_moment_again(
    hasty: Workshop, right: Workshop
) -> None:
    small = shrunk_from(hasty, messy())
    again = Workshop(pair(), Hasty, 5).carry_out(small.run)
    strike_ms = int(again.trace.t_ms[again.shared_rows]) if again.trace else 0
    sr_04 = next(f for f in failed(again) if f.name == "SR-04")

    assert sr_04.at_ms is not None
    assert small.after_strike_s == (sr_04.at_ms - strike_ms) / 1000.0
    assert failed(right.carry_out(small.run)) == []


def test_the_same_run_shrinks_to_the_same_file(hasty: Workshop) -> None:
    assert shrunk_from(hasty, messy()).toml() == shrunk_from(Workshop(pair(), Hasty, 5), messy()).toml()


@pytest.mark.parametrize("limit", [1, 4])
def test_no_more_runs_are_tried_than_allowed_and_each_is_told(hasty: Workshop, limit: int) -> None:
    told: list[tuple[int, str]] = []
    small = shrunk_from(hasty, messy(), limit=limit, told=lambda tried, what: told.append((tried, what)))

    assert small.tried == limit
    assert [tried for tried, _what in told] == list(range(1, limit + 1))
    assert not small.complete
    assert "all that were allowed" in small.words()
    assert failed(hasty.carry_out(small.run)) != []


# --- an expectation --------------------------------------------------------------------------------------


def test_an_expectation_that_something_broke_keeps_only_what_broke_it(hasty: Workshop) -> None:
    run = messy()
    broken = [f for f in failed(hasty.carry_out(run)) if f.name == "the pump stays on"]
    small = shrink(hasty, run, broken)
    case = small.run.case

    assert small.goal.kind is Kind.BROKEN
    assert [step.inject.target for step in case.step if step.inject] == ["suction"]
    assert len(case.step) == 1
    assert case.step[0].for_s == 3
    assert [e.text for e in case.expect] == ["the pump stays on"]
    assert case.expect[0].until_s == pytest.approx(20 + case.run.for_s)
    assert small.after_strike_s == pytest.approx(case.expect[0].until_s, abs=0.6)


def test_a_step_that_made_the_expectation_right_is_not_dropped(right: Workshop) -> None:
    run = producing(
        *NEEDLESS,
        {"at_s": 5, "name": "stop", "command": "stop"},
        {"at_s": 30, "operate": "selector_auto off", "unit": 1, "for_s": 2},
        {"at_s": 35, "command": "start"},
        expect=[{"text": "off for good", "signal": "pump", "is": False, "from_s": 10}],
        for_s=400,
    )
    small = shrink(right, run, [Finding("off for good", Verdict.FAIL)])

    assert (small.goal.name, small.goal.kind) == ("off for good", Kind.BROKEN)
    assert [step.command for step in small.run.case.step] == ["stop", "start"]


def test_where_a_reaction_never_came_only_what_follows_its_window_goes(right: Workshop) -> None:
    run = producing(
        *NEEDLESS,
        {"at_s": 20, "name": "low", "inject": DIP},
        *AFTERWARDS,
        expect=[FLOWS, {"text": "off", "signal": "pump", "is": False, "after": "low", "within_s": 2}],
    )
    small = shrunk_from(right, run)

    assert small.goal.kind is Kind.MISSING
    assert len(small.run.case.step) == 4
    assert small.run.case.run.for_s == 2.5
    assert small.run.case.given == run.case.given


def test_a_fault_is_made_as_mild_as_still_breaks_it(right: Workshop) -> None:
    inject = {"target": "source", "kind": "chlorine", "value_mgl": 1.9371}
    run = producing({"at_s": 1, "inject": inject}, expect=[{**STAYS_ON, "until_s": 100}], for_s=120)
    small = shrunk_from(right, run)
    injected = small.run.case.step[0].inject

    assert injected is not None
    assert injected.value is not None
    assert 0.05 < injected.value < 0.5  # the line runs from 0.05; the trip is at chlorine_trip_mgl
    assert len(f"{injected.value:g}") <= 5


# --- an error, nothing -----------------------------------------------------------------------------------


def test_a_crash_is_reduced_to_the_same_crash() -> None:
    workshop = Workshop(pair(), Crashes, 5)
    run = producing(*NEEDLESS, {"at_s": 20, "operate": "estop_healthy off"}, *AFTERWARDS)
    small = shrink(workshop, run, ())

    assert small.goal.kind is Kind.ERROR
    assert "no unit left" in small.goal.name
    assert [step.operate for step in small.run.case.step] == ["estop_healthy off"]


def test_a_run_that_does_not_fail_there_is_refused(right: Workshop) -> None:
    with pytest.raises(NotFailingError, match="run typed does not fail again at SR-04"):
        shrink(right, producing(), [Finding("SR-04", Verdict.FAIL)])


# --- values ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "middle"),
    [(0.05, 2.0, 1.0), (4800, 9600, 7000), (2.0, 2.0, None), (-0.05, -0.5, -0.3), (0.0, 1e-6, None)],
)
def test_the_middle_of_two_values_is_a_round_one(one: float, other: float, middle: float | None) -> None:
    assert round_between(one, other) == middle


def test_the_mildest_value_is_that_of_the_line_that_reaches_to_it() -> None:
    assert mildest("source", "temperature", 45.0) == 30.0  # too warm
    assert mildest("source", "temperature", 12.0) == 18.0  # too cold
    assert mildest("source", "temperature", 25.0) is None
    assert mildest("suction", "stuck_at", 0.6) is None  # a reading has no mild side
