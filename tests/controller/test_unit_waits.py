"""A step is complete at its limit and not before, and until then the unit says in words what it waits for."""

from __future__ import annotations

import pytest
from unit_views import ago, view

from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.unit.progress import WAITS, feed_may_close
from controller.unit.states import Event, Trip, UnitState
from controller.unit.view import View

S = UnitState
OWED = {"flush_owed": True}
COMPLETE = None


def cases(*rows: tuple[str | None, View]) -> pytest.MarkDecorator:
    """Parametrize over what a unit says and the unit that says it."""
    return pytest.mark.parametrize(("says", "v"), rows, ids=[str(says) for says, _v in rows])


def judge(v: View, says: str | None) -> None:
    assert WAITS[v.m.state](v) == says


# --- at rest --------------------------------------------------------------------------------------------


@cases(
    ("waiting for good I/O, 5 s to go", view(S.BOOT, 60, memory={"io_fresh_ms": NEVER})),
    ("waiting for good I/O, 3 s to go", view(S.BOOT, 60, memory={"io_fresh_ms": ago(2)})),
    ("waiting for good I/O, 4 s to go", view(S.BOOT, 1)),
    ("waiting for good I/O, 0 s to go", view(S.BOOT, 4.9)),
    (COMPLETE, view(S.BOOT, 5)),
)
def test_boot_ends_after_5_seconds_of_good_inputs(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    ("not called", view(S.STANDBY)),
    ("stopped by a person; needs a start command", view(S.STANDBY, memory={"stopped": True})),
    ("flush owed, bank not ready", view(S.STANDBY, memory=OWED, permits={"ready": False})),
    ("flush owed, waiting for a flush slot", view(S.STANDBY, memory=OWED, permits={"token": False})),
    (COMPLETE, view(S.STANDBY, memory=OWED)),
    (COMPLETE, view(S.STANDBY, memory=OWED | {"stopped": True})),
)
def test_a_unit_in_standby_moves_on_only_for_a_flush_that_it_owes(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    (
        "flush owed, blocked: suction transmitter BAD",
        view(S.STANDBY, memory=OWED | {"blocked_by": Event.SUCTION_SENSOR_BAD}, permits={"ready": False}),
    ),
    (COMPLETE, view(S.STANDBY, memory=OWED | {"blocked_by": Event.STARTS_LIMIT})),
)
def test_a_cause_holds_an_idle_flush_back_but_a_resting_motor_does_not(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    ("not called", view(S.STANDBY, memory=OWED | {"flush_not_before_ms": ago(-0.001)})),
    (COMPLETE, view(S.STANDBY, memory=OWED | {"flush_not_before_ms": ago(0)})),
)
def test_a_flush_that_failed_is_due_again_when_its_wait_is_over(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    ("not called", view(S.STANDBY, memory={"last_flush_ms": ago(24 * 3600 - 0.1)})),
    (COMPLETE, view(S.STANDBY, memory={"last_flush_ms": ago(24 * 3600)})),
    (
        "not called",
        view(S.STANDBY, memory={"last_flush_ms": ago(90_000)}, setpoints=Setpoints(stagnation_h=0)),
    ),
)
def test_a_unit_that_stands_still_is_flushed_after_24_hours_unless_that_is_off(
    says: str | None, v: View
) -> None:
    judge(v, says)


@cases(
    ("waiting before the next try, 60 s to go", view(S.RETRY_WAIT, 0, memory={"retry_wait_s": 60.0})),
    ("waiting before the next try, 0 s to go", view(S.RETRY_WAIT, 59.9, memory={"retry_wait_s": 60.0})),
    (
        "waiting for stable I/O, 20 s to go",
        view(S.RETRY_WAIT, 60, memory={"retry_wait_s": 60.0, "io_fresh_ms": ago(10)}),
    ),
    (COMPLETE, view(S.RETRY_WAIT, 60, memory={"retry_wait_s": 60.0, "io_fresh_ms": ago(30)})),
)
def test_a_retry_waits_out_its_time_and_30_seconds_of_stable_inputs(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    ("switched off", view(S.OFF)),
    ("out for maintenance; this is not isolation", view(S.MAINTENANCE)),
    ("locked out: skid leak; needs a reset", view(S.LOCKOUT, memory={"latched": Event.SKID_LEAK})),
    ("locked out: retained data lost; needs a reset", view(S.LOCKOUT)),
    ("emergency stop; needs a reset when the chain is closed", view(S.ESTOP)),
    (
        "emergency stop; needs a reset when the chain is closed",
        view(S.ESTOP, memory={"latched": Event.SKID_LEAK}),
    ),
)
def test_what_a_person_must_end_says_so(says: str | None, v: View) -> None:
    judge(v, says)


# --- start ----------------------------------------------------------------------------------------------


