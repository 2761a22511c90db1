"""Low suction: how fast it acts, how often it is retried, when it is forgiven."""

from __future__ import annotations

import pytest
from harness import UnitRig, unit_in

from controller.settings import Setpoints
from controller.unit.states import PUMPING, Event, UnitState

S = UnitState
SHORT = Setpoints(start_flush_s=30, start_flush_max_s=60, start_flush_volume_l=15, min_off_s=80)


def producing(setpoints: Setpoints | None = None) -> UnitRig:
    """A unit whose feed valve has been open for long."""
    return unit_in(S.PRODUCE, setpoints)


def fail_suction(rig: UnitRig) -> None:
    """Suction goes while the unit produces, and comes back once the pump is off."""
    rig.until(S.PRODUCE, 1000)
    rig.hold(suction_bar=0.1)
    rig.until(lambda r: not r.out.pump, 10)
    rig.free()
    rig.until(lambda r: r.state in (S.RETRY_WAIT, S.LOCKOUT), 10)


def test_below_0_8_bar_for_five_seconds_stops_the_pump() -> None:
    rig = producing().hold(suction_bar=0.79)

    assert rig.until(lambda r: not r.out.pump, 20) == pytest.approx(5.0)
    rig.until(S.RETRY_WAIT, 10)


def test_just_above_0_8_bar_is_not_low() -> None:
    rig = producing().hold(suction_bar=0.81)

    rig.run(60)

    assert rig.state is S.PRODUCE


def test_a_four_second_dip_to_0_6_bar_is_ridden_through() -> None:
    rig = producing()
    for _ in range(5):
        rig.hold(suction_bar=0.6).run(4.9)
        rig.free().run(0.1)

    assert all(sample.out.pump for sample in rig.trace)


def test_below_0_3_bar_for_one_second_stops_the_pump() -> None:
    rig = producing().hold(suction_bar=0.29)

    assert rig.until(lambda r: not r.out.pump, 10) == pytest.approx(1.0)


def test_the_suction_switch_open_for_one_second_stops_the_pump_whatever_the_transmitter_says() -> None:
    rig = producing().hold(suction_ok=False, suction_bar=2.5)

    assert rig.until(lambda r: not r.out.pump, 10) == pytest.approx(1.0)


@pytest.mark.parametrize("state", sorted(PUMPING - {S.PUMP_START}))
def test_low_suction_acts_in_every_state_with_the_pump_on(state: UnitState) -> None:
    rig = unit_in(state).hold(suction_ok=False)

    assert rig.until(lambda r: not r.out.pump, 10) == pytest.approx(1.0)
    rig.until(S.RETRY_WAIT, 10)


def test_a_low_suction_stop_makes_no_flush_and_keeps_the_debt() -> None:
    rig = producing().hold(suction_bar=0.1)

    rig.until(S.RETRY_WAIT, 10)

    assert not any(sample.out.flush_valve for sample in rig.trace)
    assert rig.sequencer.memory.flush_owed


def test_suction_is_not_judged_in_the_first_ten_seconds_of_feed() -> None:
    rig = unit_in(S.START_FLUSH).hold(suction_bar=0.5, suction_ok=False).permit(header_bar=1.0)
    rig.run(1.0)

    assert rig.until(lambda r: r.state is not S.START_FLUSH, 30) == pytest.approx(11.0, abs=0.2)


def test_low_suction_in_a_start_flush_closes_down_and_waits() -> None:
    rig = unit_in(S.START_FLUSH)
    rig.run(30)
    rig.hold(suction_bar=0.5)

    rig.until(S.RETRY_WAIT, 20)

    assert not any(sample.out.pump for sample in rig.trace)
    assert (rig.out.feed_valve, rig.out.flush_valve) == (False, False)


def test_low_suction_in_a_stop_flush_closes_down_and_keeps_the_debt() -> None:
    rig = unit_in(S.STOP_FLUSH)
    rig.run(30)
    rig.hold(suction_bar=0.5)

    rig.until(S.STANDBY, 20)

    assert rig.sequencer.memory.flush_owed


