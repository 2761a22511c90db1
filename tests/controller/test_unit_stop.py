"""The ordinary stop: coast, slot, stop flush; and the debt when no slot comes."""

from __future__ import annotations

import pytest
from harness import UnitRig, path, unit_in

from controller.settings import Setpoints
from controller.signals import Verb
from controller.unit.permits import Want
from controller.unit.states import PUMPING, Event, UnitState

S = UnitState


def without_slot() -> UnitRig:
    """A unit that was called off and got no flush slot in 120 s; it rests with its debt."""
    rig = unit_in(S.PRODUCE).permit(call=False, token=False)
    rig.until(S.STANDBY, 200)
    return rig


@pytest.mark.parametrize("state", sorted(PUMPING))
def test_a_withdrawn_call_stops_the_pump_at_once_and_then_flushes(state: UnitState) -> None:
    rig = unit_in(state).permit(call=False)

    rig.step()
    assert not rig.out.pump
    assert not rig.out.enable
    rig.until(S.STANDBY, 200)

    assert path(rig.trace) == [S.STOPPING, S.STOP_FLUSH, S.STANDBY]


def test_the_stop_flush_follows_the_coast_of_two_seconds() -> None:
    rig = unit_in(S.STOPPING)

    assert rig.until(S.STOP_FLUSH, 10) + 0.1 == pytest.approx(2.0)


def test_the_feed_valve_stays_open_from_production_through_the_stop_flush() -> None:
    rig = unit_in(S.STOPPING)
    rig.until(S.STOP_FLUSH, 10)

    rig.run(70)

    assert all(sample.out.feed_valve for sample in rig.trace)


def test_a_stop_flush_lasts_75_seconds_then_feed_closes_and_flush_two_seconds_later() -> None:
    rig = unit_in(S.STOP_FLUSH)

    assert rig.until(lambda r: not r.out.feed_valve, 200) + 0.1 == pytest.approx(75.0)
    assert rig.out.flush_valve
    assert rig.until(lambda r: not r.out.flush_valve, 10) + 0.1 == pytest.approx(2.0)


def test_a_stop_flush_goes_on_until_its_volume_has_passed() -> None:
    # 40 L at 1.6 m3/h take 90 s
    rig = unit_in(S.STOP_FLUSH).hold(concentrate_m3h=1.6)

    assert rig.until(lambda r: not r.out.feed_valve, 200) == pytest.approx(90.0, abs=0.3)
    assert not rig.sequencer.memory.flush_owed


def test_a_stop_flush_whose_volume_never_comes_closes_at_three_times_its_time_with_debt() -> None:
    rig = unit_in(S.STOP_FLUSH).hold(concentrate_m3h=0.3)

    took_s = rig.until(lambda r: not r.out.feed_valve, 400)
    rig.until(S.STANDBY, 10)

    assert took_s == pytest.approx(225.0, abs=0.2)
    assert rig.sequencer.memory.flush_owed


def test_a_flush_that_failed_is_not_repeated_at_once() -> None:
    rig = unit_in(S.STOP_FLUSH).hold(concentrate_m3h=0.3)
    rig.until(S.STANDBY, 400)
    rig.free()

    assert rig.until(S.STOP_FLUSH, 100) == pytest.approx(60.0, abs=0.3)


def test_while_waiting_for_a_slot_the_feed_valve_is_shut_after_the_coast() -> None:
    rig = unit_in(S.STOPPING).permit(token=False)
    rig.run(1.8)
    assert rig.out.feed_valve

    rig.run(0.5)

    assert (rig.out.feed_valve, rig.out.flush_valve) == (False, False)


def test_a_slot_that_comes_late_opens_flush_before_feed() -> None:
    rig = unit_in(S.STOPPING).permit(token=False)
    rig.run(60)
    rig.permit(token=True)

    rig.until(lambda r: r.out.flush_valve, 1)
    assert not rig.out.feed_valve
    assert rig.until(lambda r: r.out.feed_valve, 5) + 0.1 == pytest.approx(1.0)


def test_without_a_slot_in_120_seconds_the_unit_rests_with_its_debt() -> None:
    rig = unit_in(S.STOPPING).permit(token=False)

    took_s = rig.until(S.STANDBY, 200)

    assert took_s == pytest.approx(120.0, abs=0.2)
    assert rig.sequencer.memory.flush_owed
    assert not any(sample.out.flush_valve for sample in rig.trace)


def test_the_debt_is_repaid_from_standby_as_soon_as_a_slot_comes() -> None:
    rig = without_slot()
    rig.run(300)
    assert rig.request is not None
    assert rig.request.want is Want.IDLE_FLUSH

    rig.permit(token=True)
    rig.run(0.1)
    assert rig.state is S.STOP_FLUSH
    rig.until(S.STANDBY, 200)

    assert not rig.sequencer.memory.flush_owed


def test_an_old_debt_asks_with_the_urgency_of_a_stopping_unit() -> None:
    rig = without_slot()

    rig.run(30 * 60)

    assert rig.request is not None
    assert rig.request.want is Want.STOP_FLUSH


