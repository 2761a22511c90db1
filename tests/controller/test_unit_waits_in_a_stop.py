"""A stop comes to its end at its limits and not before, and until then says in words what it waits for."""

from __future__ import annotations

import pytest
from unit_views import COMPLETE, ago, cases, said, view

from controller.settings import Setpoints
from controller.unit.moves import perform
from controller.unit.progress import feed_may_close
from controller.unit.states import Event, Trip, UnitState
from controller.unit.table import Move
from controller.unit.view import View

S = UnitState
RUNS = {"pump_running": True}
T1, T2, CLOSE = {"trip": Trip.T1}, {"trip": Trip.T2}, {"trip": Trip.CLOSE}
OPEN = {"feed_ms": ago(500), "flush_ms": ago(500)}
WHOLE = {"both_ms": ago(75), "volume_l": 40.0}
CLOSING = {"closing": True}


@cases(
    ("pump coasting, 2 s to go", view(S.STOPPING, 0, memory=T1 | OPEN, contacts=RUNS)),
    ("pump coasting, 0 s to go", view(S.STOPPING, 1.9, memory=T2 | OPEN)),
    ("waiting for the contactor to drop", view(S.STOPPING, 2, memory=T2 | OPEN, contacts=RUNS)),
    ("closing the valves", view(S.STOPPING, 2, memory=T1 | OPEN)),
    ("closing the valves", view(S.STOPPING, 2, memory=T1)),
    ("closing the valves", view(S.STOPPING, 2, memory=T1 | CLOSING | {"feed_ms": ago(9)})),
    ("closing the valves", view(S.STOPPING, 2, memory=T1 | CLOSING | {"flush_ms": ago(9)})),
    (COMPLETE, view(S.STOPPING, 2, memory=T1 | CLOSING)),
)
def test_a_stop_waits_for_the_coast_the_contactor_and_the_valves(says: str | None, v: View) -> None:
    assert said(v) == says


@cases(
    ("closing the valves", view(S.STOPPING, 0, memory=CLOSE | OPEN)),
    (COMPLETE, view(S.STOPPING, 0.1, memory=CLOSE | CLOSING)),
)
def test_a_close_down_has_no_pump_to_wait_for(says: str | None, v: View) -> None:
    assert said(v) == says


@cases(
    ("waiting for a flush slot", view(S.STOPPING, 2, memory=T2, permits={"token": False})),
    ("waiting for a flush slot", view(S.STOPPING, 2, memory=T2, permits={"ready": False})),
    (COMPLETE, view(S.STOPPING, 2, memory=T2)),
    ("waiting for a flush slot", view(S.STOPPING, 119.9, memory=T2 | CLOSING, permits={"token": False})),
    (COMPLETE, view(S.STOPPING, 120, memory=T2 | CLOSING, permits={"token": False})),
    ("closing the valves", view(S.STOPPING, 120, memory=T2 | OPEN)),
)
def test_an_ordinary_stop_waits_up_to_120_seconds_for_its_flush(says: str | None, v: View) -> None:
    assert said(v) == says


LOST = {"events": (Event.COORDINATOR_LOST,), "token": False}


@cases(
    (
        "waiting for this unit's turn to flush, 168 s to go",
        view(S.STOPPING, 2, memory=T2, permits=LOST, seat=(3, 6)),
    ),
    (COMPLETE, view(S.STOPPING, 170, memory=T2, permits=LOST, seat=(3, 6))),
    (COMPLETE, view(S.STOPPING, 2, memory=T2, permits=LOST, seat=(1, 6))),
    ("closing the valves", view(S.STOPPING, 2, memory=T1, permits=LOST, seat=(1, 6))),
)
def test_without_the_coordinator_unit_3_flushes_after_two_flushes_of_85_seconds(
    says: str | None, v: View
) -> None:
    assert said(v) == says


SUMP = {"active": 1 << Event.SUMP_HIGH}
SELECTOR = {"active": 1 << Event.SELECTOR_OFF}
NO_FLUSH_ENDS_BY_IT = {"active": 1 << Event.COORDINATOR_LOST | 1 << Event.CALL_WITHDRAWN}