def test_retries_wait_60_120_and_300_seconds_and_the_fourth_failure_locks_out() -> None:
    rig = producing(SHORT)
    waits = []
    for _ in range(3):
        fail_suction(rig)
        assert rig.state is S.RETRY_WAIT
        waits.append(rig.until(S.WAIT_PERMIT, 400))

    fail_suction(rig)

    assert waits == pytest.approx([60.0, 120.0, 300.0], abs=0.15)
    assert rig.state is S.LOCKOUT
    assert rig.sequencer.memory.latched is Event.LOW_SUCTION_SPENT


def test_a_locked_out_unit_opens_nothing_for_an_hour() -> None:
    rig = producing(SHORT)
    for _ in range(4):
        fail_suction(rig)
    start = len(rig.trace)

    rig.run(3_600)

    assert not any(s.out.pump or s.out.feed_valve or s.out.flush_valve for s in rig.trace[start:])


def test_every_retry_passes_a_whole_start_flush() -> None:
    rig = producing(SHORT)
    fail_suction(rig)
    start = len(rig.trace)

    rig.until(S.PRODUCE, 400)

    both = [s for s in rig.trace[start:] if s.out.feed_valve and s.out.flush_valve and not s.out.pump]
    assert len(both) * 0.1 == pytest.approx(30.0)


def test_30_minutes_of_production_forgive_the_failures() -> None:
    rig = producing(SHORT)
    for _ in range(3):
        fail_suction(rig)

    rig.until(S.PRODUCE, 1000)
    rig.run(1_801)
    fail_suction(rig)

    assert rig.state is S.RETRY_WAIT
    assert rig.until(S.WAIT_PERMIT, 400) == pytest.approx(60.0, abs=0.15)


def test_29_minutes_of_production_forgive_nothing() -> None:
    rig = producing(SHORT)
    for _ in range(3):
        fail_suction(rig)

    rig.until(S.PRODUCE, 1000)
    rig.run(1_740)
    fail_suction(rig)

    assert rig.state is S.LOCKOUT


def test_one_long_failure_counts_once() -> None:
    rig = producing(SHORT).hold(suction_bar=0.1)

    rig.until(S.RETRY_WAIT, 20)
    rig.run(50)

    assert len(rig.sequencer.memory.suction_ms) == 1


def test_a_lost_header_is_one_cause_and_not_low_suction_of_every_unit() -> None:
    rig = producing().permit(events=(Event.HEADER_LOST,), header_bar=0.5).hold(suction_bar=0.3)

    rig.until(S.RETRY_WAIT, 10)

    assert len(rig.sequencer.memory.suction_ms) == 1
    assert not any("low suction" in text for text in rig.texts("move"))


def test_a_broken_suction_loop_stops_within_two_and_a_half_seconds_and_locks_out() -> None:
    rig = producing().hold(suction_ma=0.0)

    took_s = rig.until(lambda r: not r.out.pump, 5)
    rig.until(S.LOCKOUT, 10)

    assert took_s <= 2.5
    assert rig.sequencer.memory.latched is Event.SUCTION_SENSOR_BAD


def test_a_broken_suction_wire_is_not_taken_for_low_suction() -> None:
    rig = producing().hold(suction_ma=0.0)

    rig.run(1.9)

    assert rig.state is S.PRODUCE


def test_an_uncertain_suction_loop_trips_nothing() -> None:
    rig = producing().hold(suction_ma=20.8)

    rig.run(120)

    assert rig.state is S.PRODUCE


def test_a_bad_suction_loop_blocks_a_start() -> None:
    rig = unit_in(S.WAIT_PERMIT).permit(token=True, ready=False).hold(suction_ma=0.0)
    rig.run(3)

    rig.permit(ready=True)
    rig.run(60)

    assert rig.state is S.WAIT_PERMIT
    assert "suction transmitter BAD" in rig.sequencer.waits_for()
