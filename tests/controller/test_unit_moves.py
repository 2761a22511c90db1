"""What a move leaves in the unit's memory: every field that changes, and no other."""

from __future__ import annotations

from typing import Any

import pytest
from unit_views import NOW_MS, ago, move, view

from controller.parts.timing import NEVER
from controller.unit.states import Event, Trip, UnitState

S = UnitState
ENTERED = {"entered_ms": NOW_MS}


def stops(trip: Trip, target: UnitState) -> dict[str, Any]:
    """Memory of a stop that has just begun."""
    return ENTERED | {"state": S.STOPPING, "trip": trip, "target": target}


# --- budgets --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("event", [Event.LOW_SUCTION, Event.HEADER_LOST])
@pytest.mark.parametrize(
    ("before_ms", "recent_ms", "wait_s"),
    [
        ([], [], 60.0),
        ([ago(900)], [ago(900)], 120.0),
        ([ago(1900), ago(900)], [ago(1900), ago(900)], 300.0),
        ([ago(3600), ago(900)], [ago(900)], 120.0),
    ],
)
def test_each_suction_failure_in_an_hour_makes_the_next_wait_longer(
    event: Event, before_ms: list[int], recent_ms: list[int], wait_s: float
) -> None:
    v = view(S.PRODUCE, 60, memory={"suction_ms": before_ms})

    assert move(v, event) == stops(Trip.T1, S.RETRY_WAIT) | {
        "suction_ms": [*recent_ms, NOW_MS],
        "retry_wait_s": wait_s,
    }


def test_low_suction_in_a_stop_flush_is_no_retry_and_keeps_the_debt_for_a_minute() -> None:
    v = view(S.STOP_FLUSH, 10, memory={"flush_owed": True})

    assert move(v, Event.LOW_SUCTION) == ENTERED | {
        "state": S.STOPPING,
        "trip": Trip.CLOSE,
        "flush_not_before_ms": NOW_MS + 60_000,
    }


def test_a_stop_flush_that_repaid_its_debt_makes_the_next_one_wait_for_nothing() -> None:
    assert move(view(S.STOP_FLUSH, 80), Event.DONE) == ENTERED | {"state": S.STANDBY}


def test_lost_inputs_have_a_wait_of_their_own_and_use_up_no_retry_of_low_suction() -> None:
    v = view(S.PRODUCE, 60, memory={"io_lost_ms": [NOW_MS], "suction_ms": [ago(98)]})

    assert move(v, Event.IO_LOST) == ENTERED | {
        "state": S.RETRY_WAIT,
        "link_lost": True,
        "retry_wait_s": 30.0,
    }


@pytest.mark.parametrize(
    ("event", "trip", "target"),
    [(Event.SELECTOR_OFF, Trip.T1, S.OFF), (Event.MAINTENANCE_REQUEST, Trip.T2, S.MAINTENANCE)],
)
def test_a_stop_by_a_person_uses_up_no_budget(event: Event, trip: Trip, target: UnitState) -> None:
    assert move(view(S.PRODUCE, 60), event) == stops(trip, target)


# --- boot -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("memory", "auto", "entered"),
    [
        ({}, True, S.STANDBY),
        ({}, False, S.OFF),
        ({"latched": Event.SKID_LEAK}, False, S.LOCKOUT),
        ({"lost_memory": True}, True, S.LOCKOUT),
        ({"estopped": True, "latched": Event.SKID_LEAK}, True, S.ESTOP),
        ({"in_maintenance": True, "estopped": True, "latched": Event.SKID_LEAK}, True, S.MAINTENANCE),
    ],
    ids=str,
)
def test_boot_leads_to_what_the_unit_remembers_and_else_to_what_the_selector_says(
    memory: dict[str, Any], auto: bool, entered: UnitState
) -> None:
    v = view(S.BOOT, 5, memory=memory, contacts={"selector_auto": auto})

    assert move(v, Event.DONE) == ENTERED | {"state": entered}


