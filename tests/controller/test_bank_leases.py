"""Leases of flush slots, pump starts and feed closures, to the scan."""

from __future__ import annotations

import pytest
from bank_desk import Desk

from controller.settings import Setpoints
from controller.unit.permits import Permits, Want

ONE_SLOT = Setpoints(drain_capacity_m3h=6.9, start_flush_max_s=240, feed_close_gap_s=1.0)
TWO_SLOTS = Setpoints(drain_capacity_m3h=100, booster_capacity_m3h=12.2)


def units(permits: tuple[Permits, ...], name: str) -> list[int]:
    """Units that have a permit."""
    return [unit for unit, permit in enumerate(permits, start=1) if getattr(permit, name)]


def desk_with_slots(count: int) -> Desk:
    """Four units, none of which asks for anything."""
    desk = Desk(4, ONE_SLOT if count == 1 else TWO_SLOTS)
    assert desk.coordinator.slots == count
    return desk


# --- flush slots ----------------------------------------------------------------------------------------


def test_a_slot_is_lent_in_the_scan_in_which_it_is_asked_for_and_kept_while_it_is_wanted() -> None:
    desk = desk_with_slots(1)
    desk.ask(1, Want.PURGE)
    assert desk.holders() == [1]

    desk.scan(200)

    assert desk.holders() == [1]


def test_a_unit_that_wants_no_more_and_does_not_flush_gives_its_slot_back_at_once() -> None:
    desk = desk_with_slots(1)
    desk.ask(1, Want.PURGE)
    desk.ask(2, Want.IDLE_FLUSH)
    assert desk.holders() == [1]

    desk.ask(1)

    assert desk.holders() == [2]


def test_a_waiting_unit_that_does_not_use_its_slot_loses_it_and_queues_again() -> None:
    desk = desk_with_slots(1)
    desk.ask(1, Want.PURGE, since_ms=0)
    desk.ask(2, Want.PURGE, since_ms=100)
    assert desk.holders() == [1]

    desk.scan(ONE_SLOT.token_lease_s - 0.1)
    assert desk.holders() == []  # the lease of unit 1 has just ended, and its turn comes again
    assert desk.holders() == [1]


def test_with_two_slots_the_two_first_of_the_queue_are_served_together() -> None:
    desk = desk_with_slots(2)
    for unit, since_ms in ((1, 400), (2, 300), (3, 100), (4, 200)):
        desk.ask(unit, Want.PURGE, since_ms)

    assert desk.holders() == [3, 4]
    desk.ask(3)
    assert desk.holders() == [2, 4]


def test_of_two_units_that_wait_equally_long_the_lower_number_is_served() -> None:
    desk = desk_with_slots(1)
    for unit in (4, 2, 3):
        desk.ask(unit, Want.PURGE)

    assert desk.holders() == [2]


def test_a_holder_that_flushes_and_a_stray_flush_occupy_a_slot_each() -> None:
    desk = desk_with_slots(2)
    desk.ask(1, Want.PURGE)
    assert desk.holders() == [1]
    desk.ask(1, Want.PURGE, flushing=True)
    desk.ask(2, flushing=True)
    desk.ask(3, Want.STOP_FLUSH)
    assert desk.holders() == [1]

    desk.ask(2)

    assert desk.holders() == [1, 3]


def test_beside_one_stray_flush_a_second_slot_is_still_lent() -> None:
    desk = desk_with_slots(2)
    desk.ask(1, flushing=True)
    desk.ask(2, Want.PURGE)
    desk.ask(3, Want.PURGE)

    assert desk.holders() == [2]


def test_more_stray_flushes_than_slots_let_nobody_in() -> None:
    desk = desk_with_slots(1)
    desk.ask(1, flushing=True)
    desk.ask(2, flushing=True)
    desk.ask(3, Want.STOP_FLUSH)
    desk.ask(4, Want.STOP_FLUSH)

    assert desk.holders() == []


