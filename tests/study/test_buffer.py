"""The tank over a day, beside a tank that is filled and drawn minute by minute without any formula."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.bank import demand as firmware
from controller.files import InputError
from controller.settings import Setpoints
from sim_plant.process.parameters import PlantParameters
from sim_plant.study.buffer import (
    Bank,
    Tank,
    call_below_pct,
    day_flat_out,
    earlier_calls,
    every_day,
    every_day_as_called,
    lasts_h,
    least_units,
    least_usable_m3,
    release_above_pct,
    tank_of,
    wanted,
)
from sim_plant.study.demand import Demand
from tests.study.day_of_the_bank import LEVEL_PCT, rows_of

MINUTE_H = 1.0 / 60.0
DRAWS = st.lists(st.integers(0, 20).map(float), min_size=24, max_size=24)
MAKE = st.integers(0, 80).map(lambda quarter: quarter / 4.0)
USABLE = st.integers(0, 240).map(lambda quarter: quarter / 4.0)
FEW = settings(max_examples=60, deadline=None, derandomize=True)


def by_minutes(
    stock: float, make_m3h: float, draws: list[float], usable: float
) -> tuple[list[float], float, float]:
    """Stock at the end of each hour, m3 that were short, and minutes in which some was, in h."""
    ends, short_m3, short_h = list[float](), 0.0, 0.0
    for draw in draws:
        for _ in range(60):
            stock += (make_m3h - draw) * MINUTE_H
            if stock < -1e-9:
                short_m3, short_h = short_m3 - stock, short_h + MINUTE_H
            stock = min(max(stock, 0.0), usable)
        ends.append(stock)
    return ends, short_m3, short_h


@FEW
@given(DRAWS, MAKE, USABLE, st.floats(0, 1))
def test_a_day_is_that_of_the_minutes(draws: list[float], make: float, usable: float, share: float) -> None:
    day = day_flat_out(share * usable, make, draws, usable)
    ends, short_m3, short_h = by_minutes(share * usable, make, draws, usable)
    assert [hour.stock_m3 for hour in day.hours] == pytest.approx(ends, abs=1e-6)
    assert day.short_m3 == pytest.approx(short_m3, abs=1e-6)
    assert day.short_h == pytest.approx(short_h, abs=24 * MINUTE_H)


@FEW
@given(DRAWS, MAKE, USABLE, st.floats(0, 1))
def test_every_start_comes_to_the_day_that_repeats_itself(
    draws: list[float], make: float, usable: float, share: float
) -> None:
    """All numbers are quarters, so that a day gains or loses a quarter at least, or nothing."""
    steady = every_day(make, draws, usable)
    assert steady.end_m3 == pytest.approx(steady.start_m3, abs=1e-6)
    stock = usable if 24 * make == sum(draws) else share * usable  # without a gain any level repeats itself
    for _ in range(242):
        stock = day_flat_out(stock, make, draws, usable).end_m3
    assert stock == pytest.approx(steady.end_m3, abs=1e-6)


@FEW
@given(DRAWS, MAKE)
def test_the_least_tank_just_does_and_a_smaller_one_does_not(draws: list[float], make: float) -> None:
    least = least_usable_m3(make, draws)
    if least is None:
        assert sum(draws) > 24 * make
        return
    ends, *_ = by_minutes(least, make, draws, least)
    assert by_minutes(ends[-1], make, draws, least)[1] == pytest.approx(0.0, abs=1e-6)
    if least > 0.1:
        ends, *_ = by_minutes(least - 0.1, make, draws, least - 0.1)
        assert by_minutes(ends[-1], make, draws, least - 0.1)[1] > 0.1 - 1e-6


@FEW
@given(DRAWS, MAKE)
def test_the_least_tank_is_the_deepest_stretch_of_the_mass_curve(draws: list[float], make: float) -> None:
    """Rippl: the most that is drawn beyond what is made, over any stretch of hours, midnight or not."""
    twice = [*draws, *draws]
    deepest = max(
        sum(twice[start : start + hours]) - hours * make for start in range(24) for hours in range(25)
    )
    least = least_usable_m3(make, draws)
    assert least is None or least == pytest.approx(deepest, abs=1e-6)


@FEW
@given(DRAWS, MAKE, USABLE)
def test_a_full_tank_lasts_until_the_first_minute_that_is_short(
    draws: list[float], make: float, usable: float
) -> None:
    hours = lasts_h(make, draws, usable)
    if hours is None:
        assert by_minutes(usable, make, draws * 60, usable)[1] == pytest.approx(0.0, abs=1e-6)
        return
    whole = int(hours * 60) // 60 + 1  # hours begun
    days = draws * 61
    assert by_minutes(usable, make, days[: whole - 1], usable)[1] == pytest.approx(0.0, abs=1e-6)
    assert by_minutes(usable, make, days[: whole + 1], usable)[1] > 0.0


def test_the_fewest_units_meet_the_demand_with_one_out_and_one_fewer_do_not() -> None:
    """5 m3/h all day: four units of 1.3 make 5.2, three make 3.9; with one out that is five."""
    assert least_units(1.3, [5.0] * 24, 0.0) == 5
    assert least_units(0.1, [5.0] * 24, 1e6) is None  # 23 x 0.1 is too little, however large the tank


@pytest.mark.parametrize("units", range(1, 25))
def test_units_are_called_at_the_levels_of_the_firmware(units: int) -> None:
    s = Setpoints()
    for count in range(1, units + 1):
        assert call_below_pct(s, units, count) == pytest.approx(firmware.call_below_pct(s, units, count))
        assert release_above_pct(s, units, count) == pytest.approx(
            firmware.release_above_pct(s, units, count)
        )


def test_a_called_unit_is_let_go_only_a_step_higher() -> None:
    """Six units, 85 to 35 %: the second is called below 75 %, let go above 82 %, the last at 95 %."""
    s = Setpoints()
    assert wanted(s, 6, 74.9, 1) == 2
    assert wanted(s, 6, 81.9, 2) == 2
    assert wanted(s, 6, 82.1, 2) == 1
    assert wanted(s, 6, 94.9, 1) == 1
    assert wanted(s, 6, 95.0, 1) == 0
    assert wanted(s, 6, 30.0, 0) == 6


DAY = (1, 1, 1, 1, 2, 12, 16, 14, 8, 5, 4, 4, 4, 4, 4, 6, 10, 16, 14, 8, 3, 1, 1, 1)
DRAW = [float(v) for v in DAY]
TANK = Tank(40.0, 10.0, 95.0)


@pytest.mark.parametrize("ready", [4, 5, 6])
def test_called_by_the_level_a_bank_makes_no_more_than_flat_out(ready: int) -> None:
    called = every_day_as_called(Bank(6, ready, 1.34), Setpoints(), TANK, DRAW)
    flat_out = every_day(ready * 1.34, DRAW, TANK.usable_m3)
    assert called.short_m3 >= flat_out.short_m3
    assert called.lowest_m3 <= flat_out.lowest_m3 + 1e-6


def test_a_unit_that_makes_all_that_is_drawn_is_called_and_keeps_the_level() -> None:
    """Drawn 1 m3/h, made 1.34 by the first of six: it runs from 85 to 95 % and rests in between."""
    day = every_day_as_called(Bank(6, 6, 1.34), Setpoints(), TANK, [1.0] * 24)
    assert day.short_h == 0.0
    assert all(84.9 < TANK.pct(hour.stock_m3) <= 95.0 for hour in day.hours)


def test_units_called_sooner_meet_the_demand_and_the_next_smaller_change_does_not() -> None:
    bank, s = Bank(6, 5, 1.34), Setpoints()
    assert every_day_as_called(bank, s, TANK, DRAW).short_h > 0.0
    found = earlier_calls(bank, s, TANK, DRAW)
    assert found is not None
    changed = s.model_copy(update=found._asdict())
    assert every_day_as_called(bank, changed, TANK, DRAW).short_h == 0.0
    smaller = changed.model_copy(update={"tank_last_pct": changed.tank_last_pct - 5.0})
    assert every_day_as_called(bank, smaller, TANK, DRAW).short_h > 0.0
    assert earlier_calls(bank, s, Tank(4.0, 10.0, 95.0), DRAW) is None


def test_the_whole_bank_under_its_firmware_fills_the_tank_as_is_reckoned() -> None:
    """An hour with one unit out; ``python -m tests.study.day_of_the_bank`` runs the day."""
    (row,) = rows_of(out=1, hours=1)
    assert row.bank_pct == pytest.approx(row.study_pct, abs=1.5)
    assert row.bank_pct > LEVEL_PCT + 3.0


def test_the_site_has_the_word_where_the_table_has_none() -> None:
    demand = Demand(profile_m3h=tuple(DRAW))
    assert tank_of(demand, PlantParameters(), Setpoints()) == (40.0, 10.0, 95.0)
    own = demand.model_copy(update={"tank_m3": 60.0, "lowest_pct": 20.0})
    assert tank_of(own, PlantParameters(), Setpoints()) == (60.0, 20.0, 95.0)


def test_a_lowest_level_above_the_full_one_is_refused() -> None:
    demand = Demand(profile_m3h=tuple(DRAW), lowest_pct=70.0)
    low = Setpoints(tank_stop_pct=60, tank_first_pct=50)
    with pytest.raises(InputError, match=r"lowest_pct = 70: must be below tank_stop_pct = 60"):
        tank_of(demand, PlantParameters(), low)
