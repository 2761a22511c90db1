"""The same look at an explored memory and at one of the firmware in full time: which limits each timer has
passed.

A timer's *region* is how many of its limits lie behind it: 0 when it does not run, 1 before the first.
Regions say all that the sequence can do next, and ticks and seconds have them in common. The test of the
abstraction rests on that: every memory of a run in full time must have the regions of some state that was
explored (``tests/bench/explore/test_full_time.py``).
"""

from __future__ import annotations

from collections.abc import Mapping

from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.unit.memory import UnitMemory
from controller.unit.states import PUMPING, STATES, UnitState
from sim_plant.bench.explore.compact import CARRIED, Codec, Field
from sim_plant.bench.explore.scale import real_s, ticks

S = UnitState
Limits = tuple[str, ...]

IN_STATE: dict[UnitState, Limits] = {
    S.BOOT: ("boot_s",),
    S.DELAY: ("settle_s", "settle_s + start_slot_wait_s"),
    S.PUMP_START: ("pressure_rise_s",),
    S.PURGE: ("purge_evidence_s", "purge_s"),
    S.QUALITY_FLUSH: ("purge_evidence_s", "quality_flush_s"),
    S.STOPPING: ("coast_s", "token_wait_s"),
}
"""What is asked of the time in a state. A sump that is full is asked with the valves, see ``TIMERS``."""

TIMERS: dict[str, Limits] = {
    "feed_off_ms": ("flush_tail_s",),
    "feed_ms": ("suction_blank_s",),
    "flush_ms": ("flush_lead_s",),
    "both_ms": ("FLUSH_PROOF_S", "stop_flush_s", "start_flush_s", "start_flush_max_s"),
    "pump_ms": ("tds_blank_start_s",),
    "enable_ms": ("enable_lead_s",),
    "purge_from_ms": ("purge_interval_s",),
    "flushed_on_ms": ("tds_blank_purge_s",),
}
"""What is asked of every other timer."""

WATCHED = (
    *CARRIED,
    "closing",
    "flush_complete",
    "reference_bar",
    "evidence",
    "link_lost",
)
"""Everything that is no timer is looked at as it is encoded."""


class Regions:
    """Looks at memories of one site."""

    def __init__(self, site: Setpoints, codec: Codec) -> None:
        t = ticks(site)
        self._fields: dict[str, Field] = {field.name: field for field in codec.fields}
        self._place = {field.name: place for place, field in enumerate(codec.fields, start=2)}
        self._timers = {state: _timers(state) for state in STATES}
        limits = {name for timers in self._timers.values() for found in timers.values() for name in found}
        self._ticks = {name: sum(t[part] for part in name.split(" + ")) for name in limits}
        self._seconds = {name: sum(real_s(part, site) for part in name.split(" + ")) for name in limits}

    def of_code(self, code: bytes) -> bytes:
        """The regions of an explored memory (the memory's part of a state)."""
        found = [code[0]]
        for name, limits in self._timers[STATES[code[0]]].items():
            byte = code[self._place[name]]
            found.append(_region(byte - 1, limits, self._ticks) if byte else 0)
        found += [code[self._place[name]] for name in WATCHED]
        return bytes(found)

    def of_memory(self, m: UnitMemory, now_ms: int) -> bytes:
        """The regions of a firmware's memory right after its scan at ``now_ms``."""
        found = [STATES.index(m.state)]
        for name, limits in self._timers[m.state].items():
            since_ms = getattr(m, name)
            if m.state not in self._fields[name].live:
                found.append(0)
            elif name == "flush_ms" and m.state in PUMPING and since_ms != NEVER:
                found.append(1 + len(limits))  # nobody asks how long
            elif name == "feed_off_ms" and m.feed_ms == since_ms == NEVER:
                found.append(1 + len(limits))  # not opened yet: let go long ago
            elif since_ms == NEVER:
                found.append(0)
            else:
                found.append(_region((now_ms - since_ms) / 1000.0, limits, self._seconds))
        for name in WATCHED:
            field = self._fields[name]
            found.append(field.get(m) if m.state in field.live else 0)
        return bytes(found)

    def told(self, regions: bytes) -> dict[str, object]:
        """In words, for a message."""
        state = STATES[regions[0]]
        names = (*self._timers[state], *WATCHED)
        return {"state": state.value} | {n: c for n, c in zip(names, regions[1:], strict=True) if c}


def _timers(state: UnitState) -> dict[str, Limits]:
    return {"entered_ms": IN_STATE[state]} | TIMERS if state in IN_STATE else TIMERS


def _region(age: float, limits: Limits, value_of: Mapping[str, float]) -> int:
    return 1 + sum(age >= value_of[limit] for limit in limits)
