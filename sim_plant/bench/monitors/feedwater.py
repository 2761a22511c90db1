"""Requirements on what the units share: feed water, antiscalant, header and booster."""

from __future__ import annotations

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.causes import alarm_shown
from sim_plant.bench.monitors.flushing import resting_flushes
from sim_plant.bench.monitors.observed import Observed
from sim_plant.bench.monitors.reactions import answers
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ms, reaction_ms, shortest_ms, timer_tolerance_ms
from sim_plant.bench.trace import Bools

DRIVE_S = 1.0  # stated by SR-40
STILL_WATER_S = 5.0  # stated by SR-38
PROVING_STROKES = 10  # stated by SR-38
BOOSTER_STOP_S = 5.0  # stated by SR-53
RAMP_WINDOW_MS = 2000  # over which the slope of the header is taken
RAMP_TOLERANCE = 1.2  # stated by SR-53
HAND_OVER_S = 10.0  # stated by SR-53: from a ready bank to an open valve, though a unit trips on the way
ARRIVED_HZ = 1.0  # so near to its reference a drive has come to speed
ANTISCALANT_ALARM_S, ANTISCALANT_STOP_S = 5.0, 60.0  # stated by SR-36
DOSING_STOP_S = 2.0  # stated by SR-37


def prestart_fault(obs: Observed, since: int, row: int) -> str:
    """What of the bank's pre-start was missing between row ``since`` and row ``row``; "" when nothing."""
    sp = obs.setpoints
    if not _header_was_ready(obs, since, row):
        return f"without {sp.header_ready_bar:g} bar held {sp.header_ready_s:g} s"
    if not forms.any_between(obs.rises("dosing_pulse"), since, row):
        return "without a dosing stroke"
    return ""


def _header_was_ready(obs: Observed, since: int, row: int) -> bool:
    sp = obs.setpoints
    ready = obs.kept(
        "header ready",
        0,
        lambda: forms.held(
            obs.t,
            obs.good("header_ma") & (obs.value("header_ma") >= sp.header_ready_bar),
            shortest_ms(sp.header_ready_s, obs.scan_ms),
        ),
    )
    return bool(ready[since : row + 1].any())


def oxidant(obs: Observed) -> Tally:
    """SR-34."""
    sp = obs.setpoints
    return _bad_feed(obs, "chlorine_ma", sp.chlorine_trip_mgl, sp.chlorine_clear_mgl)


def hot_water(obs: Observed) -> Tally:
    """SR-35."""
    sp = obs.setpoints
    return _bad_feed(obs, "feed_temp_ma", sp.temp_trip_degc, sp.temp_clear_degc)


def _bad_feed(obs: Observed, name: str, trip: float, clear: float) -> Tally:
    """Pumps off, feed valves shut one by one, and shut they stay until the water is good and reset."""
    sp = obs.setpoints
    close_s = 0.5 + sp.coast_s + sp.feed_close_gap_s * (len(obs.units) - 1)
    tally = obs.tally(
        f"pumps 0 within {sp.water_trip_s + 0.5:g} s, feed 0 within {sp.water_trip_s + close_s:g} s; "
        f"{sp.water_good_s:g} s of good water and a reset before any opens"
    )
    bad, good = obs.above(name, trip), obs.below(name, clear)
    good_ms = forms.age_ms(obs.t, good)
    least_good_ms = shortest_ms(sp.water_good_s, obs.scan_ms)
    for unit in obs.units:
        feed = obs.on("feed_valve", unit)
        answers(obs, tally, unit, bad, obs.on("pump", unit), sp.water_trip_s, what="pump 0 after")
        answers(obs, tally, unit, bad, feed, sp.water_trip_s, allowance_s=close_s, what="feed 0 after")
    for start, end in forms.spans(bad):
        if forms.length_ms(obs.t, (start, end)) < ms(sp.water_trip_s):
            continue
        tripped = obs.row_at(int(obs.t[start]) + reaction_ms(sp.water_trip_s, obs.scan_ms))
        for unit in obs.units:
            rise = forms.next_row(obs.rises("feed_valve", unit), tripped)
            if rise is None:
                continue
            resets = obs.resets(unit)
            valid = resets[good_ms[resets] >= least_good_ms]
            if not forms.any_between(valid, tripped, rise):
                text = f"feed opened without {sp.water_good_s:g} s of good water and a reset"
                tally.broken(int(obs.t[rise]), unit, text)
            else:
                margin_ms = int(good_ms[valid[valid <= rise]].max()) - least_good_ms
                tally.timed(int(obs.t[rise]), unit, margin_ms, "opened after good water and a reset")
    return tally


