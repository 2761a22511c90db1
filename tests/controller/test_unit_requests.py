"""What a unit asks of the bank, and what it tells it: the only thing that passes from one to the other."""

from __future__ import annotations

from typing import Any

import pytest
from unit_views import ago, view

from controller.parts.timing import NEVER
from controller.unit.permits import Request, Want
from controller.unit.progress import quality_flush_due, request, want
from controller.unit.states import Event, Trip, UnitState
from controller.unit.view import View

S = UnitState
OWED = {"flush_owed": True}
T1, T2 = {"trip": Trip.T1}, {"trip": Trip.T2}
ALARM = {"quality_flush_due": True}


# --- flush slots ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("memory", "permits", "wanted"),
    [
        ({}, {}, Want.START_FLUSH),
        ({"blocked_by": Event.STARTS_LIMIT}, {}, Want.NONE),
        ({}, {"ready": False}, Want.NONE),
        ({}, {"may_start": False}, Want.NONE),
    ],
)
def test_a_called_unit_asks_for_its_start_flush_when_only_the_slot_is_missing(
    memory: dict[str, Any], permits: dict[str, Any], wanted: Want
) -> None:
    assert want(view(S.WAIT_PERMIT, memory=memory, permits=permits)) is wanted


@pytest.mark.parametrize(
    ("for_s", "memory", "ready", "wanted"),
    [
        (119.9, T2, True, Want.STOP_FLUSH),
        (120, T2, True, Want.NONE),
        (2, T2, False, Want.NONE),
        (2, T1, True, Want.NONE),
    ],
)
def test_only_an_ordinary_stop_asks_for_a_flush_and_for_120_seconds(
    for_s: float, memory: dict[str, Any], ready: bool, wanted: Want
) -> None:
    assert want(view(S.STOPPING, for_s, memory=memory, permits={"ready": ready})) is wanted


@pytest.mark.parametrize(
    ("produced_s", "wanted"),
    [(99.9, Want.NONE), (100, Want.PURGE), (899.9, Want.PURGE), (900, Want.LATE_PURGE)],
)
def test_a_head_start_makes_a_purge_due_sooner_and_late_no_sooner(produced_s: float, wanted: Want) -> None:
    spread = {"purge_from_ms": ago(produced_s), "purge_ahead_ms": 500_000}

    assert want(view(S.PRODUCE, memory=spread)) is wanted


@pytest.mark.parametrize(
    ("produced_s", "memory", "wanted"),
    [
        (599.9, {}, Want.NONE),
        (600, {}, Want.PURGE),
        (600, {"purge_not_before_ms": ago(-1)}, Want.NONE),
        (899.9, {}, Want.PURGE),
        (900, {}, Want.LATE_PURGE),
        (10, ALARM, Want.LATE_PURGE),
        (600, ALARM, Want.LATE_PURGE),
    ],
)
def test_a_purge_is_late_after_one_and_a_half_intervals_and_a_quality_flush_always(
    produced_s: float, memory: dict[str, Any], wanted: Want
) -> None:
    assert want(view(S.PRODUCE, memory={"purge_from_ms": ago(produced_s)} | memory)) is wanted


@pytest.mark.parametrize(
    ("owed_s", "memory", "permits", "wanted"),
    [
        (0, {}, {}, Want.IDLE_FLUSH),
        (899.9, {}, {}, Want.IDLE_FLUSH),
        (900, {}, {}, Want.STOP_FLUSH),
        (900, {}, {"ready": False}, Want.NONE),
        (900, {"blocked_by": Event.OXIDANT}, {}, Want.NONE),
        (900, {"blocked_by": Event.STARTS_LIMIT}, {}, Want.STOP_FLUSH),
        (900, {"flush_not_before_ms": ago(-1)}, {}, Want.NONE),
    ],
)
def test_an_owed_flush_is_urgent_after_half_of_the_30_minutes_in_which_it_is_repaid(
    owed_s: float, memory: dict[str, Any], permits: dict[str, Any], wanted: Want
) -> None:
    owed = OWED | {"owed_since_ms": ago(owed_s)}

    assert want(view(S.STANDBY, memory=owed | memory, permits=permits)) is wanted


