"""Requirements on low suction: when to stop, when to ride through, when and how to try again."""

from __future__ import annotations

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.causes import SUCTION_CAUSES, other_cause
from sim_plant.bench.monitors.flushing import start_flush_margin_ms
from sim_plant.bench.monitors.observed import BAD_AFTER_S, Observed
from sim_plant.bench.monitors.reactions import answers, stays_dead
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import (
    ROLLING_HOUR_S,
    ms,
    reaction_ms,
    shortest_ms,
    timer_tolerance_ms,
)
from sim_plant.bench.trace import Bools

AFTERMATH_MS = 500  # a stop so soon after a dip is still the dip's


def low(obs: Observed, unit: int) -> Bools:
    """Low suction as far as it is to be judged: feed valve commanded open for its blanking time.

    The scan in which the valve closes still counts: what closed it was seen with the valve open.
    """
    sp = obs.setpoints
    feed = obs.on("feed_valve", unit)
    judged = forms.held(obs.t, feed, ms(sp.suction_blank_s))
    judged[1:] |= judged[:-1] & ~feed[1:]
    return np.asarray(judged & obs.below("suction_ma", sp.suction_trip_bar, unit))


def _fast_ms(obs: Observed) -> int:
    """Least time for which suction must be gone to stop a pump rightly."""
    fast_s = obs.setpoints.suction_fast_s
    return max(ms(fast_s) - timer_tolerance_ms(fast_s), obs.scan_ms)


def low_suction_trips(obs: Observed) -> Tally:
    """SR-04, both sides: it stops when the pressure stays low, it rides through a short dip."""
    sp = obs.setpoints
    tally = obs.tally(f"pump 0 within {sp.suction_trip_s + 0.5:g} s; shorter dips ride through")
    for unit in obs.units:
        answers(
            obs, tally, unit, low(obs, unit), obs.on("pump", unit), sp.suction_trip_s, what="pump 0 after"
        )
        _dips(obs, tally, unit)
    return tally


def _dips(obs: Observed, tally: Tally, unit: int) -> None:
    """A dip shorter than the trip time, and not so deep as to count as gone, must not stop the pump."""
    sp = obs.setpoints
    least_ms = ms(sp.suction_trip_s) - timer_tolerance_ms(sp.suction_trip_s)
    gone = obs.below("suction_ma", sp.suction_fast_bar, unit)
    deep = forms.held(obs.t, gone, _fast_ms(obs))
    pump = obs.on("pump", unit)
    for start, end, answered in forms.episodes(low(obs, unit), pump):
        took_ms = forms.length_ms(obs.t, (start, end))
        if end >= obs.n or took_ms >= least_ms:
            continue
        last = end if answered else obs.row_at(int(obs.t[end]) + AFTERMATH_MS)
        stopped = not pump[end : last + 1].all()
        if stopped and other_cause(obs, unit, start - 5, last, but=("suction", "header")):
            continue
        if stopped and deep[start : end + 1].any():
            continue
        if stopped:
            text = f"pump stopped by a dip of {took_ms / 1000:.1f} s"
            tally.timed(int(obs.t[start]), unit, took_ms - least_ms, text)
        elif int(obs.t[-1] - obs.t[end]) >= AFTERMATH_MS:
            tally.held(int(obs.t[start]), unit, f"rode through a dip of {took_ms / 1000:.1f} s")


def suction_gone(obs: Observed) -> Tally:
    """SR-05."""
    sp = obs.setpoints
    tally = obs.tally(f"pump 0 within {sp.suction_fast_s + 0.5:g} s")
    for unit in obs.units:
        pump = obs.on("pump", unit)
        gone = obs.below("suction_ma", sp.suction_fast_bar, unit)
        answers(obs, tally, unit, gone, pump, sp.suction_fast_s, what="pressure gone, pump 0 after")
        opened = obs.open("suction_ok", unit)
        answers(obs, tally, unit, opened, pump, sp.suction_fast_s, what="switch open, pump 0 after")
    return tally


