"""From standby to production: start flush, settling, pump start."""

from __future__ import annotations

from itertools import pairwise

import pytest
from harness import PERMITTED, UnitRig, path, unit_in

from controller.settings import Setpoints
from controller.signals import SAFE_UNIT_OUTPUTS, UnitOutputs
from controller.unit.states import RESTING, STATES, Event, UnitState

S = UnitState


def levels(out: UnitOutputs) -> str:
    """Feed, flush, pump, enable as four digits."""
    return "".join("01"[o] for o in (out.feed_valve, out.flush_valve, out.pump, out.enable))


def test_after_boot_every_output_stays_off_for_five_seconds() -> None:
    rig = UnitRig()

    took_s = rig.until(lambda r: r.state is not S.BOOT, 10)

    assert took_s == 5.0
    assert all(sample.out == SAFE_UNIT_OUTPUTS for sample in rig.trace)


def test_boot_waits_for_five_seconds_of_fresh_inputs() -> None:
    rig = UnitRig()
    rig.run(3)
    rig.age_ms = 1_500
    rig.run(10)
    assert rig.state is S.BOOT

    rig.age_ms = 0

    assert rig.until(S.STANDBY, 10) == 5.0


@pytest.mark.parametrize("state", sorted(RESTING))
def test_a_resting_state_drives_nothing_but_its_beacon(state: UnitState) -> None:
    out = unit_in(state).out

    assert out._replace(beacon=False) == SAFE_UNIT_OUTPUTS


@pytest.mark.parametrize(
    ("state", "driven"),
    [
        (S.START_FLUSH, "1100"),
        (S.DELAY, "1000"),
        (S.PRODUCE, "1011"),
        (S.PURGE, "1111"),
        (S.QUALITY_FLUSH, "1111"),
        (S.STOP_FLUSH, "1100"),
    ],
)
def test_a_working_state_drives_what_the_narrative_lists(state: UnitState, driven: str) -> None:
    rig = unit_in(state)

    rig.permit(start_slot=False)
    rig.run(1.5)

    assert rig.state is state
    assert levels(rig.out) == driven


def test_every_state_can_be_reached_in_the_ordinary_way() -> None:
    assert [unit_in(state).state for state in STATES] == list(STATES)


def test_the_first_start_waits_out_the_least_off_time_of_the_motor() -> None:
    rig = UnitRig().permit(token=False)

    took_s = rig.until(S.WAIT_PERMIT, 200)

    assert took_s == 90.0


@pytest.mark.parametrize("missing", ["ready", "may_start", "token"])
def test_no_start_without_each_permit_of_the_bank(missing: str) -> None:
    rig = unit_in(S.WAIT_PERMIT).permit(**(PERMITTED._asdict() | {missing: False}))

    rig.run(300)

    assert rig.state is S.WAIT_PERMIT
    assert rig.sequencer.waits_for()


def test_a_start_flush_opens_the_flush_valve_one_second_before_the_feed_valve() -> None:
    rig = unit_in(S.WAIT_PERMIT).permit(token=True)
    rig.until(lambda r: r.out.flush_valve, 1)

    led_s = rig.until(lambda r: r.out.feed_valve, 5) + 0.1

    assert led_s == 1.0


def test_a_start_flush_lasts_120_seconds_with_both_valves_open() -> None:
    rig = unit_in(S.WAIT_PERMIT).permit(token=True)
    rig.until(S.DELAY, 200)

    both = [s for s in rig.trace if s.out.feed_valve and s.out.flush_valve]

    assert len(both) * 0.1 == pytest.approx(120.0)


def test_a_start_flush_goes_on_until_its_volume_has_passed() -> None:
    # 60 L at 1.6 m3/h take 135 s; the feed valve opens after 1 s
    rig = unit_in(S.START_FLUSH).hold(concentrate_m3h=1.6)

    assert rig.until(S.DELAY, 240) == pytest.approx(136.0, abs=0.3)


@pytest.mark.parametrize("concentrate_ma", [0.0, 22.0])
def test_with_a_bad_flow_meter_the_time_alone_ends_a_start_flush(concentrate_ma: float) -> None:
    rig = unit_in(S.START_FLUSH).hold(concentrate_flow_ma=concentrate_ma)

    assert rig.until(S.DELAY, 240) == pytest.approx(121.0, abs=0.2)


def test_a_start_flush_without_its_volume_locks_out_at_the_longest_time() -> None:
    # 1.55 m3/h proves an open flush valve, but 240 s of it are 103 L, fewer than asked for here
    rig = unit_in(S.START_FLUSH, Setpoints(start_flush_volume_l=110)).hold(concentrate_m3h=1.55)

    took_s = rig.until(lambda r: not r.out.feed_valve and r.trace[-1].state is not S.START_FLUSH, 300)
    rig.until(S.LOCKOUT, 10)

    assert took_s == pytest.approx(241.0, abs=0.3)
    assert rig.sequencer.memory.latched is Event.FLUSH_NOT_OPEN
    assert not any(sample.out.pump for sample in rig.trace)


def test_a_flush_valve_that_passes_nothing_locks_out_ten_seconds_into_the_flush() -> None:
    rig = unit_in(S.START_FLUSH).hold(concentrate_m3h=0.5)

    rig.until(S.LOCKOUT, 20)

    assert rig.sequencer.memory.latched is Event.FLUSH_NOT_OPEN


def test_a_feed_valve_that_does_not_open_under_a_full_header_locks_out() -> None:
    rig = unit_in(S.START_FLUSH).hold(suction_bar=0.1, suction_ok=False)

    rig.until(S.LOCKOUT, 20)

    assert rig.sequencer.memory.latched is Event.FEED_NOT_OPEN