def antiscalant_low(obs: Observed) -> Tally:
    """SR-36."""
    sp = obs.setpoints
    held_s = 60.0 * sp.antiscalant_grace_min
    tally = obs.tally(
        f"alarm within {ANTISCALANT_ALARM_S:g} s, no new start, "
        f"pumps 0 within {held_s + ANTISCALANT_STOP_S:g} s"
    )
    low = obs.open("antiscalant_ok")
    low_ms = forms.age_ms(obs.t, low)
    alarm_limit_ms = ms(ANTISCALANT_ALARM_S) + obs.scan_ms
    for start, end in forms.spans(low):
        if forms.length_ms(obs.t, (start, end)) > alarm_limit_ms:
            shown = np.flatnonzero(alarm_shown(obs, 0)[start:end])
            took_ms = forms.length_ms(obs.t, (start, start + int(shown[0]) if len(shown) else end))
            tally.timed(int(obs.t[start]), 0, alarm_limit_ms - took_ms, f"alarm after {took_ms / 1000:.1f} s")
    for unit in obs.units:
        pump = obs.on("pump", unit)
        answers(obs, tally, unit, low, pump, held_s, allowance_s=ANTISCALANT_STOP_S, what="pump 0 after")
        for row in obs.rises("pump", unit).tolist():
            begun = [start for start, end in resting_flushes(obs, unit) if end <= row]
            if low_ms[row] >= 0 and begun and low_ms[begun[-1]] > alarm_limit_ms:
                tally.broken(int(obs.t[row]), unit, "a start was begun with the antiscalant low")
    return tally


def dosing_unproven(obs: Observed) -> Tally:
    """SR-37: counted from the last stroke, because only strokes show."""
    sp = obs.setpoints
    tally = obs.tally(f"pumps 0 within {sp.dosing_lost_s + DOSING_STOP_S:g} s and one stroke of the last one")
    strokes = obs.rises("dosing_pulse")
    feeding = np.zeros(obs.n, np.bool_)
    for unit in obs.units:
        feeding |= obs.on("feed_valve", unit)
    feeding &= obs.above("feed_flow_ma", sp.dosing_flow_min_m3h)
    silent = feeding.copy()
    silent[strokes] = False
    least_ms = ms(sp.dosing_lost_s) - timer_tolerance_ms(sp.dosing_lost_s)
    for unit in obs.units:
        pump = obs.on("pump", unit)
        for start, end in forms.spans(silent & pump):
            took_ms = forms.length_ms(obs.t, (start, end))
            if took_ms < least_ms:
                continue
            last = forms.last_row(strokes, start)
            usual_ms = _usual_stroke_ms(obs, start)
            limit_ms = ms(sp.dosing_lost_s + DOSING_STOP_S) + usual_ms + obs.scan_ms
            answered = end < obs.n and not pump[end]
            if took_ms > limit_ms or answered:
                words = "never a stroke" if last is None else f"{took_ms / 1000:.1f} s without a stroke"
                tally.timed(int(obs.t[start]), unit, limit_ms - took_ms, words)
    return tally


