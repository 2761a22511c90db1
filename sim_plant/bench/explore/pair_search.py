"""Breadth first over the states of two units with their coordinator, until none is left or a bound is met.

As ``search`` does it for one unit, in one process: what a part of a state does is made once and kept, and
that is worth more than a second core. Each level is expanded whole before the next begins, so the first
sequence that breaks a requirement is a shortest one.
"""

from __future__ import annotations

import time
from array import array
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.settings import Setpoints
from sim_plant.bench.explore.pair import Pair
from sim_plant.bench.explore.pair_parts import PairNext
from sim_plant.bench.explore.pair_required import PAIR_REQUIRED, PairRequired
from sim_plant.bench.explore.pair_scale import pair_in_ticks
from sim_plant.bench.explore.search import Bound, Level, Trail, Violation, changed

TOLD_EVERY = 500  # states


class PairOrder(NamedTuple):
    """What is explored: as ``search.Order`` for one unit; ``only`` are places of ``pair_scene``.

    ``slots`` says how many flush slots the two share.
    """

    setpoints: Setpoints
    changed: str = ""
    only: tuple[str, ...] = ()
    slots: int = 1

    def pair(self) -> Pair:
        """A pair to explore; inside ``in_ticks`` only."""
        return Pair(self.setpoints, self.slots, self.only)

    @contextmanager
    def in_ticks(self) -> Iterator[None]:
        """The logic changed as ordered, its constants in ticks."""
        with changed(self.changed), pair_in_ticks(self.setpoints):
            yield


@dataclass
class PairSearch(Trail):
    """All that was found. Codes are numbers of ``pair``, which has met them."""

    order: PairOrder
    pair: Pair
    codes: list[int] = field(default_factory=list)
    parents: array[int] = field(default_factory=lambda: array("I"))
    by_edge: array[int] = field(default_factory=lambda: array("H"))
    edges: int = 0
    depth: int = 0
    seconds: float = 0.0
    left: int = 0
    stopped_by: str = ""
    violations: dict[str, Violation] = field(default_factory=dict)
    hits: list[int] = field(default_factory=list)

    @property
    def required(self) -> tuple[PairRequired, ...]:
        """What was asked."""
        return PAIR_REQUIRED

    @property
    def counted(self) -> list[int]:
        """How often each requirement applied, in the order of ``PAIR_REQUIRED``."""
        counted = [0] * len(PAIR_REQUIRED)
        for judged, hits in zip(self.pair.judged, self.hits, strict=False):
            for place in judged.applied:
                counted[place] += hits
        return counted

    def by_state(self) -> Counter[str]:
        """In how many of the states a unit is in each state of the sequence; every state counts twice."""
        return Counter(state.value for code in self.codes for state in self.pair.states(code))

    def play(self, violation: Violation) -> list[PairNext]:
        """The edges of a shortest sequence, made again; the last one breaks the requirement."""
        with self.order.in_ticks():
            places = self.path(violation)
            numbers = [*(self.by_edge[place] for place in places[1:]), violation.edge]
            return [
                self.pair.edges(self.codes[place])[number]
                for place, number in zip(places, numbers, strict=True)
            ]


def search_pair(
    order: PairOrder,
    bound: Bound | None = None,
    told: Callable[[Level], None] = lambda _level: None,
    until: str = "",
) -> PairSearch:
    """Visit every state; bounds, ``told`` and ``until`` are those of ``search``."""
    bound = bound or Bound()
    begun_s = time.monotonic()
    with order.in_ticks():
        found = PairSearch(order, order.pair())
        start = found.pair.start()
        place_of = {start: 0}
        _add(found, start, 0, 0)
        level = range(1)
        while level:
            first = len(found.codes)
            done = 0
            for place in level:
                found.stopped_by = _stop(found, bound, begun_s, until)
                if found.stopped_by:
                    break
                _expand(found, place, place_of)
                done += 1
                if done % TOLD_EVERY == 0 or done == len(level):
                    waiting = len(level) - done
                    told(Level(found.depth, len(found.codes), found.edges, waiting, done / len(level)))
            if found.stopped_by:
                found.left = len(found.codes) - first + len(level) - done
                break
            found.depth += 1
            level = range(first, len(found.codes))
    found.seconds = time.monotonic() - begun_s
    return found


def _add(found: PairSearch, code: int, parent: int, edge: int) -> None:
    found.codes.append(code)
    found.parents.append(parent)
    found.by_edge.append(edge)


def _expand(found: PairSearch, place: int, place_of: dict[int, int]) -> None:
    edges = found.pair.edges(found.codes[place])
    hits = found.hits
    hits.extend([0] * (len(found.pair.judged) - len(hits)))
    for number, (code, judged, *_rest) in enumerate(edges):
        if judged.number >= 0:
            hits[judged.number] += 1
        if code not in place_of:
            place_of[code] = len(found.codes)
            _add(found, code, place, number)
        for one in judged.broken:
            key = f"{one.id} {one.text}"
            if key not in found.violations:
                found.violations[key] = Violation(one.id, one.text, place, number, found.depth + 1)
    found.edges += len(edges)


def _stop(found: PairSearch, bound: Bound, begun_s: float, until: str) -> str:
    if until and any(v.id == until for v in found.violations.values()):
        return f"a violation of {until}"
    return bound.met(len(found.codes), found.depth, begun_s)
