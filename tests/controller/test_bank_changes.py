"""When the bank changes the number of running units, and which unit it takes, to the scan."""

from __future__ import annotations

from itertools import pairwise

import pytest
from bank_desk import LEVELS, TIMED, full_desk, run_unit, running_desk

# --- how many -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("level_pct", "count"), [(87.5, 0), (87.49, 1), (62.5, 1), (62.49, 2), (37.5, 2), (37.49, 3), (0.0, 3)]
)
def test_a_unit_more_is_wanted_below_each_step_and_not_at_it(level_pct: float, count: int) -> None:
    desk = full_desk()
    desk.bank["level_pct"] = level_pct

    assert len(desk.called(60)) == count


@pytest.mark.parametrize(
    ("level_pct", "count"), [(43.74, 3), (43.75, 2), (68.74, 2), (68.75, 1), (93.74, 1), (93.75, 0)]
)
def test_a_unit_less_is_wanted_at_each_release_and_not_below_it(level_pct: float, count: int) -> None:
    desk = running_desk(LEVELS, 3, 20.0)
    desk.bank["level_pct"] = level_pct

    assert len(desk.called(60)) == count


def test_never_are_more_units_wanted_than_there_are() -> None:
    desk = full_desk()
    desk.bank["level_pct"] = 0.0
    desk.scan()

    assert desk.memory.wanted == 3


def test_no_release_is_above_a_full_tank() -> None:
    near_full = LEVELS.model_copy(update={"tank_release_pct": 20.0})
    desk = running_desk(near_full, 2, 50.0)

    desk.bank["level_pct"] = 82.49
    assert desk.called(30) == [1, 2]
    desk.bank["level_pct"] = 82.5
    assert len(desk.called(30)) == 1


@pytest.mark.parametrize(("level_pct", "may"), [(87.5, False), (87.49, True)])
def test_at_the_first_step_nobody_new_may_start(level_pct: float, may: bool) -> None:
    desk = full_desk()
    desk.bank["level_pct"] = level_pct

    assert [permit.may_start for permit in desk.scan()] == [may] * 3


def test_above_the_first_step_units_that_pump_go_on_and_those_that_do_not_yet_are_sent_back() -> None:
    desk = running_desk(LEVELS, 2, 50.0)
    desk.ask(2, available=True)

    desk.bank["level_pct"] = 87.5

    assert desk.called() == [1]
    assert desk.called(60) == [1]


def test_changes_of_the_number_are_a_minute_apart_up_and_down() -> None:
    desk = full_desk(TIMED.model_copy(update={"min_run_min": 0}))
    moments = []
    desk.bank["level_pct"] = 20.0
    seen = 0
    for level_pct in (20.0, 80.0):
        desk.bank["level_pct"] = level_pct
        for _ in range(1_250):
            count = len(desk.called())
            if count != seen:
                moments.append(desk.now_ms)
            seen = count

    assert [b - a for a, b in pairwise(moments)] == [60_000] * 4


def test_a_second_scan_in_the_same_millisecond_changes_no_second_unit() -> None:
    desk = full_desk(TIMED)
    desk.bank["level_pct"] = 20.0
    desk.scan()

    desk.now_ms -= desk.step_ms

    assert desk.called() == [1]


# --- full, blind, stopped -------------------------------------------------------------------------------


def test_a_full_tank_and_the_selector_call_off_all_in_one_scan_and_want_nobody() -> None:
    for shows in ({"level_pct": 93.75}, {"bank_run": False}):
        desk = running_desk(TIMED, 3, 20.0)
        desk.bank |= shows

        permits = desk.scan()

        assert [(permit.call, permit.may_start) for permit in permits] == [(False, False)] * 3
        assert desk.memory.wanted == 0


