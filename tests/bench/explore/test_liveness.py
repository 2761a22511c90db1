"""Liveness on the small world: no dead end, no chatter; and both are seen where they are."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from controller.settings import Setpoints
from controller.unit import outputs
from controller.unit.outputs import DRIVES, Drive
from controller.unit.states import Answer, Event, UnitState
from controller.unit.table import CELLS
from sim_plant.bench.explore.liveness import liveness
from sim_plant.bench.explore.search import Order, search
from tests.bench.explore.small import PLACES, explored

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def reset_that_does_nothing() -> Iterator[None]:
    """A lockout that no reset ends."""
    before = CELLS[UnitState.LOCKOUT, Event.RESET]
    CELLS[UnitState.LOCKOUT, Event.RESET] = Answer.REFUSE
    try:
        yield
    finally:
        CELLS[UnitState.LOCKOUT, Event.RESET] = before


@contextmanager
def flush_valve_that_chatters() -> Iterator[None]:
    """In a start flush the flush valve is let go in every other scan."""
    original = outputs._flush

    def flush(v: outputs.View, cell: Drive) -> bool:
        if v.m.state is UnitState.RETRY_WAIT:
            return v.m.flush_ms == outputs.NEVER
        return original(v, cell)

    row = DRIVES[UnitState.RETRY_WAIT]._replace(flush=Drive.ON)
    before, DRIVES[UnitState.RETRY_WAIT] = DRIVES[UnitState.RETRY_WAIT], row
    outputs._flush = flush
    try:
        yield
    finally:
        DRIVES[UnitState.RETRY_WAIT], outputs._flush = before, original


def test_from_everywhere_production_can_be_reached_again_and_nothing_chatters() -> None:
    found = liveness(explored())
    assert found.memories > 1000
    assert found.dead == ()
    assert found.chatter == ()
    assert any("flush_valve" in cycle.outputs for cycle in found.cycles)  # a purge every interval


def test_a_lockout_that_nothing_ends_is_a_dead_end() -> None:
    found = search(Order(Setpoints(), "test_liveness:reset_that_does_nothing", PLACES))
    dead = liveness(found).dead
    assert {code[0] for code in dead} >= {list(UnitState).index(UnitState.LOCKOUT)}


def test_a_valve_that_chatters_is_seen() -> None:
    order = Order(Setpoints(), "test_liveness:flush_valve_that_chatters", ("loop 0", "ready"))
    assert liveness(search(order)).chatter
