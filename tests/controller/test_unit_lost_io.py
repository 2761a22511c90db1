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
