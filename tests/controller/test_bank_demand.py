"""How many units the tank wants, which ones, and who may return first after power."""

from __future__ import annotations

from itertools import pairwise

import pytest
from bank_desk import Desk
from bank_harness import BankRig, producing_bank
from harness import QUICK

from controller.bank.demand import call_below_pct, release_above_pct
from controller.settings import Setpoints
from controller.unit.permits import Want
from controller.unit.states import UnitState

S = UnitState
DEMAND = Setpoints(
    **(Setpoints().model_dump() | {"drain_capacity_m3h": 100.0, "booster_capacity_m3h": 100.0})
)


def ready_desk(n_units: int, level_pct: float, setpoints: Setpoints = DEMAND) -> Desk:
    """A coordinator with idle units that may all be called, past its first seconds."""
    desk = Desk(n_units, setpoints)
    desk.bank["level_pct"] = 99.0
    for unit in range(1, n_units + 1):
        desk.ask(unit, Want.NONE, available=True)
    desk.scan(10)
    desk.bank["level_pct"] = level_pct
    return desk


# --- thresholds -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n_units", "levels"),
    [(1, [85]), (2, [85, 35]), (6, [85, 75, 65, 55, 45, 35])],
)
def test_steps_are_spread_evenly_from_85_to_35_percent(n_units: int, levels: list[float]) -> None:
    steps = [call_below_pct(Setpoints(), n_units, count) for count in range(1, n_units + 1)]

    assert steps == pytest.approx(levels)


def test_24_units_have_24_falling_steps() -> None:
    steps = [call_below_pct(Setpoints(), 24, count) for count in range(1, 25)]

    assert (steps[0], steps[-1]) == pytest.approx((85, 35))
    assert all(a > b for a, b in pairwise(steps))


@pytest.mark.parametrize(
    ("n_units", "levels"),
    [(1, [95]), (2, [95, 42]), (6, [95, 82, 72, 62, 52, 42])],
)
def test_each_unit_is_released_seven_points_higher_and_the_last_one_at_full(
    n_units: int, levels: list[float]
) -> None:
    steps = [release_above_pct(Setpoints(), n_units, count) for count in range(1, n_units + 1)]

    assert steps == pytest.approx(levels)


@pytest.mark.parametrize(
    ("level_pct", "count"), [(86, 0), (84, 1), (76, 1), (74, 2), (64, 3), (54, 4), (44, 5), (36, 5), (34, 6)]
)
def test_six_units_are_wanted_step_by_step_as_the_tank_falls(level_pct: float, count: int) -> None:
    desk = ready_desk(6, level_pct, Setpoints(demand_change_s=5))

    assert len(desk.called(60)) == count


def test_one_change_in_60_seconds() -> None:
    desk = ready_desk(6, 20)

    assert len(desk.called(1)) == 1
    assert len(desk.called(58.5)) == 1
    assert len(desk.called(1)) == 2


def test_between_call_and_release_nothing_changes() -> None:
    desk = ready_desk(2, 34)
    assert len(desk.called(100)) == 2

    for level_pct in (36, 41, 36, 41):
        desk.bank["level_pct"] = level_pct
        assert len(desk.called(100)) == 2


# --- which unit -----------------------------------------------------------------------------------------


def test_the_unit_with_the_fewest_run_hours_starts_first_and_ties_go_by_number() -> None:
    desk = ready_desk(4, 90)
    for unit, run_ms in ((1, 900), (2, 100), (3, 100), (4, 500)):
        desk.ask(unit, Want.NONE, available=True, run_ms=run_ms)
    desk.bank["level_pct"] = 20

    order: list[int] = []
    for _ in range(4):
        (new,) = set(desk.called(60)) - set(order)
        order.append(new)

    assert order == [2, 3, 4, 1]


def test_a_unit_with_poor_quality_is_called_last() -> None:
    desk = ready_desk(2, 90)
    desk.ask(1, Want.NONE, available=True, run_ms=0, quality_poor=True)
    desk.ask(2, Want.NONE, available=True, run_ms=10_000)
    desk.bank["level_pct"] = 80

    assert desk.called(1) == [2]


def test_a_unit_that_is_not_available_is_not_called_and_another_takes_its_place() -> None:
    desk = ready_desk(2, 80)
    assert desk.called(1) == [1]

    desk.ask(1, Want.NONE, available=False)

    assert desk.called(61) == [2]


def test_the_unit_with_the_most_run_hours_stops_first() -> None:
    desk = ready_desk(3, 20, Setpoints(min_run_min=0))
    assert desk.called(200) == [1, 2, 3]
    for unit, run_ms in ((1, 100), (2, 900), (3, 500)):
        desk.ask(unit, Want.NONE, available=True, run_ms=run_ms, pumping=True, started_ms=0)

    desk.bank["level_pct"] = 43

    assert desk.called(1) == [1, 3]


