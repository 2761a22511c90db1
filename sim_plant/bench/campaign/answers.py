"""What answered a fault first, and how fast, seen from the outside against an undisturbed run.

Both runs start from the same prepared state, so until the strike they are the same. The watchdog pulse goes
with every half second and says nothing. A control loop that makes up for a fault hides when the logic
notices it, so an analogue output is named only when no contact answers, and once it is off by 1 % of its
16 mA (chosen here: a loop follows every ripple of its measurement).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from sim_plant.bench.monitors.comparing import PULSES
from sim_plant.bench.trace import BANK_AO, BANK_DO, UNIT_DO, Bools, Floats, Trace
from sim_plant.bench.verdicts import Finding

MOVED_MA = 0.16
RESIDUAL = ("F09", "F20", "F39", "F63", "F91")
"""Lines that inputs and outputs alone cannot catch; routine checks cover them (narrative 6)."""

# of several outputs that differ in one scan the first of these is named
_UNIT_ORDER = ("pump", "feed_valve", "flush_valve", "enable", "divert", "beacon")
_BANK_ORDER = ("booster_run", "dosing_run", "alarm_relay", "horn")
assert set(_UNIT_ORDER) == set(UNIT_DO)
assert set(_BANK_ORDER) == set(BANK_DO) - set(PULSES)


class Answer(NamedTuple):
    """What differed first, and so long after the strike."""

    what: str
    after_ms: int


@dataclass(frozen=True)
class Reference:
    """The undisturbed run from the strike on: outputs, alarm lines, how often each requirement triggered."""

    unit_do: Bools
    bank_do: Bools
    bank_ao: Floats
    alarms: Counter[tuple[int, int, str]]
    triggers: dict[str, int]


def reference_of(trace: Trace, strike_ms: int, findings: Sequence[Finding]) -> Reference:
    """What of an undisturbed run must be kept; ``findings`` count triggers from the strike on."""
    first = _row(trace, strike_ms)
    return Reference(
        trace.unit_do[first:].copy(),
        trace.bank_do[first:].copy(),
        trace.bank_ao[first:].copy(),
        _alarms(trace, strike_ms),
        {finding.name: finding.triggers for finding in findings},
    )


def first_output(trace: Trace, reference: Reference, strike_ms: int, units: Sequence[int]) -> Answer | None:
    """The first scan in which an output of these units or of the bank differs; None when none does."""
    first = _row(trace, strike_ms)
    n = min(len(trace.t_ms) - first, len(reference.unit_do))
    rows = slice(first, first + n)
    seen: list[tuple[int, str]] = []
    for unit in units:
        for name in _UNIT_ORDER:
            at = (slice(None), unit - 1, UNIT_DO.index(name))
            who = name if len(units) == 1 else f"unit {unit} {name}"
            seen += _contact(who, trace.unit_do[rows][at], reference.unit_do[:n][at])
    for name in _BANK_ORDER:
        column = BANK_DO.index(name)
        seen += _contact(f"bank {name}", trace.bank_do[rows, column], reference.bank_do[:n, column])
    for column, name in enumerate(BANK_AO if not seen else ()):
        seen += _loop(f"bank {name}", trace.bank_ao[rows, column], reference.bank_ao[:n, column])
    if not seen:
        return None
    row, what = min(seen, key=lambda one: one[0])
    return Answer(what, int(trace.t_ms[first + row]) - strike_ms)


def first_alarm(trace: Trace, reference: Reference, strike_ms: int) -> Answer | None:
    """The first alarm line of the journal that the undisturbed run does not have; None without one."""
    more = _alarms(trace, strike_ms) - reference.alarms
    if not more:
        return None
    t_ms, unit, text = min(more)
    return Answer(f"{f'unit {unit}' if unit else 'bank'}: {text}", t_ms - strike_ms)


def _alarms(trace: Trace, from_ms: int) -> Counter[tuple[int, int, str]]:
    lines = trace.journal or []
    return Counter((e.t_ms, e.unit, e.text) for e in lines if e.kind == "alarm" and e.t_ms >= from_ms)


def _row(trace: Trace, t_ms: int) -> int:
    return int(np.searchsorted(trace.t_ms, t_ms))


def _contact(name: str, here: Bools, there: Bools) -> list[tuple[int, str]]:
    rows = np.flatnonzero(here != there)
    return [(int(rows[0]), f"{name} {'on' if here[rows[0]] else 'off'}")] if len(rows) else []


def _loop(name: str, here: Floats, there: Floats) -> list[tuple[int, str]]:
    rows = np.flatnonzero(np.abs(here - there) >= MOVED_MA)
    if not len(rows):
        return []
    row = int(rows[0])
    return [(row, f"{name.removesuffix('_ma')} {'up' if here[row] > there[row] else 'down'}")]
