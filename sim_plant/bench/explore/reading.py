"""What each rule and each condition of the sequence reads: found by asking it, not typed.

``limits`` gives the values with which a quantity is compared, ``Readings`` the places that are read.
Rules and conditions are asked in every state, with timers that have long run out and that have just begun,
with valves open and shut, and with quantities low and high, so that whatever leads to a comparison is passed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields
from itertools import product
from typing import Any, Protocol

from controller.parts.analogue import Loop
from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.unit import progress
from controller.unit.memory import UnitMemory
from controller.unit.protections import RULES, Rule
from controller.unit.sequencer import Sequencer
from controller.unit.states import STATES, UnitState
from controller.unit.view import View, look
from sim_plant.bench.explore.base import (
    LOOP_OF,
    NOW_MS,
    QUANTITIES,
    REFERENCE_BAR,
    Driven,
    base,
    quantity_at,
)
from sim_plant.bench.explore.scale import TICK_MS

LONG_AGO_MS = NOW_MS - 10**8
MOMENTS = tuple(
    f.name
    for f in fields(UnitMemory)
    if f.name.endswith("_ms") and f.type == "int" and f.name not in ("run_ms", "purge_ahead_ms")
)
_SHARES = (0.02, 0.2, 0.5, 0.9)
_SHAPES = tuple(Driven(*shape) for shape in product((False, True), repeat=3))


class Asked(float):
    """A quantity that notes with which limits it is compared."""

    noted: set[float]

    def _note(self, other: Any) -> float:
        self.noted.add(float(other))
        return float(other)

    def __lt__(self, other: Any) -> bool:
        return float(self) < self._note(other)

    def __le__(self, other: Any) -> bool:
        return float(self) <= self._note(other)

    def __gt__(self, other: Any) -> bool:
        return float(self) > self._note(other)

    def __ge__(self, other: Any) -> bool:
        return float(self) >= self._note(other)


def _asked(value: float, noted: set[float]) -> Asked:
    quantity = Asked(value)
    quantity.noted = noted
    return quantity


class Noting:
    """Hands on what it wraps and notes which attributes were read."""

    def __init__(self, wrapped: object) -> None:
        self._wrapped = wrapped
        self.noted: set[str] = set()

    def __getattr__(self, name: str) -> Any:
        self.noted.add(name)
        return getattr(self._wrapped, name)


class _NotingLoops(list[Loop]):
    """A unit's loops, noting which were asked for their quality."""

    noted: set[str]

    def __getitem__(self, place: Any) -> Any:
        self.noted.add(f"loop {place}")
        return super().__getitem__(place)


class _NotingView(View):
    """A view that notes which quantities were read, and whether the image's age was."""

    __slots__ = ("noted",)
    noted: set[str]

    def __getattribute__(self, name: str) -> Any:
        if name in QUANTITIES or name == "age_ms":
            object.__getattribute__(self, "noted").add(name)
        return object.__getattribute__(self, name)


def views(s: Setpoints, states: tuple[UnitState, ...] = STATES) -> Iterator[View]:
    """Views of units in every state and shape, for asking; each is asked once and thrown away."""
    for state, driven, share, since_ms, flag in product(
        states, _SHAPES, _SHARES, (LONG_AGO_MS, NOW_MS - TICK_MS), (False, True)
    ):
        m = UnitMemory(rule_ms=[NEVER] * len(RULES))
        for name in MOMENTS:
            setattr(m, name, since_ms)
        m.state, m.reference_bar, m.evidence, m.closing = state, REFERENCE_BAR, flag, flag
        m.flush_owed, m.purge_failures, m.quality_flush_due = flag, int(flag), flag
        for on, name in zip(driven, ("feed_ms", "flush_ms", "pump_ms"), strict=True):
            setattr(m, name, since_ms if on else NEVER)
        m.both_ms = since_ms if driven.feed and driven.flush and not driven.pump else NEVER
        scene = base(s, driven, granted=flag)
        v = look(s, m, scene.io, 0, scene.permits, NOW_MS, (1, 1))
        for name in QUANTITIES:
            setattr(v, name, quantity_at(name, share))
        yield v


def limits(s: Setpoints) -> dict[str, tuple[float, ...]]:
    """For every quantity, the limits that anything in a unit compares it with.

    >>> limits(Setpoints())["tds_mgl"]
    (170.0, 200.0, 300.0)
    """
    noted: dict[str, set[float]] = {name: set() for name in (*QUANTITIES, "header_bar")}
    for v in views(s):
        for name in QUANTITIES:
            setattr(v, name, _asked(getattr(v, name), noted[name]))
        v.p = v.p._replace(header_bar=_asked(3.0, noted["header_bar"]))
        for rule in RULES:
            rule.when(v)
        progress.WAITS[v.m.state](v)
        Sequencer(1, 1, s)._sums(v)
    return {name: tuple(sorted(found - {0.0})) for name, found in noted.items()}


class Readings:
    """Views to be asked, made once: asking changes nothing in them."""

    def __init__(self, s: Setpoints) -> None:
        self._views = [_noting(v) for v in views(s)]

    def _reads(self, ask: Callable[[View], object], states: frozenset[UnitState]) -> frozenset[str]:
        noted: set[str] = set()
        for v, records in self._views:
            if v.m.state in states:
                for record in records:
                    record.noted = noted
                ask(v)
        return frozenset(f"loop {LOOP_OF[name]}" if name in QUANTITIES else name for name in noted)

    def of_rule(self, rule: Rule) -> frozenset[str]:
        """Places of a scene on which a rule depends."""
        return self._reads(rule.when, frozenset(STATES))

    def of_state(self, state: UnitState) -> frozenset[str]:
        """Places of a scene on which it depends whether a state's step is complete."""
        return self._reads(progress.WAITS[state], frozenset({state}))


class _Records(Protocol):
    noted: set[str]


def _noting(v: View) -> tuple[View, tuple[_Records, ...]]:
    """The view with everything in it that is read noted."""
    noting = _NotingView(*(getattr(v, f.name) for f in fields(View)))
    loops, io, p = _NotingLoops(v.m.loops), Noting(v.io), Noting(v.p)
    noting.m.loops = loops
    noting.io, noting.p = io, p  # type: ignore[assignment]  # they stand in for image and permits
    return noting, (noting, loops, io, p)
