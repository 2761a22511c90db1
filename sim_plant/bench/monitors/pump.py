"""Requirements on the high-pressure pump: its feed, its protections, its starts."""

from __future__ import annotations

import itertools

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.causes import alarm_shown, feedback_stays
from sim_plant.bench.monitors.observed import Observed
from sim_plant.bench.monitors.reactions import answers, never, stays_dead
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ROLLING_HOUR_S, reaction_ms, shortest_ms, spacing_ms

HARD_WIRED_S = 0.3  # stated by SR-09, SR-10, SR-28: a contact that is also wired into the coil circuit
OVERLOAD_CLOSED_S = 60.0  # stated by SR-10: protector closed so long before a reset counts


def pump_needs_feed(obs: Observed) -> Tally:
    """SR-01."""
    tally = obs.tally("one scan of lag")
    for unit in obs.units:
        for row in obs.rises("pump", unit):
            tally.held(int(obs.t[row]), unit)
        wrong = obs.on("pump", unit) & ~obs.on("feed_valve", unit)
        never(obs, tally, unit, wrong, allowed_ms=obs.scan_ms, what="pump without feed valve")
    return tally


def high_pressure(obs: Observed) -> Tally:
    """SR-08."""
    sp = obs.setpoints
    tally = obs.tally(f"pump 0 within {sp.discharge_trip_s + 0.5:g} s, then a reset")
    for unit in obs.units:
        high = obs.above("membrane_ma", sp.discharge_trip_bar, unit)
        for answer in answers(
            obs, tally, unit, high, obs.on("pump", unit), sp.discharge_trip_s, what="pump 0 after"
        ):
            if answer.full:
                stays_dead(obs, tally, unit, answer.row)
    return tally


def discharge_switch(obs: Observed) -> Tally:
    """SR-09."""
    tally = obs.tally(f"pump 0 within {HARD_WIRED_S:g} s")
    for unit in obs.units:
        opened = obs.open("discharge_ok", unit)
        answers(
            obs, tally, unit, opened, obs.on("pump", unit), 0.0, allowance_s=HARD_WIRED_S, what="pump 0 after"
        )
    return tally


def motor_protector(obs: Observed) -> Tally:
    """SR-10."""
    tally = obs.tally(f"pump 0 within {HARD_WIRED_S:g} s, reset after {OVERLOAD_CLOSED_S:g} s closed")
    for unit in obs.units:
        tripped = obs.open("motor_healthy", unit)
        closed = forms.held(obs.t, obs.on("motor_healthy", unit), shortest_ms(OVERLOAD_CLOSED_S, obs.scan_ms))
        for answer in answers(
            obs,
            tally,
            unit,
            tripped,
            obs.on("pump", unit),
            0.0,
            allowance_s=HARD_WIRED_S,
            what="pump 0 after",
        ):
            stays_dead(obs, tally, unit, answer.row, clear=closed, why=" after 60 s closed")
    return tally


def feedback_absent(obs: Observed) -> Tally:
    """SR-11."""
    sp = obs.setpoints
    tally = obs.tally(f"pump 0 within {sp.feedback_s + 0.5:g} s")
    for unit in obs.units:
        absent = ~obs.on("pump_running", unit) & obs.powered
        answers(obs, tally, unit, absent, obs.on("pump", unit), sp.feedback_s, what="pump 0 after")
    return tally


def welded_contactor(obs: Observed) -> Tally:
    """SR-12."""
    sp = obs.setpoints
    limit_ms = reaction_ms(sp.feedback_s, obs.scan_ms)
    tally = obs.tally(f"enable 0 and alarm within {sp.feedback_s + 0.5:g} s")
    for unit in obs.units:
        unanswered = obs.on("enable", unit) | ~alarm_shown(obs, unit)
        for start, end in forms.spans(feedback_stays(obs, unit)):
            if forms.length_ms(obs.t, (start, end)) < limit_ms:
                continue
            done = np.flatnonzero(~unanswered[start:end])
            took_row = start + int(done[0]) if len(done) else end
            took_ms = forms.length_ms(obs.t, (start, took_row))
            text = f"enable 0 and alarm after {took_ms / 1000:.1f} s"
            tally.timed(int(obs.t[start]), unit, limit_ms - took_ms, text)
            back = unanswered[took_row:end] if len(done) else unanswered[:0]
            if back.any():
                tally.broken(
                    int(obs.t[took_row]), unit, "enable or no alarm while still welded", trigger=False
                )
    return tally


