"""What a state drives, to the limit of its timers, and what the unit remembers of what it has driven."""

from __future__ import annotations

from typing import Any

import pytest
from unit_views import NOW_MS, ago, driven, view

from controller.parts.timing import NEVER
from controller.signals import SAFE_UNIT_OUTPUTS
from controller.unit.outputs import drive
from controller.unit.states import Trip, UnitState

S = UnitState

SETTLED: dict[str, Any] = {
    "flush_complete": True,
    "feed_ms": ago(900),
    "enable_ms": ago(700),
    "pump_ms": ago(699.8),
    "starts": 41,
    "starts_ms": [ago(699.8)],
}
"""A unit that has produced for a while."""


# --- which cause takes the outputs ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "cause",
    [
        {"contacts": {"isolator_on": False}},
        {"permits": {"estop_open": True}},
        {"age_ms": 1001},
        {"memory": SETTLED | {"selector_off_ms": ago(4.9)}},
    ],
    ids=str,
)
@pytest.mark.parametrize("alarm", [True, False])
def test_each_of_isolator_estop_stale_inputs_and_selector_alone_leaves_only_the_beacon(
    cause: dict[str, Any], alarm: bool
) -> None:
    v = view(S.PRODUCE, 600, **({"memory": SETTLED} | cause))
    v.m.quality_alarm = alarm

    assert drive(v) == SAFE_UNIT_OUTPUTS._replace(beacon=alarm)


@pytest.mark.parametrize(("away_s", "pumps"), [(2.0, True), (2.001, False)])
def test_the_pump_does_not_outlast_the_coast_with_the_selector_away(away_s: float, pumps: bool) -> None:
    outputs = drive(view(S.PRODUCE, 600, memory=SETTLED | {"selector_off_ms": ago(away_s)}))

    assert (outputs.pump, outputs.enable) == (pumps, pumps)
    assert outputs.feed_valve


@pytest.mark.parametrize(("away_s", "feeds"), [(4.8, True), (4.801, False)])
def test_the_feed_valve_may_wait_for_its_turn_for_almost_5_s(away_s: float, feeds: bool) -> None:
    v = view(S.PRODUCE, 600, memory=SETTLED | {"selector_off_ms": ago(away_s)})

    assert drive(v).feed_valve is feeds


# --- beacon and diverter --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "alarm", "lit"),
    [
        (S.PRODUCE, False, False),
        (S.PRODUCE, True, True),
        (S.LOCKOUT, False, True),
        (S.ESTOP, False, True),
        (S.STANDBY, False, False),
    ],
)
def test_the_beacon_is_lit_by_a_quality_alarm_a_lockout_and_an_estop(
    state: UnitState, alarm: bool, lit: bool
) -> None:
    assert drive(view(state, 60, memory={"quality_alarm": alarm})).beacon is lit


@pytest.mark.parametrize(
    ("memory", "to_tank"),
    [
        ({"tds_good_ms": ago(9.9)}, False),
        ({"tds_good_ms": ago(10)}, True),
        ({"divert": True}, True),
    ],
    ids=str,
)
def test_water_goes_to_the_tank_after_10_seconds_of_good_quality_and_then_stays(
    memory: dict[str, Any], to_tank: bool
) -> None:
    v = view(S.PRODUCE, 600, memory=SETTLED | memory)

    assert drive(v).divert is to_tank
    assert v.m.divert is to_tank


# --- valves ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("shut_s", "open_"), [(0, True), (1.9, True), (2, False), (500, False)])
@pytest.mark.parametrize(("state", "trip"), [(S.STOP_FLUSH, Trip.T2), (S.STOPPING, Trip.CLOSE)])
def test_the_flush_valve_closes_2_seconds_after_the_feed_valve(
    state: UnitState, trip: Trip, shut_s: float, open_: bool
) -> None:
    closing = {"closing": True, "trip": trip, "flush_ms": ago(90), "feed_off_ms": ago(shut_s)}

    assert drive(view(state, 30, memory=closing)).flush_valve is open_


@pytest.mark.parametrize("trip", [Trip.T1, Trip.T2, Trip.CLOSE])
@pytest.mark.parametrize(("feed_ms", "flush_ms", "open_"), [(ago(60), NEVER, True), (NEVER, ago(60), False)])
def test_a_stop_keeps_an_open_feed_valve_and_opens_no_shut_one(
    trip: Trip, feed_ms: int, flush_ms: int, open_: bool
) -> None:
    v = view(S.STOPPING, 1, memory={"trip": trip, "feed_ms": feed_ms, "flush_ms": flush_ms})

    assert drive(v).feed_valve is open_


