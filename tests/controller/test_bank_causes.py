"""Limits, delays and clear times of every shared cause, to the scan."""

from __future__ import annotations

from typing import NamedTuple

import pytest
from bank_desk import Desk, ready_desk
from harness import QUICK, Values

from controller.bank.memory import Stage
from controller.settings import Setpoints
from controller.signals import Verb
from controller.unit.states import Event

# limits that a loop current gives without rounding
EXACT = Setpoints(
    **(
        QUICK.model_dump()
        | {"temp_trip_degc": 41.25, "temp_clear_degc": 37.5, "temp_alarm_degc": 36.0}
        | {"chlorine_trip_mgl": 0.125, "chlorine_clear_mgl": 0.0625, "antiscalant_grace_min": 1}
    )
)


class Cause(NamedTuple):
    """How a shared cause shows itself and goes again."""

    event: Event
    shows: Values
    gone: Values
    delay_s: float
    clear_s: float


CAUSES = [
    Cause(Event.TANK_HIGH_HIGH, {"tank_not_overfull": False}, {"tank_not_overfull": True}, 0.0, 10.0),
    Cause(Event.FLOOR_LEAK, {"floor_dry": False}, {"floor_dry": True}, 2.0, 30.0),
    Cause(Event.SUMP_HIGH, {"sump_ok": False}, {"sump_ok": True}, 2.0, 60.0),
    Cause(Event.FEED_HOT, {"feed_degc": 41.26}, {"feed_degc": 37.5}, 10.0, 60.0),
    Cause(Event.OXIDANT, {"chlorine_mgl": 0.126}, {"chlorine_mgl": 0.0625}, 10.0, 60.0),
    Cause(Event.BOOSTER_FAULT, {"drive_healthy": False}, {"drive_healthy": True}, 0.0, 10.0),
    Cause(Event.BOOSTER_FAULT, {"source_wet": False}, {"source_wet": True}, 0.0, 10.0),
    Cause(Event.BOOSTER_FAULT, {"supply_healthy": False}, {"supply_healthy": True}, 0.0, 10.0),
    Cause(Event.ANTISCALANT_LOW, {"antiscalant_ok": False}, {"antiscalant_ok": True}, 60.0, 0.0),
]
each_cause = pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: next(iter(cause.shows)))


def latched(desk: Desk) -> bool:
    """A shared cause is latched."""
    return bool(desk.memory.latched)


def tripped(cause: Cause) -> Desk:
    """A bank that has just latched a cause, which still shows."""
    desk = ready_desk(1, EXACT)
    desk.bank |= cause.shows
    desk.until(latched, 100)
    return desk


def starting(stage: Stage, **shows: float | bool) -> Desk:
    """A bank that has just come to a stage of its pre-start order."""
    desk = Desk(1, EXACT)
    desk.bank |= shows
    desk.ask(1, wants_water=True)
    desk.until(lambda d: d.stage is stage, 100)
    return desk


@each_cause
def test_a_shared_cause_is_latched_exactly_after_its_delay(cause: Cause) -> None:
    desk = ready_desk(1, EXACT)

    desk.bank |= cause.shows

    assert desk.until(latched, 100) == cause.delay_s
    assert desk.memory.latched == [cause.event]


@each_cause
def test_a_delay_begins_anew_after_the_cause_was_gone_for_one_scan(cause: Cause) -> None:
    desk = ready_desk(1, EXACT)

    for _ in range(2):
        desk.bank |= cause.shows
        desk.scan(cause.delay_s)  # one scan too few
        desk.bank |= cause.gone
        desk.scan()

    assert not latched(desk)


@each_cause
def test_a_reset_is_refused_until_the_clear_time_is_over_and_taken_then(cause: Cause) -> None:
    desk = tripped(cause)
    desk.command(Verb.RESET)
    assert latched(desk)

    desk.bank |= cause.gone
    if cause.clear_s:
        desk.scan(cause.clear_s - 0.1)
        desk.command(Verb.RESET)
        assert latched(desk)
    desk.command(Verb.RESET)

    assert not latched(desk)


@each_cause
def test_a_clear_time_begins_anew_when_the_cause_shows_again(cause: Cause) -> None:
    desk = tripped(cause)
    for _ in range(2):
        desk.bank |= cause.gone
        desk.scan(max(cause.clear_s - 0.5, 0.1))
        desk.bank |= cause.shows
        desk.scan()
    desk.command(Verb.RESET)
    assert latched(desk)

    desk.bank |= cause.gone
    desk.scan(cause.clear_s)
    desk.command(Verb.RESET)
    assert not latched(desk)


@each_cause
def test_a_released_cause_can_come_again_and_needs_its_times_again(cause: Cause) -> None:
    desk = tripped(cause)
    desk.bank |= cause.gone
    desk.scan(cause.clear_s)
    desk.command(Verb.RESET)
    assert not latched(desk)

    desk.bank |= cause.shows
    assert desk.until(latched, 100) == cause.delay_s
    desk.bank |= cause.gone
    if cause.clear_s:
        desk.scan(cause.clear_s - 0.1)
        desk.command(Verb.RESET)
        assert latched(desk)


@pytest.mark.parametrize("at_limit", [{"feed_degc": 41.25}, {"chlorine_mgl": 0.125}], ids=str)
def test_a_value_at_its_trip_limit_trips_nothing(at_limit: Values) -> None:
    desk = ready_desk(1, EXACT)
    desk.bank |= at_limit

    desk.scan(30)

    assert not latched(desk)