@cases(
    ("waiting until it may flush", view(S.STOPPING, 2, memory=T2 | SUMP)),
    ("waiting until it may flush", view(S.STOPPING, 119.9, memory=T2 | CLOSING | SELECTOR)),
    (COMPLETE, view(S.STOPPING, 120, memory=T2 | CLOSING | SELECTOR)),
    ("waiting until it may flush", view(S.STOPPING, 2, memory=T2 | SUMP, permits=LOST, seat=(1, 6))),
    (COMPLETE, view(S.STOPPING, 120, memory=T2 | CLOSING | SUMP, permits=LOST, seat=(6, 6))),
    (COMPLETE, view(S.STOPPING, 2, memory=T1 | CLOSING | SUMP)),
    (COMPLETE, view(S.STOPPING, 2, memory=T2 | NO_FLUSH_ENDS_BY_IT)),
)
def test_no_flush_begins_while_something_stands_that_would_end_it(says: str | None, v: View) -> None:
    assert said(v) == says


@pytest.mark.parametrize(
    ("v", "next_state"),
    [
        (view(S.STOPPING, 2, memory=T2), S.STOP_FLUSH),
        (view(S.STOPPING, 2, memory=T2 | SUMP), S.STANDBY),
        (view(S.STOPPING, 2, memory=T2 | SUMP, permits=LOST), S.STANDBY),
        (view(S.STOPPING, 120, memory=T2), S.STANDBY),
        (view(S.STOPPING, 120, memory=T2, permits=LOST), S.STOP_FLUSH),
    ],
)
def test_a_stop_that_may_not_flush_ends_where_it_leads(v: View, next_state: S) -> None:
    assert perform(v, Event.DONE, Move(Trip.NONE, S.STOP_FLUSH)) is next_state


@cases(
    ("flushing, 75 s to go", view(S.STOP_FLUSH)),
    ("flushing, 65 s to go", view(S.STOP_FLUSH, memory=OPEN | {"both_ms": ago(10)})),
    ("flushing, 10 L to go", view(S.STOP_FLUSH, memory=OPEN | {"both_ms": ago(75), "volume_l": 30.0})),
    ("waiting to close the feed valve", view(S.STOP_FLUSH, memory=OPEN | WHOLE)),
    ("closing the valves", view(S.STOP_FLUSH, memory=WHOLE | CLOSING | {"feed_ms": ago(80)})),
    ("closing the valves", view(S.STOP_FLUSH, memory=WHOLE | CLOSING | {"flush_ms": ago(80)})),
    (COMPLETE, view(S.STOP_FLUSH, memory=CLOSING)),
)
def test_a_stop_flush_ends_with_both_valves_shut(says: str | None, v: View) -> None:
    assert said(v) == says


# --- may the feed valve close? --------------------------------------------------------------------------

SHORT = {"volume_l": 39.9}


@pytest.mark.parametrize(
    ("v", "may"),
    [
        (view(S.STOPPING, 1.9, memory=T2), False),
        (view(S.STOPPING, 2, memory=T2), True),
        (view(S.STOPPING, 0, memory=CLOSE), True),
        (view(S.STOPPING, 9, memory=T2 | CLOSING), False),
        (view(S.STOP_FLUSH, memory={"both_ms": ago(74.9), "volume_l": 40.0}), False),
        (view(S.STOP_FLUSH, memory=WHOLE), True),
        (view(S.STOP_FLUSH, memory=SHORT | {"both_ms": ago(224.9)}), False),
        (view(S.STOP_FLUSH, memory=SHORT | {"both_ms": ago(225)}), True),
        (view(S.STOP_FLUSH, memory=WHOLE | CLOSING), False),
    ],
)
def test_the_feed_valve_closes_after_the_coast_and_after_a_flush_that_is_whole_or_three_times_too_long(
    v: View, may: bool
) -> None:
    assert feed_may_close(v) is may


@pytest.mark.parametrize(("both_s", "may"), [(239.9, False), (240, True)])
def test_no_stop_flush_is_longer_than_the_longest_start_flush(both_s: float, may: bool) -> None:
    long = Setpoints(stop_flush_s=100)

    v = view(S.STOP_FLUSH, memory=SHORT | {"both_ms": ago(both_s)}, setpoints=long)

    assert feed_may_close(v) is may


@pytest.mark.parametrize("state", sorted(set(S) - {S.STOPPING, S.STOP_FLUSH}))
def test_outside_a_stop_the_feed_valve_is_not_let_go(state: UnitState) -> None:
    assert not feed_may_close(view(state, 900, memory=OPEN | WHOLE | CLOSE))
