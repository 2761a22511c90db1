"""Requirement on analogue loops near the ends of their range."""

from __future__ import annotations

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.causes import other_cause
from sim_plant.bench.monitors.observed import Observed
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.trace import BANK_AI, UNIT_AI, Bools

UNCERTAIN_MA = ((3.6, 3.8), (20.5, 21.0))  # value still used (narrative 1.4)
WATCHED_MS = 3000  # a loop must sit there longer than any loop needs to be called BAD


def uncertain_loop_stops_nothing(obs: Observed) -> Tally:
    """SR-25, the half that shows: a loop that is uncertain, and whose value is no cause, stops no pump."""
    tally = obs.tally("no pump stops while a loop reads 3.6 to 3.8 or 20.5 to 21.0 mA")
    for unit in obs.units:
        loops = [(unit, name) for name in UNIT_AI] + [(0, name) for name in BANK_AI]
        for owner, name in loops:
            for episode in forms.episodes(_uncertain(obs, name, owner), obs.on("pump", unit)):
                _runs_on(obs, tally, unit, name, episode)
    return tally


def _uncertain(obs: Observed, name: str, owner: int) -> Bools:
    current = obs.current_ma(name, owner)
    low, high = UNCERTAIN_MA
    return np.asarray(
        ((current >= low[0]) & (current < low[1])) | ((current > high[0]) & (current <= high[1]))
    )


def _runs_on(obs: Observed, tally: Tally, unit: int, name: str, episode: forms.Episode) -> None:
    start, end, stopped = episode
    if stopped:
        if not other_cause(obs, unit, start, end):
            tally.broken(int(obs.t[end]), unit, f"pump stopped with {name} only uncertain")
    elif forms.length_ms(obs.t, episode) >= WATCHED_MS:
        tally.held(int(obs.t[start]), unit, f"ran on with {name} uncertain")


RULES = (
    Requirement(
        "SR-25",
        "A loop at 3.6 to 3.8 or 20.5 to 21.0 mA is uncertain and stops no pump unless its value does. What "
        "a broken loop stops is judged by the requirement of that loop.",
        "response",
        ("loss of availability", "pump and motor damage"),
        (),
        uncertain_loop_stops_nothing,
    ),
)