@pytest.mark.parametrize("after_s", [1, 60, 119])
def test_an_interrupted_start_flush_begins_from_zero(after_s: int) -> None:
    rig = unit_in(S.START_FLUSH)
    rig.run(after_s)
    rig.permit(call=False)
    rig.until(S.STANDBY, 20)

    rig.permit(call=True)
    rig.until(S.START_FLUSH, 200)

    assert rig.until(S.DELAY, 240) == pytest.approx(120.9, abs=0.2)


def test_a_withdrawn_call_closes_the_feed_valve_two_seconds_before_the_flush_valve() -> None:
    rig = unit_in(S.START_FLUSH)
    rig.run(60)

    rig.permit(call=False)
    rig.until(lambda r: not r.out.feed_valve, 5)

    assert rig.until(lambda r: not r.out.flush_valve, 5) + 0.1 == pytest.approx(2.0)
    rig.until(S.STANDBY, 1)


def test_a_whole_start_flush_clears_the_debt() -> None:
    rig = unit_in(S.START_FLUSH)
    assert rig.sequencer.memory.flush_owed

    rig.until(S.DELAY, 240)

    assert not rig.sequencer.memory.flush_owed


def test_the_pump_waits_five_seconds_after_the_flush_valve_has_closed() -> None:
    rig = unit_in(S.DELAY)

    assert rig.until(S.PUMP_START, 60) == pytest.approx(5.0, abs=0.15)


@pytest.mark.parametrize("held", [{"concentrate_m3h": 1.21}, {"suction_bar": 1.49}])
def test_the_pump_does_not_start_before_the_unit_has_settled(held: dict[str, float]) -> None:
    rig = unit_in(S.DELAY).hold(**held)

    rig.run(9.5)
    assert rig.state is S.DELAY

    rig.free()
    rig.until(S.PUMP_START, 1)


def test_without_a_start_slot_the_unit_gives_up_after_30_seconds_and_does_not_pump() -> None:
    rig = unit_in(S.DELAY).permit(start_slot=False)

    took_s = rig.until(lambda r: r.state is not S.DELAY, 60)

    assert took_s == 34.9  # the scan of the entry is not in it
    rig.until(S.STANDBY, 10)
    assert not any(sample.out.pump for sample in rig.trace)


def test_a_flush_valve_that_stays_open_in_the_delay_locks_out() -> None:
    rig = unit_in(S.DELAY).hold(concentrate_m3h=2.5)

    rig.until(S.LOCKOUT, 30)

    assert rig.sequencer.memory.latched is Event.FLUSH_NOT_CLOSED


def test_the_enable_contactor_leads_the_pump_by_200_milliseconds() -> None:
    rig = unit_in(S.DELAY)
    rig.until(lambda r: r.out.enable, 60)

    led_s = rig.until(lambda r: r.out.pump, 1) + 0.1

    assert led_s == pytest.approx(0.2)


def test_the_pump_start_sets_the_debt_again() -> None:
    assert unit_in(S.PUMP_START).sequencer.memory.flush_owed


def test_a_missing_run_feedback_stops_the_pump_after_two_seconds() -> None:
    rig = unit_in(S.PUMP_START).hold(pump_running=False)
    rig.until(lambda r: r.out.pump, 1)

    ran_s = rig.until(lambda r: not r.out.pump, 5)
    rig.until(S.LOCKOUT, 10)

    assert ran_s == pytest.approx(2.0, abs=0.15)
    assert rig.sequencer.memory.latched is Event.PUMP_NOT_PROVEN


@pytest.mark.parametrize("state", [S.PRODUCE, S.PURGE, S.QUALITY_FLUSH])
def test_a_feedback_lost_while_running_locks_out_in_two_seconds(state: UnitState) -> None:
    rig = unit_in(state).hold(pump_running=False)

    assert rig.until(lambda r: not r.out.pump, 5) == pytest.approx(2.0, abs=0.15)
    rig.until(S.LOCKOUT, 10)
    assert rig.sequencer.memory.latched is Event.PUMP_NOT_PROVEN


@pytest.mark.parametrize("held", [{"membrane_bar": 7.9}, {"membrane_ma": 2.0}])
def test_a_pump_that_does_not_raise_the_pressure_in_15_seconds_locks_out(held: dict[str, float]) -> None:
    rig = unit_in(S.PUMP_START).hold(**held)

    took_s = rig.until(lambda r: r.state is not S.PUMP_START, 30)
    rig.until(S.LOCKOUT, 10)

    assert took_s == pytest.approx(15.0, abs=0.15)
    assert rig.sequencer.memory.latched is Event.PUMP_NOT_PROVEN


def test_a_proven_pump_produces_and_the_path_skips_nothing() -> None:
    rig = unit_in(S.WAIT_PERMIT).permit(token=True)

    rig.until(S.PRODUCE, 300)

    assert path(rig.trace) == [S.START_FLUSH, S.DELAY, S.PUMP_START, S.PRODUCE]


def test_the_ninth_start_waits_until_the_first_is_an_hour_ago() -> None:
    rig = unit_in(S.DELAY, Setpoints(start_flush_s=30, start_flush_max_s=60, start_flush_volume_l=15))
    for _ in range(8):
        rig.until(S.PRODUCE, 400)
        rig.permit(call=False)
        rig.until(S.STANDBY, 200)
        rig.permit(call=True)

    rig.until(S.PRODUCE, 4_000)

    rises = [b.t_ms for a, b in pairwise(rig.trace) if b.out.pump and not a.out.pump]
    assert len(rises) == 9
    assert rises[7] - rises[0] < 3_600_000 <= rises[8] - rises[0]
