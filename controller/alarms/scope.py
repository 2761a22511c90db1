"""The alarms of one unit, or of the bank: facts first, then covers, then what the table says.

Looked at only when an event, a condition or a latch has changed or a delay has run out.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from controller.alarms.evidence import BAD_BIT, CONDITION_BIT, FROZEN_BIT, UNCERTAIN_BIT
from controller.alarms.memory import Shelf, fresh
from controller.alarms.rules import AlarmRule, Frozen, LoopFault, Priority
from controller.alarms.states import TABLE, AlarmState, Answer, Happening, by_facts
from controller.parts.analogue import Quality
from controller.parts.journal import Entry
from controller.parts.timing import HOUR_S, NEVER, held_s, since
from controller.settings import Setpoints
from controller.unit.states import Event

FAR_MS = 2**62
URGENT = Priority.HIGH  # this priority and above sound the horn and drop the alarm relay
_CALLING = frozenset({AlarmState.UNACK, AlarmState.ACKED, AlarmState.LATUN, AlarmState.LATACK})


class Seen(NamedTuple):
    """What is seen of the unit or the bank in one scan, as bits."""

    active: int  # events that stand
    held: int  # events that the sequence holds latched
    slow: int  # conditions and loops
    elsewhere: int  # alarms present in the bank, by place; 0 for the bank itself
    out_of_service: bool


class Wiring(NamedTuple):
    """A rule as bits: what raises it and what hides it."""

    source: int
    latch: int  # the event whose latch it shows, 0 for none
    by_condition: int
    by_alarm: int
    by_bank: int


def _delay_ms(s: Setpoints, delay: float | str) -> int:
    return round(1000 * (s.seconds(delay) if isinstance(delay, str) else delay))


def _named(names: Iterable[str], known: tuple[str, ...]) -> int:
    """Bits of the places of names; ValueError for a name that is not known."""
    return sum(1 << known.index(name) for name in names)


def _source_bit(rule: AlarmRule, conditions: tuple[str, ...]) -> int:
    match rule.source:
        case Event():
            return 1 << rule.source
        case LoopFault():
            first = BAD_BIT if rule.source.quality is Quality.BAD else UNCERTAIN_BIT
            return 1 << first + rule.source.loop
        case Frozen():
            return 1 << FROZEN_BIT + rule.source.loop
    return _named((rule.source,), conditions) << CONDITION_BIT


def wire(
    rules: tuple[AlarmRule, ...], conditions: tuple[str, ...], bank: tuple[AlarmRule, ...]
) -> tuple[Wiring, ...]:
    """The rules as bits; ValueError when a rule names something that does not exist."""
    ids, bank_ids = tuple(rule.id for rule in rules), tuple(rule.id for rule in bank)
    return tuple(
        Wiring(
            source=_source_bit(rule, conditions),
            latch=1 << rule.source if rule.latching and isinstance(rule.source, Event) else 0,
            by_condition=_named(rule.by_condition, conditions) << CONDITION_BIT,
            by_alarm=_named(rule.by_alarm, ids),
            by_bank=_named(rule.by_bank, bank_ids),
        )
        for rule in rules
    )


class Scope:
    """Alarms of one unit, or of the bank as unit 0. Its state is ``memory``; ``events`` go to the journal."""

    def __init__(
        self,
        unit: int,
        rules: tuple[AlarmRule, ...],
        conditions: tuple[str, ...],
        bank: tuple[AlarmRule, ...],
        s: Setpoints,
    ) -> None:
        self.unit, self.rules, self._bank = unit, rules, bank
        self.memory = fresh(len(rules))
        self.events: list[Entry] = []
        self._wiring = wire(rules, conditions, bank)
        events = {rule.source for rule in rules if isinstance(rule.source, Event)}
        self._events = sum(1 << event for event in events)
        self._stops = sum(1 << place for place, rule in enumerate(rules) if rule.stops)
        self.adopt(s)

    def adopt(self, s: Setpoints) -> None:
        """Take over changed setpoints."""
        self._delays_ms = [
            (_delay_ms(s, rule.on_delay), round(rule.off_delay_s * 1000)) for rule in self.rules
        ]

    @property
    def present(self) -> int:
        """Alarms whose cause stands or whose reset is due, shown or not, as bits by place."""
        return self.memory.stands | self.memory.latched

    def step(self, seen: Seen, now_ms: int) -> bool:
        """Take one scan; True when an alarm of high priority has newly called for a person."""
        m = self.memory
        active = seen.active & self._events
        if (
            now_ms < m.due_ms
            and active == m.active
            and seen.held == m.held
            and seen.slow == m.slow
            and seen.elsewhere == m.elsewhere
            and seen.out_of_service == m.out_of_service
        ):
            return False
        before, told = m.copy(), len(self.events)
        m.active, m.held, m.slow, m.elsewhere = active, seen.held, seen.slow, seen.elsewhere
        m.sounding = False
        try:
            self._look(seen.out_of_service, now_ms)
        except Exception:
            # a look that broke off has not been: the next scan finds the same news and looks again
            self.memory = before
            del self.events[told:]
            raise
        return m.sounding

    def _look(self, out_of_service: bool, now_ms: int) -> None:
        came, gone = self._causes(now_ms)
        latched = sum(1 << place for place, w in enumerate(self._wiring) if w.latch & self.memory.held)
        # a latch without its cause was kept over a loss of power: show it as one that came and went
        kept = latched & ~self.memory.latched & ~self.memory.stands & ~gone
        came, gone = came | kept, gone | kept
        released = self.memory.latched & ~latched
        self.memory.latched = latched
        self._choose_first_out(came)
        self._cover(out_of_service, now_ms)
        for place in _places(came):
            self.tell(place, Happening.CAUSE_COMES, now_ms)
        for place in _places(gone):
            held = latched >> place & 1
            self.tell(place, Happening.CAUSE_GOES_LATCHED if held else Happening.CAUSE_GOES, now_ms)
        for place in _places(released):
            self.tell(place, Happening.RESET, now_ms)
        self.settle()

    # --- facts ---------------------------------------------------------------------------------------

    def _causes(self, now_ms: int) -> tuple[int, int]:
        """Run the delays; causes that have come and gone, as bits."""
        m = self.memory
        evidence = m.active | m.slow
        came = gone = 0
        for place, wiring in enumerate(self._wiring):
            holds, stands = bool(evidence & wiring.source), bool(m.stands >> place & 1)
            m.timer_ms[place] = since(holds is not stands, m.timer_ms[place], now_ms)
            if holds is stands or now_ms < self._due_ms(place):
                continue
            m.timer_ms[place] = NEVER
            m.stands ^= 1 << place
            if holds:
                came |= 1 << place
            else:
                gone |= 1 << place
        return came, gone

    def _due_ms(self, place: int) -> int:
        """End of the delay that runs for an alarm."""
        on_ms, off_ms = self._delays_ms[place]
        return self.memory.timer_ms[place] + (off_ms if self.memory.stands >> place & 1 else on_ms)

    def _choose_first_out(self, came: int) -> None:
        """The first cause that stops is the first-out until it is gone and reset; then the next may be."""
        m = self.memory
        if m.first_out >= 0 and self.present >> m.first_out & 1:
            return
        new = [place for place in _places(came & self._stops) if not self._explanation(place)]
        # of several in one scan: the one that the sequence latched, then the most urgent
        rank = min(
            ((not m.latched >> place & 1, self.rules[place].priority, place) for place in new), default=None
        )
        m.first_out = -1 if rank is None else rank[2]

    def _explanation(self, place: int) -> str:
        """Name of a present alarm of which this one is a consequence, or ""."""
        m, wiring = self.memory, self._wiring[place]
        if place == m.first_out:
            return ""
        for other in _places(self.present & wiring.by_alarm):
            return self.rules[other].id
        for other in _places(m.elsewhere & wiring.by_bank):
            return self._bank[other].id
        return ""

    # --- covers --------------------------------------------------------------------------------------

    def _cover(self, out_of_service: bool, now_ms: int) -> None:
        m = self.memory
        if out_of_service != m.out_of_service:
            m.out_of_service = out_of_service
            happening = Happening.OUT_OF_SERVICE if out_of_service else Happening.BACK
            for place, rule in enumerate(self.rules):
                if not rule.in_maintenance:
                    self.tell(place, happening, now_ms)
        for place, shelf in list(m.shelves.items()):
            if now_ms >= shelf.until_ms:
                self.unshelve(place, now_ms, "the time is over")
        for place, wiring in enumerate(self._wiring):
            if wiring.by_condition or wiring.by_alarm or wiring.by_bank:
                self._suppress(place, wiring, now_ms)

    def _suppress(self, place: int, wiring: Wiring, now_ms: int) -> None:
        m, bit = self.memory, 1 << place
        explanation = self._explanation(place) if self.present & bit else ""
        if explanation:
            m.explained_by[place] = explanation
        else:
            m.explained_by.pop(place, None)
        hidden = bool(explanation) or bool(m.slow & wiring.by_condition)
        if hidden is bool(m.suppressed & bit):
            return
        m.suppressed ^= bit
        why = f"because of {explanation}" if explanation else ""
        self.tell(place, Happening.SUPPRESS if hidden else Happening.UNSUPPRESS, now_ms, why)

    def shelve(self, place: int, shelf: Shelf, now_ms: int) -> None:
        """Put an alarm aside; the caller has made sure that its state allows it."""
        self.memory.shelves[place] = shelf
        hours = held_s(now_ms, shelf.until_ms) / HOUR_S
        self.tell(place, Happening.SHELVE, now_ms, f"by {shelf.by} for {hours:g} h: {shelf.reason}")

    def unshelve(self, place: int, now_ms: int, why: str) -> None:
        """Take an alarm back from the shelf."""
        del self.memory.shelves[place]
        self.tell(place, Happening.UNSHELVE, now_ms, why)

    # --- states --------------------------------------------------------------------------------------

    def tell(self, place: int, happening: Happening, now_ms: int, why: str = "") -> Answer | AlarmState:
        """Let the table answer; returns its cell. ``why`` is for the journal."""
        m = self.memory
        before = m.states[place]
        cell = TABLE[before, happening]
        after = self._beneath(place) if cell is Answer.UNCOVER else cell
        if isinstance(after, AlarmState) and after is not before:
            m.states[place], m.since_ms[place] = after, now_ms
            rule = self.rules[place]
            m.sounding = m.sounding or (after is AlarmState.UNACK and rule.priority <= URGENT)
            text = f"{rule.id}: {before.value} > {after.value}" + (f", {why}" if why else "")
            self.events.append(Entry(now_ms, self.unit, "alarm", text))
        return cell

    def _beneath(self, place: int) -> AlarmState:
        m = self.memory
        if m.out_of_service and not self.rules[place].in_maintenance:
            return AlarmState.OOSRV
        if place in m.shelves:
            return AlarmState.SHLVD
        if m.suppressed >> place & 1:
            return AlarmState.DSUPR
        return by_facts(bool(m.stands >> place & 1), bool(m.latched >> place & 1))

    def settle(self) -> None:
        """Sum up: does an urgent alarm stand, and when must this scope be looked at again?"""
        m = self.memory
        m.urgent = any(
            rule.priority <= URGENT and m.states[place] in _CALLING for place, rule in enumerate(self.rules)
        )
        delays = [self._due_ms(place) for place, ms in enumerate(m.timer_ms) if ms != NEVER]
        m.due_ms = min([*delays, *(shelf.until_ms for shelf in m.shelves.values())], default=FAR_MS)


def _places(bits: int) -> list[int]:
    """Places of the bits that are set, lowest first."""
    places = []
    while bits:
        low = bits & -bits
        places.append(low.bit_length() - 1)
        bits ^= low
    return places
