"""Requirements on images that have stopped changing: of one unit, and of what the units share."""

from __future__ import annotations

import itertools

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.observed import UNIT_OUTPUTS, Observed
from sim_plant.bench.monitors.reactions import answers
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ms, reaction_ms, shortest_ms
from sim_plant.bench.trace import Bools

HEARTBEAT_S, HEARTBEAT_ANSWER_S = 5.0, 1.0  # stated by SR-47: 5 s lost, pumps off within 6 s
HEARTBEAT_BACK_S = 30.0  # stated by SR-47


def stale_is_bad(obs: Observed) -> Tally:
    """SR-46."""
    limit_s = obs.setpoints.io_stale_s
    tally = obs.tally(f"nothing driven on an image older than {limit_s:g} s, half a second more to let go")
    for unit in obs.units:
        stale = obs.older(limit_s, unit)
        for name in UNIT_OUTPUTS:
            output = obs.on(name, unit)
            answers(obs, tally, unit, stale, output, 0.0, what=f"{name} 0 after")
            _none_rises(obs, tally, unit, stale, name)
        _none_rises(obs, tally, unit, obs.older(limit_s), "pump")
    shared = obs.older(limit_s)
    answers(obs, tally, 0, shared, obs.on("alarm_relay"), 0.0, what="alarm relay dropped after")
    return tally


def _none_rises(obs: Observed, tally: Tally, unit: int, stale: Bools, name: str) -> None:
    """Nothing comes on once the target has had its time to notice."""
    noticed = forms.held(obs.t, stale, reaction_ms(0.0, obs.scan_ms))
    for row in obs.rises(name, unit).tolist():
        if noticed[row]:
            tally.broken(int(obs.t[row]), unit, f"{name} on by an image that had stopped changing")


def heartbeat_lost(obs: Observed) -> Tally:
    """SR-47."""
    tally = obs.tally(
        f"pumps 0 within {HEARTBEAT_S + HEARTBEAT_ANSWER_S:g} s, flushes one after another, "
        f"no start until back {HEARTBEAT_BACK_S:g} s"
    )
    aging = np.asarray((obs.age_ms() > 0) & obs.powered)
    for second, end in forms.spans(aging):
        start = max(second - 1, 0)  # the last change was seen with an age of 0
        if forms.length_ms(obs.t, (start, end)) < ms(HEARTBEAT_S):
            continue
        lost = np.zeros(obs.n, np.bool_)
        lost[start:end] = True
        for unit in obs.units:
            pump = obs.on("pump", unit)
            what = "pump 0 after"
            answers(obs, tally, unit, lost, pump, HEARTBEAT_S, allowance_s=HEARTBEAT_ANSWER_S, what=what)
            _waits(obs, tally, unit, start, end)
        _flushes_apart(obs, tally, start, end)
    return tally


def _waits(obs: Observed, tally: Tally, unit: int, lost: int, back: int) -> None:
    """The flush that leads to the next pump start begins late enough after the return."""
    pump = forms.next_row(obs.rises("pump", unit), lost)
    if pump is None:
        return
    feed = forms.last_row(obs.rises("feed_valve", unit), pump)
    begun = pump if feed is None else feed
    if begun < lost:
        return
    stable_ms = int(obs.t[begun] - obs.t[min(back, obs.n - 1)])
    margin_ms = stable_ms - shortest_ms(HEARTBEAT_BACK_S, obs.scan_ms)
    tally.timed(int(obs.t[begun]), unit, margin_ms, f"started {stable_ms / 1000:.1f} s after the return")


def _flushes_apart(obs: Observed, tally: Tally, lost: int, back: int) -> None:
    """Stop flushes without a coordinator: none begins before the time of the one before it is over."""
    begun = sorted(
        (int(row), unit)
        for unit in obs.units
        for row in forms.rises(obs.resting_flush(unit))
        if lost + ms(HEARTBEAT_S) // obs.scan_ms <= row < back
    )
    least_ms = shortest_ms(obs.setpoints.stop_flush_s, obs.scan_ms)
    for (first, one), (second, other) in itertools.pairwise(begun):
        apart_ms = int(obs.t[second] - obs.t[first])
        if one != other:
            text = f"flush {apart_ms / 1000:.1f} s after that of unit {one}"
            tally.timed(int(obs.t[second]), other, apart_ms - least_ms, text)


RULES = (
    Requirement(
        "SR-46",
        "An input image that has not changed for more than {io_stale_s:g} s is no measurement: the outputs "
        "of its unit go off within half a second more and none comes on; when it is the image of what the "
        "units share, no pump starts and the alarm relay drops.",
        "invariant",
        ("pump and motor damage",),
        ("io_stale_s",),
        stale_is_bad,
    ),
    Requirement(
        "SR-47",
        "Heartbeat of the bank lost for 5 s: all pumps off within one second more; flushes begin no closer "
        "than the {stop_flush_s:g} s that one takes; no start is begun before the heartbeat has been back "
        "for 30 s.",
        "response",
        ("overflow",),
        ("stop_flush_s",),
        heartbeat_lost,
    ),
)
