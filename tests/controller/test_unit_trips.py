"""What must act in every state: selector OFF, E-stop, leak, isolator, wired trips, lost I/O."""

from __future__ import annotations

import pytest
from bank_harness import BankRig
from harness import unit_in

from controller.signals import SAFE_UNIT_OUTPUTS, UnitOutputs
from controller.unit.states import PUMPING, RESTING, STATES, Event, UnitState

S = UnitState
WORKING = tuple(state for state in STATES if state not in RESTING)
AUTO = tuple(state for state in STATES if state not in (S.OFF, S.MAINTENANCE, S.BOOT))
PUMPS = tuple(sorted(PUMPING))


def dead(out: UnitOutputs) -> bool:
    """Nothing is driven but, perhaps, the beacon."""
    return out._replace(beacon=False) == SAFE_UNIT_OUTPUTS


# --- selector OFF ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", WORKING)
def test_selector_off_stops_the_pump_at_once_and_kills_everything_within_five_seconds(
    state: UnitState,
) -> None:
    rig = unit_in(state).hold(selector_auto=False)

    rig.step()
    assert not rig.out.pump
    rig.until(S.OFF, 5)

    assert dead(rig.out)


@pytest.mark.parametrize("state", WORKING)
def test_selector_off_makes_no_flush_with_the_pump_off(state: UnitState) -> None:
    rig = unit_in(state).hold(selector_auto=False)
    rig.until(S.OFF, 5)
    rig.run(200)

    assert S.STOP_FLUSH not in {sample.state for sample in rig.trace}
    assert rig.state is S.OFF


@pytest.mark.parametrize("state", [S.STANDBY, S.WAIT_PERMIT, S.RETRY_WAIT])
def test_selector_off_from_rest_is_off_in_the_same_scan(state: UnitState) -> None:
    rig = unit_in(state).hold(selector_auto=False)

    rig.step()

    assert rig.state is S.OFF


@pytest.mark.parametrize("state", [S.MAINTENANCE, S.LOCKOUT, S.ESTOP, S.BOOT])
def test_selector_off_moves_no_state_that_a_person_or_boot_must_end(state: UnitState) -> None:
    rig = unit_in(state).hold(selector_auto=False)

    rig.run(3)

    assert rig.state is state


@pytest.mark.parametrize("state", PUMPS)
def test_a_unit_switched_off_while_running_owes_a_flush(state: UnitState) -> None:
    rig = unit_in(state).hold(selector_auto=False)

    rig.until(S.OFF, 5)

    assert rig.sequencer.memory.flush_owed


def test_off_ends_only_by_an_edge_to_auto() -> None:
    rig = unit_in(S.OFF)
    rig.run(60)
    assert rig.state is S.OFF

    rig.free()
    rig.step()

    assert rig.state is S.STANDBY


# --- emergency stop -------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", STATES)
def test_estop_takes_every_output_in_the_same_scan(state: UnitState) -> None:
    rig = unit_in(state).permit(estop_open=True)

    rig.step()

    assert dead(rig.out)
    assert rig.state is {S.OFF: S.OFF, S.MAINTENANCE: S.MAINTENANCE}.get(state, S.ESTOP)


@pytest.mark.parametrize("state", AUTO)
def test_releasing_the_estop_starts_nothing(state: UnitState) -> None:
    rig = unit_in(state).permit(estop_open=True)
    rig.run(5)

    rig.free().permit(estop_open=False, call=True, token=True)
    rig.run(100)

    assert rig.state is S.ESTOP
    assert all(dead(sample.out) for sample in rig.trace)


def test_a_reset_with_the_chain_open_is_refused() -> None:
    rig = unit_in(S.ESTOP).reset()

    rig.run(1)

    assert rig.state is S.ESTOP
    assert rig.texts("refused")


def test_a_reset_after_release_leads_through_boot_and_the_start_needs_a_call_and_a_flush() -> None:
    rig = unit_in(S.ESTOP).permit(estop_open=False, call=False, token=False)
    rig.run(1)

    rig.reset().step()
    assert rig.state is S.BOOT
    rig.run(600)
    assert rig.state is S.STANDBY
    assert rig.sequencer.memory.flush_owed


# --- leak, isolator -------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", WORKING)
def test_a_skid_leak_of_two_seconds_takes_every_output_and_locks_out(state: UnitState) -> None:
    rig = unit_in(state).hold(skid_dry=False)

    took_s = rig.until(lambda r: dead(r.out), 5)

    assert took_s == pytest.approx(2.0)
    assert rig.state is S.LOCKOUT
    assert rig.sequencer.memory.latched is Event.SKID_LEAK


def test_a_leak_contact_that_bounces_for_less_than_two_seconds_does_nothing() -> None:
    rig = unit_in(S.PRODUCE)
    for _ in range(10):
        rig.hold(skid_dry=False).run(1.9)
        rig.free().run(0.1)

    assert rig.state is S.PRODUCE


