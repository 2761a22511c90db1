"""Requirements that compare a run with the same run undisturbed.

Both traces are equal up to the disturbance, so what differs after it comes of it. The bench's marks tell what
it was: those that the reference does not have. Edges of an output are paired in their order.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from controller.signals import Verb
from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.observed import UNIT_OUTPUTS, Observed
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ms
from sim_plant.bench.trace import BANK_DO, UNIT_DO, Ints, Mark, Trace

CLOCK_S = 0.2  # stated by SR-44
PULSES = ("watchdog",)  # goes with every half second, says nothing
NO_REFERENCE = "no run without the disturbance was made to compare with"


def clock_step_moves_nothing(obs: Observed) -> Tally:
    """SR-44."""
    tally = obs.tally(f"no output edge moves by more than {CLOCK_S:g} s", runs=2)
    stepped = _disturbance(obs, tally)
    if stepped and all(mark.what == "clock" for mark in stepped):
        _all_outputs(obs, tally, stepped, ms(CLOCK_S))
    return tally


def others_keep_their_times(obs: Observed) -> Tally:
    """SR-48."""
    lease_s = obs.setpoints.token_lease_s
    tally = obs.tally(
        f"output edges of other units move by no more than {lease_s:g} s, a slot's lease", runs=2
    )
    done = _disturbance(obs, tally)
    hit = {mark.unit for mark in done}
    if len(hit) != 1 or 0 in hit:
        return tally
    for unit in obs.units:
        if unit not in hit:
            for name in UNIT_OUTPUTS:
                _compare(obs, tally, done[0].t_ms, name, unit, ms(lease_s))
            tally.held(done[0].t_ms, unit)
    return tally


def acknowledge_moves_nothing(obs: Observed) -> Tally:
    """SR-57."""
    tally = obs.tally("every output as in the run without it", runs=2)
    told = _disturbance(obs, tally)
    if told and all(mark.what == "command" and mark.text == Verb.ACKNOWLEDGE for mark in told):
        _all_outputs(obs, tally, told, 0)
    return tally


def _all_outputs(obs: Observed, tally: Tally, marks: list[Mark], limit_ms: int) -> None:
    for unit in obs.units:
        for name in UNIT_DO:
            _compare(obs, tally, marks[0].t_ms, name, unit, limit_ms)
    for name in BANK_DO:
        if name not in PULSES:
            _compare(obs, tally, marks[0].t_ms, name, 0, limit_ms)
    for mark in marks:
        tally.held(mark.t_ms, mark.unit)


def _disturbance(obs: Observed, tally: Tally) -> list[Mark]:
    """What was done in this run and not in the reference, in order of time."""
    if obs.context.reference is None:
        tally.silent(NO_REFERENCE)
        return []
    more = Counter(obs.trace.marks)
    more.subtract(Counter(obs.context.reference.marks))
    return sorted(mark for mark, times in more.items() if times > 0)


def _compare(obs: Observed, tally: Tally, from_ms: int, name: str, unit: int, limit_ms: int) -> None:
    """Each edge of one output beside its fellow in the reference."""
    assert obs.context.reference is not None
    other = obs.context.reference
    end_ms = min(int(obs.t[-1]), int(other.t_ms[-1]))
    for rising in (True, False):
        seen = _edges_ms(obs.trace, name, unit, from_ms, rising)
        expected = _edges_ms(other, name, unit, from_ms, rising)
        for here_ms, there_ms in zip(seen.tolist(), expected.tolist(), strict=False):
            moved_ms = abs(here_ms - there_ms)
            if moved_ms:
                text = f"{name} {'on' if rising else 'off'} moved by {moved_ms / 1000:.1f} s"
                tally.timed(min(here_ms, there_ms), unit, limit_ms - moved_ms, text, trigger=False)
        # an edge without a fellow is one that was lost or made, unless the other may still come
        surplus = max(seen, expected, key=len)[min(len(seen), len(expected)) :]
        for at_ms in surplus.tolist():
            if at_ms + limit_ms <= end_ms:
                text = f"{name} {'on' if rising else 'off'} in only one of the two runs"
                tally.broken(at_ms, unit, text, trigger=False)


def _edges_ms(trace: Trace, name: str, unit: int, from_ms: int, rising: bool) -> Ints:
    """Times of an output's edges from a moment on."""
    column = np.asarray(trace.unit(name, unit) if unit else trace.bank(name), np.bool_)
    rows = forms.rises(column) if rising else forms.falls(column)
    times = trace.t_ms[rows]
    return times[times >= from_ms]


RULES = (
    Requirement(
        "SR-44",
        "A step of the wall clock moves no output by more than 0.2 s against the same run without it.",
        "invariant",
        ("scaling and fouling", "loss of availability"),
        (),
        clock_step_moves_nothing,
    ),
    Requirement(
        "SR-48",
        "A unit that is silent, locked out or in maintenance moves the outputs of the others by no more than "
        "the lease of a flush slot, the longest flush of {start_flush_max_s:g} s and 10 s, against the same "
        "run without it.",
        "invariant",
        ("loss of availability",),
        ("start_flush_max_s",),
        others_keep_their_times,
    ),
    Requirement(
        "SR-57",
        "Acknowledging alarms moves no output against the same run without it.",
        "invariant",
        ("stored pressure, unexpected start",),
        (),
        acknowledge_moves_nothing,
    ),
)
