"""Every requirement between two scripted traces one scan apart: one passes by a hair, the other must fail.

``HAIRS`` has a row for each requirement, and a new requirement without one is found. ``build`` types the
story for one number, mostly a time in seconds; ``at_s`` is the moment that the failing finding must name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest
from hand_traces import DEFAULTS, Story
from test_monitors_flushing import cut_flush, stopped, stopped_beside_purges
from test_monitors_link import lost
from test_monitors_link import running as linked
from test_monitors_people import chattering, dipped, halted, maintained
from test_monitors_pump import welded, welded_then_stale
from test_monitors_purging import purged
from test_monitors_quality import PUMP_S, bad_water
from test_monitors_reactions import CAUSE_S, CAUSES, all_off, producing, with_cause
from test_monitors_suction import failing_suction
from test_monitors_water import (
    GRACE,
    antiscalant_low,
    around_a_forced_one,
    bank_started,
    booster_blinks,
    booster_started,
    dosing_lost,
)

from controller.settings import Setpoints
from sim_plant.bench.monitors import REQUIREMENTS, Context
from sim_plant.bench.port import Answered
from sim_plant.bench.verdicts import Verdict

SCAN_S = 0.1


@dataclass(frozen=True)
class Hair:
    """``passes`` and ``fails`` are one scan apart; ``reference`` is the undisturbed story, where needed."""

    id: str
    build: Callable[[float], Story]
    passes: float
    fails: float
    at_s: float
    setpoints: Setpoints = DEFAULTS
    reference: Callable[[], Story] | None = None

    def context(self) -> Context:
        return Context(1, reference=None if self.reference is None else self.reference().trace())


def answered_after(number: int) -> Callable[[float], Story]:
    """The first cause of this requirement; everything is off so long after it."""
    cause = next(cause for cause in CAUSES if cause.requirement == f"SR-{number:02d}")
    return lambda after_s: all_off(with_cause(producing(), cause), CAUSE_S + after_s)


def started(flushed_s: float) -> Story:
    return Story(300).produce(10, 290, unit=1, flushed_s=flushed_s)


def restarted(off_s: float) -> Story:
    """Two runs of unit 1; the pump rests for so long between them."""
    return Story(700).produce(10, 400, unit=1).produce(400 + off_s - 56, 690, unit=1, flushed_s=50.0)


def two_starts(apart_s: float) -> Story:
    return Story(400).produce(10, 390, unit=1).produce(10 + apart_s, 390, unit=2)


def overlapping(overlap_s: float) -> Story:
    story = Story(300).during(10, 100, "flush_valve", True, 1)
    return story.during(100 - overlap_s, 200, "flush_valve", True, 2)


def bad_after_purge(stop_s: float) -> Story:
    """The purge ends at 420 s and blanks until 450 s; the water is bad from 421 s on."""
    return bad_water(at_s=421, seconds=600).purge(400, 1).cut(stop_s, 1)


def diverted(after_s: float) -> Story:
    return Story(400).produce(10, 390, unit=1).during(PUMP_S + after_s, 390, "divert", True, 1)


def uncertain(stop_s: float) -> Story:
    """A loop is uncertain until 300 s; the pump stops without another cause."""
    story = Story(400).produce(10, 390, unit=1).cut(stop_s, 1)
    return story.during(200, 300, "permeate_flow_ma", 3.7, 1, raw=True)


def still_water(for_s: float) -> Story:
    story = Story(300).produce(10, 200, unit=1).set(200, "feed_flow_ma", 0.1)
    return story.set(200 + for_s, "dosing_run", False)


def on_after_boot(first_s: float) -> Story:
    return Story(60).during(first_s, 50, "feed_valve", True, 1)


def stale(off_s: float) -> Story:
    """The image of unit 1 is that of 200 s; all its outputs go off at a moment."""
    return producing().freeze(200, 300, unit=1).cut(off_s, 1)


def heartless(off_s: float) -> Story:
    """The shared image is that of 200 s until 260 s; the alarm shows, the pump goes off at a moment."""
    return producing().freeze(200, 260).set(201, "alarm_relay", False).cut(off_s, 1)


def in_maintenance(at_s: float) -> Story:
    return maintained().during(at_s, 500, "pump", True, 1)


def reset_with_cause(at_s: float) -> Story:
    story = Story(300).set(100, "motor_healthy", False, 1).press_reset(150)
    return story.set(at_s, "feed_valve", True, 1)


def closed_apart(apart_s: float) -> Story:
    story = Story(300).during(100, 200, "feed_valve", True, 1)
    return story.during(100, 200 + apart_s, "feed_valve", True, 2)


def booster_runs_on(for_s: float) -> Story:
    return Story(300).produce(10, 200, unit=1).set(202 + for_s, "booster_run", False)


def quiet_after_dip(for_s: float) -> Story:
    return dipped(1.0).flush(201 + for_s, 30, unit=2)


def chatter_answered(again_s: float) -> Story:
    story = chattering().during(100, 200.5, "feed_valve", True, 1)
    return story.during(again_s, 290, "feed_valve", True, 1)


def journalled(line_s: float) -> Story:
    """The pump stops at 200 s; its cause stands in the journal at a moment."""
    return Story(300).produce(10, 200, unit=1).journal(line_s, 1, "PRODUCE > STOPPING, then STANDBY: stop")


def written(value: float) -> Story:
    """A start flush of so many seconds is accepted; 600 s are the most."""
    answer = Answered("start_flush_s", value, "somebody", True, 120.0, value)
    return Story(60).mark(20, "setpoint", answer.words())


def purging(at_s: float) -> Story:
    """Unit 2 produces and purges from a moment on."""
    return Story(900).produce(10, 950, unit=2).purge(at_s, 2)


def reference_purge() -> Story:
    return purging(300)


def clock_stepped(at_s: float) -> Story:
    return purging(at_s).mark(250, "clock", "+3600 s")


def other_silent(at_s: float) -> Story:
    return purging(at_s).mark(250, "inject", "unit_io lost", 1)


def acknowledged(at_s: float) -> Story:
    return purging(at_s).command(250, "acknowledge", 2)


HAIRS = (
    Hair(
        "SR-01",
        lambda s: Story(300).produce(10, 200, 1).set(200 - s, "feed_valve", False, 1),
        0.1,
        0.2,
        199.8,
    ),
    Hair("SR-02", started, 117.5, 117.4, 133.4),
    Hair("SR-03", cut_flush, 117.5, 117.4, 323.4),
    Hair("SR-04", answered_after(4), 5.6, 5.7, 200),
    Hair("SR-05", answered_after(5), 1.6, 1.7, 200),
    Hair("SR-06", lambda s: failing_suction([s]), 58.7, 58.6, 201.2),
    Hair("SR-07", lambda s: failing_suction([60.0], flushed_s=s), 117.5, 117.4, 381.0),
    Hair("SR-08", answered_after(8), 1.1, 1.2, 200),
    Hair("SR-09", answered_after(9), 0.4, 0.5, 200),
    Hair("SR-10", answered_after(10), 0.4, 0.5, 200),
    Hair("SR-11", answered_after(11), 2.6, 2.7, 200),
    Hair("SR-12", lambda s: welded(enable_off_s=0.0, alarm_s=s), 2.6, 2.7, 200),
    Hair("SR-13", restarted, 88.1, 88.0, 488.0),
    Hair("SR-14", two_starts, 9.8, 9.7, 145.7),
    Hair("SR-15", lambda s: purged([700, s], seconds=2200), 1944.5, 1944.6, 720),
    Hair("SR-16", lambda s: Story(400).produce(10, 390, 1).purge(200, 1, for_s=s), 19.4, 19.3, 200),
    Hair("SR-17", overlapping, 0.1, 0.2, 99.8),
    Hair("SR-18", lambda s: Story(400).during(10, 10 + s, "flush_valve", True, 1), 243.6, 243.7, 10),
    Hair("SR-19", lambda s: stopped().flush(s, 75, unit=1), 324.1, 324.2, 200),
    Hair("SR-20", lambda s: bad_water().purge(300 + s, 1, for_s=60), 35.1, 35.2, 300),
    Hair("SR-21", bad_after_purge, 450.1, 450.0, 450.0),
    Hair("SR-22", lambda s: bad_water(at_s=PUMP_S).cut(PUMP_S + s, 1), 155.6, 155.7, 136),
    Hair("SR-23", diverted, 117.5, 117.4, 253.4),
    Hair("SR-24", answered_after(24), 63.1, 63.2, 200),
    Hair("SR-25", uncertain, 300.1, 300.0, 300.0),
    Hair("SR-26", answered_after(26), 2.6, 2.7, 200),
    Hair("SR-27", answered_after(27), 2.1, 2.2, 200),
    Hair("SR-28", answered_after(28), 0.4, 0.5, 200),
    Hair("SR-29", answered_after(29), 63.1, 63.2, 200),
    Hair("SR-30", answered_after(30), 2.6, 2.7, 200),
    Hair("SR-31", answered_after(31), 2.6, 2.7, 200),
    Hair("SR-32", answered_after(32), 2.6, 2.7, 200),
    Hair("SR-33", answered_after(33), 0.6, 0.7, 200),
    Hair("SR-34", answered_after(34), 10.6, 10.7, 200),
    Hair("SR-35", answered_after(35), 10.6, 10.7, 200),
    Hair("SR-36", antiscalant_low, 320.1, 320.2, 200, setpoints=GRACE),
    Hair("SR-37", dosing_lost, 263.2, 263.3, 199.1),
    Hair("SR-38", still_water, 5.1, 5.2, 200),
    Hair("SR-39", bank_started, 30.6, 30.7, 40),
    Hair("SR-40", answered_after(40), 1.1, 1.2, 200),
    Hair("SR-41", answered_after(41), 1.1, 1.2, 200),
    Hair("SR-42", on_after_boot, 4.4, 4.3, 0),
    Hair("SR-43", halted, 2.6, 2.7, 200),
    Hair("SR-44", clock_stepped, 300.2, 300.3, 300, reference=reference_purge),
    Hair("SR-45", lambda s: lost(linked(), off_after_s=s), 2.6, 2.7, 200),
    Hair("SR-46", stale, 201.7, 201.8, 201.1),
    Hair("SR-47", heartless, 206.1, 206.2, 200),
    Hair("SR-48", other_silent, 550.0, 550.1, 300, reference=reference_purge),
    Hair("SR-49", in_maintenance, 400.0, 399.9, 399.9),
    Hair("SR-50", answered_after(50), 0.6, 0.7, 200),
    Hair("SR-51", reset_with_cause, 152.1, 152.0, 152.0),
    Hair("SR-52", closed_apart, 0.8, 0.7, 200.7),
    Hair("SR-53", booster_runs_on, 5.1, 5.2, 202),
    Hair("SR-54", quiet_after_dip, 4.4, 4.3, 201),
    Hair("SR-55", journalled, 200.1, 200.2, 200),
    Hair("SR-56", written, 600.0, 600.1, 20),
    Hair("SR-57", acknowledged, 300.0, 300.1, 300, reference=reference_purge),
    Hair("SR-58", chatter_answered, 201.4, 201.3, 201.3),
)
MORE_HAIRS = {
    "beside purges": Hair("SR-19", lambda s: stopped_beside_purges().flush(s, 75, 1), 324.1, 324.2, 200),
    "then stale": Hair("SR-12", welded_then_stale, 202.6, 202.7, 200),
    "for one scan": Hair("SR-53", booster_blinks, 5.1, 5.2, 202),
    "in a start": Hair("SR-53", booster_started, 120.1, 120.2, 20),
    "after a forced one": Hair("SR-52", lambda s: around_a_forced_one(204.6, s), 205.8, 205.7, 205.7),
    "with a forced one": Hair("SR-52", lambda s: around_a_forced_one(s, 205), 204.2, 204.3, 205),
}
"""A second pair for a requirement that once judged such a story wrongly."""

each_hair = pytest.mark.parametrize(
    "hair",
    [*HAIRS, *MORE_HAIRS.values()],
    ids=[*(hair.id for hair in HAIRS), *(f"{hair.id} {what}" for what, hair in MORE_HAIRS.items())],
)


def test_every_requirement_has_its_hair() -> None:
    assert [hair.id for hair in HAIRS] == [rule.id for rule in REQUIREMENTS]


@each_hair
def test_the_two_traces_are_one_scan_apart(hair: Hair) -> None:
    assert abs(hair.passes - hair.fails) == pytest.approx(SCAN_S)


@each_hair
def test_one_passes_by_a_hair(hair: Hair) -> None:
    finding = hair.build(hair.passes).judge(hair.id, hair.setpoints, hair.context())

    assert finding.verdict is Verdict.PASS
    assert finding.triggers >= 1
    if finding.margin_unit == "s":
        assert finding.margin == pytest.approx(0.0)


@each_hair
def test_the_other_fails_at_the_right_moment(hair: Hair) -> None:
    finding = hair.build(hair.fails).judge(hair.id, hair.setpoints, hair.context())

    assert finding.verdict is Verdict.FAIL
    assert finding.at_ms == pytest.approx(1000 * hair.at_s)
    if finding.margin_unit == "s":
        assert finding.margin == pytest.approx(-SCAN_S)
