"""What once went wrong in gaps of the I/O, second losses and resets, so that it does not again."""

from __future__ import annotations

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK, UnitRig, unit_in

from controller.signals import Verb
from controller.unit.states import Event, UnitState

S = UnitState
PUMPING = [S.PUMP_START, S.PRODUCE, S.PURGE, S.QUALITY_FLUSH]


def locked_out(**held: object) -> UnitRig:
    """A unit locked out of production by what is held, called by nobody."""
    rig = unit_in(S.PRODUCE).hold(**held)
    rig.until(S.LOCKOUT, 20)
    rig.permit(call=False, token=False)
    rig.run(5)
    return rig


@pytest.mark.parametrize("state", PUMPING)
def test_a_short_gap_in_the_io_leaves_no_unit_pumping_without_its_pump(state: UnitState) -> None:
    rig = unit_in(state)
    rig.run(0.3)

    rig.age_ms = 1_500
    rig.run(0.5)
    rig.age_ms = 0
    rig.run(3)

    assert rig.state not in PUMPING or rig.out.pump


def test_the_third_loss_of_io_is_retried_and_the_fourth_locks_out() -> None:
    rig = unit_in(S.PRODUCE, QUICK)
    for _ in range(3):
        rig.until(S.PRODUCE, 400)
        rig.age_ms = 2_500
        rig.run(5)
        rig.age_ms = 0
        assert rig.state is S.RETRY_WAIT

    rig.until(S.PRODUCE, 400)
    rig.age_ms = 2_500
    rig.run(5)

    assert rig.state is S.LOCKOUT


def test_two_units_that_ask_at_once_do_not_share_one_maintenance_slot() -> None:
    rig = producing_bank(2)

    rig.command(Verb.MAINTAIN, 1)
    rig.command(Verb.MAINTAIN, 2)
    rig.run(120)

    assert rig.states.count(S.MAINTENANCE) == 1


def test_a_unit_on_its_way_to_maintenance_takes_the_slot() -> None:
    rig = producing_bank(2)

    rig.command(Verb.MAINTAIN, 1)
    rig.run(5)
    rig.command(Verb.MAINTAIN, 2)
    rig.run(120)

    assert rig.states.count(S.MAINTENANCE) == 1


def test_a_purge_cut_by_a_lost_slot_is_not_done() -> None:
    rig = unit_in(S.PURGE)
    rig.run(10)

    rig.permit(token=False).run(1)
    assert rig.out.pump
    rig.permit(token=True).run(1)

    assert rig.state is S.PURGE


def test_a_purge_cut_by_a_lost_slot_has_not_failed() -> None:
    rig = unit_in(S.PURGE).hold(membrane_bar=12.5, concentrate_m3h=0.93)
    rig.run(1)

    rig.permit(token=False).run(1)

    assert rig.sequencer.memory.purge_failures == 0


def test_a_cause_behind_a_stale_image_has_not_gone() -> None:
    rig = locked_out(skid_dry=False)

    rig.age_ms = 60_000
    rig.run(60)
    rig.reset().run(1)

    assert rig.state is S.LOCKOUT


def test_a_cause_behind_a_broken_loop_has_not_gone() -> None:
    rig = locked_out(membrane_bar=20.0).free().hold(membrane_ma=0.0)

    rig.run(60)
    rig.reset().run(1)

    assert rig.state is S.LOCKOUT


def test_the_clear_time_begins_anew_after_maintenance() -> None:
    rig = locked_out(motor_healthy=False).free()
    rig.run(1)
    rig.command(Verb.MAINTAIN).step()
    rig.hold(selector_auto=False, motor_healthy=False).run(200)
    rig.command(Verb.RETURN_TO_SERVICE).step()
    rig.free().run(1)

    rig.reset().run(1)

    assert rig.state is S.LOCKOUT


def test_the_clear_time_begins_anew_after_an_emergency_stop() -> None:
    rig = locked_out(motor_healthy=False)
    rig.permit(estop_open=True).run(5)
    rig.permit(estop_open=False).run(100)
    rig.free()
    rig.reset().run(7)  # back through BOOT: the cause is latched

    rig.reset().run(1)

    assert rig.state is S.LOCKOUT


