"""Mistakes in the bank's logic that exploring two units must find; none is among ``tests/broken``.

Each is a context in which the firmware's own coordinator is wrong. ``WHERE`` names the requirement that it
breaks, the places from which something must come for that, and how many flush slots the two share.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, NamedTuple
from unittest.mock import patch

from controller.bank import coordinator, demand, slots, supply
from controller.bank.coordinator import Coordinator
from controller.bank.view import BankView
from controller.parts.timing import NEVER
from controller.unit import progress
from controller.unit.permits import Request
from controller.unit.states import UnitState
from controller.unit.view import View


class Planted(NamedTuple):
    """What is broken and what must come in for it."""

    requirement: str
    only: tuple[str, ...] = ("demand",)
    slots: int = 1


@contextmanager
def two_starts_in_one_scan() -> Iterator[None]:
    """Whoever wants to start may, when one may."""
    original = Coordinator._permits

    def permits(self: Coordinator, v: BankView, *rest: Any) -> Any:
        found = original(self, v, *rest)
        one_may = any(p.start_slot for p in found)
        return tuple(
            p._replace(start_slot=one_may and r.wants_start) for p, r in zip(found, v.requests, strict=True)
        )

    with patch.object(Coordinator, "_permits", permits):
        yield


@contextmanager
def stagger_forgotten() -> Iterator[None]:
    """The distance to the last start is not kept."""
    original = slots.grant_start

    def grant(v: BankView) -> int:
        v.m.start_ms = NEVER
        v.requests = tuple(r._replace(started_ms=NEVER) for r in v.requests)
        return original(v)

    with patch.object(slots, "grant_start", grant):
        yield


@contextmanager
def two_flush_slots_lent() -> Iterator[None]:
    """One slot more is lent than there is."""
    original = slots.lend_flush_slots

    def lend(v: BankView) -> frozenset[int]:
        return original(replace(v, slots=v.slots + 1))

    with patch.object(slots, "lend_flush_slots", lend):
        yield


@contextmanager
def slot_back_before_the_tail() -> Iterator[None]:
    """A slot counts as free as soon as the step is over, with the flush valve still open."""
    original = progress.request

    def request(v: View) -> Request:
        return original(v)._replace(flushing=v.m.state in progress._HOLDS_SLOT)

    with patch.object(progress, "request", request):
        yield


@contextmanager
def feed_valves_close_together() -> Iterator[None]:
    """Nobody waits for a turn to close."""
    original = Coordinator._permits

    def permits(self: Coordinator, *rest: Any) -> Any:
        return tuple(p._replace(close_feed=True) for p in original(self, *rest))

    with patch.object(Coordinator, "_permits", permits):
        yield


@contextmanager
def out_for_maintenance_may_be_called() -> Iterator[None]:
    """A unit that is out for maintenance counts as able to start."""
    able = progress.UNAVAILABLE - {UnitState.MAINTENANCE}
    with patch.object(progress, "UNAVAILABLE", able):
        yield


@contextmanager
def lockout_holds_its_slot() -> Iterator[None]:
    """A unit that is locked out keeps the flush slot that it had."""
    original = progress.request

    def request(v: View) -> Request:
        return original(v)._replace(flushing=original(v).flushing or v.m.state is UnitState.LOCKOUT)

    with patch.object(progress, "request", request):
        yield


@contextmanager
def full_tank_calls_off_one() -> Iterator[None]:
    """A full tank calls off the first unit only."""
    original = demand.update

    def update(v: BankView) -> None:
        before = list(v.m.called)
        original(v)
        if v.m.full and not any(v.m.called):
            v.m.called[1] = before[1]

    with patch.object(demand, "update", update):
        yield


@contextmanager
def booster_runs_on() -> Iterator[None]:
    """The booster does not stop when nobody draws."""
    original = supply._must_stop

    def must_stop(v: BankView) -> bool:
        v.m.no_draw_ms = NEVER
        return original(v)

    with patch.object(supply, "_must_stop", must_stop):
        yield


@contextmanager
def drive_fault_only_stops_the_booster() -> Iterator[None]:
    """The booster's fault is acted on by the booster alone."""
    original = Coordinator._permits

    def permits(self: Coordinator, *rest: Any) -> Any:
        return tuple(
            p._replace(events=tuple(e for e in p.events if e is not coordinator.Event.BOOSTER_FAULT))
            for p in original(self, *rest)
        )

    with patch.object(Coordinator, "_permits", permits):
        yield


WHERE: dict[str, Planted] = {
    "two_starts_in_one_scan": Planted("SR-14", slots=2),
    "stagger_forgotten": Planted("SR-14", slots=2),
    "two_flush_slots_lent": Planted("SR-17"),
    "slot_back_before_the_tail": Planted("SR-17"),
    "feed_valves_close_together": Planted("SR-52", slots=2),
    "out_for_maintenance_may_be_called": Planted("SR-48", ("demand", "maintenance")),
    "lockout_holds_its_slot": Planted("SR-48", ("demand", "motor_healthy")),
    "full_tank_calls_off_one": Planted("SR-27", ("demand", "tank full")),
    "booster_runs_on": Planted("SR-53"),
    "drive_fault_only_stops_the_booster": Planted("SR-40", ("demand", "booster")),
}