@pytest.mark.parametrize(
    ("fallback_h", "loop", "limit_s"),
    [
        (0, "tank_level_ma", 60.0),
        (0.05, "tank_level_ma", 180.0),
        (0, "feed_temp_ma", 60.0),
        (0.05, "feed_temp_ma", 60.0),
        (0, "header_ma", 10.0),
        (0.05, "header_ma", 10.0),
    ],
)
def test_a_bad_shared_loop_calls_off_all_units_when_its_time_is_over(
    fallback_h: float, loop: str, limit_s: float
) -> None:
    desk = running_desk(LEVELS.model_copy(update={"level_fallback_h": fallback_h}), 2, 50.0)
    desk.bank[loop] = 0.0

    took_s = desk.until(lambda d: not any(p.call for p in d.permits), 400)

    assert took_s == 2.0 + limit_s  # a loop is BAD after 2 s
    assert desk.memory.called == [False] * 3


def test_without_a_level_running_units_go_on_and_nobody_new_is_called() -> None:
    desk = running_desk(LEVELS, 2, 50.0)
    desk.bank |= {"level_pct": 20.0, "tank_level_ma": 3.5}

    assert desk.called(30) == [1, 2]
    assert not any(permit.may_start for permit in desk.permits)


# --- which unit, and when -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hours", "order"), [((5, 5, 5), [1, 2, 3]), ((9, 1, 5), [2, 3, 1]), ((1, 1, 0), [3, 1, 2])]
)
def test_units_start_by_run_time_and_then_by_number(hours: tuple[int, ...], order: list[int]) -> None:
    desk = full_desk()
    for unit, run_h in enumerate(hours, start=1):
        desk.ask(unit, available=True, run_ms=run_h * 3_600_000)
    desk.bank["level_pct"] = 20.0

    seen: list[int] = []
    for _ in range(3):
        seen += sorted(set(desk.called(5)) - set(seen))

    assert seen == order


@pytest.mark.parametrize(
    ("hours", "stays"), [((5, 5, 5), [2, 3]), ((9, 1, 9), [2, 3]), ((1, 5, 0), [1, 3]), ((0, 0, 1), [1, 2])]
)
def test_the_unit_with_the_longest_run_time_stops_and_of_equals_the_lowest_number(
    hours: tuple[int, ...], stays: list[int]
) -> None:
    desk = running_desk(LEVELS, 3, 20.0)
    for unit, run_h in enumerate(hours, start=1):
        run_unit(desk, unit, run_ms=run_h * 3_600_000)
    desk.bank["level_pct"] = 50.0

    assert desk.called(9) == stays


def test_a_unit_that_has_not_run_its_least_time_is_not_stopped_by_demand() -> None:
    desk = running_desk(TIMED, 2, 50.0)
    desk.scan(100)
    run_unit(desk, 1, run_ms=9_000)
    run_unit(desk, 2)
    desk.bank["level_pct"] = 80.0

    # it started in the scan before the first one counted here
    assert 0.1 + desk.until(lambda d: d.memory.called == [False, True, False], 1_000) == 900.0


def test_a_unit_that_starts_in_this_millisecond_has_not_run_its_least_time() -> None:
    desk = running_desk(TIMED, 2, 50.0)
    desk.scan(1_000)
    run_unit(desk, 2, started_ms=desk.now_ms + desk.step_ms, run_ms=9_000)
    desk.bank["level_pct"] = 80.0

    assert desk.called() == [2]


def test_a_called_unit_that_does_not_pump_yet_may_be_sent_back_at_any_time() -> None:
    desk = running_desk(TIMED, 2, 50.0)
    desk.ask(2, available=True)
    desk.scan(60)
    desk.bank["level_pct"] = 80.0

    assert desk.called() == [1]


def test_a_unit_let_go_by_demand_rests_ten_minutes_and_a_fresh_one_need_not() -> None:
    desk = running_desk(TIMED.model_copy(update={"min_run_min": 0}), 2, 20.0, n_units=2)
    desk.scan(60)
    desk.bank["level_pct"] = 70.0
    assert desk.called() == [2]
    desk.ask(1, available=True)
    desk.bank["level_pct"] = 20.0

    assert 0.1 + desk.until(lambda d: d.memory.called == [True, True], 1_000) == 600.0


def test_a_unit_that_rested_by_itself_may_be_called_at_once() -> None:
    desk = running_desk(TIMED, 1, 80.0, n_units=1)
    desk.ask(1)
    assert desk.called(60) == []

    desk.ask(1, available=True)

    assert desk.called() == [1]