def starts_and_rest(obs: Observed) -> Tally:
    """SR-13."""
    sp = obs.setpoints
    tally = obs.tally(f"{sp.max_starts_per_h} starts in an hour, {sp.min_off_s:g} s off")
    rest_ms = shortest_ms(sp.min_off_s, obs.scan_ms)
    hour_ms = shortest_ms(ROLLING_HOUR_S, obs.scan_ms)
    for unit in obs.units:
        starts = obs.rises("pump", unit)
        for start in starts:
            stop = forms.last_row(obs.falls("pump", unit), int(start))
            if stop is not None:
                off_ms = int(obs.t[start] - obs.t[stop])
                tally.timed(int(obs.t[start]), unit, off_ms - rest_ms, f"off for {off_ms / 1000:.1f} s")
        closest = forms.tightest(obs.t[starts], sp.max_starts_per_h)
        if closest is not None:
            last, distance_ms = closest
            text = f"{sp.max_starts_per_h + 1} starts in {distance_ms / 1000:.0f} s"
            tally.timed(int(obs.t[starts[last]]), unit, distance_ms - hour_ms, text)
    return tally


def starts_apart(obs: Observed) -> Tally:
    """SR-14."""
    sp = obs.setpoints
    tally = obs.tally(f"{sp.stagger_s:g} s between pump starts of two units")
    starts = sorted((int(row), unit) for unit in obs.units for row in obs.rises("pump", unit))
    for (before, first), (row, second) in itertools.pairwise(starts):
        if first != second:
            apart_ms = int(obs.t[row] - obs.t[before])
            text = f"{apart_ms / 1000:.1f} s after unit {first}"
            tally.timed(int(obs.t[row]), second, apart_ms - spacing_ms(sp.stagger_s), text)
    return tally


def permeate_blocked(obs: Observed) -> Tally:
    """SR-41."""
    sp = obs.setpoints
    tally = obs.tally(f"pump 0 within {sp.permeate_trip_s + 0.5:g} s, then a reset")
    for unit in obs.units:
        opened = obs.open("permeate_ok", unit)
        for answer in answers(
            obs, tally, unit, opened, obs.on("pump", unit), sp.permeate_trip_s, what="pump 0 after"
        ):
            if answer.full:
                stays_dead(obs, tally, unit, answer.row)
    return tally


RULES = (
    Requirement(
        "SR-01",
        "The pump output is never on while the feed valve output is off; one scan of lag is allowed.",
        "invariant",
        ("pump and motor damage",),
        (),
        pump_needs_feed,
    ),
    Requirement(
        "SR-08",
        "Membrane inlet pressure above {discharge_trip_bar:g} bar held {discharge_trip_s:g} s: pump off "
        "within half a second more, and the unit needs a reset.",
        "response",
        ("membrane, mechanical", "stored pressure"),
        ("discharge_trip_bar", "discharge_trip_s"),
        high_pressure,
    ),
    Requirement(
        "SR-09",
        "Discharge pressure switch open: pump off within 0.3 s, whatever the pressure loop reads.",
        "response",
        ("membrane, mechanical",),
        (),
        discharge_switch,
    ),
    Requirement(
        "SR-10",
        "Motor protector open: pump off within 0.3 s; no restart before a reset that is given after the "
        "protector has been closed for 60 s.",
        "response",
        ("pump and motor damage", "electrical, inrush"),
        (),
        motor_protector,
    ),
    Requirement(
        "SR-11",
        "No run feedback {feedback_s:g} s after the pump command: pump off within half a second more.",
        "response",
        ("pump and motor damage",),
        ("feedback_s",),
        feedback_absent,
    ),
    Requirement(
        "SR-12",
        "Run feedback still there {feedback_s:g} s after the stop: enable contactor off and an alarm shown "
        "within half a second more.",
        "response",
        ("stored pressure, unexpected start", "pump and motor damage"),
        ("feedback_s", "io_stale_s"),
        welded_contactor,
    ),
    Requirement(
        "SR-13",
        "No more than {max_starts_per_h} starts of a pump in any hour, and never less than {min_off_s:g} s "
        "between its stop and its next start.",
        "invariant",
        ("pump and motor damage", "electrical, inrush"),
        ("max_starts_per_h", "min_off_s"),
        starts_and_rest,
    ),
    Requirement(
        "SR-14",
        "Pumps of two units never start within {stagger_s:g} s of each other.",
        "invariant",
        ("electrical, inrush",),
        ("stagger_s",),
        starts_apart,
    ),
    Requirement(
        "SR-41",
        "Permeate pressure switch open for {permeate_trip_s:g} s: pump off within half a second more, and "
        "the unit needs a reset.",
        "response",
        ("membrane, mechanical",),
        ("permeate_trip_s",),
        permeate_blocked,
    ),
)
