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
    """While a unit waits for its permit the flush valve is let go in every other scan."""
    original = outputs._flush

    def flush(v: outputs.View, cell: Drive) -> bool:
        if v.m.state is UnitState.WAIT_PERMIT:
            return v.m.flush_ms == outputs.NEVER
        return original(v, cell)

    row = DRIVES[UnitState.WAIT_PERMIT]._replace(flush=Drive.ON)
    before, DRIVES[UnitState.WAIT_PERMIT] = DRIVES[UnitState.WAIT_PERMIT], row
    outputs._flush = flush
    try:
        yield
    finally:
        DRIVES[UnitState.WAIT_PERMIT], outputs._flush = before, original


@contextmanager
def quality_flushes_not_counted() -> Iterator[None]:
    """With its flushes for quality spent a unit goes on flushing."""
    cell = UnitState.PRODUCE, Event.QUALITY_LOCKOUT
    before, CELLS[cell] = CELLS[cell], Answer.RECORD
    try:
        yield
    finally:
        CELLS[cell] = before


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


POOR_WATER = ("loop 2", "call")


def test_flushes_that_are_counted_out_are_no_chatter() -> None:
    found = liveness(search(Order(Setpoints(), only=POOR_WATER)))
    assert found.chatter == ()
    assert any("until it is counted out" in cycle.held for cycle in found.cycles)


def test_flushes_that_nothing_counts_are() -> None:
    order = Order(Setpoints(), "test_liveness:quality_flushes_not_counted", POOR_WATER)
    assert any("flush_valve" in cycle.outputs for cycle in liveness(search(order)).chatter)
