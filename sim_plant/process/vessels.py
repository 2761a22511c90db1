"""What the units share downstream and upstream: source water, product header, tank, sump, dosing."""

from __future__ import annotations

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled
from sim_plant.process.hydraulics import flow_through, lag
from sim_plant.process.layout import Floats
from sim_plant.process.membrane import mix

FLOAT_BAND = 0.02  # a float that tipped comes back after this change of level
RELIEF_KV_FACTOR = 1.0  # the relief valve passes as much as the product line
LOW_LAMINAR = 1.8e5  # Pa s/m3, keeps the square-root laws smooth at no flow


HAMMER_S = 0.05  # length of a pressure surge


@compiled
def profile_at(row: Floats, hour: float) -> float:
    """Value of a daily profile: straight lines between its points, across midnight too."""
    n = int(row[0])
    if n == 1:
        return float(row[2])
    k = 0
    while k < n and row[1 + 2 * k] <= hour:
        k += 1
    before, after = (k - 1) % n, k % n
    h0, h1 = row[1 + 2 * before], row[1 + 2 * after]
    share = ((hour - h0) % 24.0) / ((h1 - h0) % 24.0)
    return float(row[2 + 2 * before] + (row[2 + 2 * after] - row[2 + 2 * before]) * share)


@compiled
def _now(row: Floats, hour: float, forced: float) -> float:
    return forced if forced >= 0.0 else profile_at(row, hour)


@compiled
def step_source(p: Floats, b: Floats, bf: Floats, profiles: Floats, dt_s: float) -> None:
    """Water quality arriving in the header and the demand of the moment: a fault, else the profile."""
    hour = (p[at.P_START_H] + b[at.B_TIME] / 3600.0) % 24.0
    tds = _now(profiles[at.PR_TDS], hour, bf[at.BF_TDS])
    degc = _now(profiles[at.PR_TEMPERATURE], hour, bf[at.BF_TEMPERATURE])
    b[at.B_TDS] = lag(b[at.B_TDS], tds, dt_s, p[at.P_MIXING])
    b[at.B_TEMPERATURE] = lag(b[at.B_TEMPERATURE], degc, dt_s, p[at.P_MIXING])
    b[at.B_CHLORINE] = _now(profiles[at.PR_CHLORINE], hour, bf[at.BF_CHLORINE])
    b[at.B_DEMAND] = _now(profiles[at.PR_DEMAND], hour, b[at.B_DEMAND_SET]) + bf[at.BF_SURGE]
    b[at.B_DECLINE] = b[at.B_DECLINE] + bf[at.BF_DECLINE] * dt_s if bf[at.BF_DECLINE] > 0.0 else 0.0


@compiled
def step_hammer(b: Floats, bf: Floats, dt_s: float) -> None:
    """A surge passes once for each fault: its mean over the step, as the instruments see it.

    The quasi-steady network knows no waves; a surge this short moves no water to speak of.
    """
    if bf[at.BF_HAMMER] == 0.0:
        b[at.B_HAMMER_LEFT] = HAMMER_S
    lasts = min(b[at.B_HAMMER_LEFT], dt_s)
    b[at.B_HAMMER] = bf[at.BF_HAMMER] * lasts / dt_s
    if bf[at.BF_HAMMER] > 0.0:
        b[at.B_HAMMER_LEFT] -= lasts


@compiled
def step_product(
    p: Floats, b: Floats, bf: Floats, product: float, salt: float, dt_s: float
) -> tuple[float, float]:
    """Product header pressure; returns the flows into the tank and out of the relief valve, m3/s.

    The header yields a little (hoses, trapped air): C dP/dt = product - to_tank - relief, one implicit
    step with the slope of the outflow.
    """
    if product > 0.0:
        b[at.B_PRODUCT_TDS] = salt / product
    pressure, store = b[at.B_PRODUCT_PRESSURE], p[at.P_PRODUCT_COMPLIANCE] / dt_s
    is_open = b[at.B_PRODUCT_VALVE] > 0.0 and bf[at.BF_PRODUCT_SHUT] == 0.0
    quadratic = p[at.P_PRODUCT_KV] ** -2
    over = pressure
    for _ in range(8):
        to_tank = flow_through(over - p[at.P_PRODUCT_STATIC], quadratic, LOW_LAMINAR) if is_open else 0.0
        relief = flow_through(over - p[at.P_RELIEF], quadratic * RELIEF_KV_FACTOR, LOW_LAMINAR)
        slope = store
        if to_tank > 0.0:
            slope += 1.0 / (2.0 * quadratic * to_tank + LOW_LAMINAR)
        if relief > 0.0:
            slope += 1.0 / (2.0 * quadratic * RELIEF_KV_FACTOR * relief + LOW_LAMINAR)
        move = (product - to_tank - relief - store * (over - pressure)) / slope
        over = max(over + move, 0.0)
        if abs(move) < 1.0:
            break
    b[at.B_PRODUCT_PRESSURE] = over
    out = max(product - store * (over - pressure), 0.0)
    share = relief / (to_tank + relief) if to_tank + relief > 0.0 else 0.0
    b[at.B_Q_PRODUCT] = out * (1.0 - share)
    return out * (1.0 - share), out * share


