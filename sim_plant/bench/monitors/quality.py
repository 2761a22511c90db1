"""Requirements on permeate quality: alarm, lockout, blanking, and the loop that measures it."""

from __future__ import annotations

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.causes import alarm_shown, blanked, other_cause
from sim_plant.bench.monitors.observed import Observed
from sim_plant.bench.monitors.purging import RunningFlush, running_flushes
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

ANSWER_S = 5.0  # stated by SR-20: alarm and flush within 35 s for 30 s held, stop within 65 s for 60 s
LEAST_SHOWN_MS = 1000  # bad water must show so long in a blanked time to have put it to the test


def bad_water_answered(obs: Observed) -> Tally:
    """SR-20."""
    sp = obs.setpoints
    tally = obs.tally(
        f"alarm and quality flush within {sp.tds_alarm_s + ANSWER_S:g} s, stop within "
        f"{sp.tds_lockout_s + ANSWER_S:g} s"
    )
    for unit in obs.units:
        pump, judged = obs.on("pump", unit), ~blanked(obs, unit)
        very_bad = obs.tds_above(sp.tds_lockout_mgl, unit) & judged
        for answer in answers(
            obs, tally, unit, very_bad, pump, sp.tds_lockout_s, allowance_s=ANSWER_S, what="stopped after"
        ):
            if answer.full:
                stays_dead(obs, tally, unit, answer.row, flushed=True)
        bad = obs.tds_above(sp.tds_alarm_mgl, unit) & judged & pump
        for span in forms.spans(bad):
            _quality_flush_follows(obs, tally, unit, span, very_bad)
    return tally


def _quality_flush_follows(
    obs: Observed, tally: Tally, unit: int, span: tuple[int, int], very_bad: Bools
) -> None:
    """One spell of bad water: the alarm shows and a flush (or a stop) follows while a slot is free."""
    sp = obs.setpoints
    start, end = span
    took_ms = forms.length_ms(obs.t, span)
    held_ms, allowed_ms = ms(sp.tds_alarm_s), ms(ANSWER_S) + obs.scan_ms
    due = obs.row_at(int(obs.t[start]) + held_ms)
    stopped = end < obs.n and not obs.on("pump", unit)[end]
    answered = stopped or (end < obs.n and bool(obs.on("flush_valve", unit)[end]))
    if took_ms < held_ms - timer_tolerance_ms(sp.tds_alarm_s):
        return
    if not very_bad[start:end].any():  # above the lockout level the stop alone is due
        waits = [
            forms.length_ms(obs.t, (due + first, due + last))
            for first, last in forms.spans(_slot_at_hand(obs, unit)[due:end])
        ]
        longest_ms = max(waits, default=0)
        if answered or longest_ms > allowed_ms:
            text = f"bad for {took_ms / 1000:.1f} s, of it {longest_ms / 1000:.1f} s due with a free slot"
            tally.timed(int(obs.t[start]), unit, allowed_ms - longest_ms, text)
    latest = obs.row_at(int(obs.t[due]) + allowed_ms)
    alarm_due = int(obs.t[-1] - obs.t[due]) >= allowed_ms and (answered or took_ms > held_ms + allowed_ms)
    if alarm_due and not alarm_shown(obs, unit)[start : latest + 1].any():
        tally.broken(int(obs.t[start]), unit, "no alarm shown", trigger=False)


def _slot_at_hand(obs: Observed, unit: int) -> Bools:
    """Whether a slot is free, and no other unit, between its flush and its pump start, still holds one."""
    starting = [obs.on("feed_valve", other) & ~obs.on("pump", other) for other in obs.units if other != unit]
    return np.asarray(obs.slot_free(unit) & ~np.any(starting, axis=0))