def _usual_stroke_ms(obs: Observed, row: int) -> int:
    """Usual time between two of the last strokes before a row; at most the time of a proof."""
    times = obs.t[obs.rises("dosing_pulse")]
    before = times[times <= obs.t[row]][-10:]
    usual = int(np.median(np.diff(before))) if len(before) > 1 else 0
    return min(usual, ms(obs.setpoints.dosing_proof_s))


def no_dose_into_still_water(obs: Observed) -> Tally:
    """SR-38."""
    sp = obs.setpoints
    tally = obs.tally(f"dosing on for {STILL_WATER_S:g} s below {sp.dosing_flow_min_m3h:g} m3/h")
    limit_ms = ms(STILL_WATER_S) + obs.scan_ms
    still = obs.below("feed_flow_ma", sp.dosing_flow_min_m3h)
    strokes = obs.rises("dosing_pulse")
    feeding = np.zeros(obs.n, np.bool_)
    for unit in obs.units:
        feeding |= obs.on("feed_valve", unit)
    for start, end, _ in forms.episodes(still, forms.unblinked(obs.on("dosing_run"))):
        took_ms = forms.length_ms(obs.t, (start, end))
        proving = not feeding[start:end].any() and not _fed_since_booster(obs, feeding, start)
        if proving:
            count = int(np.count_nonzero((strokes >= start) & (strokes < end)))
            text = f"{count} proving strokes"
            tally.counted(int(obs.t[start]), 0, PROVING_STROKES - count, "strokes", text)
        elif end < obs.n or took_ms > limit_ms:
            tally.timed(
                int(obs.t[start]), 0, limit_ms - took_ms, f"dosed {took_ms / 1000:.1f} s into still water"
            )
    return tally


def _fed_since_booster(obs: Observed, feeding: Bools, row: int) -> bool:
    """Whether a feed valve has been open since the booster was last started: then no proving is due."""
    started = forms.last_row(obs.rises("booster_run"), row)
    return started is not None and bool(feeding[started : row + 1].any())


def bank_start_order(obs: Observed) -> Tally:
    """SR-39."""
    sp = obs.setpoints
    tally = obs.tally(
        f"{sp.header_ready_bar:g} bar for {sp.header_ready_s:g} s, and a stroke before a start, then feed"
    )
    begins = np.union1d(obs.rises("booster_run"), obs.boots)
    openings = sorted((row, unit) for unit in obs.units for row in obs.rises("feed_valve", unit).tolist())
    for number, begin in enumerate(begins.tolist()):
        until = int(begins[number + 1]) if number + 1 < len(begins) else obs.n
        inside = [(row, unit) for row, unit in openings if begin <= row < until]
        if not inside:
            continue
        row, unit = inside[0]
        if not _header_was_ready(obs, begin, row):
            tally.broken(int(obs.t[row]), unit, "feed opened before the header was ready")
        else:
            tally.held(int(obs.t[row]), unit, "header ready first")
        _stroke_before_start(obs, tally, begin, inside)
    return tally


def _stroke_before_start(obs: Observed, tally: Tally, begin: int, openings: list[tuple[int, int]]) -> None:
    """The first opening that leads to a pump start comes after a dosing stroke; a mere flush needs none."""
    for row, unit in openings:
        shut = forms.next_row(obs.falls("feed_valve", unit), row) or obs.n
        start = forms.next_row(obs.rises("pump", unit), row)
        if start is None or start >= shut:
            continue
        if not forms.any_between(obs.rises("dosing_pulse"), begin, row):
            tally.broken(int(obs.t[row]), unit, "a start was begun before a dosing stroke")
        return


def drive_or_source_lost(obs: Observed) -> Tally:
    """SR-40."""
    tally = obs.tally(f"pumps and booster 0 within {DRIVE_S:g} s")
    lost = obs.open("drive_healthy") | obs.open("source_wet")
    for unit in obs.units:
        answers(obs, tally, unit, lost, obs.on("pump", unit), 0.0, allowance_s=DRIVE_S, what="pump 0 after")
    answers(obs, tally, 0, lost, obs.on("booster_run"), 0.0, allowance_s=DRIVE_S, what="booster 0 after")
    return tally


