"""Breadth first over all reachable states of one unit, until none is left or a bound is met.

    start -> [level] -> lots -> expand (here, in a pool, on a cluster) -> what is new -> [next level]

Each level is expanded whole before the next begins, so the first sequence that breaks a requirement is a
shortest one. ``Search`` keeps every state with the state and the edge through which it was met first; a
sequence is played again from that.
"""

from __future__ import annotations

import gc
import importlib
import time
import zlib
from array import array
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

from controller.settings import Setpoints
from controller.unit.states import STATES
from sim_plant.bench.campaign.hands import Cluster, Here, Pool, SplitPool, in_order
from sim_plant.bench.explore.required import REQUIRED
from sim_plant.bench.explore.scale import scaled_constants
from sim_plant.bench.explore.step import Next, Unit

LOT = 200  # states that go out together
PARTS = 16
"""States are parted by their memory but for what it carries, so that whoever has made the scans of one is
given all that are like it."""

Hands = Here | Pool | SplitPool | Cluster


class Order(NamedTuple):
    """What a worker must know.

    ``changed`` names a context in which the logic is changed, "module:function"; ``only`` the places from
    which something may come, () for all.
    """

    setpoints: Setpoints
    changed: str = ""
    only: tuple[str, ...] = ()

    def unit(self) -> Unit:
        """A unit to explore; inside ``in_ticks`` only."""
        return Unit(self.setpoints, self.only)

    @contextmanager
    def in_ticks(self) -> Iterator[None]:
        """The logic changed as ordered, its constants in ticks."""
        with changed(self.changed), scaled_constants(self.setpoints):
            yield


class Met(NamedTuple):
    """A state, and the place in its lot and the number of the edge that led to it."""

    code: bytes
    parent: int
    edge: int


class BrokenAt(NamedTuple):
    """A requirement that an edge broke."""

    id: str
    text: str
    parent: int
    edge: int


class Expanded(NamedTuple):
    """What came of a lot: every state that its edges lead to, once."""

    met: list[Met]
    edges: int
    counted: list[int]
    broken: list[BrokenAt]


def changed(name: str) -> AbstractContextManager[object]:
    """The context that a name stands for; nothing for ""."""
    if not name:
        return nullcontext()
    module, _, function = name.partition(":")
    made: AbstractContextManager[object] = getattr(importlib.import_module(module), function)()
    return made


@lru_cache(maxsize=2)
def unit_of(order: Order) -> Unit:
    """A worker's unit, which remembers the scans that it has made."""
    return order.unit()


def expand(order: Order, codes: tuple[bytes, ...]) -> list[Expanded]:
    """All edges out of a lot of states, in a worker."""
    with order.in_ticks(), no_garbage():
        return [_expand(unit_of(order), codes)]