def blanking_holds(obs: Observed) -> Tally:
    """SR-21."""
    sp = obs.setpoints
    tally = obs.tally(
        f"no trip in the first {sp.tds_blank_start_s:g} s nor {sp.tds_blank_purge_s:g} s after a flush"
    )
    for unit in obs.units:
        bad = obs.tds_above(sp.tds_alarm_mgl, unit)
        pump = obs.on("pump", unit)
        for start, end in forms.spans(blanked(obs, unit) & pump):
            if end >= obs.n:
                continue
            seen_ms = int(np.count_nonzero(bad[start:end])) * obs.scan_ms
            bad_at_end = bool(bad[max(start, end - 5) : end + 1].any())
            if pump[end] and seen_ms >= LEAST_SHOWN_MS:
                tally.held(int(obs.t[start]), unit, f"bad for {seen_ms / 1000:.1f} s while blanked")
            elif not pump[end] and bad_at_end and not _explained(obs, unit, end):
                tally.broken(int(obs.t[end]), unit, "stopped by bad water while blanked")
    return tally


def _explained(obs: Observed, unit: int, stop: int) -> bool:
    """Whether a stop has a cause other than quality, purges without effect included."""
    unproven = any(not flush.evidence for flush in running_flushes(obs, unit) if flush.start < stop)
    return unproven or bool(other_cause(obs, unit, stop - 20, stop, but=("quality",)))


def blanking_ends(obs: Observed) -> Tally:
    """SR-22: how long a pump may run on bad water, whatever hides it, and how many flushes it gets."""
    sp = obs.setpoints
    tally = obs.tally(
        f"blanked {sp.tds_blank_start_s:g} s a start and {sp.purge_s + sp.tds_blank_purge_s:g} s a purge; "
        f"{sp.quality_flush_budget} quality flushes in 60 min"
    )
    for unit in obs.units:
        _budget_kept(obs, tally, unit)
        bad = obs.tds_above(sp.tds_alarm_mgl, unit) & obs.on("pump", unit)
        for span in forms.spans(bad):
            _bad_spell_bounded(obs, tally, unit, span)
    return tally


def _budget_kept(obs: Observed, tally: Tally, unit: int) -> None:
    """The quality flush beyond the budget must not come within the hour."""
    sp = obs.setpoints
    if abs(sp.quality_flush_s - sp.purge_s) < 2 * timer_tolerance_ms(sp.quality_flush_s) / 1000:
        return  # the two flushes cannot be told apart at the field
    starts = [flush.start for flush in running_flushes(obs, unit) if flush.quality and not flush.cut]
    closest = forms.tightest(obs.t[np.asarray(starts, np.int64)], sp.quality_flush_budget)
    if closest is not None:
        last, distance_ms = closest
        margin_ms = distance_ms - shortest_ms(ROLLING_HOUR_S, obs.scan_ms)
        text = f"{sp.quality_flush_budget + 1} quality flushes in {distance_ms / 1000:.0f} s"
        tally.timed(int(obs.t[starts[last]]), unit, margin_ms, text)


def _bad_spell_bounded(obs: Observed, tally: Tally, unit: int, span: tuple[int, int]) -> None:
    """Pump-on time in one unbroken spell of bad water against all blanking and alarm times together."""
    sp = obs.setpoints
    start, end = span
    running = running_flushes(obs, unit)
    flushes = [flush for flush in running if start <= flush.start < end]
    quality = sum(1 for flush in flushes if flush.quality)
    purges = len(flushes) - quality
    judged_s = sp.tds_alarm_s + ANSWER_S
    allowed_s = sp.tds_blank_start_s + (quality + 1) * judged_s
    allowed_s += quality * (sp.quality_flush_s + sp.tds_blank_purge_s)
    allowed_s += purges * (sp.purge_s + sp.tds_blank_purge_s + judged_s)
    allowed_s += _hidden_at_first_s(obs, running, start)
    if obs.tds_above(sp.tds_lockout_mgl, unit)[start:end].any():  # a stop alone is due, after its own time
        allowed_s += max(sp.tds_lockout_s - sp.tds_alarm_s, 0.0)
    counted = obs.slot_free(unit)[start:end] | obs.on("flush_valve", unit)[start:end]
    steps_ms = np.diff(obs.t[start : min(end + 1, obs.n)])
    lasted_ms = int(steps_ms[counted[: len(steps_ms)]].sum())
    limit_ms = reaction_ms(allowed_s, obs.scan_ms)
    ended_by_stop = end < obs.n and not obs.on("pump", unit)[end]
    beyond_blanking = lasted_ms > ms(sp.tds_blank_start_s)
    if lasted_ms > limit_ms or (ended_by_stop and beyond_blanking):
        text = f"{lasted_ms / 1000:.0f} s on bad water, {quality} quality flushes, {purges} purges"
        tally.timed(int(obs.t[start]), unit, limit_ms - lasted_ms, text)