def test_when_one_lease_has_expired_the_other_holder_goes_on() -> None:
    desk = desk_with_slots(2)
    desk.ask(1, Want.PURGE)
    assert desk.holders() == [1]
    desk.scan(100)
    desk.ask(1, flushing=True)
    desk.ask(2, Want.PURGE)
    assert desk.holders() == [1, 2]
    desk.ask(2, flushing=True)

    desk.scan(TWO_SLOTS.token_lease_s - 100)

    assert desk.holders() == [2]


# --- pump starts ----------------------------------------------------------------------------------------


def steady() -> Desk:
    """A desk on a header that has long been steady."""
    desk = Desk(3, Setpoints(stagger_s=10))
    desk.scan(20)
    return desk


def seconds_to(desk: Desk, name: str, unit: int) -> float:
    """Seconds from the next scan to the permit for a unit."""
    return desk.until(lambda d: units(d.permits, name) == [unit], 100)


def test_pump_starts_are_granted_by_number_to_one_unit_at_a_time_ten_seconds_apart() -> None:
    desk = steady()
    for unit in (2, 3):
        desk.ask(unit, wants_start=True)

    assert seconds_to(desk, "start_slot", 2) == 0.0
    desk.ask(2)
    assert 0.1 + seconds_to(desk, "start_slot", 3) == 10.0


def test_a_scan_in_which_nobody_asks_is_no_start() -> None:
    desk = steady()
    desk.scan(3)
    desk.ask(1, wants_start=True)

    assert seconds_to(desk, "start_slot", 1) == 0.0


@pytest.mark.parametrize("off_bar", [-0.31, 0.31])
def test_the_five_seconds_of_steady_header_begin_anew_after_every_disturbance(off_bar: float) -> None:
    desk = steady()
    desk.ask(1, wants_start=True)
    for _ in range(2):
        desk.bank["header_bar"] = 3.0 + off_bar
        desk.scan()
        desk.bank["header_bar"] = 3.0 + 0.29 * (1 if off_bar < 0 else -1)
        desk.scan(5)
        assert not desk.permits[0].start_slot

    assert seconds_to(desk, "start_slot", 1) == 0.0


def test_a_header_without_a_measurement_is_not_steady() -> None:
    desk = steady()
    desk.bank["header_ma"] = 3.5
    desk.ask(1, wants_start=True)

    desk.scan(30)

    assert not desk.permits[0].start_slot


# --- feed closures --------------------------------------------------------------------------------------


def test_feed_closures_are_granted_from_the_highest_number_down_a_second_apart() -> None:
    desk = steady()
    for unit in (1, 3):
        desk.ask(unit, wants_close=True)

    assert seconds_to(desk, "close_feed", 3) == 0.0
    desk.ask(3)
    assert 0.1 + seconds_to(desk, "close_feed", 1) == 1.0


def test_a_valve_that_closed_without_a_turn_keeps_the_next_turn_a_second_away() -> None:
    desk = steady()
    desk.ask(1, wants_close=True)
    desk.ask(3, feed_off_ms=desk.now_ms)  # in the scan before

    assert 0.1 + seconds_to(desk, "close_feed", 1) == 1.0


def test_a_scan_in_which_nobody_closes_is_no_closure() -> None:
    desk = steady()
    desk.scan(3.5)
    desk.ask(2, wants_close=True)

    assert seconds_to(desk, "close_feed", 2) == 0.0


def test_the_first_start_and_the_first_closure_after_power_up_need_not_wait_for_one_before() -> None:
    desk = Desk(1, Setpoints())
    desk.ask(1, wants_start=True, wants_close=True)

    desk.scan()
    assert desk.permits[0].close_feed
    # the header is believed after 5 s and steady 5 s later
    assert 0.1 + seconds_to(desk, "start_slot", 1) == 10.0


@pytest.mark.parametrize(("asks", "name"), [("wants_start", "start_slot"), ("wants_close", "close_feed")])
def test_a_second_scan_in_the_same_millisecond_is_not_a_second_turn(asks: str, name: str) -> None:
    desk = steady()
    for unit in (1, 3):
        desk.ask(unit, **{asks: True})
    (first,) = units(desk.scan(), name)
    desk.ask(first)

    desk.now_ms -= desk.step_ms
    desk.scan()

    assert units(desk.permits, name) == []
