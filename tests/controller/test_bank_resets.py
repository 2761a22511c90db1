"""Resets, alarm relay, horn and watchdog, to the scan."""

from __future__ import annotations

import pytest
from bank_desk import Desk, ready_desk, with_latch
from harness import QUICK

from controller.signals import BankOutputs, Verb
from controller.unit.permits import QUIET
from controller.unit.states import Event

# --- resets ---------------------------------------------------------------------------------------------


def test_a_reset_of_one_unit_reaches_that_unit_alone_and_releases_nothing_shared() -> None:
    desk = with_latch()
    desk.scan(20)

    assert [permit.reset for permit in desk.command(Verb.RESET, 2)] == [False, True]
    assert desk.memory.latched == [Event.TANK_HIGH_HIGH]
    assert [permit.reset for permit in desk.scan()] == [False, False]


def test_a_reset_of_the_bank_reaches_every_unit_and_releases_what_is_shared() -> None:
    desk = with_latch()
    desk.scan(20)

    assert [permit.reset for permit in desk.command(Verb.RESET)] == [True, True]
    assert desk.memory.latched == []


def test_no_other_command_is_a_reset() -> None:
    desk = with_latch()
    desk.scan(20)

    assert not any(permit.reset for permit in desk.command(Verb.START))
    assert desk.memory.latched == [Event.TANK_HIGH_HIGH]


@pytest.mark.parametrize(
    ("step_ms", "pressed_s", "taken"),
    [(50, 0.05, False), (50, 0.1, True), (100, 0.1, True), (100, 3.0, True), (100, 3.1, False)],
)
def test_a_press_of_a_tenth_to_three_seconds_is_a_reset(step_ms: int, pressed_s: float, taken: bool) -> None:
    desk = ready_desk(2, QUICK)
    desk.step_ms = step_ms

    assert [permit.reset for permit in desk.press_reset(pressed_s)] == [taken, taken]
    assert not any(permit.reset for permit in desk.scan())


def test_a_reset_is_given_when_the_button_is_let_go_and_not_before() -> None:
    desk = ready_desk(1, QUICK)
    desk.bank["reset_button"] = True

    assert not any(desk.scan()[0].reset for _ in range(29))


def test_a_button_that_is_down_at_power_up_must_be_let_go_once_before_it_counts() -> None:
    desk = Desk(1, QUICK)

    assert not desk.press_reset(1.0)[0].reset
    assert desk.press_reset(1.0)[0].reset


# --- relay, horn, watchdog ------------------------------------------------------------------------------


def test_a_healthy_bank_that_rests_drives_relay_and_watchdog_only() -> None:
    desk = Desk(1)
    desk.scan(9.9)  # 9.9 s: the second half of a second

    at_rest = BankOutputs(False, False, True, False, False, 4.0, 4.0)
    assert desk.out == at_rest
    desk.scan()
    assert desk.out == at_rest._replace(watchdog=True)


def test_the_watchdog_is_on_for_half_a_second_and_off_for_half_a_second() -> None:
    desk = Desk(1)
    seen = []
    for _ in range(20):
        desk.scan()
        seen.append(desk.out.watchdog)

    assert seen == [True] * 4 + [False] * 5 + [True] * 5 + [False] * 5 + [True]


@pytest.mark.parametrize("trouble", ["estop", "old image", "latched unit", "urgent alarm", "shared cause"])
def test_the_alarm_relay_drops_for_any_of_its_reasons_alone(trouble: str) -> None:
    desk = ready_desk(2, QUICK)
    assert desk.out.alarm_relay

    if trouble == "estop":
        desk.bank["estop_healthy"] = False
    elif trouble == "old image":
        desk.age_ms = 2_000
    elif trouble == "latched unit":
        desk.ask(2, alarmed=True)
    elif trouble == "urgent alarm":
        desk.alarms = QUIET._replace(urgent=True)
    else:
        desk.bank["tank_not_overfull"] = False
    desk.scan()

    assert not desk.out.alarm_relay


@pytest.mark.parametrize("by_alarm", [False, True])
def test_the_horn_sounds_for_a_minute_after_the_newest_cause_or_alarm(by_alarm: bool) -> None:
    desk = with_latch()
    assert desk.out.horn
    desk.scan(30)

    if by_alarm:
        desk.alarms = QUIET._replace(sounding=True)
    else:
        desk.bank["source_wet"] = False
    desk.scan()
    desk.alarms = QUIET
    assert desk.out.horn

    assert desk.until(lambda d: not d.out.horn, 100) + 0.1 == 60.0
    desk.scan(100)
    assert not desk.out.horn


def test_the_horn_is_silent_from_the_moment_the_button_is_pressed() -> None:
    desk = with_latch()

    desk.bank["reset_button"] = True
    desk.scan()

    assert not desk.out.horn