@pytest.mark.parametrize(
    ("owed", "since"),
    [
        ({"flush_owed": False}, {"flush_owed": True, "owed_since_ms": NOW_MS}),
        ({"flush_owed": True, "owed_since_ms": ago(77)}, {}),
    ],
    ids=str,
)
def test_a_restart_owes_a_flush_and_rests_the_motor_and_an_older_debt_keeps_its_age(
    owed: dict[str, Any], since: dict[str, Any]
) -> None:
    v = view(S.ESTOP, 60, memory=owed)

    assert move(v, Event.RESET) == ENTERED | {"state": S.BOOT, "pump_off_ms": NOW_MS} | since


# --- start ----------------------------------------------------------------------------------------------


def test_a_start_flush_counts_its_volume_from_zero() -> None:
    v = view(S.WAIT_PERMIT, 60, memory={"volume_l": 59.0, "target": S.LOCKOUT})

    assert move(v, Event.DONE) == ENTERED | {
        "state": S.START_FLUSH,
        "volume_l": 0.0,
        "target": S.STANDBY,
    }


def test_an_idle_flush_counts_its_volume_from_zero_and_leads_back_to_standby() -> None:
    v = view(S.STANDBY, 60, memory={"volume_l": 59.0, "target": S.OFF})

    assert move(v, Event.DONE) == ENTERED | {"state": S.STOP_FLUSH, "volume_l": 0.0, "target": S.STANDBY}


def test_a_stop_flush_leads_on_to_where_the_stop_leads() -> None:
    v = view(S.STOPPING, 2, memory={"trip": Trip.T2, "target": S.MAINTENANCE, "volume_l": 59.0})

    assert move(v, Event.DONE) == ENTERED | {"state": S.STOP_FLUSH, "volume_l": 0.0}


def test_a_whole_start_flush_repays_the_debt_and_lets_this_run_pump() -> None:
    owed = {"flush_owed": True, "owed_since_ms": ago(500), "start_flushes_due": 1}

    assert move(view(S.START_FLUSH, 125, memory=owed), Event.DONE) == ENTERED | {
        "state": S.DELAY,
        "flush_owed": False,
        "owed_since_ms": NEVER,
        "flush_complete": True,
        "last_flush_ms": NOW_MS,
        "start_flushes_due": 0,
    }


def test_a_start_flush_cut_short_repays_nothing() -> None:
    owed = {"flush_owed": True, "owed_since_ms": ago(500), "start_flushes_due": 1, "target": S.OFF}
    v = view(S.START_FLUSH, 119, memory=owed)

    assert move(v, Event.CALL_WITHDRAWN) == stops(Trip.CLOSE, S.STANDBY)


def test_a_run_that_ends_before_its_pump_start_needs_a_start_flush_again() -> None:
    v = view(S.DELAY, 35, memory={"flush_complete": True, "target": S.OFF})

    assert move(v, Event.TOKEN_LOST) == stops(Trip.CLOSE, S.STANDBY) | {"flush_complete": False}


def test_a_pump_start_owes_a_flush_and_judges_quality_afresh() -> None:
    stale = {
        "flush_complete": True,
        "flushed_on_ms": ago(9000),
        "quality_alarm": True,
        "quality_flush_due": True,
    }

    assert move(view(S.DELAY, 5, memory=stale), Event.DONE) == ENTERED | {
        "state": S.PUMP_START,
        "flush_owed": True,
        "owed_since_ms": NOW_MS,
        "flushed_on_ms": NEVER,
        "quality_alarm": False,
        "quality_flush_due": False,
    }


@pytest.mark.parametrize(("unit", "ahead_s"), [(1, 0), (2, 100), (6, 500)])
def test_of_six_units_each_begins_its_purge_interval_a_sixth_ahead_of_the_one_before(
    unit: int, ahead_s: int
) -> None:
    left_over = {"flush_complete": True, "first_start": True, "reference_bar": 12.0}

    assert move(view(S.PUMP_START, 4, memory=left_over, seat=(unit, 6)), Event.DONE) == ENTERED | {
        "state": S.PRODUCE,
        "purge_from_ms": NOW_MS,
        **({"purge_ahead_ms": 1000 * ahead_s} if ahead_s else {}),
        "purge_not_before_ms": NOW_MS,
        "forgive_ms": NOW_MS,
        "first_start": False,
        "reference_bar": 0.0,
    }


