"""What a unit counts and times: run hours, litres, budgets of an hour, patience; each to the scan."""

from __future__ import annotations

import pytest
from harness import QUICK, UnitRig, unit_in

from controller.settings import Setpoints
from controller.unit.states import Event, UnitState

S = UnitState


def with_setpoints(**values: float) -> Setpoints:
    """Quick setpoints with some changed."""
    return Setpoints(**(QUICK.model_dump() | values))


# --- sums -----------------------------------------------------------------------------------------------


def test_run_hours_are_the_time_with_the_pump_driven_over_all_runs() -> None:
    rig = UnitRig(QUICK)
    for _ in range(2):
        rig.permit(call=True).until(S.PRODUCE, 400)
        rig.run(50)
        rig.permit(call=False).until(S.STANDBY, 100)

    driven_ms = 100 * sum(sample.out.pump for sample in rig.trace)
    assert rig.sequencer.memory.run_ms == driven_ms > 100_000


def test_a_flow_of_3_6_m3h_is_one_litre_a_second() -> None:
    rig = unit_in(S.START_FLUSH).hold(concentrate_m3h=3.6)
    rig.until(lambda r: r.out.feed_valve and r.out.flush_valve, 5)

    rig.run(50)

    assert rig.sequencer.memory.volume_l == pytest.approx(50.0, rel=1e-9)


def test_a_flow_meter_that_reads_below_zero_takes_no_litres_away_and_gives_none() -> None:
    rig = unit_in(S.START_FLUSH).hold(concentrate_flow_ma=3.9)
    rig.until(lambda r: r.out.feed_valve and r.out.flush_valve, 5)

    rig.run(5)

    assert rig.sequencer.memory.volume_l == 0.0


# --- what happened within an hour -----------------------------------------------------------------------


@pytest.mark.parametrize("counted", ["starts_ms", "suction_ms", "quality_flushes_ms", "io_lost_ms"])
def test_what_happened_an_hour_ago_counts_no_longer(counted: str) -> None:
    rig = unit_in(S.STANDBY)
    happened_ms = rig.now_ms
    setattr(rig.sequencer.memory, counted, [happened_ms])

    rig.now_ms += 3_600_000 - 200
    rig.step()
    assert getattr(rig.sequencer.memory, counted) == [happened_ms]
    rig.step()

    assert getattr(rig.sequencer.memory, counted) == []


def test_starts_before_a_loss_of_power_count_until_an_hour_after_them() -> None:
    rig = UnitRig(QUICK)
    rig.sequencer.memory.starts_ms = [-3_000_000] * 8  # recalled: fifty minutes before power-up

    assert rig.until(S.START_FLUSH, 1000) == 600.1


def test_five_minutes_of_production_forgive_where_they_are_asked_for_and_not_a_scan_less() -> None:
    rig = unit_in(S.PRODUCE, with_setpoints(suction_forgive_min=5))
    rig.sequencer.memory.suction_ms = [rig.now_ms]

    rig.run(299.9)
    assert len(rig.sequencer.memory.suction_ms) == 1
    rig.step()

    assert rig.sequencer.memory.suction_ms == []


def test_time_between_two_runs_forgives_nothing() -> None:
    rig = unit_in(S.PRODUCE, with_setpoints(suction_forgive_min=5))
    rig.permit(call=False).until(S.STANDBY, 200)
    rig.sequencer.memory.suction_ms = [rig.now_ms]

    rig.run(600)
    rig.permit(call=True).until(S.PRODUCE, 300)
    rig.step()

    assert len(rig.sequencer.memory.suction_ms) == 1


# --- evidence of a purge, at its limits -----------------------------------------------------------------

# limits that a loop current carries without rounding: 8 mA is 6.25 bar, 12 mA is 2.5 m3/h
ROUND = with_setpoints(purge_evidence_ratio=0.5, purge_evidence_flow_m3h=2.5)


@pytest.mark.parametrize(
    ("membrane_ma", "concentrate_flow_ma", "shown"),
    [(8.0, 5.0, False), (7.99, 5.0, True), (8.1, 12.0, False), (8.1, 12.01, True)],
)
def test_half_the_pressure_is_no_evidence_and_less_is(
    membrane_ma: float, concentrate_flow_ma: float, shown: bool
) -> None:
    rig = unit_in(S.PURGE, ROUND)
    assert rig.sequencer.memory.reference_bar == 12.5

    rig.hold(membrane_ma=membrane_ma, concentrate_flow_ma=concentrate_flow_ma).run(1)

    assert rig.sequencer.memory.evidence is shown


@pytest.mark.parametrize(("late_ms", "shown"), [(0, True), (1, False)])
def test_evidence_counts_up_to_the_fifth_second_and_a_late_scan_gives_no_more(
    late_ms: int, shown: bool
) -> None:
    rig = unit_in(S.PURGE).hold(membrane_bar=12.5, concentrate_m3h=0.93)
    rig.run(4.9)

    rig.now_ms += late_ms
    rig.free().step()

    assert rig.sequencer.memory.evidence is shown


# --- quality and suction, at limits that a loop current carries without rounding ------------------------