def header_gentle(obs: Observed) -> Tally:
    """SR-53."""
    sp = obs.setpoints
    tally = obs.tally(
        f"header up at most {RAMP_TOLERANCE * sp.header_ramp_bar_s:g} bar/s while the booster speeds up; "
        f"booster off within {BOOSTER_STOP_S:g} s of the last closing, or {_start_s(obs):g} s of its start"
    )
    _ramp(obs, tally)
    limit_ms = ms(BOOSTER_STOP_S) + obs.scan_ms
    feeding = np.zeros(obs.n, np.bool_)
    for unit in obs.units:
        feeding |= obs.on("feed_valve", unit)
    closings = set(forms.falls(feeding).tolist())
    starts, start_limit_ms = set(obs.rises("booster_run").tolist()), ms(_start_s(obs)) + obs.scan_ms
    for start, end, stopped in forms.episodes(~feeding, obs.on("booster_run")):
        took_ms = forms.length_ms(obs.t, (start, end))
        if start in closings and (stopped or took_ms > limit_ms):
            text = f"booster ran {took_ms / 1000:.1f} s against shut valves"
            tally.timed(int(obs.t[start]), 0, limit_ms - took_ms, text)
        elif start in starts and (end < obs.n or took_ms > start_limit_ms):
            text = f"booster started and ran {took_ms / 1000:.1f} s against shut valves"
            tally.timed(int(obs.t[start]), 0, start_limit_ms - took_ms, text)
    return tally


def _start_s(obs: Observed) -> float:
    """What a bank start may take from the booster's start to the first feed valve.

    After a loss of the shared image the units wait for a link that has been back for long enough.
    """
    sp = obs.setpoints
    return sp.header_rise_max_s + sp.header_ready_s + sp.dosing_proof_s + sp.io_back_s + HAND_OVER_S


def _ramp(obs: Observed, tally: Tally) -> None:
    """Steepest rise of the header while the booster is told to speed up, valves and faults left out.

    A reference may also be told at once and stand while the drive runs up to it. What lies above the least
    speed counts: to that speed a drive runs up in its own time, with nothing to be had from SC-020. A drive
    that gains more speed than it was told hunts, and the rise is not the reference's.
    """
    sp = obs.setpoints
    window = max(1, round(RAMP_WINDOW_MS / obs.scan_ms))
    if obs.n <= window:
        return
    speed, header = obs.value("booster_speed_cmd_ma"), obs.value("header_bar")
    slope = (header[window:] - header[:-window]) / (RAMP_WINDOW_MS / 1000.0)
    drive = obs.value("booster_hz")
    told = (speed[window:] > speed[:-window]) & obs.on("booster_run")[:-window]
    told &= drive[window:] - drive[:-window] <= speed[window:] - speed[:-window] + ARRIVED_HZ
    judged = (told | _running_up(obs)[:-window]) & (drive >= sp.booster_min_hz)[:-window]
    steady = np.ones(obs.n, np.bool_)
    moves = [
        forms.changes(obs.on(name, unit)) for unit in obs.units for name in ("feed_valve", "flush_valve")
    ]
    moves += [
        np.asarray([obs.row_at(mark.t_ms)]) for mark in obs.trace.marks if mark.what in ("inject", "clear")
    ]
    steady &= ~forms.after(obs.t, np.sort(np.concatenate(moves)).astype(np.int64), 5000)
    judged &= steady[window:]
    limit = RAMP_TOLERANCE * sp.header_ramp_bar_s
    for start, end in forms.spans(judged):
        steepest = float(slope[start:end].max())
        if steepest > 0:
            text = f"header rose {steepest:.2f} bar/s"
            tally.counted(int(obs.t[start]), 0, round(limit - steepest, 4), "bar/s", text)


