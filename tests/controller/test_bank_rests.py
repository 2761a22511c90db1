"""Which running unit makes room: one that has run too long, or that spoils the blend."""

from __future__ import annotations

import pytest
from bank_desk import TIMED, Desk, full_desk, run_unit, running_desk
from harness import Values

# --- rotation -------------------------------------------------------------------------------------------


def test_a_unit_that_has_run_its_longest_time_is_called_off_when_another_is_ready() -> None:
    desk = running_desk(TIMED, 1, 80.0)
    desk.scan(100)
    run_unit(desk, 1, started_ms=desk.now_ms - 7_100_000)

    assert 0.1 + desk.until(lambda d: d.memory.called == [False] * 3, 200) == 100.0
    assert 0.1 + desk.until(lambda d: d.memory.called == [False, True, False], 200) == 60.0


def test_of_several_that_have_run_too_long_the_longest_goes_first() -> None:
    desk = running_desk(TIMED, 2, 50.0)
    desk.scan(100)
    run_unit(desk, 1, started_ms=desk.now_ms - 8_000_000)
    run_unit(desk, 2, started_ms=desk.now_ms - 8_100_000)

    assert desk.called() == [1]


def test_a_unit_that_is_not_called_is_not_rotated() -> None:
    desk = running_desk(TIMED, 1, 80.0)
    desk.scan(100)
    run_unit(desk, 3, started_ms=desk.now_ms - 8_000_000)

    assert desk.called(10) == [1]


@pytest.mark.parametrize("others", ["not available", "still rest"])
def test_nobody_rotates_while_no_other_unit_is_ready(others: str) -> None:
    desk = running_desk(TIMED, 1, 80.0, n_units=2)
    desk.scan(100)
    run_unit(desk, 1, started_ms=desk.now_ms - 8_000_000)
    if others == "not available":
        desk.ask(2)
    else:
        desk.memory.released_ms[1] = desk.now_ms

    assert desk.called(500) == [1]


# --- poor product ---------------------------------------------------------------------------------------


def poor_desk(**shows: float) -> Desk:
    """Two units pump, unit 2 with the poorer permeate; from the next scan on the product shows this."""
    desk = running_desk(TIMED, 2, 50.0)
    run_unit(desk, 1, tds_mgl=90.0)
    run_unit(desk, 2, tds_mgl=120.0)
    desk.scan(100)
    desk.bank |= shows
    return desk


def test_after_five_minutes_of_poor_product_the_unit_with_the_poorest_permeate_rests() -> None:
    desk = poor_desk(product_us=500.1)

    assert desk.until(lambda d: d.memory.called == [True, False, False], 1_000) == 300.0


def test_of_equally_poor_units_the_highest_number_rests() -> None:
    desk = poor_desk(product_us=900.0)
    run_unit(desk, 1, tds_mgl=120.0)

    assert desk.called(300.1) == [1]


@pytest.mark.parametrize("shows", [{"product_us": 500.0}, {"product_cond_ma": 3.5}], ids=str)
def test_a_product_at_its_limit_or_without_a_measurement_is_not_poor(shows: Values) -> None:
    assert poor_desk(**shows).called(400) == [1, 2]


def test_a_good_moment_begins_the_five_minutes_anew_also_within_a_minute_of_a_change() -> None:
    desk = poor_desk(product_us=900.0)
    desk.scan(290)
    desk.bank["level_pct"] = 20.0
    assert desk.called() == [1, 2, 3]
    desk.bank["product_us"] = 200.0
    desk.scan()
    desk.bank["product_us"] = 900.0

    assert desk.until(lambda d: not d.memory.called[1], 1_000) == 300.0


def test_after_a_change_the_blend_gets_its_five_minutes_again() -> None:
    desk = poor_desk(product_us=900.0)
    desk.ask(3)  # nobody can take the place
    assert desk.called(300.1) == [1]
    desk.ask(2)
    desk.bank["level_pct"] = 65.0  # one is enough from now on
    desk.memory.wanted = 1

    assert desk.called(299.9) == [1]
    assert desk.called() == []


def test_what_stands_in_the_pipe_while_nobody_pumps_is_not_counted() -> None:
    desk = full_desk(TIMED, 2)
    desk.bank["product_us"] = 900.0
    desk.scan(400)
    desk.bank["level_pct"] = 20.0
    desk.scan(70)
    assert desk.called() == [1, 2]
    for unit in (1, 2):
        run_unit(desk, unit, tds_mgl=90.0)

    assert desk.called(299.9) == [1, 2]


def test_a_unit_on_its_way_to_stop_is_not_called_back_because_its_permeate_is_poor() -> None:
    desk = poor_desk(product_us=900.0)
    run_unit(desk, 3, tds_mgl=200.0)

    assert desk.called(300.1) == [1]


def test_a_called_unit_that_does_not_pump_yet_has_no_part_in_a_poor_blend() -> None:
    desk = running_desk(TIMED, 1, 80.0)
    desk.scan(100)
    desk.ask(1, available=True)
    run_unit(desk, 3, tds_mgl=200.0)
    desk.bank["product_us"] = 900.0

    assert desk.called(301) == [1]