@cases(
    (
        "blocked: motor must rest before the next start",
        view(S.WAIT_PERMIT, memory={"blocked_by": Event.STARTS_LIMIT}, permits={"may_start": False}),
    ),
    (
        "no new start now: tank level or restart order",
        view(S.WAIT_PERMIT, permits={"may_start": False, "ready": False}),
    ),
    (
        "bank not ready: header, water or dosing not proven yet",
        view(S.WAIT_PERMIT, permits={"ready": False, "token": False}),
    ),
    ("waiting for a flush slot", view(S.WAIT_PERMIT, permits={"token": False})),
    (COMPLETE, view(S.WAIT_PERMIT)),
)
def test_a_called_unit_names_the_first_permit_that_is_missing(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    ("flushing, 120 s to go", view(S.START_FLUSH, 9, memory={"both_ms": NEVER, "volume_l": 60.0})),
    ("flushing, 20 s to go", view(S.START_FLUSH, memory={"both_ms": ago(100), "volume_l": 60.0})),
    ("flushing, 0 s to go", view(S.START_FLUSH, memory={"both_ms": ago(119.9), "volume_l": 60.0})),
    ("flushing, 40 L to go", view(S.START_FLUSH, memory={"both_ms": ago(120), "volume_l": 20.0})),
    ("flushing, 0 L to go", view(S.START_FLUSH, memory={"both_ms": ago(120), "volume_l": 59.9})),
    (COMPLETE, view(S.START_FLUSH, memory={"both_ms": ago(120), "volume_l": 60.0})),
    (COMPLETE, view(S.START_FLUSH, memory={"both_ms": ago(120)}, concentrate_m3h=None)),
)
def test_a_start_flush_is_whole_after_120_seconds_and_60_litres(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    ("valves settling, 5 s to go", view(S.DELAY, 0)),
    ("valves settling, 0 s to go", view(S.DELAY, 4.9, concentrate_m3h=2.0, suction_bar=0.1)),
    ("flush valve still passes", view(S.DELAY, 5, concentrate_m3h=1.2, suction_bar=0.1)),
    ("suction pressure too low to start the pump", view(S.DELAY, 5, concentrate_m3h=1.19, suction_bar=1.49)),
    ("suction pressure too low to start the pump", view(S.DELAY, 5, suction_bar=None)),
    ("waiting for a pump-start slot", view(S.DELAY, 5, permits={"start_slot": False})),
    (COMPLETE, view(S.DELAY, 5, concentrate_m3h=1.19, suction_bar=1.5)),
    (COMPLETE, view(S.DELAY, 5, concentrate_m3h=None)),
)
def test_the_pump_starts_only_from_settled_valves_under_suction_in_its_slot(
    says: str | None, v: View
) -> None:
    judge(v, says)


RUNS = {"pump_running": True}
PUMP_ON = {"pump_ms": ago(1)}


@cases(
    ("waiting for the pump to answer", view(S.PUMP_START, contacts=RUNS)),
    ("waiting for the pump to answer", view(S.PUMP_START, memory=PUMP_ON)),
    ("waiting for membrane pressure", view(S.PUMP_START, memory=PUMP_ON, contacts=RUNS, membrane_bar=7.99)),
    ("waiting for membrane pressure", view(S.PUMP_START, memory=PUMP_ON, contacts=RUNS, membrane_bar=None)),
    (COMPLETE, view(S.PUMP_START, memory=PUMP_ON, contacts=RUNS, membrane_bar=8.0)),
)
def test_a_pump_is_proven_by_its_contactor_and_8_bar(says: str | None, v: View) -> None:
    judge(v, says)


# --- production -----------------------------------------------------------------------------------------

DUE = {"purge_from_ms": ago(600)}


@cases(
    ("producing, purge, 600 s to go", view(S.PRODUCE, memory={"purge_from_ms": ago(0)})),
    ("producing, purge, 0 s to go", view(S.PRODUCE, memory={"purge_from_ms": ago(599.9)})),
    (
        "producing, repeats an unproven purge soon",
        view(S.PRODUCE, memory=DUE | {"purge_not_before_ms": ago(-0.001)}, permits={"token": False}),
    ),
    (
        "producing, purge waits for a flush slot",
        view(S.PRODUCE, memory=DUE | {"purge_not_before_ms": ago(0)}, permits={"token": False}),
    ),
    (COMPLETE, view(S.PRODUCE, memory=DUE | {"purge_not_before_ms": ago(0)})),
)
def test_a_purge_is_due_after_600_seconds_of_production(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    ("flushing, 15 s to go", view(S.PURGE, 4.9)),
    (COMPLETE, view(S.PURGE, 5)),
    ("flushing, 15 s to go", view(S.PURGE, 5, memory={"evidence": True})),
    ("flushing, 0 s to go", view(S.PURGE, 19.9, memory={"evidence": True})),
    (COMPLETE, view(S.PURGE, 20, memory={"evidence": True})),
    ("flushing, 55 s to go", view(S.QUALITY_FLUSH, 4.9)),
    (COMPLETE, view(S.QUALITY_FLUSH, 5)),
    ("flushing, 40 s to go", view(S.QUALITY_FLUSH, 20, memory={"evidence": True})),
    (COMPLETE, view(S.QUALITY_FLUSH, 60, memory={"evidence": True})),
)
def test_a_flush_with_the_pump_on_lasts_its_time_or_is_given_up_unproven_after_5_seconds(
    says: str | None, v: View
) -> None:
    judge(v, says)


# --- stop -----------------------------------------------------------------------------------------------

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
    judge(v, says)


@cases(
    ("closing the valves", view(S.STOPPING, 0, memory=CLOSE | OPEN)),
    (COMPLETE, view(S.STOPPING, 0.1, memory=CLOSE | CLOSING)),
)
def test_a_close_down_has_no_pump_to_wait_for(says: str | None, v: View) -> None:
    judge(v, says)


@cases(
    ("waiting for a flush slot", view(S.STOPPING, 2, memory=T2, permits={"token": False})),
    ("waiting for a flush slot", view(S.STOPPING, 2, memory=T2, permits={"ready": False})),
    (COMPLETE, view(S.STOPPING, 2, memory=T2)),
    ("waiting for a flush slot", view(S.STOPPING, 119.9, memory=T2 | CLOSING, permits={"token": False})),
    (COMPLETE, view(S.STOPPING, 120, memory=T2 | CLOSING, permits={"token": False})),
    ("closing the valves", view(S.STOPPING, 120, memory=T2 | OPEN)),
)
def test_an_ordinary_stop_waits_up_to_120_seconds_for_its_flush(says: str | None, v: View) -> None:
    judge(v, says)


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
    judge(v, says)


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
    judge(v, says)


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
    ids=repr,
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
