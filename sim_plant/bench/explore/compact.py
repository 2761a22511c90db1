"""A unit's memory as a short string of bytes: what it does next depends on nothing that is left out.

Two memories with the same bytes behave alike from now on (``tests/bench/explore`` holds this against random
futures). Left out, or made equal:

- a moment counts by its age in ticks, up to the longest time that anything asks of it;
- what is not looked at in the present state, because it is written before it is read again (``live``);
- what only a display or the bank looks at: run time, number of starts, a place in a queue, the journal's
  marks;
- what the exploration chooses freely in every scan: on-delays, loops, the counts of an hour but for one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.unit.memory import UnitMemory
from controller.unit.protections import CLEAR_S, RULES
from controller.unit.states import PUMPING, RESTING, STATES, Answer, Event, Trip, UnitState
from controller.unit.table import CELLS
from sim_plant.bench.explore.base import NOW_MS, REFERENCE_BAR, Passed
from sim_plant.bench.explore.scale import TICK_MS, short, ticks

S = UnitState
_ALL = frozenset(S)
_STOPS = frozenset({S.STOP_FLUSH, S.STOPPING})
_PUMP_FLUSHES = frozenset({S.PURGE, S.QUALITY_FLUSH})
_RUN = PUMPING - {S.PUMP_START}
_FILLED = PUMPING | {S.DELAY}


LATCHES: tuple[Event | None, ...] = (None, *Event)
Get = Callable[[UnitMemory], int]
Put = Callable[[UnitMemory, int, Passed], None]
"""Memory, byte, what passes before the memory is scanned again."""


@dataclass(frozen=True)
class Field:
    """One byte: how it is taken from a memory and put into one, and in which states it is looked at."""

    name: str
    get: Get
    put: Put
    live: frozenset[UnitState] = _ALL


def _flag(name: str, live: frozenset[UnitState] = _ALL) -> Field:
    def put(m: UnitMemory, code: int, _passed: Passed) -> None:
        setattr(m, name, bool(code))

    return Field(name, lambda m: int(getattr(m, name)), put, live)


def _gets_on(code: int, passed: Passed, short: int) -> bool:
    """Does a timer get on? Its age is one less than its byte, its last short limit at ``short`` ticks."""
    return passed is Passed.TICK or (passed is Passed.SHORT and code <= short)


def _age(name: str, cap: int, live: frozenset[UnitState] = _ALL, short: int = 0) -> Field:
    """0 for NEVER, else the age in ticks and one."""

    def get(m: UnitMemory) -> int:
        since_ms = getattr(m, name)
        return 0 if since_ms == NEVER else min((NOW_MS - since_ms) // TICK_MS, cap) + 1

    def put(m: UnitMemory, code: int, passed: Passed) -> None:
        age = code - 1 + _gets_on(code, passed, short)
        setattr(m, name, NOW_MS - age * TICK_MS if code else NEVER)

    return Field(name, get, put, live)


def _in_state(s: Setpoints, t: dict[str, int]) -> Field:
    """Since when the unit is in its state, up to what that state asks for."""
    shorts = {
        S.BOOT: short(s, "boot_s"),
        S.DELAY: short(s, "settle_s"),
        S.PUMP_START: short(s, "pressure_rise_s"),
        S.PURGE: short(s, "purge_evidence_s", "purge_s"),
        S.QUALITY_FLUSH: short(s, "purge_evidence_s", "quality_flush_s"),
        S.STOPPING: short(s, "coast_s", "SUMP_FLUSH_S", "token_wait_s") + 1,
        S.STOP_FLUSH: short(s, "SUMP_FLUSH_S") + 1,
        S.RETRY_WAIT: short(s, "suction_retry_1_s", "io_back_s"),
    }
    caps = {
        S.BOOT: t["boot_s"],
        S.DELAY: t["settle_s"] + t["start_slot_wait_s"],
        S.PUMP_START: t["pressure_rise_s"],
        S.PURGE: max(t["purge_s"], t["purge_evidence_s"] + 1),
        S.QUALITY_FLUSH: max(t["quality_flush_s"], t["purge_evidence_s"] + 1),
        S.STOPPING: max(t["token_wait_s"], t["coast_s"], t["SUMP_FLUSH_S"] + 1),
        S.STOP_FLUSH: t["SUMP_FLUSH_S"] + 1,
        S.RETRY_WAIT: max(t["suction_retry_1_s"], t["io_back_s"]),
    }

    def get(m: UnitMemory) -> int:
        return min((NOW_MS - m.entered_ms) // TICK_MS, caps[m.state]) + 1

    def put(m: UnitMemory, code: int, passed: Passed) -> None:
        age = code - 1 + _gets_on(code, passed, shorts.get(m.state, 0))
        m.entered_ms = NOW_MS - age * TICK_MS

    return Field("entered_ms", get, put, frozenset(caps))


def _one_of(name: str, words: tuple[Any, ...], live: frozenset[UnitState] = _ALL) -> Field:
    code_of = {word: code for code, word in enumerate(words)}

    def put(m: UnitMemory, code: int, _passed: Passed) -> None:
        setattr(m, name, words[code])

    return Field(name, lambda m: code_of[getattr(m, name)], put, live)


def _alike() -> dict[Event, Event]:
    """Causes of a lockout by the one that stands for all that behave alike.

    Which cause is latched matters in LOCKOUT only: how long it must be gone (here a tick, or not at all), and
    whether something there can show that it stands. A welded contactor is also met as an event of its own.
    """
    shows = {rule.event for rule in RULES if CELLS[S.LOCKOUT, rule.event] is not Answer.IGNORE}
    first: dict[tuple[bool, bool, bool], Event] = {}
    return {
        event: first.setdefault((bool(CLEAR_S.get(event)), event in shows, event is Event.PUMP_WELDED), event)
        for event in _LATCHED_FIRST
    }


_LATCHED_FIRST = (Event.MOTOR_PROTECTOR, Event.SUCTION_SENSOR_BAD, Event.PUMP_NOT_PROVEN, *Event)
"""One that a person can bring about simply, or that nothing shows in LOCKOUT, stands for its like."""


def _latched() -> Field:
    alike = _alike()
    code_of = {word: LATCHES.index(alike[word] if word else None) for word in LATCHES}

    def put(m: UnitMemory, code: int, _passed: Passed) -> None:
        m.latched = LATCHES[code]

    return Field("latched", lambda m: code_of[m.latched], put)


def _selector(cap: int, short: int) -> Field:
    """Since when the selector is away, and so whether it was in AUTO; at rest its age means nothing."""
    age = _age("selector_off_ms", cap, short=short)

    def get(m: UnitMemory) -> int:
        code = age.get(m)
        return cap + 1 if code and m.state in RESTING else code

    def put(m: UnitMemory, code: int, passed: Passed) -> None:
        age.put(m, code, passed)
        m.was_auto = not code

    return Field("selector_off_ms", get, put)


def _feed_off(cap: int, short: int) -> Field:
    """Since when the feed valve is let go; one that was not opened yet was let go long ago."""
    age = _age("feed_off_ms", cap, short=short)

    def get(m: UnitMemory) -> int:
        return cap + 1 if m.feed_ms == m.feed_off_ms == NEVER else age.get(m)

    return Field("feed_off_ms", get, age.put, _STOPS)


def _flush_on(cap: int, short: int) -> Field:
    """Since when the flush valve is driven. With the pump on the feed is open, and nobody asks how long."""
    age = _age("flush_ms", cap, short=short)

    def get(m: UnitMemory) -> int:
        code = age.get(m)
        return cap + 1 if code and m.state in PUMPING else code

    return Field("flush_ms", get, age.put)


def _fresh(boot: int, back: int, short: int) -> Field:
    """Since when the image is fresh. Once a link counts as back, that it is fresh is all that matters.

    BOOT and RETRY_WAIT ask for how long; none of them is entered sooner after a short gap than it waits.
    """
    cap = max(boot, back)
    age = _age("io_fresh_ms", cap, short=short)

    def get(m: UnitMemory) -> int:
        code = age.get(m)
        if not code or m.link_lost or m.state is S.RETRY_WAIT:
            return code
        return code if m.state is S.BOOT and code <= boot else cap + 1

    def put(m: UnitMemory, code: int, passed: Passed) -> None:
        age.put(m, code, passed)
        m.io_stale_ms = NEVER if code else NOW_MS - 2 * TICK_MS

    return Field("io_fresh_ms", get, put)


def _get_lost(m: UnitMemory) -> int:
    """Losses of I/O counted before, and whether the one that is on has been counted.

    While a cause is latched the count means nothing: the reset that ends it sets it back.
    """
    if not m.io_lost_ms or m.latched is not None:
        return 0
    counted = m.io_lost_ms[-1] >= m.io_stale_ms != NEVER
    return 2 * min(len(m.io_lost_ms) - counted, 1) + counted


def _put_lost(m: UnitMemory, code: int, _passed: Passed) -> None:
    before, counted = divmod(code, 2)
    m.io_lost_ms = [NOW_MS - 10 * TICK_MS] * before + [NOW_MS - TICK_MS] * counted


def _put_flushes_due(m: UnitMemory, code: int, _passed: Passed) -> None:
    m.start_flushes_due = 1 + code


def _put_reference(m: UnitMemory, code: int, _passed: Passed) -> None:
    m.reference_bar = REFERENCE_BAR if code else 0.0


CARRIED = (
    "trip",
    "target",
    "flush_owed",
    "latched",
    "stopped",
    "in_maintenance",
    "start_flushes_due",
    "estopped",
    "lost_memory",
)
"""What is carried along for long and asked for seldom; the last bytes of a memory."""

CONFIRMING: dict[UnitState, tuple[Event, ...]] = {
    S.LOCKOUT: (Event.PUMP_WELDED,),
    S.OFF: (Event.IO_LOST,),
    S.MAINTENANCE: (Event.IO_LOST,),
}
"""Events that move a state to itself and act once: here it counts whether they stood before.

