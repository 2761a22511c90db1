"""The pre-start order and what ends it, to the scan."""

from __future__ import annotations

import pytest
from bank_desk import HEADER, ready_desk, rising, waiting
from harness import Values

from controller.bank.memory import Stage
from controller.unit.states import Event

# --- order ----------------------------------------------------------------------------------------------


def test_with_health_and_water_long_known_the_order_takes_the_header_and_one_stroke() -> None:
    desk = waiting()
    first_ms = desk.now_ms + 100
    desk.until(lambda d: d.stage is Stage.READY, 100)

    moves = [(entry.t_ms - first_ms, entry.text) for entry in desk.coordinator.events]

    assert moves == [
        (0, "STOPPED > CHECK_HEALTH"),
        (100, "CHECK_HEALTH > CHECK_WATER"),
        (200, "CHECK_WATER > RAISE_HEADER"),
        (10_300, "RAISE_HEADER > PROVE_DOSING"),
        (moves[-1][0], "PROVE_DOSING > READY"),
    ]
    assert moves[-1][0] <= 11_400


def test_units_are_told_to_be_ready_from_the_end_of_the_order_on() -> None:
    desk = waiting()
    while desk.stage is not Stage.READY:
        assert not desk.permits[0].ready
        desk.scan()

    assert desk.permits[0].ready


@pytest.mark.parametrize(
    "shows",
    [{"estop_healthy": False}, {"tank_not_overfull": False}, {"header_ma": 0.0}, {"tank_level_ma": 0.0}],
    ids=str,
)
def test_health_means_estop_no_cause_header_and_level_without_a_break(shows: Values) -> None:
    desk = waiting()
    desk.requests[0] = desk.requests[0]._replace(wants_water=False)
    desk.bank |= shows
    desk.scan(20)
    for name in shows:
        del desk.bank[name]
    desk.memory.latched.clear()
    loop = next(iter(shows)).endswith("_ma")
    desk.ask(1, wants_water=True)

    took_s = desk.until(lambda d: d.stage is Stage.CHECK_WATER, 30)

    assert took_s == HEADER.health_s + (10.0 if loop else 0.0)  # a loop is believed after 10 s


def test_an_old_image_is_not_healthy() -> None:
    desk = waiting()
    desk.age_ms = 1_001
    desk.scan()
    desk.age_ms = 1_000

    assert desk.until(lambda d: d.stage is Stage.CHECK_WATER, 30) == HEADER.health_s


@pytest.mark.parametrize(
    "shows",
    [
        {"feed_degc": 41.25},
        {"chlorine_mgl": 0.125},
        {"feed_temp_ma": 3.5},
        {"chlorine_ma": 3.5},
        {"source_wet": False},
        {"sump_ok": False},
    ],
    ids=str,
)
def test_good_water_is_cool_and_free_of_oxidant_with_a_source_and_a_drain_without_a_break(
    shows: Values,
) -> None:
    desk = waiting()
    desk.bank |= shows
    desk.scan()
    for name in shows:
        del desk.bank[name]
    desk.memory.latched.clear()

    assert desk.until(lambda d: d.stage is Stage.RAISE_HEADER, 100) == HEADER.water_good_s


@pytest.mark.parametrize("shows", [{"feed_degc": 41.2}, {"chlorine_mgl": 0.12}], ids=str)
def test_water_just_below_its_limits_is_good(shows: Values) -> None:
    assert waiting(**shows).until(lambda d: d.stage is Stage.RAISE_HEADER, 10) < 1.0


def test_the_header_is_ready_when_it_has_held_its_pressure_without_a_break() -> None:
    desk = rising(1.5)
    desk.scan(9)
    desk.bank["header_bar"] = 1.49
    desk.scan(20)
    assert desk.stage is Stage.RAISE_HEADER
    desk.bank["header_bar"] = 1.5

    assert desk.until(lambda d: d.stage is Stage.PROVE_DOSING, 30) == HEADER.header_ready_s


def test_a_pressure_from_before_the_booster_ran_does_not_count() -> None:
    desk = rising(3.0)

    assert desk.until(lambda d: d.stage is Stage.PROVE_DOSING, 30) == HEADER.header_ready_s


def test_a_header_without_a_measurement_is_not_ready() -> None:
    desk = rising(3.0)
    desk.bank["header_ma"] = 3.5

    desk.scan(30)

    assert desk.stage is Stage.RAISE_HEADER