@pytest.mark.parametrize("state", WORKING)
def test_an_isolated_unit_drives_nothing_from_the_same_scan_on(state: UnitState) -> None:
    rig = unit_in(state).hold(isolator_on=False)

    rig.step()

    assert dead(rig.out)
    assert rig.state is S.OFF


def test_an_isolator_turned_on_again_starts_nothing_by_itself() -> None:
    rig = unit_in(S.PRODUCE).hold(isolator_on=False)
    rig.run(5)

    rig.free()
    rig.run(300)

    assert rig.state is S.OFF


# --- trips of the pump ----------------------------------------------------------------------------------


@pytest.mark.parametrize("state", PUMPS)
@pytest.mark.parametrize(
    ("held", "delay_s", "cause"),
    [
        ({"discharge_ok": False}, 0.0, Event.DISCHARGE_SWITCH),
        ({"motor_healthy": False}, 0.0, Event.MOTOR_PROTECTOR),
        ({"membrane_bar": 16.1}, 0.5, Event.HIGH_DISCHARGE),
        ({"permeate_ok": False}, 0.5, Event.PERMEATE_PRESSURE),
    ],
    ids=["discharge switch", "motor protector", "membrane pressure", "permeate switch"],
)
def test_a_pump_in_danger_stops_without_a_flush_and_locks_out(
    state: UnitState, held: dict[str, float | bool], delay_s: float, cause: Event
) -> None:
    rig = unit_in(state).hold(**held)

    took_s = rig.until(lambda r: not (r.out.pump or r.out.enable), 5)
    rig.until(S.LOCKOUT, 10)

    assert took_s == pytest.approx(delay_s)
    assert rig.sequencer.memory.latched is cause
    # the flush valve is shut from the stop on
    assert not any(s.out.flush_valve for s in rig.trace if s.state is S.STOPPING)


def test_a_t1_trip_keeps_the_feed_open_for_the_coast() -> None:
    rig = unit_in(S.PRODUCE).hold(motor_healthy=False)
    rig.until(lambda r: not r.out.pump, 1)

    assert rig.until(lambda r: not r.out.feed_valve, 10) + 0.1 == pytest.approx(2.0)


def test_just_below_16_bar_and_a_short_peak_above_trip_nothing() -> None:
    rig = unit_in(S.PRODUCE).hold(membrane_bar=15.9)
    rig.run(60)
    rig.hold(membrane_bar=20.0).run(0.4)
    rig.free().run(5)

    assert rig.state is S.PRODUCE


@pytest.mark.parametrize("state", [S.STANDBY, S.WAIT_PERMIT, S.RETRY_WAIT])
@pytest.mark.parametrize("contact", ["discharge_ok", "motor_healthy"])
def test_a_wired_trip_at_rest_locks_out(state: UnitState, contact: str) -> None:
    rig = unit_in(state).hold(**{contact: False})

    rig.step()

    assert rig.state is S.LOCKOUT


def test_a_bad_membrane_transmitter_stops_with_a_flush_after_a_minute() -> None:
    rig = unit_in(S.PRODUCE).hold(membrane_ma=0.0)

    took_s = rig.until(lambda r: not r.out.pump, 100)
    rig.until(S.STOP_FLUSH, 10)
    rig.until(S.LOCKOUT, 200)

    assert took_s == pytest.approx(62.0, abs=0.2)


@pytest.mark.parametrize("loop", ["permeate_flow_ma", "concentrate_flow_ma"])
def test_a_bad_flow_meter_is_recorded_and_stops_nothing(loop: str) -> None:
    rig = unit_in(S.PRODUCE).hold(**{loop: 0.0})

    rig.run(700)

    assert rig.state in (S.PRODUCE, S.PURGE)
    assert "another unit transmitter BAD" in rig.texts("cause")


@pytest.mark.parametrize("state", [s for s in STATES if s not in (*PUMPING, S.ESTOP)])
def test_a_contactor_that_answers_without_command_for_two_seconds_is_latched(state: UnitState) -> None:
    rig = unit_in(state).hold(pump_running=True)

    rig.run(2.3)

    assert rig.sequencer.memory.latched is not None
    assert dead(rig.out)


def test_an_estop_that_was_not_reset_waits_for_its_reset_through_a_loss_of_power() -> None:
    rig = BankRig(1)
    rig.until(lambda r: r.states == (S.START_FLUSH,), 120)
    rig.bank["estop_healthy"] = False
    rig.run(1)
    rig.bank["estop_healthy"] = True
    rig.run(1)

    back = BankRig(1, retained=rig.controller.retained())
    back.run(120)

    assert back.states == (S.ESTOP,)
    assert not back.rises("feed_valve")
    back.press_reset()
    back.until(lambda r: r.states == (S.START_FLUSH,), 120)
