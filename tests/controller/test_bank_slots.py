"""Flush slots, start spacing, feed closures: what only so many units do at once."""

from __future__ import annotations

from itertools import pairwise

import pytest
from bank_desk import Desk
from bank_harness import BankRig, producing_bank
from harness import QUICK

from controller.bank.memory import Stage
from controller.settings import Setpoints
from controller.signals import Command, Verb
from controller.unit.permits import Want
from controller.unit.states import UnitState

S = UnitState
WIDE = Setpoints(**(QUICK.model_dump() | {"drain_capacity_m3h": 100.0, "booster_capacity_m3h": 100.0}))


def open_flushes(rig: BankRig) -> list[int]:
    """Number of flush valves driven, scan by scan."""
    return [sum(out.flush_valve for out in units) for _, _, units, _ in rig.trace]


@pytest.mark.parametrize(("n_units", "drain_m3h"), [(2, 6.0), (4, 6.9)])
def test_from_start_to_stop_one_slot_is_never_used_twice(n_units: int, drain_m3h: float) -> None:
    rig = BankRig(n_units, Setpoints(**(QUICK.model_dump() | {"drain_capacity_m3h": drain_m3h})))
    assert rig.controller.setpoints.flush_slots(n_units) == 1

    rig.until(lambda r: all(s is S.PRODUCE for s in r.states), 400)
    rig.bank["level_pct"] = 96.0
    rig.run(300)

    assert max(open_flushes(rig)) == 1


def test_two_slots_are_both_used_and_no_third() -> None:
    site = {"drain_capacity_m3h": 500.0, "booster_capacity_m3h": 12.2}
    rig = BankRig(4, Setpoints(**(QUICK.model_dump() | site)))
    assert rig.controller.setpoints.flush_slots(4) == 2

    rig.run(200)

    assert max(open_flushes(rig)) == 2


def test_a_healthy_bank_that_starts_from_the_last_unit_down_is_late_with_no_purge() -> None:
    """The last unit has the greatest head start towards its first purge and waits for five starts."""
    rig = producing_bank(6, Setpoints(**(QUICK.model_dump() | {"purge_interval_s": 240})))
    assert rig.controller.setpoints.flush_slots(6) == 1
    for unit in range(1, 7):
        rig.command(Verb.STOP, unit)
    rig.run(300)
    begun = len(rig.trace)

    alarms = set()
    for unit in range(6, 0, -1):
        rig.command(Verb.START, unit)
        rig.run(10)
    for _ in range(600):
        rig.run(1)
        alarms |= {alarm.id for alarm in rig.controller.alarms()}

    first_ms = rig.trace[begun][0]
    assert [unit for t_ms, unit in rig.rises("pump") if t_ms >= first_ms] == [6, 5, 4, 3, 2, 1]
    assert not alarms & {"purge late", "purge overdue"}


def test_all_units_stopping_at_once_are_flushed_within_the_slots() -> None:
    rig = producing_bank(4)
    rig.bank["level_pct"] = 96.0

    rig.run(250)

    assert max(open_flushes(rig)) <= rig.controller.setpoints.flush_slots(4)
    assert len(rig.rises("flush_valve")) == 4
    assert not any(unit.memory.flush_owed for unit in rig.controller._units)


def test_the_queue_serves_stopping_units_then_starts_then_late_purges_then_purges_then_idle_units() -> None:
    desk = Desk(5, Setpoints(drain_capacity_m3h=7.5))
    assert desk.coordinator.slots == 1
    for unit, want in enumerate(
        (Want.IDLE_FLUSH, Want.PURGE, Want.LATE_PURGE, Want.START_FLUSH, Want.STOP_FLUSH), start=1
    ):
        desk.ask(unit, want)

    served = []
    for _ in range(5):
        (unit,) = desk.holders()
        served.append(unit)
        desk.ask(unit, Want.NONE)

    assert served == [5, 4, 3, 2, 1]


def test_of_equal_wants_the_longest_waiting_is_served_first() -> None:
    desk = Desk(3, Setpoints(drain_capacity_m3h=6))
    for unit, since_ms in ((1, 300), (2, 100), (3, 200)):
        desk.ask(unit, Want.PURGE, since_ms)

    assert desk.holders() == [2]


def test_a_more_urgent_want_never_takes_a_slot_from_a_flush_in_progress() -> None:
    desk = Desk(2, Setpoints(drain_capacity_m3h=4.5))
    desk.ask(1, Want.IDLE_FLUSH)
    assert desk.holders() == [1]
    desk.ask(1, Want.NONE, flushing=True)

    desk.ask(2, Want.STOP_FLUSH)

    assert desk.holders() == [1]


def test_a_slot_is_free_only_when_the_flush_valve_is_no_longer_driven() -> None:
    desk = Desk(2, Setpoints(drain_capacity_m3h=4.5))
    desk.ask(1, Want.START_FLUSH)
    desk.scan()
    desk.ask(1, Want.NONE, flushing=True)
    desk.ask(2, Want.START_FLUSH)
    desk.scan(30)
    assert desk.holders() == [1]

    desk.ask(1, Want.NONE, flushing=False)

    assert desk.holders() == [2]


def test_a_lease_expires_after_the_longest_flush_and_ten_seconds() -> None:
    desk = Desk(2, Setpoints(drain_capacity_m3h=4.5))
    desk.ask(1, Want.START_FLUSH)
    assert desk.holders() == [1]
    desk.ask(1, Want.NONE, flushing=True)

    desk.scan(249.8)
    assert desk.holders() == [1]
    assert desk.holders() == []