@contextmanager
def no_garbage() -> Iterator[None]:
    """What is kept has no cycles, and looking for them again and again takes a tenth of the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _expand(unit: Unit, codes: tuple[bytes, ...]) -> Expanded:
    met: dict[bytes, Met] = {}
    broken: dict[str, BrokenAt] = {}
    unit.counted = [0] * len(REQUIRED)
    n_edges = 0
    for parent, code in enumerate(codes):
        for number, edge in enumerate(unit.edges(code)):
            n_edges += edge.times
            if edge.code not in met:
                met[edge.code] = Met(edge.code, parent, number)
            for one in edge.broken:
                broken.setdefault(one.id, BrokenAt(one.id, one.text, parent, number))
    return Expanded(list(met.values()), n_edges, unit.counted, list(broken.values()))


class Bound(NamedTuple):
    """Where a search stops though it has not seen all."""

    states: int = 2_000_000
    depth: int = 1_000
    seconds: float = 3_600.0

    def met(self, states: int, depth: int, begun_s: float) -> str:
        """Which bound is met, "" for none; ``begun_s`` is when the search began, by the monotonic clock."""
        if states >= self.states:
            return f"{self.states} states"
        if depth >= self.depth:
            return f"depth {self.depth}"
        return f"{self.seconds:g} s" if time.monotonic() - begun_s >= self.seconds else ""


class Violation(NamedTuple):
    """A requirement that can be broken: the state before, and the number of its edge."""

    id: str
    text: str
    state: int
    edge: int
    depth: int


class Level(NamedTuple):
    """For whoever watches: one level is done, or a part of it."""

    depth: int
    states: int
    edges: int
    waiting: int
    done: float


class Trail:
    """What is known of any search: from where each state was met first, and how many are left."""

    parents: array[int]
    left: int

    @property
    def closed(self) -> bool:
        """Every state has been expanded: nothing else can be reached."""
        return self.left == 0

    def path(self, violation: Violation) -> list[int]:
        """Places of the states from the start to the one before the violation."""
        places = [violation.state]
        while places[-1]:
            places.append(self.parents[places[-1]])
        return places[::-1]


@dataclass
class Search(Trail):
    """All that was found."""

    order: Order
    core_bytes: int = 0
    codes: list[bytes] = field(default_factory=list)
    parents: array[int] = field(default_factory=lambda: array("I"))
    by_edge: array[int] = field(default_factory=lambda: array("H"))
    edges: int = 0
    depth: int = 0
    seconds: float = 0.0
    left: int = 0
    stopped_by: str = ""
    counted: list[int] = field(default_factory=lambda: [0] * len(REQUIRED))
    violations: dict[str, Violation] = field(default_factory=dict)

    def by_state(self) -> Counter[str]:
        """How many of the states are in each state of the sequence."""
        return Counter(STATES[code[0]].value for code in self.codes)

    def play(self, violation: Violation) -> list[Next]:
        """The edges of a shortest sequence, made again; the last one breaks the requirement."""
        with self.order.in_ticks():
            unit = self.order.unit()
            places = self.path(violation)
            numbers = [*(self.by_edge[place] for place in places[1:]), violation.edge]
            return [
                unit.edges(self.codes[place])[number] for place, number in zip(places, numbers, strict=True)
            ]


def search(
    order: Order,
    hands: Hands | None = None,
    bound: Bound | None = None,
    told: Callable[[Level], None] = lambda _level: None,
    until: str = "",
) -> Search:
    """Visit every state; ``bound`` says where to give up, ``told`` hears of every part that is done.

    With ``until`` it ends at the first violation of that requirement.
    """
    hands, bound = hands or Here(), bound or Bound()
    found, begun_s = Search(order), time.monotonic()
    with order.in_ticks():
        unit = order.unit()
        start, found.core_bytes = unit.start(), unit.codec.core_bytes
    place_of = {start: 0}
    found.codes.append(start)
    found.parents.append(0)
    found.by_edge.append(0)
    level = range(1)
    while level:
        found.left = len(level)
        found.stopped_by = _stop(found, bound, begun_s, until)
        if found.stopped_by:
            break
        first = len(found.codes)
        done = 0
        for lot, expanded in _expanded(order, hands, found, level):
            _take(found, place_of, lot, expanded)
            done += len(lot)
            told(Level(found.depth, len(found.codes), found.edges, len(level) - done, done / len(level)))
        found.depth += 1
        level = range(first, len(found.codes))
        found.left = len(level)
    found.seconds = time.monotonic() - begun_s
    return found


def _stop(found: Search, bound: Bound, begun_s: float, until: str) -> str:
    if until in found.violations:
        return f"a violation of {until}"
    return bound.met(len(found.codes), found.depth, begun_s)


def _expanded(
    order: Order, hands: Hands, found: Search, level: range
) -> Iterator[tuple[list[int], Expanded]]:
    """The lots of a level in their order, several at work at a time."""
    for lot, told in in_order(_started(order, hands, found, level), 2 * hands.window()):
        yield lot, told[0]


def _started(
    order: Order, hands: Hands, found: Search, level: range
) -> Iterator[tuple[list[int], Future[list[Expanded]]]]:
    cores = (found.codes[place][: found.core_bytes] for place in level)
    for lot, at in in_parts(cores, hands, LOT):
        places = [level[number] for number in lot]
        yield places, at.submit(expand, order, tuple(found.codes[place] for place in places))


def in_parts(cores: Iterable[bytes], hands: Hands, size: int) -> Iterator[tuple[list[int], Hands]]:
    """Numbers of things in lots, and who shall have each lot: things of one core always go to the same.

    What the lots are does not depend on the hands, so neither does what is found first.
    """
    parts: list[list[int]] = [[] for _ in range(PARTS)]
    for number, core in enumerate(cores):
        parts[zlib.crc32(core) % PARTS].append(number)
    for begin in range(0, max(map(len, parts)), size):
        for number, part in enumerate(parts):
            lot = part[begin : begin + size]
            if lot:
                yield lot, hands.at(number) if isinstance(hands, SplitPool) else hands


def _take(found: Search, place_of: dict[bytes, int], lot: list[int], expanded: Expanded) -> None:
    for met in expanded.met:
        if met.code not in place_of:
            place_of[met.code] = len(found.codes)
            found.codes.append(met.code)
            found.parents.append(lot[met.parent])
            found.by_edge.append(met.edge)
    found.edges += expanded.edges
    found.counted = [a + b for a, b in zip(found.counted, expanded.counted, strict=True)]
    for one in expanded.broken:
        if one.id not in found.violations:
            found.violations[one.id] = Violation(one.id, one.text, lot[one.parent], one.edge, found.depth + 1)