def test_a_unit_runs_at_least_15_minutes_by_demand() -> None:
    desk = ready_desk(2, 20)
    assert desk.called(100) == [1, 2]
    for unit in (1, 2):
        desk.ask(unit, Want.NONE, available=True, pumping=True, started_ms=desk.now_ms)

    desk.bank["level_pct"] = 45
    assert desk.called(899) == [1, 2]
    assert len(desk.called(2)) == 1


def test_a_unit_rests_at_least_10_minutes_by_demand() -> None:
    desk = ready_desk(1, 80, Setpoints(min_run_min=0, tank_stop_pct=97))
    assert desk.called(1) == [1]
    desk.memory.wanted = 0
    desk.bank["level_pct"] = 86
    assert desk.called(61) == []

    desk.memory.released_ms[0] = desk.now_ms
    desk.bank["level_pct"] = 80

    assert desk.called(599) == []
    assert desk.called(2) == [1]


# --- full, blind, stopped -------------------------------------------------------------------------------


def test_a_full_tank_stops_every_pump_within_two_seconds() -> None:
    rig = producing_bank(2)
    rig.bank["level_pct"] = 95.0

    assert rig.until(lambda r: not any(out.pump for out in r.out.units), 5) <= 2.0


def test_a_full_tank_calls_off_all_units_whatever_their_least_run() -> None:
    desk = ready_desk(3, 20)
    assert len(desk.called(200)) == 3
    for unit in (1, 2, 3):
        desk.ask(unit, Want.NONE, available=True, pumping=True, started_ms=desk.now_ms)

    desk.bank["level_pct"] = 95.0

    assert desk.called() == []


def test_none_starts_above_the_first_step() -> None:
    rig = BankRig(2)
    rig.bank["level_pct"] = 86.0

    rig.run(300)

    assert not rig.rises("pump")


def test_a_unit_on_its_way_to_start_turns_back_above_the_first_step() -> None:
    rig = BankRig(1)
    rig.until(lambda r: r.states == (S.START_FLUSH,), 200)

    rig.bank["level_pct"] = 86.0
    rig.run(60)

    assert not rig.rises("pump")


def test_a_bad_level_lets_nobody_start_and_stops_running_units_within_63_seconds() -> None:
    rig = producing_bank(2)
    rig.bank["tank_level_ma"] = 0.0

    took_s = rig.until(lambda r: not any(out.pump for out in r.out.units), 100)
    rig.run(200)

    assert took_s <= 63.0
    assert len(rig.rises("pump")) == 0


def test_a_bad_level_of_less_than_a_minute_stops_nobody() -> None:
    rig = producing_bank(1)
    rig.bank["tank_level_ma"] = 0.0
    rig.run(50)
    del rig.bank["tank_level_ma"]
    rig.run(20)

    assert rig.states == (S.PRODUCE,)


@pytest.mark.parametrize(("loop", "limit_s"), [("feed_temp_ma", 63.0), ("header_ma", 13.0)])
def test_a_bad_temperature_or_header_loop_withdraws_the_calls(loop: str, limit_s: float) -> None:
    rig = producing_bank(1)
    rig.bank[loop] = 0.0

    assert rig.until(lambda r: not r.out.units[0].pump, 100) <= limit_s


@pytest.mark.parametrize("loop", ["feed_cond_ma", "product_cond_ma", "booster_speed_ma"])
def test_other_bad_bank_loops_stop_nobody(loop: str) -> None:
    rig = producing_bank(1)
    rig.bank[loop] = 0.0

    rig.run(150)

    assert rig.states == (S.PRODUCE,)


def test_the_bank_selector_stops_every_unit_with_its_flush() -> None:
    rig = producing_bank(2)
    rig.bank["bank_run"] = False

    rig.run(0.2)
    assert not any(out.pump for out in rig.out.units)
    rig.run(10)

    assert S.STOP_FLUSH in rig.states


# --- power return ---------------------------------------------------------------------------------------


def test_after_power_return_units_come_back_by_number_after_the_wait() -> None:
    # a step is longer than the pre-start, which begins when the first unit may use the water
    waits = {"resume_s": 30.0, "resume_step_s": 30.0}
    rig = BankRig(3, Setpoints(**(QUICK.model_dump() | waits | {"drain_capacity_m3h": 100.0})))

    rig.run(150)

    first_ms: dict[int, int] = {}
    for t_ms, unit in rig.rises("flush_valve"):
        first_ms.setdefault(unit, t_ms)
    assert sorted(first_ms) == [1, 2, 3]
    assert all(t_ms >= 1000 * (30 + 30 * (unit - 1)) for unit, t_ms in first_ms.items())
    assert first_ms[1] < first_ms[2] < first_ms[3]


def test_after_power_return_every_unit_flushes_before_it_pumps() -> None:
    before = producing_bank(2)

    rig = BankRig(2, retained=before.controller.retained())
    rig.run(150)

    for unit in (1, 2):
        flush_ms = min(t for t, u in rig.rises("flush_valve") if u == unit)
        assert all(t > flush_ms + 30_000 for t, u in rig.rises("pump") if u == unit)
