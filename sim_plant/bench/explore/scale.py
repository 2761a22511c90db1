"""Timers scaled to a few scans: the order of those that race is kept, their length is not.

A scan of an exploration lasts one tick. Every timer that runs in the unit's sequence becomes a whole number
of ticks, the smallest that keeps the order: of two timers that run from the same moment (``RACES``) the
longer stays the longer, and equal ones stay equal. The ticks follow from the site's setpoints; nothing is
typed but what races and the least ticks that some timers need to have an inside at all.

Not scaled, because the exploration chooses them freely in every scan: the on-delays of the protections, the
judgement of a loop, the rest of a motor, and what is counted in a rolling hour (see ``base.Presets``).
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise

from controller.settings import Setpoints

TICK_MS = 1000
TICK_S = TICK_MS / 1000.0

CONSTANTS: dict[str, str] = {
    "FEED_PROOF_S": "controller.unit.protections",
    "FEED_LEAK_S": "controller.unit.protections",
    "FLUSH_PROOF_S": "controller.unit.protections",
    "SELECTOR_DEAD_S": "controller.unit.outputs",
    "SUMP_FLUSH_S": "controller.unit.outputs",
    "GOOD_WATER_S": "controller.unit.outputs",
    "ABORT_S": "controller.unit.sequencer",
    "STOP_PAUSE_S": "controller.unit.sequencer",
    "TOO_FAST_S": "controller.unit.sequencer",
}
"""Times of the unit's logic that are no setpoints, and where they stand."""

RACES: dict[str, tuple[str, ...]] = {
    "both valves open": ("FLUSH_PROOF_S", "stop_flush_s", "start_flush_s", "start_flush_max_s"),
    "feed open": ("suction_blank_s", "FEED_PROOF_S"),
    "feed shut": ("flush_tail_s", "FEED_LEAK_S"),
    "flush open": ("flush_lead_s",),
    "in BOOT": ("boot_s", "io_back_s"),
    "in DELAY, the flush valve shut": ("enable_lead_s", "settle_s", "start_slot_wait_s"),
    "in PUMP_START": ("pressure_rise_s",),
    "in PURGE": ("purge_evidence_s", "purge_s"),
    "in QUALITY_FLUSH": ("purge_evidence_s", "quality_flush_s"),
    "in STOPPING": ("coast_s", "SUMP_FLUSH_S", "token_wait_s"),
    "in RETRY_WAIT": ("suction_retry_1_s", "suction_retry_2_s", "suction_retry_3_s", "io_back_s"),
    "selector turned": ("coast_s", "SELECTOR_DEAD_S"),
    "pump on": ("enable_lead_s", "tds_blank_start_s"),
    "purge over": ("tds_blank_purge_s", "purge_retry_s", "purge_interval_s"),
    "good water": ("GOOD_WATER_S",),
    "stop held": ("TOO_FAST_S", "STOP_PAUSE_S", "ABORT_S"),
}
"""Timers that run from the same moment, by what begins there."""

LEAST = {"start_flush_s": 2, "purge_s": 2, "purge_interval_s": 2, "pressure_rise_s": 2}
"""Timers that need an inside: a flush can be cut in the middle, an interval has a half."""

SHORT_S = 9.0
"""A timer below it gets on in a short while, in which longer ones stand still."""

LONG_WAITS = ("suction_retry_1_s", "suction_retry_2_s", "suction_retry_3_s")
"""Waits that are told apart by a count of an hour, which is not explored: all last as long as the first."""

FULL_FLOW_TICKS = 2
"""A flush has its volume after so many ticks of full flow."""
FULL_FLOW_M3H = 2.5


_REAL_S: dict[str, float] = {
    name: getattr(importlib.import_module(module), name) for name, module in CONSTANTS.items()
}
"""As they are while nothing is scaled."""


def real_s(name: str, s: Setpoints) -> float:
    """A timer of the site in seconds, scaled or not at the moment."""
    return _REAL_S[name] if name in _REAL_S else float(getattr(s, name))


def ticks(s: Setpoints) -> dict[str, int]:
    """Every racing timer in ticks: the least that keep the order of each race.

    >>> found = ticks(Setpoints())
    >>> found["FLUSH_PROOF_S"], found["stop_flush_s"], found["start_flush_s"], found["start_flush_max_s"]
    (1, 2, 3, 4)
    """
    races = [tuple(name for name in race if name not in LONG_WAITS[1:]) for race in RACES.values()]
    found = {name: LEAST.get(name, 1) for race in races for name in race}
    while True:
        before = dict(found)
        for race in races:
            ordered = sorted(race, key=lambda name: (real_s(name, s), name))
            for shorter, longer in pairwise(ordered):
                equal = real_s(shorter, s) == real_s(longer, s)
                found[longer] = max(found[longer], found[shorter] + (not equal))
                if equal:
                    found[shorter] = found[longer]
        if found == before:
            break
    return found | dict.fromkeys(LONG_WAITS, found[LONG_WAITS[0]])


def scaled(s: Setpoints) -> Setpoints:
    """The site's setpoints with every racing timer in ticks; out of their ranges, for exploring only."""
    times = {name: count * TICK_S for name, count in ticks(s).items() if name not in CONSTANTS}
    full_l = FULL_FLOW_TICKS * FULL_FLOW_M3H * TICK_S / 3.6
    volumes = {
        name: full_l if getattr(s, name) > 0 else 0.0
        for name in ("start_flush_volume_l", "stop_flush_volume_l")
    }
    counted = {"suction_retries": min(s.suction_retries, 1), "io_retries": min(s.io_retries, 1)}
    return Setpoints.model_construct(**(s.model_dump() | times | volumes | counted))


def short(s: Setpoints, *names: str) -> int:
    """The ticks of the longest of these timers that is short; 0 when none is."""
    found = ticks(s)
    return max((found[name] for name in names if real_s(name, s) < SHORT_S), default=0)


@contextmanager
def scaled_constants(s: Setpoints) -> Iterator[None]:
    """The constants of the unit's logic in ticks, and the clear times of its causes as one tick each."""
    from controller.unit.protections import CLEAR_S

    found = ticks(s)
    modules = {name: importlib.import_module(module) for name, module in CONSTANTS.items()}
    before = {name: getattr(module, name) for name, module in modules.items()}
    clear_s = dict(CLEAR_S)
    try:
        for name, module in modules.items():
            setattr(module, name, found[name] * TICK_S)
        CLEAR_S.update({event: TICK_S if needed_s else 0.0 for event, needed_s in clear_s.items()})
        yield
    finally:
        for name, module in modules.items():
            setattr(module, name, before[name])
        CLEAR_S.update(clear_s)
