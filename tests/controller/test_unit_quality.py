"""Permeate quality: blanking, quality flush, lockout, diverter."""

from __future__ import annotations

import pytest
from harness import UnitRig, unit_in

from controller.settings import Setpoints
from controller.unit.states import Event, UnitState

S = UnitState


def judged_unit(setpoints: Setpoints | None = None) -> UnitRig:
    """A unit that produces good water and is past its start blanking."""
    rig = unit_in(S.PRODUCE, setpoints)
    rig.run(130)
    return rig


@pytest.mark.parametrize("permeate_us", [420.0, 1000.0])
def test_for_120_seconds_after_the_pump_start_no_quality_acts(permeate_us: float) -> None:
    rig = unit_in(S.PUMP_START).hold(permeate_us=permeate_us)
    rig.until(lambda r: r.out.pump, 1)

    rig.run(119.5)
    assert rig.state is S.PRODUCE
    rig.hold(permeate_us=200.0)
    rig.run(100)

    assert rig.state is S.PRODUCE
    assert not rig.sequencer.memory.quality_alarm


def test_bad_water_from_the_start_is_flushed_30_seconds_after_the_blanking() -> None:
    rig = unit_in(S.PUMP_START).hold(permeate_us=500.0)
    rig.until(lambda r: r.out.pump, 1)

    assert rig.until(S.QUALITY_FLUSH, 200) == pytest.approx(150.0, abs=0.3)


def test_after_a_purge_quality_is_not_judged_for_30_seconds() -> None:
    rig = unit_in(S.PURGE).hold(permeate_us=500.0)
    rig.until(S.PRODUCE, 30)

    assert rig.until(S.QUALITY_FLUSH, 100) == pytest.approx(60.0, abs=0.3)


def test_more_than_200_mgl_for_30_seconds_is_flushed() -> None:
    rig = judged_unit().hold(permeate_us=402.0)

    assert rig.until(S.QUALITY_FLUSH, 60) == pytest.approx(30.0, abs=0.15)


def test_29_seconds_of_bad_water_do_nothing() -> None:
    rig = judged_unit().hold(permeate_us=500.0)
    rig.run(29)

    rig.free()
    rig.run(60)

    assert rig.state is S.PRODUCE
    assert not rig.sequencer.memory.quality_alarm


def test_exactly_200_mgl_is_no_alarm() -> None:
    rig = judged_unit().hold(permeate_us=400.0)

    rig.run(120)

    assert rig.state is S.PRODUCE


def test_a_quality_flush_lasts_60_seconds_with_the_pump_on() -> None:
    rig = unit_in(S.QUALITY_FLUSH)

    assert rig.until(S.PRODUCE, 100) == pytest.approx(60.0, abs=0.15)
    assert all(sample.out.pump and sample.out.flush_valve for sample in rig.trace[1:-1])


def test_the_alarm_stands_until_170_mgl_and_shows_on_the_beacon() -> None:
    rig = unit_in(S.QUALITY_FLUSH)
    rig.until(S.PRODUCE, 100)

    rig.hold(permeate_us=360.0)
    rig.run(60)
    assert rig.out.beacon

    rig.hold(permeate_us=330.0)
    rig.run(1)
    assert not rig.out.beacon


def test_the_flush_waits_for_a_slot_with_the_alarm_standing() -> None:
    rig = judged_unit().permit(token=False).hold(permeate_us=500.0)
    rig.run(60)
    assert rig.state is S.PRODUCE
    assert rig.sequencer.memory.quality_alarm

    rig.permit(token=True)
    rig.run(0.2)

    assert rig.state is S.QUALITY_FLUSH


