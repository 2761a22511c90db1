"""Lost or stale I/O of one unit: outputs off at once, and a patient return."""

from __future__ import annotations

import pytest
from harness import unit_in

from controller.signals import SAFE_UNIT_OUTPUTS
from controller.unit.states import RESTING, STATES, UnitState

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