def test_a_pump_start_that_fails_has_produced_nothing() -> None:
    v = view(S.PUMP_START, 4, memory={"first_start": True, "flush_complete": True})

    assert move(v, Event.PUMP_NOT_PROVEN) == stops(Trip.T1, S.LOCKOUT) | {
        "flush_complete": False,
        "latched": Event.PUMP_NOT_PROVEN,
    }


# --- purge and quality flush ----------------------------------------------------------------------------

RUN = {"flush_complete": True, "target": S.OFF}


@pytest.mark.parametrize(("membrane_bar", "reference_bar"), [(12.5, 12.5), (None, 0.0)])
def test_a_purge_is_measured_against_the_pressure_before_it(
    membrane_bar: float | None, reference_bar: float
) -> None:
    earlier = RUN | {"evidence": True, "reference_bar": 11.0}
    v = view(S.PRODUCE, 600, memory=earlier, membrane_bar=membrane_bar)

    assert move(v, Event.DONE) == ENTERED | {
        "state": S.PURGE,
        "evidence": False,
        "reference_bar": reference_bar,
    }


def test_a_quality_flush_uses_up_its_budget_of_the_last_hour() -> None:
    flushed = [ago(3600), ago(1800)]
    earlier = RUN | {"evidence": True, "quality_flush_due": True, "quality_flushes_ms": flushed}

    assert move(view(S.PRODUCE, 600, memory=earlier), Event.QUALITY_ALARM) == ENTERED | {
        "state": S.QUALITY_FLUSH,
        "evidence": False,
        "reference_bar": 12.5,
        "quality_flushes_ms": [ago(1800), NOW_MS],
        "quality_flush_due": False,
    }


@pytest.mark.parametrize("state", [S.PURGE, S.QUALITY_FLUSH])
def test_a_proven_flush_begins_a_new_purge_interval(state: UnitState) -> None:
    v = view(state, 60, memory=RUN | {"evidence": True, "purge_failures": 1})

    assert move(v, Event.DONE) == ENTERED | {
        "state": S.PRODUCE,
        "flushed_on_ms": NOW_MS,
        "purge_failures": 0,
        "purge_from_ms": NOW_MS,
    }


@pytest.mark.parametrize("state", [S.PURGE, S.QUALITY_FLUSH])
@pytest.mark.parametrize("failures", [0, 1])
def test_each_unproven_flush_counts_and_is_repeated_after_a_minute(state: UnitState, failures: int) -> None:
    v = view(state, 5, memory=RUN | {"purge_failures": failures})

    assert move(v, Event.DONE) == ENTERED | {
        "state": S.PRODUCE,
        "flushed_on_ms": NOW_MS,
        "purge_failures": failures + 1,
        "purge_not_before_ms": NOW_MS + 60_000,
    }


@pytest.mark.parametrize("evidence", [True, False])
def test_a_purge_cut_short_by_its_slot_is_neither_done_nor_failed(evidence: bool) -> None:
    v = view(S.PURGE, 9, memory=RUN | {"evidence": evidence, "purge_failures": 1})

    assert move(v, Event.TOKEN_LOST) == ENTERED | {"state": S.PRODUCE, "flushed_on_ms": NOW_MS}


@pytest.mark.parametrize("evidence", [True, False])
def test_a_purge_cut_short_by_a_stop_is_neither_done_nor_failed(evidence: bool) -> None:
    v = view(S.PURGE, 9, memory=RUN | {"evidence": evidence, "purge_failures": 1})

    assert move(v, Event.STOP) == stops(Trip.T2, S.STANDBY) | {
        "flushed_on_ms": NOW_MS,
        "flush_complete": False,
    }