@pytest.mark.parametrize(("permeate_ma", "good"), [(12.0, False), (11.99, True)])
def test_water_is_good_below_its_limit_and_not_at_it(permeate_ma: float, good: bool) -> None:
    # 12 mA are 500 uS/cm, 250 mg/L
    limits = with_setpoints(tds_clear_mgl=250, tds_alarm_mgl=300, tds_lockout_mgl=400)
    rig = unit_in(S.PRODUCE, limits).hold(permeate_cond_ma=permeate_ma)

    rig.run(140)

    assert rig.out.divert is good


@pytest.mark.parametrize(("seen_ma", "ends_in"), [(6.0, S.RETRY_WAIT), (5.99, S.LOCKOUT)])
def test_suction_at_its_limit_proves_that_the_feed_valve_has_opened(
    seen_ma: float, ends_in: UnitState
) -> None:
    # 6 mA are 0.75 bar; what falls after it was seen is low suction, what never came is a valve that is shut
    rig = unit_in(S.START_FLUSH, with_setpoints(suction_trip_bar=0.75))
    rig.hold(suction_ma=seen_ma, suction_ok=True).run(9)

    rig.hold(suction_bar=0.5)

    rig.until(lambda r: r.state in (S.RETRY_WAIT, S.LOCKOUT), 30)
    assert rig.state is ends_in


# --- on-delays ------------------------------------------------------------------------------------------


def test_an_on_delay_does_not_outlive_the_states_that_judge_its_rule() -> None:
    # the contactor answers less than 2 s too early, and half a second too long after the run
    rig = unit_in(S.DELAY, QUICK)
    rig.run(1.5)
    rig.hold(pump_running=True).until(S.PUMP_START, 1.9)
    rig.free().until(S.PRODUCE, 20)

    rig.permit(call=False).step()
    rig.hold(pump_running=True).run(0.5)
    rig.free().until(S.STANDBY, 100)

    assert rig.sequencer.memory.latched is None


@pytest.mark.parametrize(("age_ms", "entered"), [(1_999, S.WAIT_PERMIT), (2_000, S.STANDBY)])
def test_io_is_lost_when_its_image_is_two_seconds_old(age_ms: int, entered: UnitState) -> None:
    rig = unit_in(S.WAIT_PERMIT)

    rig.age_ms = age_ms
    rig.step()

    assert rig.state is entered


def test_what_a_stale_image_shows_is_not_judged() -> None:
    rig = unit_in(S.WAIT_PERMIT).hold(motor_healthy=False, skid_dry=False)

    rig.age_ms = 1_500
    rig.run(5)

    assert rig.state is S.WAIT_PERMIT
    assert rig.texts("cause") == []


def test_a_shared_cause_recorded_in_a_start_flush_acts_when_production_begins() -> None:
    rig = unit_in(S.START_FLUSH, QUICK).permit(events=(Event.ANTISCALANT_LOW,))
    rig.until(S.PRODUCE, 100)

    rig.step()

    assert rig.state is S.STOPPING


# --- the feed valve's turn to close ---------------------------------------------------------------------


@pytest.mark.parametrize(("n_units", "patience_s"), [(1, 4.0), (3, 8.0), (8, 18.0)])
def test_a_feed_valve_waits_for_its_turn_one_gap_for_each_unit_and_one_more(
    n_units: int, patience_s: float
) -> None:
    rig = UnitRig(with_setpoints(feed_close_gap_s=2), unit=1, n_units=n_units)
    rig.until(S.PRODUCE, 400)
    rig.permit(call=False).until(S.STOP_FLUSH, 10)
    in_turn = rig.fork()

    rig.permit(close_feed=False)
    late_s = rig.until(lambda r: not r.out.feed_valve, 100)

    assert late_s - in_turn.until(lambda r: not r.out.feed_valve, 100) == pytest.approx(patience_s)


def test_among_many_units_a_selector_turned_off_still_shuts_the_feed_valve_within_five_seconds() -> None:
    rig = UnitRig(QUICK, unit=1, n_units=24)
    rig.until(S.PRODUCE, 400)
    rig.permit(close_feed=False).hold(selector_auto=False)

    # though 25 gaps of 1 s would be its patience
    assert rig.until(lambda r: not r.out.feed_valve, 30) == pytest.approx(4.9)
    assert rig.state is S.STOPPING


# --- a lost slot ----------------------------------------------------------------------------------------


def test_a_slot_lost_in_a_stop_flush_closes_the_valves_and_keeps_the_debt() -> None:
    rig = unit_in(S.STOP_FLUSH)
    rig.run(10)

    rig.permit(token=False).step()
    assert rig.state is S.STOPPING
    rig.until(S.STANDBY, 5)

    assert rig.sequencer.memory.flush_owed


def test_without_the_coordinator_a_stop_flush_needs_no_slot_and_a_start_flush_ends() -> None:
    alone = {"events": (Event.COORDINATOR_LOST,), "token": False}
    stopping, starting = unit_in(S.STOP_FLUSH), unit_in(S.START_FLUSH)

    stopping.permit(**alone).run(70)
    starting.permit(**alone).step()

    assert stopping.state is S.STOP_FLUSH
    assert starting.state is S.STOPPING