def test_a_start_repays_the_debt_by_its_start_flush() -> None:
    rig = without_slot()
    rig.permit(call=True)
    rig.until(S.WAIT_PERMIT, 200)

    rig.permit(token=True)
    rig.until(S.DELAY, 200)

    assert not rig.sequencer.memory.flush_owed


def test_an_idle_unit_is_flushed_after_24_hours() -> None:
    rig = unit_in(S.STOP_FLUSH)
    rig.until(S.STANDBY, 200)
    rig.run(10)
    assert rig.request is not None
    assert rig.request.want is Want.NONE

    rig.now_ms += 24 * 3_600_000 - 20_000
    rig.run(5)
    assert rig.state is S.STANDBY

    rig.until(S.STOP_FLUSH, 30)


def test_with_the_stagnation_flush_off_an_idle_unit_is_left_alone() -> None:
    rig = unit_in(S.STOP_FLUSH, Setpoints(stagnation_h=0))
    rig.until(S.STANDBY, 200)

    rig.now_ms += 100 * 3_600_000
    rig.run(10)

    assert rig.state is S.STANDBY


def test_a_call_during_the_stop_is_taken_up_after_it() -> None:
    rig = unit_in(S.STOP_FLUSH).permit(call=True)

    rig.until(S.WAIT_PERMIT, 400)

    assert path(rig.trace) == [S.STOP_FLUSH, S.STANDBY, S.WAIT_PERMIT]


def test_a_stop_command_in_a_stop_flush_lets_it_run_to_its_end() -> None:
    rig = unit_in(S.STOP_FLUSH)
    rig.run(20)
    rig.command(Verb.STOP)

    assert rig.until(lambda r: not r.out.feed_valve, 200) == pytest.approx(55.0, abs=0.2)


def test_a_welded_contactor_is_a_lockout_two_seconds_after_the_stop() -> None:
    rig = unit_in(S.STOPPING).hold(pump_running=True)

    took_s = rig.until(S.LOCKOUT, 10)

    assert took_s == pytest.approx(2.0, abs=0.15)
    assert rig.sequencer.memory.latched is Event.PUMP_WELDED
    assert not rig.out.enable


def test_the_flush_does_not_begin_before_the_contactor_has_dropped() -> None:
    rig = unit_in(S.STOPPING).hold(pump_running=True)
    rig.run(1.9)
    rig.free()

    rig.run(0.3)

    assert rig.state is S.STOP_FLUSH


def test_a_stronger_stop_overrides_a_weaker_one_in_progress() -> None:
    rig = unit_in(S.STOPPING).hold(skid_dry=False)

    rig.run(2.1)

    assert rig.state is S.LOCKOUT
    assert not rig.out.feed_valve


@pytest.mark.parametrize(
    ("held", "cause"),
    [
        ({"motor_healthy": False}, Event.MOTOR_PROTECTOR),
        ({"discharge_ok": False}, Event.DISCHARGE_SWITCH),
        ({"permeate_ok": False}, Event.PERMEATE_PRESSURE),
        ({"membrane_bar": 17.0}, Event.HIGH_DISCHARGE),
    ],
)
def test_a_unit_cause_in_a_stop_is_remembered_and_locks_out_at_its_end(
    held: dict[str, float | bool], cause: Event
) -> None:
    rig = unit_in(S.STOPPING).permit(token=False).hold(**held)
    rig.run(1)
    rig.free()

    rig.until(S.LOCKOUT, 200)

    assert rig.sequencer.memory.latched is cause


@pytest.mark.parametrize(
    ("held", "cause"),
    [
        ({"motor_healthy": False}, Event.MOTOR_PROTECTOR),
        ({"discharge_ok": False}, Event.DISCHARGE_SWITCH),
    ],
)
def test_a_cause_in_the_very_scan_in_which_something_stronger_stops_the_unit_is_not_forgotten(
    held: dict[str, float | bool], cause: Event
) -> None:
    rig = unit_in(S.PRODUCE).hold(selector_auto=False, **held)
    rig.run(0.1)
    assert rig.state is S.STOPPING
    rig.free()

    rig.until(S.LOCKOUT, 200)

    assert rig.sequencer.memory.latched is cause


def test_a_wish_in_the_very_scan_of_a_stop_is_carried_out_at_its_end() -> None:
    rig = unit_in(S.PRODUCE).permit(events=(Event.TANK_HIGH_HIGH,))
    rig.command(Verb.MAINTAIN)
    rig.run(0.1)
    rig.free()

    assert rig.state in (S.STOPPING, S.MAINTENANCE)
    rig.until(S.MAINTENANCE, 400)


def test_feed_stays_open_until_its_turn_to_close_but_not_for_ever() -> None:
    rig = unit_in(S.STOP_FLUSH).permit(close_feed=False)

    # one unit: patience of two gaps of 1 s
    assert rig.until(lambda r: not r.out.feed_valve, 200) == pytest.approx(77.0, abs=0.2)
