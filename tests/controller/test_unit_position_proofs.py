"""Closed proofs of the valves, where they are fitted: a wrong one is found within the travel time."""

from __future__ import annotations

import pytest
from harness import QUICK, UnitRig, unit_in

from controller.settings import Setpoints
from controller.unit.states import Event, UnitState

S = UnitState
PROVEN = Setpoints(**(QUICK.model_dump() | {"position_proofs": True}))


def latched(rig: UnitRig) -> Event | None:
    return rig.sequencer.memory.latched


@pytest.mark.parametrize(
    ("state", "held", "cause"),
    [
        (S.START_FLUSH, {"feed_valve_shut": True}, Event.FEED_NOT_OPEN),
        (S.START_FLUSH, {"flush_valve_shut": True}, Event.FLUSH_NOT_OPEN),
        (S.PRODUCE, {"feed_valve_shut": True}, Event.FEED_NOT_OPEN),
        (S.PRODUCE, {"flush_valve_shut": False}, Event.FLUSH_NOT_CLOSED),
    ],
)
def test_a_valve_that_is_not_where_it_was_sent_locks_the_unit_out(
    state: UnitState, held: dict[str, bool], cause: Event
) -> None:
    rig = unit_in(state, PROVEN).hold(**held)

    rig.run(PROVEN.valve_travel_s + 2)

    assert latched(rig) is cause


def test_a_feed_valve_that_is_not_proven_shut_blocks_the_next_start() -> None:
    rig = unit_in(S.STANDBY, PROVEN).permit(call=False).hold(feed_valve_shut=False)
    rig.run(PROVEN.valve_travel_s + 2)

    rig.permit(call=True).run(30)

    assert rig.state is S.STANDBY


def test_a_valve_still_travelling_is_no_fault() -> None:
    rig = unit_in(S.START_FLUSH, PROVEN).hold(flush_valve_shut=True)
    rig.run(PROVEN.valve_travel_s - 2)

    rig.free().run(5)

    assert latched(rig) is None


def test_without_proofs_fitted_the_contacts_mean_nothing() -> None:
    rig = unit_in(S.START_FLUSH, QUICK).hold(feed_valve_shut=True, flush_valve_shut=True)

    rig.until(S.PRODUCE, 100)

    assert latched(rig) is None