def test_an_expired_slot_is_not_lent_again_while_its_flush_valve_is_driven() -> None:
    desk = Desk(2, Setpoints(drain_capacity_m3h=4.5))
    desk.ask(1, Want.START_FLUSH)
    desk.scan()
    desk.ask(1, Want.NONE, flushing=True)
    desk.ask(2, Want.START_FLUSH)

    desk.scan(300)
    assert desk.holders() == []
    desk.ask(1, Want.NONE, flushing=False)

    assert desk.holders() == [2]


def test_a_unit_that_flushes_without_a_slot_occupies_one() -> None:
    desk = Desk(2, Setpoints(drain_capacity_m3h=4.5))
    desk.ask(1, Want.NONE, flushing=True)
    desk.ask(2, Want.STOP_FLUSH)

    assert desk.holders() == []


# --- pump starts ----------------------------------------------------------------------------------------


def test_pumps_start_at_least_ten_seconds_apart() -> None:
    rig = BankRig(4, WIDE)
    rig.until(lambda r: all(s is S.PRODUCE for s in r.states), 400)

    rises = [t_ms for t_ms, _ in rig.rises("pump")]

    assert len(rises) == 4
    assert all(b - a >= 10_000 for a, b in pairwise(rises))


def test_two_units_that_settle_together_start_ten_seconds_apart() -> None:
    desk = Desk(2, Setpoints())
    desk.scan(10)
    for unit in (1, 2):
        desk.ask(unit, Want.NONE, wants_start=True)

    assert [permit.start_slot for permit in desk.scan()] == [True, False]
    desk.ask(1, Want.NONE)
    assert not any(permit.start_slot for permit in desk.scan(9.8))
    assert [permit.start_slot for permit in desk.scan(0.2)] == [False, True]


@pytest.mark.parametrize("header_bar", [2.6, 3.4])
def test_no_pump_starts_into_a_header_off_its_setpoint(header_bar: float) -> None:
    desk = Desk(1, Setpoints())
    desk.bank["header_bar"] = header_bar
    desk.ask(1, Want.NONE, wants_start=True)

    assert not desk.scan(60)[0].start_slot


def test_the_header_must_be_steady_for_five_seconds_before_a_pump_starts() -> None:
    desk = Desk(1, Setpoints())
    desk.bank["header_bar"] = 2.0
    desk.scan(10)
    desk.bank["header_bar"] = 3.0
    desk.ask(1, Want.NONE, wants_start=True)

    assert not desk.scan(5.0)[0].start_slot
    assert desk.scan(0.1)[0].start_slot


def test_no_pump_starts_by_an_image_that_has_stopped_changing() -> None:
    desk = Desk(1, Setpoints())
    desk.scan(10)
    desk.ask(1, Want.NONE, wants_start=True)
    desk.age_ms = 1100
    assert not any(desk.scan()[0].start_slot for _ in range(39))

    desk.age_ms = 0
    assert not any(desk.scan()[0].start_slot for _ in range(50))
    assert desk.scan()[0].start_slot


# --- feed closures --------------------------------------------------------------------------------------


def test_on_a_shared_trip_pumps_stop_together_and_feed_valves_close_a_second_apart_highest_first() -> None:
    rig = producing_bank(4, WIDE)
    rig.bank["chlorine_mgl"] = 0.2
    rig.run(30)

    pumps = {t_ms for t_ms, _ in rig.falls("pump")}
    closes = rig.falls("feed_valve")

    assert len(pumps) == 1
    assert [unit for _, unit in closes] == [4, 3, 2, 1]
    assert all(b[0] - a[0] >= 1_000 for a, b in pairwise(closes))


def test_on_a_floor_leak_all_feed_valves_close_at_once() -> None:
    rig = producing_bank(4, WIDE)
    rig.bank["floor_dry"] = False
    rig.run(5)

    assert len({t_ms for t_ms, _ in rig.falls("feed_valve")}) == 1
    assert not rig.out.bank.booster_run


def test_stops_of_single_units_close_their_feed_valves_a_second_apart() -> None:
    rig = producing_bank(4, WIDE)
    for unit in range(1, 5):
        rig.command(Verb.STOP, unit)
    rig.run(60)

    closes = [t_ms for t_ms, _ in rig.falls("feed_valve")]
    assert len(closes) == 4
    assert all(b - a >= 1_000 for a, b in pairwise(closes))


# --- who may be out -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("most", "allowed"), [(1, False), (2, True)])
def test_as_many_units_as_set_may_be_out_for_maintenance(most: int, allowed: bool) -> None:
    desk = Desk(3, Setpoints(max_in_maintenance=most))
    desk.ask(1, Want.NONE, in_maintenance=True)

    permits = desk.scan(commands=(Command(Verb.MAINTAIN, 2, "test"),))

    assert permits[1].maintenance_slot is allowed


def test_without_a_ready_bank_nobody_is_told_to_be_ready() -> None:
    desk = Desk(2, Setpoints())

    assert desk.memory.stage is Stage.STOPPED
    assert not any(permit.ready for permit in desk.scan(300))


def test_pumps_start_10_seconds_apart_also_when_a_slow_scan_delays_the_first_one() -> None:
    desk = Desk(2, QUICK)
    desk.scan(15)
    desk.ask(1, Want.NONE, wants_start=True)
    desk.ask(2, Want.NONE, wants_start=True)
    assert desk.scan()[0].start_slot

    desk.now_ms += 1_000  # a slow scan: the pump of unit 1 comes on that much after its grant
    desk.ask(1, Want.NONE, started_ms=desk.now_ms, pumping=True)
    pump_ms = desk.now_ms
    while not desk.scan()[1].start_slot:
        pass

    assert desk.now_ms - pump_ms >= 1000 * QUICK.stagger_s
