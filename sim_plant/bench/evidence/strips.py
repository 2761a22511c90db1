"""Strips: what a unit was doing over time, as segments with a code, a word and a look.

A look is a name that the style sheet of the picture knows. Normal states are greys and hatches that survive a
black and white printer; only abnormal ones have a colour, and each carries its two letters as well.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim_plant.bench.trace import Trace


class Look(NamedTuple):
    """Two letters, the word they stand for, and how the segment is filled."""

    code: str
    word: str
    fill: str


class Segment(NamedTuple):
    """Rows ``first`` to before ``end`` with one look."""

    first: int
    end: int
    look: Look


_STATES = {
    "BOOT": Look("BT", "boot", "dots"),
    "OFF": Look("OF", "off", "rest"),
    "MAINTENANCE": Look("MT", "maintenance", "dots"),
    "STANDBY": Look("SB", "standby", "rest"),
    "WAIT_PERMIT": Look("WP", "wait for permit", "rest"),
    "START_FLUSH": Look("SF", "start flush", "flush"),
    "DELAY": Look("DL", "delay", "pale"),
    "PUMP_START": Look("PS", "pump start", "dark"),
    "PRODUCE": Look("PR", "produce", "mid"),
    "PURGE": Look("PG", "purge", "purge"),
    "QUALITY_FLUSH": Look("QF", "quality flush", "quality"),
    "STOP_FLUSH": Look("XF", "stop flush", "flush"),
    "STOPPING": Look("ST", "stopping", "pale"),
    "RETRY_WAIT": Look("RW", "retry wait", "warn"),
    "LOCKOUT": Look("LO", "lockout", "alarm"),
    "ESTOP": Look("ES", "E-stop", "stop"),
}
STATE_ORDER: tuple[str, ...] = tuple(_STATES)
NO_STATE = Look("?", "no state reported", "dots")

# feed, flush and pump outputs as bits 4, 2, 1
_ACTS = (
    Look("re", "resting", "rest"),
    Look("p!", "pump on, feed shut", "alarm"),
    Look("fv", "flush valve only", "pale"),
    Look("p!", "pump on, feed shut", "alarm"),
    Look("se", "settling", "pale"),
    Look("pr", "producing", "mid"),
    Look("fl", "flushing", "flush"),
    Look("pg", "purge", "purge"),
)


def look_of(state: str) -> Look:
    """Look of a state by its name; a name of a stranger's program gets its initials and a plain fill.

    >>> look_of("LOCKOUT").code, look_of("FILTER_CHANGE").code
    ('LO', 'FC')
    """
    if state in _STATES:
        return _STATES[state]
    words = state.replace("_", " ").split()
    code = "".join(word[0] for word in words)[:2] if len(words) > 1 else state[:2]
    return Look(code.upper() or "?", " ".join(words).lower() or "no name", "pale")


def unit_strip(trace: Trace, unit: int, rows: slice) -> list[Segment]:
    """What the unit did in these rows: its reported states, or its outputs where it reports none at all."""
    codes = trace.unit_state[rows, unit - 1]
    if (trace.unit_state >= 0).any():
        looks = [*(look_of(name) for name in trace.state_names), NO_STATE]  # -1 is the last one
        return _segments(codes, looks, rows.start)
    feed, flush, pump = (trace.unit(name, unit)[rows] for name in ("feed_valve", "flush_valve", "pump"))
    return _segments(feed * 4 + flush * 2 + pump * 1, list(_ACTS), rows.start)


def tells_states(trace: Trace) -> bool:
    """Whether the target reported a state of any unit at any time."""
    return bool((trace.unit_state >= 0).any())


def on_times(contact: NDArray[Any], rows: slice) -> list[tuple[int, int]]:
    """First and end row of each stretch in which the contact was closed."""
    on = Look("", "on", "on")
    return [
        (s.first, s.end)
        for s in _segments(contact[rows].astype(int), [NO_STATE, on], rows.start)
        if s.look is on
    ]


def _segments(codes: NDArray[Any], looks: list[Look], offset: int) -> list[Segment]:
    if len(codes) == 0:
        return []
    edges = np.flatnonzero(np.diff(codes)) + 1
    starts = np.concatenate([[0], edges]).astype(int)
    ends = np.concatenate([edges, [len(codes)]]).astype(int)
    return [
        Segment(int(a) + offset, int(b) + offset, looks[int(codes[a])])
        for a, b in zip(starts, ends, strict=True)
    ]
