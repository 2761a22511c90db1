"""Stops that must come within a time: one table, because all of them are tried alike.

A unit produces; at 200 s a cause appears; all outputs of the bank go to 0 after a given time.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hand_traces import AT_DESK, DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.monitors import Context
from sim_plant.bench.verdicts import Verdict

CAUSE_S = 200.0


@dataclass(frozen=True)
class Cause:
    """``limit_s`` is what the requirement prints; ``held_s`` how long the cause must be there to count."""

    requirement: str
    name: str
    value: float | bool
    limit_s: float
    held_s: float
    unit: int = 1
    raw: bool = False

    def __str__(self) -> str:
        return f"{self.requirement} {self.name}"


CAUSES = (
    Cause("SR-04", "suction_ma", 0.6, 5.5, 5.0),
    Cause("SR-05", "suction_ma", 0.1, 1.5, 1.0),
    Cause("SR-05", "suction_ok", False, 1.5, 1.0),
    Cause("SR-08", "membrane_ma", 16.5, 1.0, 0.5),
    Cause("SR-09", "discharge_ok", False, 0.3, 0.0),
    Cause("SR-10", "motor_healthy", False, 0.3, 0.0),
    Cause("SR-11", "pump_running", False, 2.5, 2.0),
    Cause("SR-24", "permeate_cond_ma", 0.0, 63.0, 62.0, raw=True),
    Cause("SR-26", "suction_ma", 0.0, 2.5, 2.0, raw=True),
    Cause("SR-26", "suction_ma", 21.5, 2.5, 2.0, raw=True),
    Cause("SR-27", "tank_level_ma", 95.0, 2.0, 0.0, unit=0),
    Cause("SR-28", "tank_not_overfull", False, 0.3, 0.0, unit=0),
    Cause("SR-29", "tank_level_ma", 0.0, 63.0, 62.0, unit=0, raw=True),
    Cause("SR-30", "skid_dry", False, 2.5, 2.0),
    Cause("SR-31", "floor_dry", False, 2.5, 2.0, unit=0),
    Cause("SR-32", "sump_ok", False, 2.5, 2.0, unit=0),
    Cause("SR-33", "estop_healthy", False, 0.5, 0.0, unit=0),
    Cause("SR-34", "chlorine_ma", 0.2, 10.5, 10.0, unit=0),
    Cause("SR-35", "feed_temp_ma", 43.0, 10.5, 10.0, unit=0),
    Cause("SR-40", "drive_healthy", False, 1.0, 0.0, unit=0),
    Cause("SR-40", "source_wet", False, 1.0, 0.0, unit=0),
    Cause("SR-41", "permeate_ok", False, 1.0, 0.5),
    Cause("SR-50", "selector_auto", False, 0.5, 0.0),
)
LATCHING = ("SR-08", "SR-10", "SR-26", "SR-28", "SR-33", "SR-34", "SR-35", "SR-41")

each_cause = pytest.mark.parametrize("cause", CAUSES, ids=str)


def producing(seconds: float = 420.0) -> Story:
    """Unit 1 produces from 136 s on."""
    return Story(seconds).produce(10, seconds + 10, unit=1)


def with_cause(story: Story, cause: Cause, lasting_s: float = 1000.0) -> Story:
    return story.during(CAUSE_S, CAUSE_S + lasting_s, cause.name, cause.value, cause.unit, raw=cause.raw)


def all_off(story: Story, at_s: float) -> Story:
    return story.cut(at_s, 1).cut(at_s, 2).set(at_s, "booster_run", False)


@each_cause
def test_an_answer_within_the_printed_limit_passes(cause: Cause) -> None:
    story = all_off(with_cause(producing(), cause), CAUSE_S + cause.limit_s)

    finding = story.judge(cause.requirement)

    assert finding.verdict is Verdict.PASS
    assert finding.margin == pytest.approx(0.1)  # the scan that is always allowed
    assert finding.at_ms == CAUSE_S * 1000


@pytest.mark.parametrize("cause", [cause for cause in CAUSES if cause.held_s == 0], ids=str)
def test_an_answer_in_the_very_scan_of_the_cause_is_a_trigger(cause: Cause) -> None:
    finding = all_off(with_cause(producing(), cause), CAUSE_S).judge(cause.requirement)

    assert finding.verdict is Verdict.PASS
    assert finding.margin == pytest.approx(cause.limit_s + 0.1)


@each_cause
def test_an_answer_one_scan_beyond_the_tolerance_fails(cause: Cause) -> None:
    story = all_off(with_cause(producing(), cause), CAUSE_S + cause.limit_s + 0.2)

    finding = story.judge(cause.requirement)

    assert finding.verdict is Verdict.FAIL
    assert finding.margin == pytest.approx(-0.1)


@each_cause
def test_no_answer_at_all_fails(cause: Cause) -> None:
    assert with_cause(producing(), cause).verdict(cause.requirement) is Verdict.FAIL


@each_cause
def test_a_record_that_ends_before_the_limit_shows_nothing(cause: Cause) -> None:
    story = with_cause(producing(CAUSE_S + cause.limit_s), cause)

    assert story.verdict(cause.requirement) is Verdict.NOT_EXERCISED


@each_cause
def test_a_cause_without_supply_is_no_cause(cause: Cause) -> None:
    """Inputs read anything while the supply is gone."""
    story = with_cause(producing(), cause, lasting_s=5.0).cut(CAUSE_S, 1)
    story.lose_power(CAUSE_S, CAUSE_S + 5.0)

    assert story.verdict(cause.requirement) is Verdict.NOT_EXERCISED


@pytest.mark.parametrize("cause", [cause for cause in CAUSES if cause.held_s >= 2], ids=str)
def test_a_cause_that_goes_before_its_time_asks_for_nothing(cause: Cause) -> None:
    story = with_cause(producing(), cause, lasting_s=cause.held_s - 0.1)

    assert story.verdict(cause.requirement) is Verdict.NOT_EXERCISED


@each_cause
def test_an_answer_nearer_to_the_limit_than_the_uncertainty_decides_nothing(cause: Cause) -> None:
    target = Context(flush_slots=1, uncertainty_ms=150)
    inside = all_off(with_cause(producing(), cause), CAUSE_S + cause.limit_s)
    beyond = all_off(with_cause(producing(), cause), CAUSE_S + cause.limit_s + 0.2)
    far_beyond = all_off(with_cause(producing(), cause), CAUSE_S + cause.limit_s + 0.4)

    verdicts = [story.verdict(cause.requirement, context=target) for story in (inside, beyond, far_beyond)]

    assert verdicts == [Verdict.INCONCLUSIVE, Verdict.INCONCLUSIVE, Verdict.FAIL]


@pytest.mark.parametrize("cause", [cause for cause in CAUSES if cause.requirement in LATCHING], ids=str)
def test_a_latched_stop_needs_a_reset(cause: Cause) -> None:
    def restarted(*, reset: bool) -> Verdict:
        story = with_cause(producing(600), cause, lasting_s=90.0)
        all_off(story, CAUSE_S + cause.limit_s).set(400, "booster_run", True)
        if reset:
            story.press_reset(370.0)
        return story.produce(430, 700, unit=1).verdict(cause.requirement)

    assert restarted(reset=True) is Verdict.PASS
    assert restarted(reset=False) is Verdict.FAIL


@pytest.mark.parametrize("cause", [cause for cause in CAUSES if cause.requirement in LATCHING], ids=str)
def test_a_button_held_too_long_is_no_reset(cause: Cause) -> None:
    story = with_cause(producing(600), cause, lasting_s=90.0)
    all_off(story, CAUSE_S + cause.limit_s).set(400, "booster_run", True)
    story.press_reset(370.0, for_s=3.3).produce(430, 700, unit=1)

    assert story.verdict(cause.requirement) is Verdict.FAIL


@pytest.mark.parametrize(
    ("requirement", "changed"),
    [
        ("SR-04", {"suction_trip_s": 4}),
        ("SR-04", {"suction_trip_bar": 0.5}),
        ("SR-05", {"suction_fast_s": 0.5}),
        ("SR-08", {"discharge_trip_s": 0.2}),
        ("SR-08", {"discharge_trip_bar": 17}),
        ("SR-11", {"feedback_s": 1}),
        ("SR-24", {"quality_bad_s": 50}),
        ("SR-27", {"tank_stop_pct": 96}),
        ("SR-29", {"bank_sensor_bad_s": 50}),
        ("SR-30", {"leak_s": 1}),
        ("SR-31", {"leak_s": 1}),
        ("SR-32", {"leak_s": 1}),
        ("SR-34", {"water_trip_s": 9}),
        ("SR-34", {"chlorine_trip_mgl": 0.25}),
        ("SR-35", {"temp_trip_degc": 44}),
        ("SR-41", {"permeate_trip_s": 0.2}),
    ],
)
def test_a_changed_setpoint_changes_the_verdict(requirement: str, changed: dict[str, float]) -> None:
    cause = next(cause for cause in CAUSES if cause.requirement == requirement)
    story = all_off(with_cause(producing(), cause), CAUSE_S + cause.limit_s)

    before = story.verdict(requirement, DEFAULTS, AT_DESK)
    after = story.verdict(requirement, Setpoints(**changed), AT_DESK)

    assert before is Verdict.PASS
    assert after is not Verdict.PASS