The others of that kind do nothing that has not been done already.
"""


def layout(s: Setpoints) -> tuple[Field, ...]:
    """All bytes of a memory, for the timers of a site; what is carried comes last."""
    found = {field.name: field for field in _fields(s, ticks(s))}
    carried = [found.pop(name) for name in CARRIED]
    return (*found.values(), *carried)


def _fields(s: Setpoints, t: dict[str, int]) -> tuple[Field, ...]:
    return (
        _in_state(s, t),
        _one_of("trip", tuple(Trip), frozenset({S.STOPPING})),
        _one_of("target", STATES, _STOPS),
        _flag("flush_owed"),
        _latched(),
        _flag("stopped"),
        _flag("in_maintenance"),
        Field("start_flushes_due", lambda m: int(m.start_flushes_due > 1), _put_flushes_due),
        _flag("estopped"),
        _flag("lost_memory"),
        Field("scanned_ms", lambda m: int(m.scanned_ms != NEVER), _put_scanned),
        _age("feed_ms", max(t["suction_blank_s"], t["FEED_PROOF_S"])),
        _feed_off(t["flush_tail_s"], short(s, "flush_tail_s")),
        _flush_on(t["flush_lead_s"], short(s, "flush_lead_s")),
        _age("both_ms", max(t["start_flush_max_s"] + 1, t["FLUSH_PROOF_S"], t["stop_flush_s"])),
        _age("pump_ms", t["tds_blank_start_s"], PUMPING),
        _age("enable_ms", t["enable_lead_s"], PUMPING, short(s, "enable_lead_s")),
        _flag("closing", _STOPS),
        _flag("flush_complete", _FILLED),
        _age("purge_from_ms", 2 * t["purge_interval_s"], _RUN),
        Field("reference_bar", lambda m: int(m.reference_bar > 0.0), _put_reference, _RUN),
        _flag("evidence", _PUMP_FLUSHES),
        _age("flushed_on_ms", t["tds_blank_purge_s"], _RUN),
        Field("io_lost_ms", _get_lost, _put_lost),
        _selector(t["SELECTOR_DEAD_S"] + 1, short(s, "coast_s", "SELECTOR_DEAD_S") + 1),
        _fresh(t["boot_s"], t["io_back_s"], short(s, "boot_s", "io_back_s")),
        _flag("link_lost"),
    )


def _put_scanned(m: UnitMemory, code: int, _passed: Passed) -> None:
    """A scan adds nothing to volume and hours, which are chosen or not looked at."""
    m.scanned_ms = NOW_MS if code else NEVER


class Codec:
    """Memory to bytes and back; one memory is used again and again."""

    def __init__(self, s: Setpoints) -> None:
        self.fields = layout(s)
        self._latched = next(p for p, f in enumerate(self.fields, start=2) if f.name == "latched")
        self.core_bytes = 2 + len(self.fields) - len(CARRIED)
        """What is not carried comes first."""
        every = {state: tuple(f.get if state in f.live else None for f in self.fields) for state in STATES}
        self._get_core = {state: gets[: -len(CARRIED)] for state, gets in every.items()}
        self._get_carried = {state: gets[-len(CARRIED) :] for state, gets in every.items()}
        self.carried_in = {state: tuple(map(bool, gets)) for state, gets in self._get_carried.items()}
        """Which of what is carried is looked at in a state at all."""
        self._state_of = dict(enumerate(STATES))
        self._code_of = {state: code for code, state in self._state_of.items()}

    def latched(self, code: bytes) -> Event | None:
        """The cause that a memory has latched."""
        return LATCHES[code[self._latched]]

    def encode(self, m: UnitMemory) -> bytes:
        """The memory right after a scan at NOW_MS."""
        return self.encode_core(m) + self.encode_carried(m)

    def encode_core(self, m: UnitMemory) -> bytes:
        """All but what is carried."""
        state = m.state
        codes = [self._code_of[state], _flags(m)]
        codes += [0 if get is None else get(m) for get in self._get_core[state]]
        return bytes(codes)

    def encode_carried(self, m: UnitMemory) -> bytes:
        """What is carried, in the order of CARRIED."""
        return bytes([0 if get is None else get(m) for get in self._get_carried[m.state]])

    def decode(self, code: bytes, m: UnitMemory, passed: Passed = Passed.TICK) -> None:
        """Put a memory right before the scan at NOW_MS, after what has passed since it was encoded.

        What the bytes do not hold must be as ``fresh`` made it.
        """
        state = self._state_of[code[0]]
        m.state = state
        m.active = _mask(code[1], state)
        for byte, f in zip(code[2:], self.fields, strict=True):
            f.put(m, byte, passed)


def _flags(m: UnitMemory) -> int:
    """Which of the events that act once stood in the last scan."""
    events = CONFIRMING.get(m.state, ())
    if not events or (m.state is not S.LOCKOUT and m.latched is not None):
        return 0  # see _get_lost
    return sum(1 << place for place, event in enumerate(events) if m.active >> event & 1)


def _mask(flags: int, state: UnitState) -> int:
    events = CONFIRMING.get(state, ())
    return sum(1 << event for place, event in enumerate(events) if flags >> place & 1)
