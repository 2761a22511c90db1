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
is the four numbers in one. What a part does with the same grants is scanned once, however many states it
stands in, and what looks alike is judged once.
"""

from __future__ import annotations

from collections.abc import Iterator

from controller.settings import Setpoints
from controller.signals import SAFE_UNIT_OUTPUTS as NOTHING
from controller.unit.permits import Permits
from controller.unit.states import STATES, UnitState
from sim_plant.bench.explore.base import Driven, Passed
from sim_plant.bench.explore.pair_bank import Asked, Bank
from sim_plant.bench.explore.pair_observer import (
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
from sim_plant.bench.explore.pair_parts import (
    BITS,
    BankEdge,
    BankLook,
    Judged,
    Numbered,
    PairNext,
    UnitEdge,
    UnitPart,
    as_code,
    numbers_of,
)
from sim_plant.bench.explore.pair_required import PAIR_REQUIRED
from sim_plant.bench.explore.pair_scale import scaled_pair
from sim_plant.bench.explore.pair_scene import (
    TRIED,
    bank_atoms,
    bank_base,
    given_of,
)
from sim_plant.bench.explore.pair_unit import Answer, Seat
from sim_plant.bench.explore.required import Broken

OUT = frozenset({UnitState.LOCKOUT, UnitState.MAINTENANCE})
AT_REST = frozenset({UnitState.STANDBY, UnitState.WAIT_PERMIT})
_WITH_ATOMS = frozenset((tried.granted, tried.bank) for tried in TRIED if tried.atoms)


class Pair:
    """Two units and their bank, put into any state and scanned once; only inside ``pair_in_ticks``.

    They share so many flush slots; ``only`` are the places that something comes from, () for all.
    """

    def __init__(self, site: Setpoints, slots: int, only: tuple[str, ...] = ()) -> None:
        self.s = scaled_pair(site, slots)
        self.n = Limits.of(site, slots)
        self.bank = Bank(site, self.s)
        first = Seat(site, self.s, only)
        self.seats = (first, first.beside())
        self.units: tuple[Numbered[UnitPart], ...] = (Numbered(), Numbered())
        self.banks: Numbered[bytes] = Numbered()
        self.seen: Numbered[Seen] = Numbered()
        self.permits: Numbered[Permits] = Numbered()
        self.faces: Numbered[Face] = Numbered()
        self.looks: Numbered[BankLook] = Numbered()
        self.judged: list[Judged] = []
        self._power_goes = not only or "power" in only
        atoms = bank_atoms(self.s, only)
        bases = {granted: bank_base(self.s, granted=granted) for granted in (True, False)}
        scenes = {g: [base, *(atom.on(base) for atom in atoms)] for g, base in bases.items()}
        # bases of the bank: what it grants and what has passed for it; those of several bases of the pair
        self._bases = list(dict.fromkeys((tried.granted, tried.bank) for tried in TRIED))
        self._base_of = [self._bases.index((tried.granted, tried.bank)) for tried in TRIED]
        self._scenes = [
            [
                (scene, given_of(scene, self.s, granted=granted, passed=passed))
                for scene in (scenes[granted] if (granted, passed) in _WITH_ATOMS else scenes[granted][:1])
            ]
            for granted, passed in self._bases
        ]
        self._asked: Numbered[Asked] = Numbered()
        self._asked_of: tuple[list[int], ...] = ([], [])
        self._bank_edges: dict[tuple[int, int, int, int], list[BankEdge]] = {}
        self._unit_edge: tuple[dict[tuple[int, int, Passed], UnitEdge], ...] = ({}, {})
        self._troubled: tuple[dict[tuple[int, int, Passed], list[UnitEdge]], ...] = ({}, {})
        self._judgements: dict[tuple[int, int, int, int], Judged] = {}

    # --- states ---

    def start(self) -> int:
        """Power comes for the first time."""
        memories = [seat.fresh() for seat in self.seats]
        return self._dark(memories, self.bank.start(), Seen())

    def _dark(self, memories: list[bytes], bank: bytes, seen: Seen) -> int:
        """A state in which nothing has been driven or asked for yet."""
        one, two = (
            self._part(seat, UnitPart(memory, NOTHING, Asked(), UnitSeen()))
            for seat, memory in enumerate(memories)
        )
        return as_code(one, two, self.banks.of(bank), self.seen.of(seen))

    def _part(self, seat: int, part: UnitPart) -> int:
        number = self.units[seat].of(part)
        if number == len(self._asked_of[seat]):
            self._asked_of[seat].append(self._asked.of(part.asked))
        return number

    def parts(self, code: int) -> tuple[UnitPart, UnitPart, bytes, Seen]:
        """The parts of a state: unit 1, unit 2, the bank's memory, what is remembered of what is shared."""
        one, two, bank, seen = numbers_of(code)
        return self.units[0].all[one], self.units[1].all[two], self.banks.all[bank], self.seen.all[seen]

    def in_bytes(self, code: int) -> bytes:
        """The whole state as one string of bytes."""
        *units, bank, seen = self.parts(code)
        found = [part.memory + bytes((*part.outputs, *part.asked, *part.seen)) for part in units]
        return b"".join((*found, bank, bytes(seen)))

    def states(self, code: int) -> tuple[UnitState, UnitState]:
        """What the units report in a state."""
        one, two, _bank, _seen = self.parts(code)
        return STATES[one.memory[0]], STATES[two.memory[0]]

    # --- edges ---

    def edges(self, code: int) -> list[PairNext]:
        """All edges out of a state; those that look alike and lead to the same are one.

        One thing may come from the bank's side and one from each unit, in one scan.
        """
        one, two, bank, seen = numbers_of(code)
        asked = self._asked_of[0][one], self._asked_of[1][two]
        found: list[PairNext] = []
        for tried, (_granted, _bank, first, second, atoms) in enumerate(TRIED):
            edges = self._of_bank(bank, asked, self._base_of[tried])
            for b in edges if atoms else edges[:1]:
                ones, twos = [self._of_unit(0, one, b.one, first)], [self._of_unit(1, two, b.two, second)]
                if atoms:
                    ones += self._in_trouble(0, one, b.one, first)
                    twos += self._in_trouble(1, two, b.two, second)
                found += [self._joined(seen, tried, b, left, right) for left in ones for right in twos]
        if self._power_goes:
            found.append(self._powered(code))
        return found

    def _joined(self, seen: int, tried: int, b: BankEdge, one: UnitEdge, two: UnitEdge) -> PairNext:
        key = (seen, b[3], one[1], two[1])
        judged = self._judgements.get(key)
        if judged is None:
            judged = self._judgements[key] = self._judge(*key)
        code = one[0] | two[0] << BITS | b[2] << 2 * BITS | judged[0] << 3 * BITS
        return PairNext(code, judged, tried, b, one, two)

    def _judge(self, seen: int, look: int, one: int, two: int) -> Judged:
        given, booster, latched, passed = self.looks.all[look]
        o = pair_time(self.seen.all[seen], passed, self.n)
        both = Both(o, given, self.faces.all[one], self.faces.all[two], booster, self.n)
        applied = [place for place, r in enumerate(PAIR_REQUIRED) if r.applies(both)]
        broken = [r for r in (PAIR_REQUIRED[place] for place in applied) if not r.holds(both)]
        found = Judged(
            self.seen.of(pair_look(both, latched)),
            tuple(applied),
            tuple(Broken(r.id, r.text) for r in broken),
            len(self.judged),
        )
        self.judged.append(found)
        return found

    def _of_bank(self, bank: int, asked: tuple[int, int], base: int) -> list[BankEdge]:
        """Scans of the bank that differ in what they grant, leave or show; first the one without atoms."""
        key = (bank, *asked, base)
        edges = self._bank_edges.get(key)
        if edges is None:
            edges = self._bank_edges[key] = list(self._scan_bank(bank, asked, base))
        return edges

    def _scan_bank(self, bank: int, asked: tuple[int, int], base: int) -> Iterator[BankEdge]:
        _granted, passed = self._bases[base]
        one, two = (self._asked.all[number] for number in asked)
        known: set[tuple[object, ...]] = set()
        for scene, given in self._scenes[base]:
            scanned = self.bank.scan(self.banks.all[bank], (one, two), scene, passed)
            look = BankLook(given, scanned.booster, self.bank.latched(scanned.code), passed)
            to_one, to_two = (self.permits.of(permits) for permits in scanned.permits)
            left = self.banks.of(scanned.code)
            edge = BankEdge(to_one, to_two, left, self.looks.of(look), scene.told)
            if edge[:4] not in known:
                known.add(edge[:4])
                yield edge

    def _of_unit(self, seat: int, part: int, permits: int, passed: Passed) -> UnitEdge:
        """The scan of a unit with these grants when all is well with it."""
        key = (part, permits, passed)
        edge = self._unit_edge[seat].get(key)
        if edge is None:
            edge = self._unit_edge[seat][key] = self._scan_unit(seat, part, permits, passed, ())
        return edge

    def _in_trouble(self, seat: int, part: int, permits: int, passed: Passed) -> list[UnitEdge]:
        """Its scans with one thing amiss: those that differ from that, and from each other."""
        key = (part, permits, passed)
        edges = self._troubled[seat].get(key)
        if edges is None:
            known = {self._of_unit(seat, part, permits, passed)[:2]}
            edges = self._troubled[seat][key] = []
            for atoms in self.seats[seat].tried_atoms:
                edge = self._scan_unit(seat, part, permits, passed, atoms)
                if edge[:2] not in known:
                    known.add(edge[:2])
                    edges.append(edge)
        return edges

    def _scan_unit(
        self, seat: int, part: int, permits: int, passed: Passed, atoms: tuple[str, ...]
    ) -> UnitEdge:
        unit, before = self.seats[seat], self.units[seat].all[part]
        seen = unit_time(before.seen, before.outputs, passed, self.n)
        answer = unit.answer(before.memory, before.outputs, self.permits.all[permits], atoms, passed)
        after = unit_look(seen, before.outputs, answer.outputs, answer.away, self.n)
        number = self._part(seat, UnitPart(answer.memory, answer.outputs, answer.asked, after))
        face = self.faces.of(self._face(unit, before, seen, answer, passed))
        return UnitEdge(number, face, answer.atoms)

    def _face(self, unit: Seat, before: UnitPart, seen: UnitSeen, answer: Answer, passed: Passed) -> Face:
        was, out, well = before.outputs, answer.outputs, not answer.atoms
        return Face(
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

    @staticmethod
    def _would_run(unit: Seat, before: UnitPart, passed: Passed) -> bool:
        """With everything granted the pump would go on."""
        driven = Driven(before.outputs.feed_valve, before.outputs.flush_valve, True)
        ideal = unit.scenes.standing(True, (), driven)._replace(passed=passed)
        return unit.scan(before.memory, ideal).outputs.pump

    def _powered(self, code: int) -> PairNext:
        """Power goes and comes again, for both units and the bank."""
        *units, bank, seen = self.parts(code)
        memories = [seat.powered(part.memory) for seat, part in zip(self.seats, units, strict=True)]
        after = self._dark(memories, self.bank.powered(bank), after_power(seen))
        return PairNext(after, Judged(after >> 3 * BITS, (), (), -1), -1, None, None, None)