@pytest.mark.parametrize("hindrance", ["nobody asks", "bank stop", "shared cause"])
def test_the_order_does_not_begin_without_a_want_the_selector_and_a_bank_free_of_causes(
    hindrance: str,
) -> None:
    desk = waiting()
    if hindrance == "nobody asks":
        desk.ask(1)
    elif hindrance == "bank stop":
        desk.bank["bank_run"] = False
    else:
        desk.bank["tank_not_overfull"] = False

    desk.scan(30)

    assert desk.stage is Stage.STOPPED


def test_each_start_of_the_order_needs_a_new_stroke() -> None:
    desk = ready_desk(1, HEADER)
    desk.bank |= {"estop_healthy": False, "dosing_pulse": False}
    desk.scan()
    desk.bank["estop_healthy"] = True
    desk.until(lambda d: d.stage is Stage.PROVE_DOSING, 100)

    desk.scan(5)

    assert desk.stage is Stage.PROVE_DOSING


# --- what stops the booster -----------------------------------------------------------------------------


@pytest.mark.parametrize("stage", [stage for stage in Stage if stage is not Stage.STOPPED])
def test_an_estop_an_old_image_a_leak_or_a_booster_fault_end_the_order_at_once(stage: Stage) -> None:
    for trouble in ("estop", "old image", Event.FLOOR_LEAK, Event.BOOSTER_FAULT):
        desk = waiting()
        desk.bank |= {"tank_level_ma": 0.0} if stage is Stage.CHECK_HEALTH else {}
        desk.bank |= {"feed_temp_ma": 0.0} if stage is Stage.CHECK_WATER else {}
        desk.until(lambda d: d.stage is stage, 100)
        if trouble == "estop":
            desk.bank["estop_healthy"] = False
        elif trouble == "old image":
            desk.age_ms = 1_001
        else:
            desk.memory.latched.append(Event(trouble))

        desk.scan()

        assert desk.stage is Stage.STOPPED
        assert not desk.out.booster_run


@pytest.mark.parametrize("cause", [Event.OXIDANT, Event.FEED_HOT, Event.SUMP_HIGH, Event.DOSING_LOST])
def test_other_causes_leave_the_booster_running_while_units_draw(cause: Event) -> None:
    desk = ready_desk(1, HEADER)
    desk.memory.latched.append(cause)

    desk.scan(10)

    assert desk.out.booster_run


def test_the_booster_stops_two_seconds_after_nobody_draws_and_nobody_asks() -> None:
    desk = ready_desk(2, HEADER)
    desk.ask(1)
    desk.ask(2, wants_water=True)
    desk.scan(30)
    assert desk.out.booster_run
    desk.ask(2, draws_water=True)
    desk.scan(30)
    assert desk.out.booster_run
    desk.ask(2)

    assert desk.until(lambda d: not d.out.booster_run, 10) == 2.0


def test_a_unit_that_asks_again_in_time_keeps_the_booster() -> None:
    desk = ready_desk(1, HEADER)
    for wants in (False, True):
        desk.ask(1, wants_water=wants)
        desk.scan(2.0)

    assert desk.out.booster_run


def test_a_header_below_its_limit_for_five_seconds_while_units_draw_is_lost() -> None:
    desk = ready_desk(2, HEADER)
    desk.bank["header_bar"] = 0.75
    desk.scan(30)
    assert desk.out.booster_run
    desk.bank["header_bar"] = 0.74

    took_s = desk.until(lambda d: d.permits[1].events == (Event.HEADER_LOST,), 30)

    assert took_s == HEADER.header_low_s
    assert not desk.out.booster_run
    assert desk.stage is Stage.STOPPED


@pytest.mark.parametrize("shows", [{"header_ma": 3.5}, {"header_bar": 0.8}], ids=str)
def test_a_break_in_the_low_pressure_begins_its_time_anew(shows: Values) -> None:
    desk = ready_desk(1, HEADER)
    for _ in range(2):
        desk.bank |= {"header_bar": 0.5}
        desk.bank.pop("header_ma", None)
        desk.scan(4.9)
        desk.bank |= shows
        desk.scan()

    assert desk.permits[0].events == ()


def test_a_low_header_that_nobody_draws_from_is_not_lost() -> None:
    desk = ready_desk(1, HEADER)
    desk.ask(1, wants_water=True)
    desk.bank["header_bar"] = 0.5

    desk.scan(30)

    assert desk.out.booster_run
    assert desk.permits[0].events == ()