@compiled
def step_drain(p: Floats, b: Floats, bf: Floats, flow: float, dt_s: float) -> None:
    """Sump: fills with what the units send, empties at the drain's capacity, spills above its rim."""
    b[at.B_Q_DRAIN] = flow
    content = b[at.B_SUMP] + flow * dt_s
    away = min(content, p[at.P_DRAIN] * bf[at.BF_DRAIN] * dt_s)
    content -= away
    spilled = max(content - p[at.P_SUMP_SPILL], 0.0)
    b[at.B_SUMP] = content - spilled
    b[at.B_SPILLED] += spilled
    b[at.B_OUT_DRAIN] += away


@compiled
def step_tank(p: Floats, b: Floats, inflow: float, salt_kg: float, dt_s: float) -> None:
    """Product tank: inflow, demand, overflow, floats; its salt is evenly mixed."""
    volume = b[at.B_TANK] + inflow * dt_s
    b[at.B_TANK_SALT] += salt_kg
    used = min(b[at.B_DEMAND] * dt_s, volume)
    over = max(volume - used - p[at.P_TANK], 0.0)
    concentration = max(b[at.B_TANK_SALT], 0.0) / volume if volume > 1e-9 else 0.0
    b[at.B_TANK] = volume - used - over
    b[at.B_TANK_SALT] -= concentration * (used + over)
    b[at.B_TANK_TDS] = concentration
    b[at.B_Q_DEMAND] = used / dt_s
    b[at.B_OUT_USED] += used
    b[at.B_OUT_OVERFLOW] += over
    b[at.B_SALT_USED] += concentration * used
    b[at.B_SALT_OVERFLOW] += concentration * over
    step_floats(p, b)


@compiled
def step_floats(p: Floats, b: Floats) -> None:
    """High-high float opens at its level, low float closes above its own; both with a small band."""
    level = b[at.B_TANK] / p[at.P_TANK]
    if level >= p[at.P_FLOAT_HIGH]:
        b[at.B_FLOAT_HIGH_OK] = 0.0
    elif level < p[at.P_FLOAT_HIGH] - FLOAT_BAND:
        b[at.B_FLOAT_HIGH_OK] = 1.0
    if level > p[at.P_FLOAT_LOW]:
        b[at.B_FLOAT_LOW_OK] = 1.0
    elif level < p[at.P_FLOAT_LOW] - FLOAT_BAND:
        b[at.B_FLOAT_LOW_OK] = 0.0


@compiled
def step_dosing(p: Floats, b: Floats, bf: Floats, bank_out: Floats, dt_s: float) -> float:
    """Antiscalant strokes: each delivers one stroke volume and holds the pulse contact for a moment.

    A line that siphons opens the pump's valves too, so it pulses without being asked. Returns the mL.
    """
    b[at.B_PULSE] = max(b[at.B_PULSE] - dt_s, 0.0)
    rate_ml_s = bf[at.BF_SIPHON]
    if bank_out[at.O_DOSING] > 0.0 and b[at.B_CONTROL] > 0.0 and bf[at.BF_NO_PULSE] == 0.0:
        rate_ml_s += min(max((bank_out[at.O_RATE_MA] - 4.0) / 16.0, 0.0), 1.0) * p[at.P_DOSE_FULL]
    if bf[at.BF_EMPTY] > 0.0 or b[at.B_STOCK] == 0.0:
        rate_ml_s = 0.0
    b[at.B_STROKE] += rate_ml_s / p[at.P_STROKE] * dt_s
    strokes = float(int(b[at.B_STROKE]))
    if strokes < 1.0:
        return 0.0
    b[at.B_STROKE] -= strokes
    given = min(strokes * p[at.P_STROKE] * bf[at.BF_DOSE], b[at.B_STOCK])
    b[at.B_STOCK] -= given
    b[at.B_DOSED] += given
    b[at.B_PULSE] = p[at.P_PULSE]
    return float(given)


@compiled
def step_feed_antiscalant(p: Floats, b: Floats, dosed_ml: float, feed: float, dt_s: float) -> None:
    """The dose mixes into the water of the feed header, from which the units draw ``feed`` m3/s."""
    dosed = dosed_ml * p[at.P_ANTISCALANT]
    b[at.B_ANTISCALANT_IN] += dosed
    b[at.B_ANTISCALANT], b[at.B_ANTISCALANT_FEED] = mix(
        b[at.B_ANTISCALANT], dosed / dt_s, feed, p[at.P_HEADER_VOLUME], dt_s
    )
