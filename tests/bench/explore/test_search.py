"""The search: closed or bounded, shortest, and the same every time."""

from __future__ import annotations

from controller.settings import Setpoints
from controller.unit.states import UnitState
from sim_plant.bench.campaign.hands import SplitPool
from sim_plant.bench.explore.search import Bound, Order, search
from tests.bench.explore.small import SMALL, explored


def test_a_small_world_closes_and_holds_every_requirement() -> None:
    found = explored()
    assert found.closed
    assert not found.stopped_by
    assert found.violations == {}


def test_every_state_is_there_once() -> None:
    found = explored()
    assert len(set(found.codes)) == len(found.codes)


def test_every_state_follows_from_the_one_before_it() -> None:
    found = explored()
    with found.order.in_ticks():
        unit = found.order.unit()
        for place in range(1, len(found.codes), 97):
            edges = unit.edges(found.codes[found.parents[place]])
            assert edges[found.by_edge[place]].code == found.codes[place]


def test_a_closed_set_leads_nowhere_else() -> None:
    found = explored()
    known = set(found.codes)
    with found.order.in_ticks():
        unit = found.order.unit()
        for code in found.codes[::53]:
            assert all(edge.code in known for edge in unit.edges(code))


def test_a_bound_says_where_it_stopped_and_what_is_left() -> None:
    found = search(SMALL, bound=Bound(depth=5))
    assert not found.closed
    assert found.stopped_by == "depth 5"
    assert found.left > 0
    by_states = search(SMALL, bound=Bound(states=50))
    assert by_states.stopped_by == "50 states"


def test_two_processes_find_the_same_set() -> None:
    pool = SplitPool(2)
    try:
        found = search(SMALL, pool, Bound(depth=9))
    finally:
        pool.close()
    alone = search(SMALL, bound=Bound(depth=9))
    assert found.codes == alone.codes
    assert (found.edges, found.counted) == (alone.edges, alone.counted)


def test_with_all_that_can_come_every_state_of_the_sequence_is_met() -> None:
    places = ("commands", "reset", "loop 0", "loop 2", "estop_open", "selector_auto")
    found = search(Order(Setpoints(), only=places), bound=Bound(states=9000))
    assert set(found.by_state()) == {state.value for state in UnitState}