def low_suction_stops(obs: Observed, unit: int) -> list[int]:
    """Rows in which low suction stopped a running pump, or the feed of the retry that followed it.

    The condition must have been held for its time, and nothing else may explain the stop. A flush
    counts only as the retry of a stop before it: other flushes have no retry to count.
    """
    sp = obs.setpoints
    slow = forms.age_ms(obs.t, low(obs, unit))
    fast = np.maximum(
        forms.age_ms(obs.t, obs.below("suction_ma", sp.suction_fast_bar, unit)),
        forms.age_ms(obs.t, obs.open("suction_ok", unit)),
    )
    slow_ms = ms(sp.suction_trip_s) - timer_tolerance_ms(sp.suction_trip_s)
    fast_ms = _fast_ms(obs)
    pump_stops = set(obs.falls("pump", unit).tolist())
    feed_stops = obs.falls("feed_valve", unit).tolist()
    stops: list[int] = []
    for row in sorted(pump_stops.union(feed_stops)):
        was_low = slow[row - 1] >= slow_ms or fast[row - 1] >= fast_ms
        if not was_low or other_cause(obs, unit, row - 10, row, but=SUCTION_CAUSES):
            continue
        if row in pump_stops or (stops and _is_retry(obs, unit, stops[-1], row)):
            stops.append(row)
    return stops


def _is_retry(obs: Observed, unit: int, stop: int, row: int) -> bool:
    """Whether the feed that closed at ``row`` had been opened to try again after ``stop``."""
    opened = forms.last_row(obs.rises("feed_valve", unit), row)
    if opened is None or opened <= stop or forms.any_between(obs.rises("pump", unit), stop, row):
        return False
    return not other_cause(obs, unit, stop + 1, row, but=SUCTION_CAUSES)


def retry_waits(obs: Observed) -> Tally:
    """SR-06."""
    sp = obs.setpoints
    tally = obs.tally(
        f"waits {sp.suction_retry_1_s:g}/{sp.suction_retry_2_s:g}/{sp.suction_retry_3_s:g} s, "
        f"{sp.suction_retries} retries in 60 min"
    )
    for unit in obs.units:
        recent: list[int] = []
        for stop in low_suction_stops(obs, unit):
            recent = [*_still_counted(obs, unit, recent, stop), stop]
            if len(recent) > sp.suction_retries:
                _stays_out(obs, tally, unit, stop)
                recent = []  # whoever starts again has been reset, or has failed just now
            else:
                _waits(obs, tally, unit, stop, len(recent))
    return tally


def _still_counted(obs: Observed, unit: int, stops: list[int], now: int) -> list[int]:
    """Stops that still count at ``now``: within the hour, since the last long run and the last power-up."""
    hour_ms = shortest_ms(ROLLING_HOUR_S, obs.scan_ms)
    forgive_ms = shortest_ms(60 * obs.setpoints.suction_forgive_min, obs.scan_ms)
    long_runs = [
        end
        for start, end in forms.spans(obs.on("pump", unit))
        if forms.length_ms(obs.t, (start, end)) >= forgive_ms
    ]
    cleared = max(
        [
            *(row for row in long_runs if row <= now),
            *(row for row in obs.boots if row < now),
        ],
        default=-1,
    )
    return [row for row in stops if row >= cleared and int(obs.t[now] - obs.t[row]) <= hour_ms]


def _waits(obs: Observed, tally: Tally, unit: int, stop: int, failure: int) -> None:
    """The feed does not open again before the wait of this failure is over."""
    wait_s = obs.setpoints.retry_wait_s(failure)
    opened = forms.next_row(obs.rises("feed_valve", unit), stop)
    if opened is None or other_cause(obs, unit, stop + 1, opened - 1, but=SUCTION_CAUSES):
        return
    waited_ms = int(obs.t[opened] - obs.t[stop])
    text = f"wait {failure}: {waited_ms / 1000:.1f} s of {wait_s:g} s"
    tally.timed(int(obs.t[stop]), unit, waited_ms - shortest_ms(wait_s, obs.scan_ms), text)


