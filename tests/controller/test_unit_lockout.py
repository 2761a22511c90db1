"""Lockout and reset: only with the cause gone for its clear time, and the cause survives everything else."""

from __future__ import annotations

import pytest
from bank_harness import BankRig, producing_bank
from harness import UnitRig, unit_in

from controller.signals import Verb
from controller.unit.states import Event, UnitState

S = UnitState

CLEAR_TIMES = [
    ({"motor_healthy": False}, Event.MOTOR_PROTECTOR, 60.0),
    ({"skid_dry": False}, Event.SKID_LEAK, 30.0),
    ({"discharge_ok": False}, Event.DISCHARGE_SWITCH, 10.0),
    ({"permeate_ok": False}, Event.PERMEATE_PRESSURE, 10.0),
    ({"membrane_bar": 20.0}, Event.HIGH_DISCHARGE, 10.0),
]


def locked_out(held: dict[str, float | bool]) -> UnitRig:
    """A unit that has locked out, with its cause still present and nobody calling it."""
    rig = unit_in(S.PRODUCE).hold(**held)
    rig.until(S.LOCKOUT, 20)
    rig.permit(call=False, token=False)
    rig.run(5)
    return rig


def bank_locked_out() -> BankRig:
    """One unit of a bank, locked out by its motor protector, which is healthy again since long."""
    rig = producing_bank(1)
    rig.units[0]["motor_healthy"] = False
    rig.until(lambda r: r.states == (S.LOCKOUT,), 10)
    rig.bank["level_pct"] = 96.0
    rig.units[0].clear()
    rig.run(61)
    return rig


@pytest.mark.parametrize(("held", "cause", "_clear_s"), CLEAR_TIMES, ids=lambda v: str(v))
def test_a_reset_with_the_cause_present_changes_nothing(
    held: dict[str, float | bool], cause: Event, _clear_s: float
) -> None:
    rig = locked_out(held)
    before = rig.out

    rig.reset()
    rig.run(5)

    assert rig.state is S.LOCKOUT
    assert rig.out == before
    assert rig.sequencer.memory.latched is cause
    assert rig.texts("refused") == ["reset refused, the cause persists"]


@pytest.mark.parametrize(("held", "_cause", "clear_s"), CLEAR_TIMES, ids=lambda v: str(v))
def test_a_reset_is_taken_when_the_cause_has_been_gone_for_its_clear_time(
    held: dict[str, float | bool], _cause: Event, clear_s: float
) -> None:
    rig = locked_out(held).free()
    rig.step()  # the first scan without the cause
    rig.run(clear_s - 0.2)
    rig.reset().step()
    assert rig.state is S.LOCKOUT

    rig.reset().step()

    assert rig.state is S.STANDBY
    assert rig.sequencer.memory.latched is None


def test_a_cause_that_comes_back_starts_the_clear_time_anew() -> None:
    rig = locked_out({"motor_healthy": False}).free()
    rig.run(50)
    rig.hold(motor_healthy=False).run(0.2)
    rig.free().run(50)

    rig.reset().step()

    assert rig.state is S.LOCKOUT


def test_a_reset_restores_no_production_without_a_call() -> None:
    rig = locked_out({"discharge_ok": False}).free()
    rig.run(20)

    rig.reset().run(600)

    assert rig.state is S.STANDBY
    assert rig.sequencer.memory.flush_owed


def test_a_reset_with_the_selector_turned_away_leads_to_off() -> None:
    rig = locked_out({"discharge_ok": False}).free().hold(selector_auto=False)
    rig.run(20)

    rig.reset().step()

    assert rig.state is S.OFF


def test_the_first_cause_stays_the_first_out() -> None:
    rig = locked_out({"motor_healthy": False}).free().hold(skid_dry=False)
    rig.run(10)

    assert rig.sequencer.memory.latched is Event.MOTOR_PROTECTOR


def test_no_time_no_call_and_no_slot_ends_a_lockout() -> None:
    rig = locked_out({"motor_healthy": False}).free().permit(call=True, token=True)

    rig.run(1_800)

    assert rig.state is S.LOCKOUT


# --- the button -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pressed_s", "taken"), [(0.1, True), (0.5, True), (3.0, True), (3.1, False), (60.0, False)]
)
def test_a_press_of_a_tenth_to_three_seconds_resets_and_a_jammed_button_does_not(
    pressed_s: float, taken: bool
) -> None:
    rig = bank_locked_out()

    rig.press_reset(pressed_s)
    rig.step()

    assert (rig.states == (S.STANDBY,)) is taken


def test_a_held_button_resets_nothing_while_it_is_held() -> None:
    rig = bank_locked_out()
    rig.bank["reset_button"] = True

    rig.run(120)

    assert rig.states == (S.LOCKOUT,)


def test_a_button_closed_since_power_up_is_no_press() -> None:
    rig = BankRig(1)
    rig.bank |= {"reset_button": True, "floor_dry": False}
    rig.run(8)
    rig.bank["floor_dry"] = True

    rig.bank["reset_button"] = False
    rig.run(40)

    assert not rig.out.bank.alarm_relay


def test_one_press_is_one_reset() -> None:
    rig = bank_locked_out()
    rig.press_reset()
    rig.step()
    rig.units[0]["motor_healthy"] = False
    rig.run(1)
    rig.units[0].clear()

    rig.run(120)

    assert rig.states == (S.LOCKOUT,)


# --- a latched cause survives ---------------------------------------------------------------------------


def test_a_latched_cause_survives_off_and_auto_in_lockout() -> None:
    rig = locked_out({"motor_healthy": False}).free()
    rig.hold(selector_auto=False).run(5)
    rig.free().run(5)

    assert rig.state is S.LOCKOUT
    assert rig.sequencer.memory.latched is Event.MOTOR_PROTECTOR


def test_a_latched_cause_survives_maintenance() -> None:
    rig = locked_out({"motor_healthy": False}).free()
    rig.command(Verb.MAINTAIN).step()
    assert rig.state is S.MAINTENANCE
    rig.hold(selector_auto=False).run(2)
    rig.command(Verb.RETURN_TO_SERVICE).step()
    assert rig.state is S.OFF

    rig.free().step()

    assert rig.state is S.LOCKOUT
    assert rig.sequencer.memory.latched is Event.MOTOR_PROTECTOR


def test_a_latched_cause_survives_an_emergency_stop() -> None:
    rig = locked_out({"motor_healthy": False}).free()
    rig.permit(estop_open=True).run(5)
    rig.permit(estop_open=False).run(5)
    rig.reset().run(10)

    assert rig.state is S.LOCKOUT
    assert rig.sequencer.memory.latched is Event.MOTOR_PROTECTOR


def test_a_latched_cause_survives_a_loss_of_power() -> None:
    before = bank_locked_out()

    rig = BankRig(1, retained=before.controller.retained())
    rig.run(10)

    assert rig.states == (S.LOCKOUT,)
    assert "motor protector" in rig.controller.waits()[0]
