"""A step is complete at its limit and not before, and until then the unit says in words what it waits for."""

from __future__ import annotations

from unit_views import COMPLETE, ago, cases, said, view

from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.unit.states import Event, UnitState
from controller.unit.view import View

S = UnitState
OWED = {"flush_owed": True}


# --- at rest --------------------------------------------------------------------------------------------


@cases(
    ("waiting for good I/O, 5 s to go", view(S.BOOT, 60, memory={"io_fresh_ms": NEVER})),
    ("waiting for good I/O, 3 s to go", view(S.BOOT, 60, memory={"io_fresh_ms": ago(2)})),
    ("waiting for good I/O, 4 s to go", view(S.BOOT, 1)),
    ("waiting for good I/O, 0 s to go", view(S.BOOT, 4.9)),
    (COMPLETE, view(S.BOOT, 5)),
)
def test_boot_ends_after_5_seconds_of_good_inputs(says: str | None, v: View) -> None:
    assert said(v) == says


@cases(
    ("not called", view(S.STANDBY)),
    ("stopped by a person; needs a start command", view(S.STANDBY, memory={"stopped": True})),
    ("flush owed, bank not ready", view(S.STANDBY, memory=OWED, permits={"ready": False})),
    ("flush owed, waiting for a flush slot", view(S.STANDBY, memory=OWED, permits={"token": False})),
    (COMPLETE, view(S.STANDBY, memory=OWED)),
    (COMPLETE, view(S.STANDBY, memory=OWED | {"stopped": True})),
)
def test_a_unit_in_standby_moves_on_only_for_a_flush_that_it_owes(says: str | None, v: View) -> None:
    assert said(v) == says


@cases(
    (
        "flush owed, blocked: suction transmitter BAD",
        view(S.STANDBY, memory=OWED | {"blocked_by": Event.SUCTION_SENSOR_BAD}, permits={"ready": False}),
    ),
    (COMPLETE, view(S.STANDBY, memory=OWED | {"blocked_by": Event.STARTS_LIMIT})),
)
def test_a_cause_holds_an_idle_flush_back_but_a_resting_motor_does_not(says: str | None, v: View) -> None:
    assert said(v) == says


LOST = {"link_lost": True, "io_fresh_ms": ago(10)}


@cases(
    ("waiting for stable I/O, 20 s to go", view(S.STANDBY, memory=OWED | LOST)),
    ("waiting for stable I/O, 20 s to go", view(S.WAIT_PERMIT, memory=LOST)),
    (COMPLETE, view(S.STANDBY, memory=OWED | LOST | {"io_fresh_ms": ago(30)})),
    (COMPLETE, view(S.WAIT_PERMIT, memory=LOST | {"io_fresh_ms": ago(30)})),
)
def test_nothing_opens_before_a_link_that_was_lost_is_stable(says: str | None, v: View) -> None:
    assert said(v) == says


@cases(
    ("not called", view(S.STANDBY, memory=OWED | {"flush_not_before_ms": ago(-0.001)})),
    (COMPLETE, view(S.STANDBY, memory=OWED | {"flush_not_before_ms": ago(0)})),
)
def test_a_flush_that_failed_is_due_again_when_its_wait_is_over(says: str | None, v: View) -> None:
    assert said(v) == says


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
    assert said(v) == says


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
    assert said(v) == says


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
    assert said(v) == says


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
    assert said(v) == says


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
    assert said(v) == says


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
    assert said(v) == says


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
    assert said(v) == says


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
    assert said(v) == says


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
    assert said(v) == says