def _hidden_at_first_s(obs: Observed, running: list[RunningFlush], start: int) -> float:
    """How long the flush before this row, under way or just over, keeps bad water from being judged."""
    before = [flush for flush in running if flush.start < start]
    if not before:
        return 0.0
    over_ms = int(obs.t[min(before[-1].end, obs.n - 1)]) + ms(obs.setpoints.tds_blank_purge_s)
    return max(over_ms - int(obs.t[start]), 0) / 1000.0


def off_spec_bounded(obs: Observed) -> Tally:
    """SR-23."""
    sp = obs.setpoints
    limit_l = _design_m3h(obs) / 3.6 * (sp.tds_blank_start_s + sp.tds_alarm_s + ANSWER_S)
    tally = obs.tally(f"{limit_l:.0f} L off spec in a start; diverter after blanking and 10 s of good water")
    for unit in obs.units:
        to_tank = np.ones(obs.n, np.bool_)
        if obs.on("divert", unit).any():  # a diverter is fitted
            to_tank = obs.on("divert", unit)
            _diverts_late(obs, tally, unit)
        _volume_bounded(obs, tally, unit, limit_l, to_tank)
    return tally


def _design_m3h(obs: Observed) -> float:
    return float(obs.setpoints.unit_feed_m3h - obs.setpoints.unit_concentrate_m3h)


def _volume_bounded(obs: Observed, tally: Tally, unit: int, limit_l: float, to_tank: Bools) -> None:
    """Litres of each start until the water is good after blanking, or an alarm, a flush or a stop answers.

    Water counts as bad when it is and the instrument says so. What flows beyond the design flow counts
    as design flow: a torn seal is not the sequence's doing, and SR-21 forbids to stop for it any earlier.
    """
    sp = obs.setpoints
    seen_bad = obs.tds_above(sp.tds_alarm_mgl, unit)
    bad = (obs.value("permeate_tds_mgl", unit) > sp.tds_alarm_mgl) & seen_bad
    flow_m3h = np.minimum(obs.value("permeate_m3h", unit), _design_m3h(obs))
    litres = flow_m3h / 3.6 * obs.scan_ms / 1000.0 * (bad & to_tank)
    answered = ~obs.on("pump", unit) | obs.running_flush(unit) | alarm_shown(obs, unit)
    for start in obs.rises("pump", unit).tolist():
        blanked_to = obs.row_at(int(obs.t[start]) + ms(sp.tds_blank_start_s))
        if (
            int(obs.t[blanked_to] - obs.t[start]) < ms(sp.tds_blank_start_s)
            or not bad[start:blanked_to].any()
        ):
            continue
        over = answered | ((np.arange(obs.n) >= blanked_to) & ~seen_bad)
        ends = np.flatnonzero(over[start + 1 :])
        end = start + 1 + int(ends[0]) if len(ends) else obs.n
        volume_l = float(litres[start:end].sum())
        if len(ends) or volume_l > 1.02 * limit_l:
            text = f"{volume_l:.1f} L off spec to the tank"
            tally.counted(int(obs.t[start]), unit, round(1.02 * limit_l - volume_l, 3), "L", text)


