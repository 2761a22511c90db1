"""Scans of memories that differ only in what they carry along are made once.

Much of a memory is carried for long and asked for seldom (``compact.CARRIED``): a debt, a latched cause, a
person's wish. ``Noting`` is a memory that notes what of it a scan has read, and what it has written. A scan
depends on nothing else that it carries, so another memory that is equal in the rest and in what was read
comes to the same; what was neither read nor written stays as that memory has it.

    memory = core + carried
    Family (one core): for each scan: what was read, and how it was -> Outcome
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable
from typing import Any, NamedTuple, TypeVar

from controller.parts.timing import NEVER
from controller.signals import UnitOutputs
from controller.unit.memory import UnitMemory
from controller.unit.protections import RULES
from controller.unit.states import UnitState
from sim_plant.bench.explore.compact import CARRIED, Codec

Scan = TypeVar("Scan", bound=Hashable)


class Noting(UnitMemory):
    """A memory that notes of what it carries what is read before it is written, and what is written."""

    __slots__ = ("read", "written")

    def __init__(self) -> None:
        self.forget()
        super().__init__(rule_ms=[NEVER] * len(RULES))

    def forget(self) -> None:
        """Note anew from here on."""
        self.read = self.written = 0  # bit n: CARRIED[n]


def _noted(name: str) -> property:
    slot: Any = UnitMemory.__dict__[name]
    bit = 1 << CARRIED.index(name)

    def get(m: Noting) -> Any:
        if not m.written & bit:
            m.read |= bit
        return slot.__get__(m)

    def put(m: Noting, value: Any) -> None:
        m.written |= bit
        slot.__set__(m, value)

    return property(get, put)


for _name in CARRIED:
    setattr(Noting, _name, _noted(_name))


class Outcome(NamedTuple):
    """What a scan makes of every memory of a family in which what it reads is alike."""

    core: bytes
    carried: bytes
    written: int  # bit n: it has written what CARRIED[n] is, and so that is as in ``carried``
    outputs: UnitOutputs
    state: UnitState


class Scanned(NamedTuple):
    """What one scan made of a memory."""

    memory: bytes
    outputs: UnitOutputs
    state: UnitState


class Known(NamedTuple):
    """An outcome, and when it comes about: what was read was like this."""

    read: int
    like: bytes
    outcome: int


class Family:
    """Memories that differ only in what they carry, and the outcomes of their scans, each under a name."""

    def __init__(self, codec: Codec) -> None:
        self._codec = codec
        self._known: defaultdict[Hashable, list[Known]] = defaultdict(list)
        self._outcomes: list[Outcome] = []
        self._number_of: dict[Outcome, int] = {}

    def scanned(
        self, carried: bytes, scans: Iterable[Scan], make: Callable[[Scan], tuple[int, Outcome]]
    ) -> list[Scanned]:
        """What each of these scans makes of the memory that carries this.

        ``make`` makes one that is not known: what it has read of what is carried, and what came out.
        """
        like: dict[int, bytes] = {}
        found: dict[int, Scanned] = {}
        made = []
        for scan in scans:
            number = self._outcome(scan, carried, like, make)
            if number not in found:
                found[number] = self._as_memory(self._outcomes[number], carried)
            made.append(found[number])
        return made

    def _outcome(
        self,
        scan: Scan,
        carried: bytes,
        like: dict[int, bytes],
        make: Callable[[Scan], tuple[int, Outcome]],
    ) -> int:
        """Its number; ``like`` keeps what the memory carries of what was read."""
        for known in self._known[scan]:
            if known.read not in like:
                like[known.read] = _of(carried, known.read)
            if like[known.read] == known.like:
                return known.outcome
        read, outcome = make(scan)
        number = self._number_of.setdefault(outcome, len(self._outcomes))
        if number == len(self._outcomes):
            self._outcomes.append(outcome)
        self._known[scan].append(Known(read, _of(carried, read), number))
        return number

    def _as_memory(self, outcome: Outcome, carried: bytes) -> Scanned:
        """What was not written stays, where the state that was entered looks at it at all."""
        looked_at = self._codec.carried_in[outcome.state]
        after = bytes(
            new if outcome.written >> place & 1 else old * looked_at[place]
            for place, (old, new) in enumerate(zip(carried, outcome.carried, strict=True))
        )
        return Scanned(outcome.core + after, outcome.outputs, outcome.state)


def _of(carried: bytes, read: int) -> bytes:
    return bytes(code for place, code in enumerate(carried) if read >> place & 1)