@pytest.mark.parametrize("state", [S.START_FLUSH, S.STOP_FLUSH])
@pytest.mark.parametrize(
    ("feed_ms", "flush_ms", "open_"),
    [
        (NEVER, NEVER, False),
        (NEVER, ago(0.9), False),
        (NEVER, ago(1), True),
        (ago(60), NEVER, True),
        (ago(60), ago(0.1), True),
    ],
)
def test_a_flush_opens_the_feed_valve_1_second_after_the_flush_valve_and_keeps_an_open_one(
    state: UnitState, feed_ms: int, flush_ms: int, open_: bool
) -> None:
    v = view(state, 0.1, memory={"feed_ms": feed_ms, "flush_ms": flush_ms})

    out = drive(v)

    assert (out.feed_valve, out.flush_valve) == (open_, True)


@pytest.mark.parametrize(("both_s", "open_"), [(240, True), (240.001, False)])
def test_feed_and_flush_are_never_open_together_for_longer_than_the_longest_start_flush(
    both_s: float, open_: bool
) -> None:
    flushing = {"feed_ms": ago(900), "flush_ms": ago(900), "both_ms": ago(both_s)}

    out = drive(view(S.START_FLUSH, 900, memory=flushing))

    assert (out.feed_valve, out.flush_valve) == (open_, open_)


# --- what is remembered ---------------------------------------------------------------------------------


def test_a_scan_that_drives_the_same_again_changes_nothing() -> None:
    assert driven(view(S.PRODUCE, 600, memory=SETTLED)) == {}


def test_a_pump_start_is_counted_once_and_its_moment_kept() -> None:
    ready = SETTLED | {"pump_ms": NEVER, "pump_off_ms": ago(4000), "enable_ms": ago(0.2)}

    assert driven(view(S.PUMP_START, 0.2, memory=ready)) == {
        "pump_ms": NOW_MS,
        "pump_off_ms": NEVER,
        "starts": 42,
        "starts_ms": [ago(699.8), NOW_MS],
    }


def test_the_pump_waits_for_the_enable_contactor_to_lead_by_200_milliseconds() -> None:
    before = SETTLED | {"pump_ms": NEVER, "enable_ms": NEVER}

    assert driven(view(S.PUMP_START, memory=before)) == {"enable_ms": NOW_MS}
    assert driven(view(S.PUMP_START, memory=before | {"enable_ms": ago(0.199)})) == {}


def test_a_pump_that_stops_takes_enable_and_the_start_flush_of_its_run_with_it() -> None:
    v = view(S.STOPPING, memory=SETTLED | {"trip": Trip.T1, "divert": True})

    assert driven(v) == {
        "pump_ms": NEVER,
        "pump_off_ms": NOW_MS,
        "enable_ms": NEVER,
        "flush_complete": False,
        "divert": False,
    }


def test_a_feed_valve_that_opens_has_proven_nothing_yet() -> None:
    led = {"flush_ms": ago(1), "feed_off_ms": ago(5000), "feed_proven": True}

    assert driven(view(S.START_FLUSH, 1, memory=led)) == {
        "feed_ms": NOW_MS,
        "feed_off_ms": NEVER,
        "feed_proven": False,
        "both_ms": NOW_MS,
    }


def test_a_feed_valve_that_closes_ends_the_spell_of_both_valves_and_the_flush_valve_stays() -> None:
    flushing = {"feed_ms": ago(80), "flush_ms": ago(81), "both_ms": ago(80), "feed_proven": True}
    v = view(S.STOP_FLUSH, 81, memory=flushing | {"closing": True})

    assert driven(v) == {"feed_ms": NEVER, "feed_off_ms": NOW_MS, "feed_proven": False, "both_ms": NEVER}


def test_a_purge_is_no_spell_of_both_valves_with_the_pump_off() -> None:
    assert driven(view(S.PURGE, memory=SETTLED)) == {"flush_ms": NOW_MS}
    assert driven(view(S.PRODUCE, memory=SETTLED | {"flush_ms": ago(20)})) == {"flush_ms": NEVER}


@pytest.mark.parametrize("state", [S.PUMP_START, S.PRODUCE, S.PURGE, S.QUALITY_FLUSH])
def test_without_a_whole_start_flush_neither_pump_nor_enable_is_driven(state: UnitState) -> None:
    out = drive(view(state, 600, memory=SETTLED | {"flush_complete": False}))

    assert (out.pump, out.enable) == (False, False)


def test_outputs_taken_by_an_open_estop_chain_are_remembered_as_off_from_then_on() -> None:
    v = view(S.PRODUCE, 600, memory=SETTLED, permits={"estop_open": True})

    assert driven(v) == {
        "feed_ms": NEVER,
        "feed_off_ms": NOW_MS,
        "enable_ms": NEVER,
        "pump_ms": NEVER,
        "pump_off_ms": NOW_MS,
        "flush_complete": False,
    }