def _diverts_late(obs: Observed, tally: Tally, unit: int) -> None:
    """The diverter goes to the tank only after blanking and with water that has been good for 10 s."""
    sp = obs.setpoints
    clear = obs.below("permeate_cond_ma", sp.tds_clear_mgl / sp.tds_per_us, unit)
    clear_ms = forms.age_ms(obs.t, clear & obs.on("pump", unit))
    running_ms = forms.age_ms(obs.t, obs.on("pump", unit))
    for row in obs.rises("divert", unit).tolist():
        margin_ms = min(
            int(running_ms[row]) - shortest_ms(sp.tds_blank_start_s, obs.scan_ms),
            int(clear_ms[row]) - shortest_ms(10.0, obs.scan_ms),
        )
        text = (
            f"to tank {running_ms[row] / 1000:.1f} s after the start, good for {clear_ms[row] / 1000:.1f} s"
        )
        tally.timed(int(obs.t[row]), unit, margin_ms, text)
    idle = obs.on("divert", unit) & ~obs.on("pump", unit)
    for start, end in forms.spans(idle):
        if forms.length_ms(obs.t, (start, end)) > obs.scan_ms:
            tally.broken(int(obs.t[start]), unit, "diverter to tank with the pump off", trigger=False)


def quality_loop_broken(obs: Observed) -> Tally:
    """SR-24."""
    sp = obs.setpoints
    held_s = 2.0 + sp.quality_bad_s
    tally = obs.tally(f"pump 0 within {held_s + 1:g} s")
    for unit in obs.units:
        broken = obs.bad("permeate_cond_ma", unit)
        answers(obs, tally, unit, broken, obs.on("pump", unit), held_s, allowance_s=1.0, what="pump 0 after")
    return tally


RULES = (
    Requirement(
        "SR-20",
        "Dissolved solids above {tds_alarm_mgl:g} mg/L outside blanking for {tds_alarm_s:g} s: alarm shown "
        "and quality flush (or stop) within 5 s more, from when a slot is free; above {tds_lockout_mgl:g} "
        "mg/L for {tds_lockout_s:g} s: pump off within 5 s more and a reset needed.",
        "response",
        ("off-spec water to the tank",),
        (
            "tds_per_us",
            "tds_alarm_mgl",
            "tds_alarm_s",
            "tds_lockout_mgl",
            "tds_lockout_s",
            "tds_blank_start_s",
            "tds_blank_purge_s",
        ),
        bad_water_answered,
    ),
    Requirement(
        "SR-21",
        "In the first {tds_blank_start_s:g} s of a run, in a flush and {tds_blank_purge_s:g} s after it, "
        "no quality reading stops the pump.",
        "response",
        ("loss of availability",),
        ("tds_per_us", "tds_alarm_mgl", "tds_blank_start_s", "tds_blank_purge_s"),
        blanking_holds,
    ),
    Requirement(
        "SR-22",
        "Blanking ends by time: bad water is never run on for longer than the blanking of one start and of "
        "the flushes taken, and no more than {quality_flush_budget} quality flushes come in 60 min.",
        "invariant",
        ("off-spec water to the tank",),
        (
            "tds_per_us",
            "tds_alarm_mgl",
            "tds_alarm_s",
            "tds_lockout_mgl",
            "tds_lockout_s",
            "tds_blank_start_s",
            "tds_blank_purge_s",
            "quality_flush_s",
            "quality_flush_budget",
            "purge_s",
        ),
        blanking_ends,
    ),
    Requirement(
        "SR-23",
        "Off-spec water to the tank in one start is no more than a unit's design flow gives in "
        "{tds_blank_start_s:g} s of blanking and the {tds_alarm_s:g} s and 5 s in which the alarm is due; a "
        "diverter, where fitted, waits for the end of blanking and 10 s below {tds_clear_mgl:g} mg/L.",
        "invariant",
        ("off-spec water to the tank",),
        (
            "unit_feed_m3h",
            "unit_concentrate_m3h",
            "tds_blank_start_s",
            "tds_alarm_s",
            "tds_alarm_mgl",
            "tds_clear_mgl",
            "tds_per_us",
        ),
        off_spec_bounded,
    ),
    Requirement(
        "SR-24",
        "Permeate conductivity loop broken while producing: the unit stops within 2 s and "
        "{quality_bad_s:g} s, and one second more.",
        "response",
        ("off-spec water to the tank",),
        ("quality_bad_s",),
        quality_loop_broken,
    ),
)
