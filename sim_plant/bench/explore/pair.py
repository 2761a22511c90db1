"""Two units with their coordinator: a state is bytes, an edge is one scan of the firmware's own bank code.

    bank: Coordinator.scan(shared image, requests of the scan before) -> permits
    unit 1, unit 2: Sequencer.scan(its image, its permits) -> outputs, request

as ``controller.firmware.Controller.scan`` does it; a test holds every kind of edge against that. Real are the
coordinator with all its parts (pre-start, demand, slots, shared causes) and both sequencers: call, ready,
may_start, token, start_slot, close_feed and maintenance_slot are computed. Chosen are the inputs
(``pair_scene``) and what neither remembers in bytes (``base.Presets``, ``pair_bank.Chosen``). Alarms, horn,
speed of the booster and dose are left out: nothing in the sequence reads them. The bank's image may be stale,
but its heartbeat is never lost.

A state has four parts: unit 1, unit 2 (memory, outputs, request, what the observer remembers of it), the
bank's memory, and what the observer remembers of what is shared. Each part is bytes and has a number; a state
is the four numbers in one. What one part does with the same grants is scanned once, however many states it
stands in.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import Generic, NamedTuple, TypeVar

from controller.settings import Setpoints
from controller.signals import SAFE_UNIT_OUTPUTS as NOTHING
from controller.signals import UnitOutputs
from controller.unit.permits import Permits
from controller.unit.states import STATES, UnitState
from sim_plant.bench.explore.base import Driven, Passed
from sim_plant.bench.explore.pair_bank import Asked, Bank, BankScene
from sim_plant.bench.explore.pair_required import (
    PAIR_REQUIRED,
    Both,
    Face,
    Limits,
    Seen,
    UnitSeen,
    after_power,
    forced,
    pair_look,
    pair_time,
    unit_look,
    unit_time,
)
from sim_plant.bench.explore.pair_scale import scaled_pair
from sim_plant.bench.explore.pair_scene import (
    TRIED,
    Given,
    bank_atoms,
    bank_base,
    given_of,
)
from sim_plant.bench.explore.pair_unit import Seat
from sim_plant.bench.explore.required import Broken

OUT = frozenset({UnitState.LOCKOUT, UnitState.MAINTENANCE})
AT_REST = frozenset({UnitState.STANDBY, UnitState.WAIT_PERMIT})
BITS = 21
_PLACE = (1 << BITS) - 1
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
            if number > _PLACE:
                raise OverflowError(f"more than {_PLACE} different parts of a state")
        return number


class UnitPart(NamedTuple):
    """What a state holds of one unit."""

    memory: bytes
    outputs: UnitOutputs
    asked: Asked
    seen: UnitSeen


class SharedPart(NamedTuple):
    """What a state holds of what is shared."""

    bank: bytes
    seen: Seen


class UnitEdge(NamedTuple):
    """What a unit does in one scan: the part that it leaves, how it looks, what it was given."""

    part: int
    face: int
    told: tuple[str, ...]


class BankEdge(NamedTuple):
    """What the bank does in one scan: grants to the units, its memory, its booster, what it was given."""

    permits: tuple[int, int]
    bank: int
    booster: bool
    given: Given
    told: tuple[str, ...]


class Judged(NamedTuple):
    """What an observer makes of one scan: what it remembers, which rules applied and which were broken."""

    shared: int
    applied: tuple[int, ...]
    broken: tuple[Broken, ...]
    number: int


class PairNext(NamedTuple):
    """One edge. ``bank`` None: the power went and came again."""

    code: int
    judged: Judged
    bank: BankEdge | None = None
    one: UnitEdge | None = None
    two: UnitEdge | None = None


class Pair:
    """Two units and their bank, put into any state and scanned once; only inside ``pair_in_ticks``.

    ``only`` are the places that something comes from; () leaves out nothing.
    """

    def __init__(self, site: Setpoints, only: tuple[str, ...] = ()) -> None:
        self.s = scaled_pair(site)
        self.n = Limits.of(site)
        self.bank = Bank(site, self.s)
        self.seats = tuple(Seat(site, self.s, number, only) for number in (1, 2))
        self.units: tuple[Numbered[UnitPart], ...] = (Numbered(), Numbered())
        self.shared: Numbered[SharedPart] = Numbered()
        self.banks: Numbered[bytes] = Numbered()
        self.permits: Numbered[Permits] = Numbered()
        self.faces: Numbered[Face] = Numbered()
        self.judged: list[Judged] = []
        self.power_goes = not only or "power" in only
        self._atoms = bank_atoms(self.s, only)
        self._scenes = {granted: self._bank_scenes(granted=granted) for granted in (True, False)}
        self._bank_edges: dict[tuple[int, Asked, Asked, int], list[BankEdge]] = {}
        self._unit_edges: tuple[dict[tuple[int, int, int, bool], list[UnitEdge]], ...] = ({}, {})
        self._judgements: dict[tuple[int, int, int, int, bool, Given, int], Judged] = {}

    def _bank_scenes(self, *, granted: bool) -> list[BankScene]:
        base = bank_base(self.s, granted=granted)
        return [base, *(atom.on(base) for atom in self._atoms)]

    # --- states ---

    def start(self) -> int:
        """Power comes for the first time."""
        parts = [UnitPart(seat.fresh(), NOTHING, Asked(), UnitSeen()) for seat in self.seats]
        one, two = (self.units[place].of(part) for place, part in enumerate(parts))
        return _code(one, two, self.shared.of(SharedPart(self.bank.start(), Seen())))

    def parts(self, code: int) -> tuple[UnitPart, UnitPart, SharedPart]:
        """The parts of a state."""
        one, two, shared = _numbers(code)
        return self.units[0].all[one], self.units[1].all[two], self.shared.all[shared]

    def in_bytes(self, code: int) -> bytes:
        """The whole state as one string of bytes."""
        one, two, shared = self.parts(code)
        found = b""
        for part in (one, two):
            found += (
                part.memory + bytes(map(int, part.outputs)) + bytes(map(int, part.asked)) + bytes(part.seen)
            )
        return found + shared.bank + bytes(shared.seen)

    def states(self, code: int) -> tuple[UnitState, UnitState]:
        """What the units report in a state."""
        one, two, _shared = self.parts(code)
        return STATES[one.memory[0]], STATES[two.memory[0]]

    # --- edges ---

    def edges(self, code: int) -> list[PairNext]:
        """All edges out of a state, those that look alike and lead to the same once."""
        one, two, shared = _numbers(code)
        part = self.shared.all[shared]
        bank = self.banks.of(part.bank)
        asked = self.units[0].all[one].asked, self.units[1].all[two].asked
        found: list[PairNext] = []
        for tried, (_granted, passed, every) in enumerate(TRIED):
            bank_edges = self._of_bank(bank, asked, tried)
            for number, b in enumerate(bank_edges if every else bank_edges[:1]):
                atoms = every and not number
                ones = self._of_unit(0, one, b.permits[0], passed, atoms)
                twos = self._of_unit(1, two, b.permits[1], passed, atoms)
                found.append(self._joined(shared, passed, b, ones[0], twos[0]))
                if atoms:
                    found += [self._joined(shared, passed, b, other, twos[0]) for other in ones[1:]]
                    found += [self._joined(shared, passed, b, ones[0], other) for other in twos[1:]]
        if self.power_goes:
            found.append(self._powered(one, two, part))
        return found

    def _joined(self, shared: int, passed: Passed, b: BankEdge, one: UnitEdge, two: UnitEdge) -> PairNext:
        key = (shared, passed, one.face, two.face, b.booster, b.given, b.bank)
        judged = self._judgements.get(key)
        if judged is None:
            judged = self._judgements[key] = self._judge(shared, passed, b, one, two)
        return PairNext(one.part | two.part << BITS | judged.shared << 2 * BITS, judged, b, one, two)

    def _judge(self, shared: int, passed: Passed, b: BankEdge, one: UnitEdge, two: UnitEdge) -> Judged:
        seen = pair_time(self.shared.all[shared].seen, passed, self.n)
        both = Both(seen, b.given, self.faces.all[one.face], self.faces.all[two.face], b.booster, self.n)
        bank = self.banks.all[b.bank]
        after = self.shared.of(SharedPart(bank, pair_look(both, self.bank.latched(bank))))
        applied = [place for place, r in enumerate(PAIR_REQUIRED) if r.applies(both)]
        broken = [r for r in (PAIR_REQUIRED[place] for place in applied) if not r.holds(both)]
        found = Judged(after, tuple(applied), tuple(Broken(r.id, r.text) for r in broken), len(self.judged))
        self.judged.append(found)
        return found

    def _of_bank(self, bank: int, asked: tuple[Asked, Asked], tried: int) -> list[BankEdge]:
        """Scans of the bank that differ in what they grant, leave or show; first the one without atoms."""
        key = (bank, *asked, tried)
        edges = self._bank_edges.get(key)
        if edges is None:
            edges = self._bank_edges[key] = list(self._scan_bank(bank, asked, tried))
        return edges

    def _scan_bank(self, bank: int, asked: tuple[Asked, Asked], tried: int) -> Iterator[BankEdge]:
        granted, passed, every = TRIED[tried]
        known: set[tuple[object, ...]] = set()
        for scene in self._scenes[granted] if every else self._scenes[granted][:1]:
            scanned = self.bank.scan(self.banks.all[bank], asked, scene, passed)
            one, two = (self.permits.of(permits) for permits in scanned.permits)
            given = given_of(scene, self.s, granted=granted, passed=passed)
            edge = BankEdge((one, two), self.banks.of(scanned.code), scanned.booster, given, scene.told)
            if edge[:4] not in known:
                known.add(edge[:4])
                yield edge

    def _of_unit(self, seat: int, part: int, permits: int, passed: Passed, every: bool) -> list[UnitEdge]:
        """Scans of a unit with these grants that differ in what they leave or show, likewise."""
        key = (part, permits, passed, every)
        edges = self._unit_edges[seat].get(key)
        if edges is None:
            edges = self._unit_edges[seat][key] = list(self._scan_unit(seat, part, permits, passed, every))
        return edges

    def _scan_unit(
        self, seat: int, part: int, permits: int, passed: Passed, every: bool
    ) -> Iterator[UnitEdge]:
        unit, before = self.seats[seat], self.units[seat].all[part]
        seen = unit_time(before.seen, before.outputs, passed, self.n)
        known: set[tuple[int, int]] = set()
        for atoms in [(), *(unit.tried_atoms if every else ())]:
            answer = unit.answer(before.memory, before.outputs, self.permits.all[permits], atoms, passed)
            was, out = before.outputs, answer.outputs
            after = unit_look(seen, was, out, answer.away, self.n)
            well = not answer.atoms
            face = Face(
                was=was,
                out=out,
                whole=bool(seen.whole),
                settled=seen.shut >= self.n.settle,
                cut=answer.cut,
                forced=forced(seen, self.n),
                is_out=answer.state in OUT,
                waiting=well and answer.state in AT_REST and answer.asked.available,
                well=well,
                would_run=well and was.pump and (out.pump or self._would_run(unit, before, passed)),
            )
            number = self.units[seat].of(UnitPart(answer.memory, out, answer.asked, after))
            edge = UnitEdge(number, self.faces.of(face), answer.atoms)
            if edge[:2] not in known:
                known.add(edge[:2])
                yield edge

    def _would_run(self, unit: Seat, before: UnitPart, passed: Passed) -> bool:
        """With everything granted the pump would go on."""
        driven = Driven(before.outputs.feed_valve, before.outputs.flush_valve, True)
        ideal = unit.scenes.standing(True, (), driven)
        scanned = unit.scan(before.memory, ideal._replace(passed=passed))
        return scanned.outputs.pump

    def _powered(self, one: int, two: int, part: SharedPart) -> PairNext:
        """Power goes and comes again, for both units and the bank."""
        numbers = []
        for seat, number in enumerate((one, two)):
            memory = self.seats[seat].powered(self.units[seat].all[number].memory)
            numbers.append(self.units[seat].of(UnitPart(memory, NOTHING, Asked(), UnitSeen())))
        after = SharedPart(self.bank.powered(part.bank), after_power(part.seen))
        judged = Judged(self.shared.of(after), (), (), -1)
        return PairNext(_code(numbers[0], numbers[1], judged.shared), judged)


def _code(one: int, two: int, shared: int) -> int:
    return one | two << BITS | shared << 2 * BITS


def _numbers(code: int) -> tuple[int, int, int]:
    return code & _PLACE, code >> BITS & _PLACE, code >> 2 * BITS
