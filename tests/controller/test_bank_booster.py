"""The booster's speed: a ramped setpoint, proportional and integral action, limits."""

from __future__ import annotations

import pytest
from bank_desk import HEADER, Desk, ready_desk, rising, waiting

from controller.bank.memory import Stage

# --- speed ----------------------------------------------------------------------------------------------


def setpoints_bar(desk: Desk, seconds: float) -> list[float]:
    """The ramped header setpoint, scan by scan."""
    seen = []
    for _ in range(round(seconds * 10)):
        desk.scan()
        seen.append(round(desk.memory.setpoint_bar, 9))
    return seen


def test_the_setpoint_rises_from_nothing_to_a_little_above_ready_and_then_to_full() -> None:
    desk = rising(0.75)

    # 0.02 bar in a scan, from the one on in which the drive shows its least speed
    against_shut_valves = setpoints_bar(desk, 9.5)
    assert against_shut_valves[:3] == [0.02, 0.04, 0.06]
    assert against_shut_valves[88:] == [1.78] + [1.8] * 6

    desk.ask(1, wants_water=True, draws_water=True)
    desk.bank |= {"header_bar": 3.0, "feed_m3h": 2.33}
    drawing = setpoints_bar(desk, 6.5)
    assert (drawing[0], drawing[58], drawing[59], drawing[-1]) == (1.82, 2.98, 3.0, 3.0)

    desk.ask(1, wants_water=True)
    assert setpoints_bar(desk, 0.3) == [2.98, 2.96, 2.94]


def test_against_shut_valves_the_setpoint_is_never_above_the_one_for_drawing() -> None:
    desk = Desk(1, HEADER.model_copy(update={"header_bar": 1.7}))
    desk.ask(1, wants_water=True)
    desk.until(lambda d: d.stage is Stage.PROVE_DOSING, 100)

    assert desk.memory.setpoint_bar == pytest.approx(1.7)


def test_a_booster_started_without_a_measurement_begins_from_no_pressure_at_all() -> None:
    desk = waiting(header_bar=3.0)
    desk.scan(0.2)
    desk.bank["header_ma"] = 3.5
    desk.scan()
    assert desk.stage is Stage.RAISE_HEADER
    assert desk.out.booster_run
    del desk.bank["header_ma"]

    assert setpoints_bar(desk, 0.2) == [0.02, 0.04]


def test_the_booster_starts_at_its_least_speed() -> None:
    desk = rising(0.0)
    assert desk.speed_hz == pytest.approx(25.0, abs=1e-9)
    desk.scan()

    # 0.02 bar of error: 2 Hz/bar at once and 1.5 Hz/bar for each second, of which 0.1 s has passed
    assert desk.speed_hz == pytest.approx(25.0 + 2.0 * 0.02 + 1.5 * 0.02 * 0.1, abs=1e-9)


def test_what_is_left_in_the_header_winds_nothing_up_while_it_sinks() -> None:
    desk = rising(0.875)
    for left_bar in (0.875, 0.75, 0.75):  # a header that stands loses pressure
        desk.bank["header_bar"] = left_bar
        desk.scan(1.0)

        assert desk.speed_hz == pytest.approx(25.0, abs=1e-9)


def running_up(speed_hz: float) -> Desk:
    """A booster just started on an empty header; its drive shows this speed."""
    desk = waiting(header_bar=0.0)
    desk.bank["speed_hz"] = speed_hz
    desk.until(lambda d: d.stage is Stage.RAISE_HEADER, 100)
    return desk


@pytest.mark.parametrize(("speed_hz", "begins"), [(23.9, False), (24.1, True)])
def test_the_ramp_begins_when_the_drive_has_all_but_come_to_its_least_speed(
    speed_hz: float, begins: bool
) -> None:
    desk = running_up(speed_hz)

    assert (setpoints_bar(desk, 20.0)[-1] > 0.0) is begins
    assert (desk.speed_hz > 25.1) is begins


def test_a_drive_that_never_shows_its_speed_is_waited_for_30_seconds() -> None:
    desk = running_up(0.0)

    seen = setpoints_bar(desk, 30.2)

    assert seen[298:] == [0.0, 0.02, 0.04, 0.06]


def test_a_drive_without_a_measurement_of_its_speed_is_not_waited_for() -> None:
    desk = waiting(header_bar=0.0)
    desk.bank["booster_speed_ma"] = 3.5
    desk.until(lambda d: d.stage is Stage.RAISE_HEADER, 100)

    assert setpoints_bar(desk, 0.2) == [0.04, 0.06]


def test_a_fall_of_half_a_bar_is_answered_with_one_hertz_at_once_and_three_quarters_for_each_second() -> None:
    desk = ready_desk(1, HEADER)
    desk.scan(20)
    desk.memory.integral_hz = 35.0
    desk.scan()
    assert desk.speed_hz == pytest.approx(35.0)

    desk.bank["header_bar"] = 2.625  # 0.375 bar below the setpoint
    desk.scan()
    assert desk.speed_hz == pytest.approx(35.0 + 0.75 + 0.05625, abs=1e-9)
    desk.scan(1.0)
    assert desk.speed_hz == pytest.approx(35.0 + 0.75 + 0.61875, abs=1e-9)


@pytest.mark.parametrize(("header_bar", "limit_hz", "beyond"), [(2.0, 50.0, 4.0), (4.0, 25.0, 2.0)])
def test_the_speed_keeps_to_its_limits_and_leaves_them_at_once(
    header_bar: float, limit_hz: float, beyond: float
) -> None:
    desk = ready_desk(1, HEADER)
    desk.bank["header_bar"] = header_bar
    desk.scan(60)
    assert desk.speed_hz == pytest.approx(limit_hz, abs=1e-9)

    desk.bank["header_bar"] = beyond  # as far on the other side
    desk.scan()

    assert abs(desk.speed_hz - limit_hz) == pytest.approx(2.0 + 0.15, abs=1e-9)


def test_without_a_measurement_speed_and_setpoint_stay_as_they_are() -> None:
    desk = ready_desk(1, HEADER)
    desk.bank["header_bar"] = 2.5
    desk.scan(3)
    before = desk.speed_hz, desk.memory.setpoint_bar

    desk.bank["header_ma"] = 3.5
    desk.scan(3)

    assert (desk.speed_hz, desk.memory.setpoint_bar) == before


def test_a_booster_that_stands_has_the_reference_of_no_speed() -> None:
    desk = ready_desk(1, HEADER)
    desk.bank["estop_healthy"] = False

    desk.scan()

    assert (desk.out.booster_run, desk.out.booster_speed_cmd_ma, desk.memory.speed_hz) == (False, 4.0, 0.0)
