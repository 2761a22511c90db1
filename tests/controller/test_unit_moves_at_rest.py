"""What ends a run or a lockout leaves in the unit's memory: latched causes, resets, maintenance, stops."""

from __future__ import annotations

from typing import Any

import pytest
from unit_views import NOW_MS, ago, move, view

from controller.parts.timing import NEVER
from controller.unit.states import PUMPING, Event, Trip, UnitState

S = UnitState
ENTERED = {"entered_ms": NOW_MS}


# --- lockout, reset, maintenance ------------------------------------------------------------------------


@pytest.mark.parametrize("state", sorted(PUMPING))
def test_the_first_cause_is_latched_and_no_later_one_replaces_it(state: UnitState) -> None:
    v = view(state, 60)

    move(v, Event.DISCHARGE_SWITCH)
    move(v, Event.SKID_LEAK)

    assert v.m.state is S.LOCKOUT
    assert v.m.latched is Event.DISCHARGE_SWITCH


def test_the_clear_time_of_a_lockout_begins_anew_when_it_is_entered() -> None:
    locked_out = {"latched": Event.SKID_LEAK, "cause_gone_ms": ago(5000)}
    v = view(S.OFF, 60, memory=locked_out)

    assert move(v, Event.SELECTOR_AUTO) == ENTERED | {"state": S.LOCKOUT, "cause_gone_ms": NEVER}


def test_another_state_leaves_the_clear_time_alone() -> None:
    v = view(S.LOCKOUT, 60, memory={"latched": Event.SKID_LEAK, "cause_gone_ms": ago(50)})

    assert move(v, Event.ESTOP) == ENTERED | {"state": S.ESTOP, "estopped": True}


def test_an_emergency_stop_is_remembered_until_its_reset() -> None:
    v = view(S.ESTOP, 60, memory={"estopped": True})

    move(v, Event.RESET)

    assert v.m.state is S.BOOT
    assert not v.m.estopped


def test_a_move_between_other_states_leaves_the_memory_of_an_emergency_stop_alone() -> None:
    v = view(S.STANDBY, 60, memory={"estopped": True})

    assert move(v, Event.CALL) == ENTERED | {"state": S.WAIT_PERMIT}


SPENT: dict[str, Any] = {
    "latched": Event.LOW_SUCTION_SPENT,
    "cause_gone_ms": ago(50),
    "suction_ms": [ago(900)],
    "io_lost_ms": [ago(800)],
    "purge_failures": 2,
    "lost_memory": True,
}
FRESH: dict[str, Any] = {
    "latched": None,
    "cause_gone_ms": NEVER,
    "suction_ms": [],
    "io_lost_ms": [],
    "purge_failures": 0,
    "lost_memory": False,
}


@pytest.mark.parametrize(("auto", "entered"), [(True, S.STANDBY), (False, S.OFF)])
def test_a_reset_gives_every_retry_back_and_leads_where_the_selector_says(
    auto: bool, entered: UnitState
) -> None:
    v = view(S.LOCKOUT, 60, memory=SPENT, contacts={"selector_auto": auto})

    assert move(v, Event.RESET) == ENTERED | FRESH | {
        "state": entered,
        "reset_cause": Event.LOW_SUCTION_SPENT,
        "resets_ms": [NOW_MS],
    }


@pytest.mark.parametrize(
    ("cause", "counted_ms"),
    [(Event.LOW_SUCTION_SPENT, [ago(1800), NOW_MS]), (Event.SKID_LEAK, [NOW_MS])],
)
def test_only_resets_of_the_same_cause_in_the_last_hour_are_counted_together(
    cause: Event, counted_ms: list[int]
) -> None:
    before = {"reset_cause": cause, "resets_ms": [ago(3600), ago(1800)]}
    v = view(S.LOCKOUT, 60, memory=SPENT | before)

    move(v, Event.RESET)

    assert (v.m.reset_cause, v.m.resets_ms) == (Event.LOW_SUCTION_SPENT, counted_ms)


def test_a_lockout_left_for_maintenance_forgets_nothing() -> None:
    v = view(S.LOCKOUT, 60, memory=SPENT)

    assert move(v, Event.MAINTENANCE_REQUEST) == ENTERED | {"state": S.MAINTENANCE, "in_maintenance": True}


def test_after_maintenance_two_start_flushes_are_due_and_a_person_must_be_present() -> None:
    v = view(S.MAINTENANCE, 600, memory={"in_maintenance": True})

    assert move(v, Event.RETURN_TO_SERVICE) == ENTERED | {
        "state": S.OFF,
        "in_maintenance": False,
        "start_flushes_due": 2,
        "first_start": True,
    }


def test_power_lost_in_maintenance_changes_nothing_of_it() -> None:
    v = view(S.MAINTENANCE, 600, memory={"in_maintenance": True, "flush_owed": True})

    assert move(v, Event.REBOOT) == ENTERED | {"state": S.BOOT, "pump_off_ms": NOW_MS}


@pytest.mark.parametrize("state", [S.STANDBY, S.WAIT_PERMIT, S.RETRY_WAIT])
def test_the_selector_turned_off_is_no_return_from_maintenance(state: UnitState) -> None:
    assert move(view(state, 60), Event.SELECTOR_OFF) == ENTERED | {"state": S.OFF}


# --- a stop in progress ---------------------------------------------------------------------------------


@pytest.mark.parametrize("wish", [S.LOCKOUT, S.OFF, S.MAINTENANCE])
def test_a_stop_that_leads_to_a_lockout_or_a_persons_wish_is_not_turned_into_a_retry(
    wish: UnitState,
) -> None:
    v = view(S.STOPPING, 1, memory={"target": wish, "trip": Trip.T2, "closing": True})

    move(v, Event.IO_LOST)

    assert v.m.state is wish
    assert v.m.closing is False


@pytest.mark.parametrize(
    ("trip", "for_s", "events", "entered"),
    [
        (Trip.T2, 119.9, (), S.STOP_FLUSH),
        (Trip.T2, 120, (), S.STANDBY),
        (Trip.T2, 500, (Event.COORDINATOR_LOST,), S.STOP_FLUSH),
        (Trip.T1, 5, (), S.STANDBY),
        (Trip.CLOSE, 5, (Event.COORDINATOR_LOST,), S.STANDBY),
    ],
)
def test_only_an_ordinary_stop_leads_to_a_flush_and_in_time_or_alone(
    trip: Trip, for_s: float, events: tuple[Event, ...], entered: UnitState
) -> None:
    v = view(S.STOPPING, for_s, memory={"trip": trip}, permits={"events": events})

    move(v, Event.DONE)

    assert v.m.state is entered