@pytest.mark.parametrize(
    ("stood_h", "wanted"), [(23.9, Want.NONE), (24, Want.IDLE_FLUSH), (240, Want.IDLE_FLUSH)]
)
def test_a_flush_because_of_standing_still_is_never_urgent(stood_h: float, wanted: Want) -> None:
    since = {"last_flush_ms": ago(stood_h * 3600), "owed_since_ms": ago(stood_h * 3600)}

    assert want(view(S.STANDBY, memory=since)) is wanted


@pytest.mark.parametrize("state", sorted(set(S) - {S.WAIT_PERMIT, S.STOPPING, S.PRODUCE, S.STANDBY}))
def test_no_other_state_asks_for_a_slot(state: UnitState) -> None:
    everything = OWED | T2 | ALARM | {"owed_since_ms": ago(9000), "purge_from_ms": ago(9000)}

    assert want(view(state, 60, memory=everything)) is Want.NONE


@pytest.mark.parametrize(
    ("seen", "due"),
    [
        ({}, True),
        ({"tds_mgl": 300.0}, True),
        ({"tds_mgl": 300.1}, False),
        ({"tds_mgl": None}, False),
        ({"blanked": True}, False),
    ],
    ids=str,
)
def test_a_quality_flush_answers_an_alarm_that_is_seen_and_not_above_the_lockout(
    seen: dict[str, Any], due: bool
) -> None:
    assert quality_flush_due(view(S.PRODUCE, memory=ALARM, **seen)) is due
    assert not quality_flush_due(view(S.PRODUCE, **seen))


@pytest.mark.parametrize(
    ("v", "since_ms"),
    [
        (view(S.PRODUCE, 5000, memory={"purge_from_ms": ago(700)}), ago(700)),
        (view(S.PRODUCE, 5000, memory={"purge_from_ms": ago(1700)} | OWED), ago(1700)),
        (view(S.PRODUCE, 200, memory={"purge_from_ms": ago(200), "purge_ahead_ms": 500_000}), ago(700)),
        (view(S.STANDBY, 50, memory=OWED | {"owed_since_ms": ago(90)}), ago(90)),
        (view(S.STANDBY, 90_000, memory={"last_flush_ms": ago(99_000)}), ago(90_000)),
        (view(S.WAIT_PERMIT, 40, memory=OWED | {"owed_since_ms": ago(90)}), ago(40)),
        (view(S.STOPPING, 30, memory=T2 | OWED | {"owed_since_ms": ago(90)}), ago(30)),
        (view(S.MAINTENANCE, 30), 0),
    ],
)
def test_the_place_in_the_queue_counts_from_the_purge_the_debt_or_the_state(v: View, since_ms: int) -> None:
    assert request(v).since_ms == since_ms


# --- water ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("v", "wanted"),
    [
        (view(S.STANDBY), False),
        (view(S.STANDBY, memory=OWED), True),
        (view(S.STANDBY, memory=OWED | {"blocked_by": Event.OXIDANT}), False),
        (view(S.WAIT_PERMIT), True),
        (view(S.WAIT_PERMIT, permits={"may_start": False}), False),
        (view(S.WAIT_PERMIT, memory={"blocked_by": Event.OXIDANT}), False),
        (view(S.STOPPING, 119.9, memory=T2), True),
        (view(S.STOPPING, 120, memory=T2), False),
        (view(S.STOPPING, 1, memory=T1), False),
        (view(S.STOPPING, 2, memory=T2 | {"closing": True}), True),
        (view(S.STOP_FLUSH), True),
        (view(S.STOP_FLUSH, memory={"closing": True}), False),
        *((view(state), True) for state in (S.START_FLUSH, S.DELAY, S.PUMP_START, S.PRODUCE, S.PURGE)),
        *((view(state), False) for state in (S.BOOT, S.OFF, S.MAINTENANCE, S.RETRY_WAIT, S.LOCKOUT, S.ESTOP)),
    ],
)
def test_the_booster_is_needed_by_whoever_draws_water_or_will_next(v: View, wanted: bool) -> None:
    assert request(v).wants_water is wanted


