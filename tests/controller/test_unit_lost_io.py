"""Lost or stale I/O of one unit: outputs off at once, and a patient return."""

from __future__ import annotations

import pytest
from harness import QUICK, UnitRig, unit_in

from controller.signals import SAFE_UNIT_OUTPUTS, Verb
from controller.unit.states import RESTING, STATES, Event, UnitState

S = UnitState
WORKING = tuple(state for state in STATES if state not in RESTING)


@pytest.mark.parametrize("state", WORKING)
def test_an_image_older_than_a_second_takes_every_output(state: UnitState) -> None:
    rig = unit_in(state)
    rig.age_ms = 1_001

    rig.step()

    assert rig.out._replace(beacon=False) == SAFE_UNIT_OUTPUTS


@pytest.mark.parametrize("state", WORKING)
def test_an_image_of_exactly_a_second_is_still_taken(state: UnitState) -> None:
    rig = unit_in(state)
    rig.age_ms = 1_000

    rig.step()

    assert rig.state is not S.RETRY_WAIT
    assert rig.out._replace(beacon=False) != SAFE_UNIT_OUTPUTS


@pytest.mark.parametrize("state", WORKING)
def test_lost_io_waits_for_30_seconds_of_stable_io_before_it_tries_again(state: UnitState) -> None:
    rig = unit_in(state).permit(call=True)
    rig.age_ms = 2_000
    rig.step()
    assert rig.state is S.RETRY_WAIT
    rig.run(120)
    assert rig.state is S.RETRY_WAIT

    rig.age_ms = 0

    assert rig.until(S.WAIT_PERMIT, 60) == pytest.approx(30.0, abs=0.15)


def test_io_that_comes_back_for_less_than_30_seconds_starts_the_wait_anew() -> None:
    rig = unit_in(S.PRODUCE)
    rig.age_ms = 2_000
    rig.run(1)
    rig.age_ms = 0
    rig.run(29)
    rig.age_ms = 1_500
    rig.run(1)
    rig.age_ms = 0

    assert rig.until(S.WAIT_PERMIT, 60) == pytest.approx(30.0, abs=0.15)


# --- a gap between the stale limit (1 s) and the loss (2 s) ---------------------------------------------


@pytest.mark.parametrize("state", WORKING)
def test_a_gap_that_cuts_the_outputs_ends_the_step_like_a_loss(state: UnitState) -> None:
    rig = unit_in(state).permit(call=True)
    rig.age_ms = 1_100
    rig.step()
    rig.age_ms = 0

    assert rig.state is S.RETRY_WAIT
    assert (
        rig.until(lambda r: r.out.feed_valve or r.out.flush_valve, 120) >= 29.9
    )  # least rest of the motor: 90 s


@pytest.mark.parametrize("state", [S.START_FLUSH, S.DELAY])
def test_a_start_flush_with_a_gap_is_done_again_whole_in_time_and_volume(state: UnitState) -> None:
    rig = unit_in(state).permit(call=True)
    rig.run(100 if state is S.START_FLUSH else 4)
    rig.age_ms = 1_100
    rig.step()
    rig.age_ms = 0

    rig.until(S.START_FLUSH, 60)

    assert rig.sequencer.memory.volume_l == 0.0
    assert rig.until(S.DELAY, 300) >= 120.0
    assert not any(sample.out.pump for sample in rig.trace)


def test_no_step_is_completed_by_a_stale_image() -> None:
    rig = unit_in(S.DELAY)
    rig.run(4.9)
    assert rig.state is S.DELAY

    rig.age_ms = 1_100
    rig.run(1)

    assert rig.state is S.RETRY_WAIT


@pytest.mark.parametrize("state", WORKING)
def test_the_fourth_gap_in_an_hour_locks_out(state: UnitState) -> None:
    rig = unit_in(state).permit(call=True)
    for _gap in range(3):
        rig.age_ms = 1_100
        rig.step()
        rig.age_ms = 0
        rig.until(S.START_FLUSH, 120)
    assert rig.state is S.START_FLUSH

    rig.age_ms = 1_100
    rig.step()

    assert rig.state is S.LOCKOUT


def test_no_flush_begins_on_a_stale_image() -> None:
    rig = unit_in(S.WAIT_PERMIT).permit(token=True)
    rig.age_ms = 1_900
    rig.run(1)
    assert rig.state is S.WAIT_PERMIT

    rig.age_ms = 0
    rig.step()

    assert rig.state is S.START_FLUSH