def test_spent_retries_need_their_clear_time_before_a_reset() -> None:
    rig = unit_in(S.PRODUCE, QUICK)
    for _ in range(4):
        rig.until(S.PRODUCE, 600)
        rig.hold(suction_bar=0.1)
        rig.until(lambda r: not r.out.pump, 10)
        rig.free()
        rig.until(lambda r: r.state in (S.RETRY_WAIT, S.LOCKOUT), 10)
    rig.permit(call=False, token=False)

    rig.run(3)
    rig.reset().run(1)

    assert rig.state is S.LOCKOUT


@pytest.mark.parametrize("state", [S.ESTOP, S.PRODUCE, S.OFF, S.MAINTENANCE])
def test_a_welded_contactor_is_found_while_the_emergency_stop_is_open(state: UnitState) -> None:
    rig = unit_in(state).permit(estop_open=True).hold(pump_running=True)

    rig.run(5)

    assert rig.sequencer.memory.latched is Event.PUMP_WELDED


def test_lost_retained_data_is_named_as_the_reason_of_the_lockout() -> None:
    rig = BankRig(1, QUICK, retained="rubbish")

    rig.run(10)

    assert rig.controller.waits() == ("locked out: retained data lost; needs a reset",)


def test_lost_retained_data_locks_out_even_when_power_is_lost_again_at_once() -> None:
    first = BankRig(1, QUICK, retained="rubbish")
    first.run(2)

    rig = BankRig(1, QUICK, retained=first.controller.retained())
    rig.run(10)

    assert rig.states == (S.LOCKOUT,)


def test_a_shared_image_that_stands_still_stops_every_pump() -> None:
    rig = producing_bank(1)

    rig.bank["header_bar"] = 3.0
    rig.bank_age_ms = 60_000
    rig.run(10)

    assert not rig.out.units[0].pump


def test_no_origin_of_the_clock_makes_a_purge_undue() -> None:
    """The purge timer starts in the past, for the spread; no moment may be mistaken for "never"."""
    rig = UnitRig(QUICK, unit=2, n_units=2)
    ahead = rig.fork()
    ahead.until(S.PRODUCE, 400)
    rig.now_ms = 300_000 - 1 - ahead.now_ms

    rig.until(S.PRODUCE, 400)
    rig.run(1300)

    assert S.PURGE in {seen.state for seen in rig.trace}


def test_stop_held_for_three_seconds_gives_up_the_stop_flush_and_keeps_its_debt() -> None:
    rig = unit_in(S.STOP_FLUSH).permit(call=False)
    rig.run(10)

    for _ in range(8):
        rig.command(Verb.STOP).run(0.5)
    rig.until(S.STANDBY, 10)

    assert rig.sequencer.memory.flush_owed


def test_the_fourth_reset_of_one_cause_in_an_hour_needs_a_reason() -> None:
    rig = locked_out(skid_dry=False).free()
    for _ in range(3):
        rig.run(35)
        rig.reset().run(1)
        assert rig.state is S.STANDBY
        rig.hold(skid_dry=False).run(3)
        rig.free()
    rig.run(35)

    rig.reset().run(1)

    assert rig.state is S.LOCKOUT


def test_a_defect_in_one_unit_drops_its_outputs_and_no_other_units() -> None:
    rig = producing_bank(2)
    rig.controller._units[0]._watch = {}  # any access raises

    rig.run(1)

    assert not rig.out.units[0].pump
    assert rig.out.units[1].pump


def test_a_state_that_is_none_starts_over() -> None:
    rig = unit_in(S.PRODUCE)
    rig.sequencer.memory.state = "NONSENSE"  # type: ignore[assignment]  # that is the point

    rig.step()

    assert rig.state is S.BOOT
    assert not rig.out.pump


def test_without_the_coordinator_each_unit_flushes_once_at_its_own_time() -> None:
    rig = UnitRig(QUICK, unit=2, n_units=3)
    rig.until(S.PRODUCE, 400)

    rig.permit(events=(Event.COORDINATOR_LOST,), token=False, ready=False)
    waited_s = rig.until(S.STOP_FLUSH, 400)
    rig.until(S.STANDBY, 400)

    assert waited_s == pytest.approx(QUICK.stop_flush_s + 10, abs=1)
    assert not rig.sequencer.memory.flush_owed