def _stays_out(obs: Observed, tally: Tally, unit: int, stop: int) -> None:
    """After the last retry has failed nothing opens without a reset; shown once the longest wait is over."""
    longest_ms = reaction_ms(obs.setpoints.suction_retry_3_s, obs.scan_ms)
    resets = obs.resets(unit)
    until = forms.next_row(resets, stop)
    opened = [forms.next_row(obs.rises(name, unit), stop) for name in ("pump", "feed_valve")]
    first = min((row for row in opened if row is not None), default=None)
    if first is not None and (until is None or until > first):
        tally.broken(int(obs.t[first]), unit, "started again after the last retry had failed")
    elif until is not None or int(obs.t[-1] - obs.t[stop]) > longest_ms:
        tally.held(int(obs.t[stop]), unit, "stayed out after the last retry")


def retries_flush(obs: Observed) -> Tally:
    """SR-07."""
    sp = obs.setpoints
    tally = obs.tally(f"start flush of {sp.start_flush_s:g} s before every retry")
    for unit in obs.units:
        for stop in low_suction_stops(obs, unit):
            start = forms.next_row(obs.rises("pump", unit), stop)
            if start is not None:
                margin_ms, text = start_flush_margin_ms(obs, unit, start)
                tally.timed(int(obs.t[start]), unit, margin_ms, text)
    return tally


def suction_loop_broken(obs: Observed) -> Tally:
    """SR-26."""
    tally = obs.tally(f"pump 0 within {BAD_AFTER_S + 0.5:g} s, then a reset")
    for unit in obs.units:
        for answer in answers(
            obs,
            tally,
            unit,
            obs.bad("suction_ma", unit),
            obs.on("pump", unit),
            BAD_AFTER_S,
            what="pump 0 after",
        ):
            if answer.full:
                stays_dead(obs, tally, unit, answer.row)
    return tally


RULES = (
    Requirement(
        "SR-04",
        "Suction below {suction_trip_bar:g} bar held {suction_trip_s:g} s: pump off within half a second "
        "more. A shorter dip that stays above {suction_fast_bar:g} bar does not stop it.",
        "response",
        ("pump and motor damage",),
        ("suction_trip_bar", "suction_trip_s", "suction_fast_bar", "suction_blank_s"),
        low_suction_trips,
    ),
    Requirement(
        "SR-05",
        "Suction below {suction_fast_bar:g} bar, or the suction switch open, for {suction_fast_s:g} s: "
        "pump off within half a second more.",
        "response",
        ("pump and motor damage",),
        ("suction_fast_bar", "suction_fast_s"),
        suction_gone,
    ),
    Requirement(
        "SR-06",
        "After low suction the unit waits {suction_retry_1_s:g}, {suction_retry_2_s:g}, then "
        "{suction_retry_3_s:g} s before it tries again; when {suction_retries} retries within 60 min have "
        "failed, neither pump nor feed opens without a reset.",
        "sequence",
        ("pump and motor damage", "loss of availability"),
        (
            "suction_retry_1_s",
            "suction_retry_2_s",
            "suction_retry_3_s",
            "suction_retries",
            "suction_forgive_min",
            "suction_trip_bar",
            "suction_trip_s",
            "suction_fast_bar",
            "suction_fast_s",
            "suction_blank_s",
        ),
        retry_waits,
    ),
    Requirement(
        "SR-07",
        "Every retry after low suction passes a whole start flush of {start_flush_s:g} s.",
        "sequence",
        ("membrane, mechanical",),
        ("start_flush_s", "settle_s", "suction_trip_bar", "suction_trip_s"),
        retries_flush,
    ),
    Requirement(
        "SR-26",
        "Suction loop broken: pump off within 2.5 s, and the unit needs a reset.",
        "response",
        ("pump and motor damage",),
        (),
        suction_loop_broken,
    ),
)