def test_the_third_quality_alarm_in_an_hour_stops_with_a_flush_and_locks_out() -> None:
    rig = judged_unit().hold(permeate_us=500.0)
    rig.until(S.QUALITY_FLUSH, 60)
    rig.until(S.PRODUCE, 100)
    rig.until(S.QUALITY_FLUSH, 100)
    rig.until(S.PRODUCE, 100)

    rig.until(lambda r: not r.out.pump, 100)
    rig.until(S.STOP_FLUSH, 10)
    rig.until(S.LOCKOUT, 200)

    assert rig.sequencer.memory.latched is Event.QUALITY_LOCKOUT


def test_quality_flushes_more_than_an_hour_ago_do_not_count() -> None:
    rig = judged_unit().hold(permeate_us=500.0)
    rig.until(S.QUALITY_FLUSH, 60)
    rig.until(S.PRODUCE, 100)
    rig.until(S.QUALITY_FLUSH, 100)
    rig.free().run(3_700)

    rig.until(S.PRODUCE, 100)
    rig.run(40)
    rig.hold(permeate_us=500.0)
    rig.until(S.QUALITY_FLUSH, 100)

    assert rig.sequencer.memory.latched is None


def test_more_than_300_mgl_for_60_seconds_locks_out_without_a_quality_flush() -> None:
    rig = judged_unit().hold(permeate_us=610.0)

    took_s = rig.until(lambda r: not r.out.pump, 100)

    assert took_s == pytest.approx(60.0, abs=0.15)
    assert S.QUALITY_FLUSH not in {sample.state for sample in rig.trace}
    rig.until(S.LOCKOUT, 200)
    assert rig.sequencer.memory.latched is Event.QUALITY_LOCKOUT


def test_purging_often_cannot_hide_water_above_the_lockout() -> None:
    rig = judged_unit(Setpoints(purge_interval_s=120, purge_s=5, purge_evidence_s=3))

    rig.hold(permeate_us=900.0)

    assert rig.until(lambda r: not r.out.pump, 200) <= 60.0 + 5.0 + 30.0 + 60.0


def test_a_bad_conductivity_loop_stops_the_unit_with_a_flush_after_60_seconds() -> None:
    rig = judged_unit().hold(permeate_cond_ma=0.0)

    took_s = rig.until(lambda r: not r.out.pump, 100)
    rig.until(S.STOP_FLUSH, 10)
    rig.until(S.LOCKOUT, 200)

    assert 60.0 <= took_s <= 63.0
    assert rig.sequencer.memory.latched is Event.QUALITY_SENSOR_BAD


def test_a_bad_conductivity_loop_blocks_the_next_start() -> None:
    rig = unit_in(S.WAIT_PERMIT).hold(permeate_cond_ma=0.0)
    rig.run(63)

    rig.permit(token=True)
    rig.run(60)

    assert rig.state is S.WAIT_PERMIT
    assert rig.sequencer.memory.blocked_by is Event.QUALITY_SENSOR_BAD


def test_an_uncertain_conductivity_is_still_judged() -> None:
    rig = judged_unit().hold(permeate_cond_ma=20.8)

    assert rig.until(lambda r: not r.out.pump, 100) == pytest.approx(60.0, abs=0.15)


def test_the_diverter_sends_water_to_the_tank_ten_seconds_after_good_water_is_seen() -> None:
    rig = unit_in(S.PUMP_START)
    rig.until(lambda r: r.out.pump, 1)

    assert rig.until(lambda r: r.out.divert, 200) == pytest.approx(130.0, abs=0.3)


def test_the_diverter_never_opens_on_water_above_170_mgl() -> None:
    rig = unit_in(S.PUMP_START).hold(permeate_us=350.0)

    rig.run(400)

    assert not any(sample.out.divert for sample in rig.trace)


def test_the_diverter_goes_to_drain_in_a_purge_and_comes_back_40_seconds_after_it() -> None:
    rig = unit_in(S.PURGE)
    rig.run(5)
    assert not rig.out.divert

    rig.until(S.PRODUCE, 30)

    assert rig.until(lambda r: r.out.divert, 100) == pytest.approx(40.0, abs=0.3)