# --- the whole request ----------------------------------------------------------------------------------

IDLE = Request(
    want=Want.NONE,
    since_ms=0,
    flushing=False,
    wants_start=False,
    wants_close=False,
    wants_water=False,
    draws_water=False,
    feed_off_ms=NEVER,
    pumping=False,
    available=True,
    in_maintenance=False,
    alarmed=False,
    quality_poor=False,
    run_ms=0,
    started_ms=NEVER,
    tds_mgl=100.0,
)
DRAWS = IDLE._replace(wants_water=True, draws_water=True)
FEED = {"feed_ms": ago(300)}
RUNNING = FEED | {"pump_ms": ago(250), "purge_from_ms": ago(200), "run_ms": 777}
PUMPS = DRAWS._replace(pumping=True, started_ms=ago(250), run_ms=777)


@pytest.mark.parametrize(
    ("v", "told"),
    [
        (view(S.BOOT), IDLE._replace(available=False)),
        (view(S.OFF), IDLE._replace(available=False)),
        (view(S.LOCKOUT), IDLE._replace(available=False, alarmed=True)),
        (view(S.ESTOP), IDLE._replace(available=False, alarmed=True)),
        (
            view(S.MAINTENANCE, memory={"in_maintenance": True}),
            IDLE._replace(available=False, in_maintenance=True),
        ),
        (view(S.STANDBY), IDLE),
        (view(S.STANDBY, memory={"feed_off_ms": ago(3)}), IDLE._replace(feed_off_ms=ago(3))),
        (view(S.RETRY_WAIT), IDLE),
        (view(S.START_FLUSH, memory=FEED), DRAWS._replace(flushing=True)),
        (view(S.DELAY, 4.9, memory=FEED), DRAWS._replace(flushing=True)),
        (view(S.DELAY, 5, memory=FEED), DRAWS._replace(flushing=True, wants_start=True)),
        (view(S.PUMP_START, 9, memory=RUNNING), PUMPS._replace(flushing=True)),
        (view(S.PRODUCE, memory=RUNNING), PUMPS),
        (view(S.PRODUCE, memory=RUNNING | {"flush_ms": ago(1)}), PUMPS._replace(flushing=True)),
        (view(S.PURGE, memory=RUNNING), PUMPS._replace(flushing=True)),
        (view(S.QUALITY_FLUSH, memory=RUNNING), PUMPS._replace(flushing=True)),
        (view(S.STOP_FLUSH, memory=FEED), DRAWS._replace(flushing=True)),
        (
            view(S.STOPPING, 2, memory=T1 | FEED),
            DRAWS._replace(wants_water=False, wants_close=True),
        ),
        (view(S.STOPPING, 2, memory=T1), IDLE),
    ],
)
def test_what_each_state_tells_the_bank(v: View, told: Request) -> None:
    assert request(v) == told


def test_a_unit_stopped_by_a_person_is_not_available() -> None:
    assert not request(view(S.STANDBY, memory={"stopped": True})).available


@pytest.mark.parametrize("state", [S.STOPPING, S.STOP_FLUSH])
def test_a_unit_on_its_way_to_maintenance_counts_as_out(state: UnitState) -> None:
    assert request(view(state, memory={"target": S.MAINTENANCE})).in_maintenance
    assert not request(view(state, memory={"target": S.STANDBY})).in_maintenance
    assert not request(view(S.PRODUCE, memory={"target": S.MAINTENANCE})).in_maintenance


@pytest.mark.parametrize("memory", [{"quality_alarm": True}, {"quality_flushes_ms": [ago(60)]}])
def test_an_alarm_or_a_quality_flush_of_the_last_hour_ranks_the_unit_last(memory: dict[str, Any]) -> None:
    assert request(view(S.PRODUCE, memory=memory)).quality_poor


def test_quality_that_is_not_to_be_believed_is_told_as_0() -> None:
    assert request(view(S.PRODUCE, tds_mgl=None)).tds_mgl == 0.0
