"""Requirements on the product tank: full, overfull, level unknown."""

from __future__ import annotations

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.flushing import resting_flushes
from sim_plant.bench.monitors.observed import BAD_AFTER_S, Observed
from sim_plant.bench.monitors.pump import HARD_WIRED_S
from sim_plant.bench.monitors.reactions import answers, stays_dead
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally

FULL_ANSWER_S = 2.0  # stated by SR-27


def full_tank_stops(obs: Observed) -> Tally:
    """SR-27."""
    sp = obs.setpoints
    tally = obs.tally(f"pumps 0 within {FULL_ANSWER_S:g} s, none starts before {sp.tank_first_pct:g} %")
    full = obs.good("tank_level_ma") & (obs.value("tank_level_ma") >= sp.tank_stop_pct)
    called_rows = np.flatnonzero(obs.below("tank_level_ma", sp.tank_first_pct))
    full_rows = np.flatnonzero(full)
    high = obs.above("tank_level_ma", sp.tank_first_pct)
    for unit in obs.units:
        answers(
            obs, tally, unit, full, obs.on("pump", unit), 0.0, allowance_s=FULL_ANSWER_S, what="pump 0 after"
        )
        for row in obs.rises("pump", unit).tolist():
            was_full, was_called = forms.last_row(full_rows, row), forms.last_row(called_rows, row)
            if was_called is None or (was_full is not None and was_full > was_called):
                tally.broken(int(obs.t[row]), unit, "pump started before the level fell to the restart level")
            elif high[row] or was_full is not None:
                tally.held(int(obs.t[row]), unit, "called below the restart level")
    return tally


def overfull_tank_stops(obs: Observed) -> Tally:
    """SR-28."""
    tally = obs.tally(f"pumps 0 within {HARD_WIRED_S:g} s, then a reset")
    opened, closed = obs.open("tank_not_overfull"), obs.on("tank_not_overfull")
    for unit in obs.units:
        for answer in answers(
            obs, tally, unit, opened, obs.on("pump", unit), 0.0, allowance_s=HARD_WIRED_S, what="pump 0 after"
        ):
            stays_dead(obs, tally, unit, answer.row, clear=closed, why=" with the float closed")
    return tally


def level_unknown_stops(obs: Observed) -> Tally:
    """SR-29."""
    sp = obs.setpoints
    held_s = BAD_AFTER_S + sp.bank_sensor_bad_s
    tally = obs.tally(f"pump 0 within {held_s + 1:g} s, no new start")
    broken = obs.bad("tank_level_ma")
    broken_for_ms = forms.age_ms(obs.t, broken)
    for unit in obs.units:
        answers(obs, tally, unit, broken, obs.on("pump", unit), held_s, allowance_s=1.0, what="pump 0 after")
        for row in obs.rises("pump", unit).tolist():
            begun = [start for start, end in resting_flushes(obs, unit) if end <= row]
            if begun and broken_for_ms[row] >= 0 and broken_for_ms[begun[-1]] > 1000 * (BAD_AFTER_S + 0.5):
                tally.broken(int(obs.t[row]), unit, "a start was begun with the level unknown")
    return tally


RULES = (
    Requirement(
        "SR-27",
        "Tank level at {tank_stop_pct:g} %: all pumps off within 2 s; none starts before the level has "
        "been below {tank_first_pct:g} %.",
        "response",
        ("overflow",),
        ("tank_stop_pct", "tank_first_pct"),
        full_tank_stops,
    ),
    Requirement(
        "SR-28",
        "High-high float open: all pumps off within 0.3 s whatever the level loop reads, and a reset needed.",
        "response",
        ("overflow",),
        (),
        overfull_tank_stops,
    ),
    Requirement(
        "SR-29",
        "Level loop broken: no new start is begun, and running units stop within 2 s and "
        "{bank_sensor_bad_s:g} s, and one second more.",
        "response",
        ("overflow",),
        ("bank_sensor_bad_s",),
        level_unknown_stops,
    ),
)