def lose(rig: UnitRig) -> None:
    """The I/O is lost for 3 s and fresh for a moment."""
    rig.age_ms = 2_000
    rig.run(3)
    rig.age_ms = 0
    rig.run(1)


@pytest.mark.parametrize("state", [S.STANDBY, S.WAIT_PERMIT, S.RETRY_WAIT])
def test_the_fourth_loss_locks_a_unit_out_that_drove_nothing_meanwhile(state: UnitState) -> None:
    rig = unit_in(state)
    for _loss in range(3):
        lose(rig)
    assert rig.state is not S.LOCKOUT

    lose(rig)

    assert rig.state is S.LOCKOUT
    assert rig.sequencer.memory.latched is Event.IO_LOST_SPENT


def test_a_loss_counts_once_however_long_it_lasts() -> None:
    rig = unit_in(S.PRODUCE)
    rig.age_ms = 2_000
    rig.run(1_000)

    assert len(rig.sequencer.memory.io_lost_ms) == 1


def test_io_that_was_never_there_since_power_up_has_not_been_lost() -> None:
    rig = UnitRig(QUICK)
    rig.age_ms = 3_600_000
    rig.run(60)

    assert rig.state is S.BOOT
    assert rig.sequencer.memory.io_lost_ms == []


@pytest.mark.parametrize("state", [S.STANDBY, S.WAIT_PERMIT])
def test_a_gap_while_nothing_is_driven_is_no_loss(state: UnitState) -> None:
    rig = unit_in(state)
    rig.age_ms = 1_900
    rig.run(1)

    assert rig.state is state
    assert rig.sequencer.memory.io_lost_ms == []


# --- a loss in the middle of a stop ---------------------------------------------------------------------


@pytest.mark.parametrize("age_ms", [1_100, 2_000])
@pytest.mark.parametrize("passing", [S.STOPPING, S.STOP_FLUSH])
def test_a_loss_in_a_stop_does_not_forget_that_the_unit_is_to_be_maintained(
    passing: UnitState, age_ms: int
) -> None:
    rig = unit_in(S.PRODUCE).command(Verb.MAINTAIN)
    rig.until(passing, 10)
    rig.age_ms = age_ms

    rig.step()

    assert rig.state is S.MAINTENANCE


@pytest.mark.parametrize("age_ms", [1_100, 2_000])
def test_a_loss_in_a_stop_does_not_forget_what_locks_the_unit_out(age_ms: int) -> None:
    rig = unit_in(S.PRODUCE).hold(motor_healthy=False)
    rig.until(S.STOPPING, 5)
    rig.free().age_ms = age_ms

    rig.step()

    assert rig.state is S.LOCKOUT
    assert rig.sequencer.memory.latched is Event.MOTOR_PROTECTOR


@pytest.mark.parametrize("age_ms", [1_100, 2_000])
def test_a_loss_in_a_stop_does_not_forget_that_the_unit_is_switched_off(age_ms: int) -> None:
    rig = unit_in(S.PRODUCE).hold(selector_auto=False)
    rig.until(S.STOPPING, 5)
    rig.age_ms = age_ms

    rig.step()

    assert rig.state is S.OFF


def test_after_lost_io_a_withdrawn_call_opens_no_valve_before_the_link_is_stable() -> None:
    rig = unit_in(S.PRODUCE)
    rig.age_ms = 2_000
    rig.run(3)
    rig.age_ms = 0
    rig.permit(call=False)

    waited_s = rig.until(lambda r: r.out.flush_valve, 60)

    assert rig.state is S.STOP_FLUSH  # the flush that it owes
    assert waited_s == pytest.approx(30.0, abs=0.15)


@pytest.mark.parametrize("state", [S.STANDBY, S.WAIT_PERMIT])
def test_a_resting_unit_opens_no_valve_before_a_link_that_was_lost_is_stable(state: UnitState) -> None:
    rig = unit_in(state)
    rig.age_ms = 2_000
    rig.run(3)
    rig.age_ms = 0
    rig.permit(call=True, token=True)

    assert rig.until(lambda r: r.out.flush_valve, 60) == pytest.approx(30.0, abs=0.3)


def test_a_link_is_stable_again_when_its_time_has_passed_and_not_a_scan_before() -> None:
    rig = unit_in(S.STANDBY)
    rig.age_ms = 2_000
    rig.run(1)
    rig.age_ms = 0
    rig.step()
    back_ms = rig.now_ms

    rig.until(lambda r: not r.sequencer.memory.link_lost, 60)

    assert rig.now_ms - back_ms == 30_000