def _running_up(obs: Observed) -> Bools:
    """Rows from a start of the booster until its drive has come to the speed that it was told."""
    behind = obs.value("booster_hz") < obs.value("booster_speed_cmd_ma") - ARRIVED_HZ
    starts = set(obs.rises("booster_run").tolist())
    running_up = np.zeros(obs.n, np.bool_)
    for start, end in forms.spans(behind & obs.on("booster_run")):
        running_up[start:end] = start in starts
    return running_up


RULES = (
    Requirement(
        "SR-34",
        "Free chlorine above {chlorine_trip_mgl:g} mg/L for {water_trip_s:g} s: all pumps off within half a "
        "second more, all feed valves shut after the coast-down one after another; none opens, not even for "
        "a flush, before {water_good_s:g} s below {chlorine_clear_mgl:g} mg/L and a reset.",
        "response",
        ("membrane, chemical and thermal",),
        (
            "chlorine_trip_mgl",
            "chlorine_clear_mgl",
            "water_trip_s",
            "water_good_s",
            "coast_s",
            "feed_close_gap_s",
        ),
        oxidant,
    ),
    Requirement(
        "SR-35",
        "Feed above {temp_trip_degc:g} degC for {water_trip_s:g} s: as for chlorine, clear below "
        "{temp_clear_degc:g} degC for {water_good_s:g} s.",
        "response",
        ("membrane, chemical and thermal",),
        ("temp_trip_degc", "temp_clear_degc", "water_trip_s", "water_good_s", "coast_s", "feed_close_gap_s"),
        hot_water,
    ),
    Requirement(
        "SR-36",
        "Antiscalant tank low: alarm within 5 s, no new start, and units stop within "
        "{antiscalant_grace_min:g} min and 60 s.",
        "response",
        ("scaling and fouling",),
        ("antiscalant_grace_min",),
        antiscalant_low,
    ),
    Requirement(
        "SR-37",
        "No dosing stroke for {dosing_lost_s:g} s while feed flows: the units stop within 2 s more.",
        "response",
        ("scaling and fouling",),
        ("dosing_lost_s", "dosing_flow_min_m3h", "dosing_proof_s"),
        dosing_unproven,
    ),
    Requirement(
        "SR-38",
        "Dosing never runs for more than 5 s with less than {dosing_flow_min_m3h:g} m3/h of feed, except for "
        "ten proving strokes before a bank start.",
        "invariant",
        ("chemical",),
        ("dosing_flow_min_m3h",),
        no_dose_into_still_water,
    ),
    Requirement(
        "SR-39",
        "In a bank start no feed valve opens before {header_ready_bar:g} bar for {header_ready_s:g} s, and "
        "none that leads to a pump start before a dosing stroke was seen.",
        "sequence",
        ("pump and motor damage", "scaling and fouling"),
        ("header_ready_bar", "header_ready_s"),
        bank_start_order,
    ),
    Requirement(
        "SR-40",
        "Booster drive fault or borehole dry: all pumps and the booster off within 1 s.",
        "response",
        ("pump and motor damage",),
        (),
        drive_or_source_lost,
    ),
    Requirement(
        "SR-53",
        "The header rises no faster than {header_ramp_bar_s:g} bar/s and a fifth while the booster speeds "
        "up; the booster stops within 5 s of the last feed valve closing, and in a start when none has "
        "opened after {header_rise_max_s:g} s for the header, {header_ready_s:g} s of it, "
        "{dosing_proof_s:g} s for a stroke, {io_back_s:g} s of stable I/O and 10 s.",
        "response",
        ("water hammer", "pump and motor damage"),
        (
            "header_ramp_bar_s",
            "booster_min_hz",
            "header_rise_max_s",
            "header_ready_s",
            "dosing_proof_s",
            "io_back_s",
        ),
        header_gentle,
    ),
)
