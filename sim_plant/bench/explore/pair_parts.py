"""The parts of a state of two units, their numbers, and the edges between states.

A state is the numbers of its four parts in one. Many states share a part: it is kept once.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import Generic, NamedTuple, TypeVar

from controller.signals import UnitOutputs
from sim_plant.bench.explore.base import Passed
from sim_plant.bench.explore.pair_bank import Asked
from sim_plant.bench.explore.pair_observer import UnitSeen
from sim_plant.bench.explore.pair_scene import Given
from sim_plant.bench.explore.required import Broken

BITS = 21
MOST = (1 << BITS) - 1
T = TypeVar("T", bound=Hashable)


class Numbered(Generic[T]):
    """Different things by their number, in the order in which they were met."""

    def __init__(self) -> None:
        self.all: list[T] = []
        self._number: dict[T, int] = {}

    def of(self, thing: T) -> int:
        """Its number, a new one when it is new."""
        number = self._number.setdefault(thing, len(self.all))
        if number == len(self.all):
            self.all.append(thing)
            if number > MOST:
                raise OverflowError(f"more than {MOST} different parts of a state")
        return number


class UnitPart(NamedTuple):
    """What a state holds of one unit."""

    memory: bytes
    outputs: UnitOutputs
    asked: Asked
    seen: UnitSeen


class UnitEdge(NamedTuple):
    """What a unit does in one scan: the part that it leaves, how it looks, what it was given."""

    part: int
    face: int
    told: tuple[str, ...]


class BankEdge(NamedTuple):
    """What the bank does in one scan: its grants, the memory it leaves, how it looks, what it was given."""

    one: int
    two: int
    bank: int
    look: int
    told: tuple[str, ...]


class BankLook(NamedTuple):
    """How one scan of the bank looks from its terminals."""

    given: Given
    booster: bool
    latched: bool
    passed: Passed


class Judged(NamedTuple):
    """What an observer makes of one scan: what it remembers, which rules applied and which were broken."""

    seen: int
    applied: tuple[int, ...]
    broken: tuple[Broken, ...]
    number: int


class PairNext(NamedTuple):
    """One edge. ``bank`` None: the power went and came again. ``tried`` is its place in ``TRIED``."""

    code: int
    judged: Judged
    tried: int
    bank: BankEdge | None
    one: UnitEdge | None
    two: UnitEdge | None


def as_code(one: int, two: int, bank: int, seen: int) -> int:
    """A state, from the numbers of its parts."""
    return one | two << BITS | bank << 2 * BITS | seen << 3 * BITS


def numbers_of(code: int) -> tuple[int, int, int, int]:
    """The numbers of a state's parts: unit 1, unit 2, bank, what is remembered of what is shared."""
    return code & MOST, code >> BITS & MOST, code >> 2 * BITS & MOST, code >> 3 * BITS
