"""On the graph of all explored memories: can production always be reached again, and does nothing chatter?

*Dead ends.* From every memory somebody who does what there is to do (``HELP``: give the unit what it asks
for, reset, start, turn the selector, return it to service, wait an hour) must be able to bring it back to
production.

*Chatter.* What comes in is held as it is, and only the plant answers. Then the outputs must come to rest, or
go round in a cycle that is no chatter: an output that changes in half of its scans is, unless the cycle ends
as soon as what is counted in an hour is spent. Cycles that were found are told with what they drive: a purge
every interval is one, as it should be.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from controller.signals import UnitOutputs
from controller.unit.states import STATES, UnitState
from sim_plant.bench.campaign.hands import Here, in_order
from sim_plant.bench.explore.search import Hands, Order, Search, in_parts, no_garbage, unit_of
from sim_plant.bench.explore.step import Held, Unit

LOT = 500
HELP: tuple[tuple[str, ...], ...] = (
    (),
    ("reset",),
    ("start",),
    ("selector_auto",),
    ("selector_auto", "return to service"),
    ("hour_over",),
)
"""What a person can do in one scan, with a bank that grants everything; () lets the unit do as it does."""
FOLLOWED = 40
"""Scans for which what comes in is held; a cycle is no longer than this."""
IDLE_FLUSHES = frozenset({UnitState.STANDBY, UnitState.STOP_FLUSH})
"""Between two idle flushes the firmware waits a minute; here that wait is chosen, not remembered."""
SPENT = {
    UnitState.PUMP_START: "starts_spent",
    UnitState.QUALITY_FLUSH: "quality_spent",
    UnitState.RETRY_WAIT: "suction_spent",
}
"""States that are entered so many times an hour. That they may is chosen here, not remembered."""
SHOWN = ("feed_valve", "flush_valve", "pump", "enable", "divert")

Driving = tuple[bytes, UnitOutputs]


class Cycle(NamedTuple):
    """Outputs that go round while nothing comes in anew."""

    states: tuple[str, ...]
    outputs: tuple[str, ...]
    ticks: int
    chatters: bool
    held: str
    """What is held, for one example."""


class Looked(NamedTuple):
    """One lot: where help leads from each memory, and the cycles that begin there."""

    helped: list[tuple[Driving, ...]]
    cycles: list[Cycle]


class Liveness(NamedTuple):
    """What came of it. ``dead`` are memories from which nothing leads back to production."""

    memories: int
    dead: tuple[bytes, ...]
    cycles: tuple[Cycle, ...]

    @property
    def chatter(self) -> tuple[Cycle, ...]:
        """Cycles that are chatter."""
        return tuple(cycle for cycle in self.cycles if cycle.chatters)


def liveness(
    found: Search,
    hands: Hands | None = None,
    told: Callable[[float], None] = lambda _share: None,
) -> Liveness:
    """Look at every memory of a search that is closed."""
    hands = hands or Here()
    with found.order.in_ticks():
        unit = found.order.unit()
        driving = list(dict.fromkeys(unit.split(code)[:2] for code in found.codes))
    known = set(driving)
    back: dict[bytes, set[bytes]] = defaultdict(set)
    cycles: dict[tuple[object, ...], Cycle] = {}
    done = 0
    while done < len(driving):  # help may lead to memories that the search, told less, did not meet
        for lot, looked in _looked(found.order, hands, found.core_bytes, driving[done:]):
            for (memory, _was), reached in zip(lot, looked.helped, strict=True):
                for after in reached:
                    back[after[0]].add(memory)
                    if after not in known:
                        known.add(after)
                        driving.append(after)
            for cycle in looked.cycles:
                cycles.setdefault(cycle[:-1], cycle)
            done += len(lot)
            told(done / len(driving))
    memories = {memory for memory, _was in driving}
    alive = _reaching({m for m in memories if STATES[m[0]] is UnitState.PRODUCE}, back)
    return Liveness(len(memories), tuple(sorted(memories - alive)), tuple(cycles.values()))


def _looked(
    order: Order, hands: Hands, core_bytes: int, driving: Sequence[Driving]
) -> Iterator[tuple[Sequence[Driving], Looked]]:
    cores = (memory[:core_bytes] for memory, _was in driving)
    lots = (([driving[place] for place in lot], at) for lot, at in in_parts(cores, hands, LOT))
    started = ((lot, at.submit(look, order, tuple(lot))) for lot, at in lots)
    for lot, told in in_order(started, 2 * hands.window()):
        yield lot, told[0]


def _reaching(goal: set[bytes], back: dict[bytes, set[bytes]]) -> set[bytes]:
    """Everything from which a way leads to the goal."""
    alive, front = set(goal), list(goal)
    while front:
        for before in back[front.pop()]:
            if before not in alive:
                alive.add(before)
                front.append(before)
    return alive


def look(order: Order, driving: tuple[Driving, ...]) -> list[Looked]:
    """One lot, in a worker."""
    with order.in_ticks(), no_garbage():
        unit = unit_of(order)
        helped = [_helped(unit, memory, was) for memory, was in driving]
        cycles: dict[tuple[object, ...], Cycle] = {}
        followed: set[tuple[object, ...]] = set()
        for memory, was in driving:
            for cycle in _cycles(unit, memory, was, followed):
                cycles.setdefault(cycle[:-1], cycle)
        return [Looked(helped, list(cycles.values()))]


def _helped(unit: Unit, memory: bytes, was: UnitOutputs) -> tuple[Driving, ...]:
    scanned = unit.held(memory, was, ((True, names) for names in HELP))
    return tuple(dict.fromkeys((one.memory, one.outputs) for one in scanned))


def _cycles(
    unit: Unit, memory: bytes, was: UnitOutputs, followed: set[tuple[object, ...]]
) -> Iterator[Cycle]:
    """Follow everything that changes an output at once, for as long as it is held."""
    alone = unit.held_alone(memory, was)
    every = [(granted, names) for granted in (True, False) for names in alone]
    for held, first in zip(every, unit.held(memory, was, every), strict=True):
        if first.outputs[:5] == was[:5] or (held, first.memory) in followed:
            continue
        path = _round(unit, (memory, was), held, followed)
        cycle = _cycle(path, *held) if path else None
        if cycle and cycle.chatters and _counted_out(unit, path, held):
            cycle = cycle._replace(chatters=False, held=f"{cycle.held}; until it is counted out")
        if cycle:
            yield cycle


def _round(unit: Unit, start: Driving, held: Held, followed: set[tuple[object, ...]]) -> list[Driving]:
    """Where it goes round when this is held, or nothing when it comes to rest or takes too long."""
    path, places = [start], {start[0]: 0}
    while len(path) < FOLLOWED:
        (after,) = unit.held(*path[-1], [held])
        if after.memory in places:
            return path[places[after.memory] :]
        followed.add((held, after.memory))
        places[after.memory] = len(path)
        path.append((after.memory, after.outputs))
    return []


def _counted_out(unit: Unit, path: list[Driving], held: Held) -> bool:
    """Does it enter a state that is counted, and end as soon as that is spent?"""
    states = [STATES[memory[0]] for memory, _was in path]
    entered = {
        after for before, after in zip(states, [*states[1:], states[0]], strict=True) if after != before
    }
    spent = tuple(SPENT[state] for state in SPENT if state in entered)
    granted, names = held
    after = _round(unit, path[0], (granted, (*names, *spent)), set())
    cycle = _cycle(after, granted, names) if after else None
    return bool(spent) and not (cycle and cycle.chatters)


def _cycle(path: list[Driving], granted: bool, names: tuple[str, ...]) -> Cycle | None:
    outputs = [out for _code, out in path]
    turns = {
        name: [
            getattr(a, name) != getattr(b, name)
            for a, b in zip(outputs, [*outputs[1:], outputs[0]], strict=True)
        ]
        for name in SHOWN
    }
    moving = tuple(name for name in SHOWN if any(turns[name]))
    if not moving:
        return None
    waits = {STATES[code[0]] for code, _out in path} >= IDLE_FLUSHES
    chatters = not waits and any(2 * sum(turns[name]) >= len(path) for name in moving)
    states = tuple(dict.fromkeys(STATES[code[0]].value for code, _out in path))
    held = f"{'granted' if granted else 'not granted'}, {', '.join(names) or 'all well'}"
    return Cycle(tuple(sorted(states)), moving, len(path), chatters, held)