@pytest.mark.parametrize(
    ("cause", "above"), [(CAUSES[3], {"feed_degc": 37.51}), (CAUSES[4], {"chlorine_mgl": 0.0626})]
)
def test_a_value_just_above_its_clear_limit_has_not_gone(cause: Cause, above: Values) -> None:
    desk = tripped(cause)
    desk.bank |= above
    desk.scan(100)

    desk.command(Verb.RESET)

    assert latched(desk)


@pytest.mark.parametrize(
    ("loop", "cause"), [("feed_temp_ma", CAUSES[3]), ("chlorine_ma", CAUSES[4])], ids=["hot", "oxidant"]
)
def test_a_moment_without_a_measurement_does_not_restart_the_delay(loop: str, cause: Cause) -> None:
    desk = ready_desk(1, EXACT)
    desk.bank |= cause.shows
    desk.scan(9)
    desk.bank[loop] = 0.0
    desk.scan()
    assert not latched(desk)
    del desk.bank[loop]

    assert desk.until(latched, 100) == 0.9


def test_a_moment_without_a_measurement_trips_nothing_by_itself() -> None:
    desk = ready_desk(1, EXACT)
    desk.bank |= CAUSES[3].shows
    desk.scan(9)
    desk.bank["feed_temp_ma"] = 0.0
    desk.scan(20)

    assert not latched(desk)


def test_a_chlorine_loop_is_taken_for_chlorine_a_minute_after_it_is_bad_and_until_a_minute_after() -> None:
    desk = ready_desk(1, EXACT)
    desk.bank["chlorine_ma"] = 0.0
    assert desk.until(latched, 100) == 2.0 + EXACT.bank_sensor_bad_s
    assert desk.memory.latched == [Event.OXIDANT]

    del desk.bank["chlorine_ma"]
    desk.scan(10.0 + 59.9)  # good after 10 s, and then the clear time
    desk.command(Verb.RESET)
    assert latched(desk)
    desk.command(Verb.RESET)
    assert not latched(desk)


@pytest.mark.parametrize("name", ["pulse", "dosing_healthy"])
def test_a_start_without_a_proven_stroke_is_latched_after_ten_seconds(name: str) -> None:
    desk = starting(Stage.PROVE_DOSING, **{"dosing_pulse" if name == "pulse" else name: False})

    assert desk.until(latched, 20) + 0.1 == EXACT.dosing_proof_s
    assert desk.memory.latched == [Event.DOSING_LOST]
    desk.until(lambda d: d.stage is Stage.STOPPED, 10)
    desk.command(Verb.RESET)
    assert not latched(desk)  # the next start is the proof: nothing need be gone for a while


def test_a_header_that_does_not_come_up_is_latched_after_the_time_to_rise_and_to_hold() -> None:
    desk = starting(Stage.RAISE_HEADER, header_bar=1.9)

    assert desk.until(latched, 100) + 0.1 == EXACT.header_rise_max_s + EXACT.header_ready_s
    assert desk.memory.latched == [Event.BOOSTER_FAULT]
    assert desk.stage is Stage.STOPPED


def test_a_booster_that_does_not_answer_is_latched_after_five_seconds_with_a_clear_time_of_ten() -> None:
    desk = starting(Stage.RAISE_HEADER, booster_running=False)

    assert desk.until(latched, 20) + 0.1 == 5.0
    assert desk.memory.latched == [Event.BOOSTER_FAULT]
    desk.scan(9.8)  # gone since the scan after the booster was stopped
    desk.command(Verb.RESET)
    assert latched(desk)
    desk.scan(0.1)
    desk.command(Verb.RESET)
    assert not latched(desk)


def test_a_booster_that_falls_silent_while_it_runs_is_latched_at_once() -> None:
    desk = ready_desk(1, EXACT)
    desk.scan(5)

    desk.bank["booster_running"] = False

    assert desk.until(latched, 1) == 0.0


def test_a_cause_kept_over_a_loss_of_power_is_gone_from_the_end_of_boot_on() -> None:
    desk = Desk(1, EXACT)
    desk.memory.latched = [Event.TANK_HIGH_HIGH]
    desk.scan(EXACT.boot_s + 10.0 - 0.1)
    desk.command(Verb.RESET)
    assert desk.memory.latched == [Event.TANK_HIGH_HIGH]

    desk.command(Verb.RESET)

    assert desk.memory.latched == []


def test_two_causes_are_released_each_when_its_own_time_is_over() -> None:
    desk = ready_desk(1, EXACT)
    desk.bank |= {"tank_not_overfull": False, "floor_dry": False}
    desk.scan(3)
    assert desk.memory.latched == [Event.TANK_HIGH_HIGH, Event.FLOOR_LEAK]
    desk.bank |= {"tank_not_overfull": True, "floor_dry": True}
    desk.scan(15)

    desk.command(Verb.RESET)
    assert desk.memory.latched == [Event.FLOOR_LEAK]

    desk.scan(15)
    desk.command(Verb.RESET)
    assert desk.memory.latched == []


def test_a_cause_that_stands_is_not_latched_twice_by_another_of_its_signs() -> None:
    desk = ready_desk(1, EXACT)
    desk.bank["source_wet"] = False
    desk.scan()
    desk.bank["booster_running"] = False
    desk.scan(10)

    assert desk.memory.latched == [Event.BOOSTER_FAULT]
    assert [text for kind, text in desk.journal() if kind == "cause"] == ["booster fault or source dry"]
