"""The equations of ``tests/plant/test_plant_scipy.py`` for N units on one header, made fast for SciPy.

Written twice: a loop over units for the compiler, whole-array arithmetic for NumPy. Both differ from
the reference in one thing that is kind to SciPy: the fluxes start from those of the last evaluation,
so that a few Newton steps do instead of some twenty.

State: header Pa, product Pa, then of each unit suction Pa, membranes Pa, cells and permeate kg/m3.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tests.plant import test_plant_scipy as one
from tests.plant.test_plant_scipy import (
    AREA,
    BAR,
    CELLS,
    LAMINAR,
    LITRE,
    M3H,
    MEAN_FLOW,
    MODULE,
    OSMOTIC,
    PREFILTER,
    PRODUCT,
    PRODUCT_LAMINAR,
    STATIC,
    A,
    B,
    P,
    U,
    kv,
)

SHARED, WIDE = 2, CELLS + 3  # states of the bank and of a unit
HEADER_STORE, UNIT_STORE = P.header.compliance_l_bar * LITRE / BAR, U.compliance_l_bar * LITRE / BAR
PRODUCT_STORE, HOLD_UP = 0.3 * LITRE / BAR, U.permeate_hold_up_l * LITRE
CELL, TRANSFER = U.feed_side_l * LITRE / CELLS, U.mass_transfer_m_s
FEED_KV, FLUSH_KV, RESTRICTOR_KV = kv(U.feed_valve_kv_m3h), kv(U.flush_valve_kv_m3h), kv(U.restrictor_kv_m3h)
MINIMUM, BYPASS = kv(P.booster.minimum_flow_kv_m3h) ** -2, kv(U.pump_bypass_kv_m3h) ** -2
REGULATOR = U.flush_regulator_bar * BAR
SHUTOFF, RATED_FLOW = U.pump_shutoff_bar * BAR, U.nominal_feed_m3h * M3H
FALL = SHUTOFF - U.pump_nominal_bar * BAR
FEED_TRAVEL, FLUSH_TRAVEL = U.feed_valve_travel_s, U.flush_valve_travel_s
RUN_UP, COAST = U.run_up_s / 3, U.coast_s / 3
SHUTOFF_BAR, RATED_BAR = P.booster.shutoff_bar, P.booster.rated_bar
BOOSTER_FALL = (SHUTOFF_BAR - RATED_BAR) * BAR
HZ, FEED_TDS = one.HZ, one.FEED_TDS
SHARES = (np.arange(CELLS) + 0.5) / CELLS
# columns of ``drive``: when the command began, position and speed then, what is commanded
D_SINCE, D_FEED, D_FLUSH, D_SPEED, D_OPEN_FEED, D_OPEN_FLUSH, D_RUN = range(7)
# columns of ``memory``: fluxes, then flows and the pressure behind the membranes
M_PERMEATE, M_CONCENTRATE, M_BEHIND, M_INLET = range(CELLS, CELLS + 4)
SETTLED, MOST_ROUNDS = 1e-10, 100  # share of the nominal flow that may be left; rounds to get there


def fresh(n_units: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(state, drive, memory) of a bank that stood overnight."""
    even = FEED_TDS * U.feed_side_l / (U.feed_side_l + U.permeate_hold_up_l)
    unit = [0.0, 0.0, *[even] * (CELLS + 1)]
    memory = np.zeros((n_units, CELLS + 4))
    memory[:, M_PERMEATE:M_INLET] = 1e-4, 2e-4, 2 * BAR
    return np.array([0.0, STATIC, *unit * n_units]), np.zeros((n_units, 7)), memory


@njit
def _travel(start, target, passed, seconds):
    return min(start + passed / seconds, 1.0) if target > 0.0 else max(start - passed / seconds, 0.0)


@njit
def _position(d, t):
    passed = t - d[D_SINCE]
    run = d[D_RUN]
    speed = run + (d[D_SPEED] - run) * math.exp(-passed / (RUN_UP if run > 0.0 else COAST))
    feed = _travel(d[D_FEED], d[D_OPEN_FEED], passed, FEED_TRAVEL)
    return feed, _travel(d[D_FLUSH], d[D_OPEN_FLUSH], passed, FLUSH_TRAVEL), speed


@njit
def begin(drive, i, t, feed, flush, run):
    """Give unit ``i`` a new command at ``t``."""
    d = drive[i]
    d[D_FEED], d[D_FLUSH], d[D_SPEED] = _position(d, t)
    d[D_SINCE], d[D_OPEN_FEED], d[D_OPEN_FLUSH], d[D_RUN] = t, feed, flush, run


@njit
def _through(pa, quadratic, linear):
    if pa <= 0.0:
        return 0.0
    return 2.0 * pa / (linear + math.sqrt(linear * linear + 4.0 * quadratic * pa))


@njit
def _pump(rise, speed, shutoff, fall, rated):
    linear = 0.03 * fall / rated * max(speed, 0.1)
    return _through(shutoff * speed**2 - rise, 0.97 * fall / rated**2, linear)


@njit
def _film(permeate, concentrate, share):
    return TRANSFER * math.sqrt(max((concentrate + permeate * (1.0 - share)) / MEAN_FLOW, 0.02))


@njit
def membranes(y, back, salt, m, flush_open):
    """Solve fluxes, permeate and concentrate of one unit into its row ``m`` of the memory."""
    for _ in range(MOST_ROUNDS):
        permeate, concentrate = m[M_PERMEATE], m[M_CONCENTRATE]
        loss = MODULE * (concentrate + 0.5 * permeate) ** 2
        total = 0.0
        for j in range(CELLS):
            k = _film(permeate, concentrate, SHARES[j])
            pull = A * OSMOTIC * (salt[j] - salt[CELLS]) * math.exp(min(m[j] / k, 3.0))
            miss = m[j] - A * (y - loss * SHARES[j] - back) + pull
            m[j] = max(m[j] - miss / (1.0 + max(pull / k, 0.0)), 0.0)
            total += m[j]
        m[M_PERMEATE] = AREA * total
        outlet = RESTRICTOR_KV + FLUSH_KV * flush_open / math.sqrt(1.0 + m[M_BEHIND] / REGULATOR)
        left = y - 0.25 * MODULE * m[M_PERMEATE] ** 2
        m[M_CONCENTRATE] = _through(left, MODULE + outlet**-2, MODULE * m[M_PERMEATE] + LAMINAR)
        behind = max(y - MODULE * (m[M_CONCENTRATE] + 0.5 * m[M_PERMEATE]) ** 2, 0.0)
        change = abs(m[M_CONCENTRATE] - concentrate) + abs(m[M_PERMEATE] - permeate)
        change += 1e-9 * abs(behind - m[M_BEHIND])
        m[M_BEHIND] = behind
        if change < SETTLED * MEAN_FLOW:
            break


@njit
def compiled_rates(t, state, drive, memory, booster_m3h):
    """dstate/dt; the flows of every unit are left in ``memory``."""
    n = len(drive)
    out = np.empty_like(state)
    header, product = state[0], state[1]
    hz = min(10.0 * t, HZ)
    fed = _pump(max(header, 0.0), hz / 50.0, SHUTOFF_BAR * BAR, BOOSTER_FALL, booster_m3h * M3H)
    fed -= _through(header, MINIMUM, LAMINAR)
    produced = 0.0
    for i in range(n):
        at, m = SHARED + WIDE * i, memory[i]
        suction, membrane, salt = state[at], state[at + 1], state[at + 2 : at + WIDE]
        feed, flush, speed = _position(drive[i], t)
        inlet = 0.0
        if feed > 1e-9:
            inlet = _through(header - suction, (FEED_KV * feed) ** -2, PREFILTER + LAMINAR)
        pumped = _pump(membrane - suction, speed, SHUTOFF, FALL, RATED_FLOW)
        pumped += _through(suction - membrane, BYPASS, LAMINAR)
        membranes(membrane, product, salt, m, flush)
        m[M_INLET] = inlet
        permeate, concentrate = m[M_PERMEATE], m[M_CONCENTRATE]
        fed -= inlet
        produced += permeate
        out[at] = (inlet - pumped) / UNIT_STORE
        out[at + 1] = (pumped - permeate - concentrate) / UNIT_STORE
        flow, inflow, passed = permeate + concentrate, FEED_TDS, 0.0
        for j in range(CELLS):
            after = max(flow - m[j] * AREA, 0.0)
            e = math.exp(min(m[j] / _film(permeate, concentrate, SHARES[j]), 3.0))
            through = B * AREA * e * (salt[j] - salt[CELLS])
            out[at + 2 + j] = (flow * inflow - after * salt[j] - through) / CELL
            passed += through
            flow, inflow = after, salt[j]
        out[at + 2 + CELLS] = (passed - permeate * salt[CELLS]) / HOLD_UP
    out[0] = fed / HEADER_STORE
    out[1] = (produced - _through(product - STATIC, PRODUCT / n**2, PRODUCT_LAMINAR)) / (n * PRODUCT_STORE)
    return out


def _flows(pa, quadratic, linear):
    pa = np.maximum(pa, 0.0)
    return 2.0 * pa / (linear + np.sqrt(linear * linear + 4.0 * quadratic * pa))


def _positions(d, t):
    passed, run = t - d[:, D_SINCE], d[:, D_RUN]
    speed = run + (d[:, D_SPEED] - run) * np.exp(-passed / np.where(run > 0.0, RUN_UP, COAST))
    way = np.where(d[:, D_OPEN_FEED:D_RUN] > 0.0, passed[:, None], -passed[:, None])
    position = d[:, D_FEED:D_SPEED] + way / (FEED_TRAVEL, FLUSH_TRAVEL)
    np.minimum(np.maximum(position, 0.0, out=position), 1.0, out=position)
    return position[:, 0], position[:, 1], speed


def _numpy_membranes(y, back, salt, m, flush):
    """As ``membranes`` for all units at once; the film coefficients and exponentials of the solution."""
    fluxes, osmotic = m[:, :CELLS], A * OSMOTIC * (salt[:, :CELLS] - salt[:, CELLS:])
    pressed, drop, quarter = A * (y - back)[:, None], A * SHARES, 0.25 * MODULE
    for _ in range(MOST_ROUNDS):
        flows = m[:, M_PERMEATE:M_BEHIND].copy()
        permeate, concentrate = flows[:, :1], flows[:, 1:]
        loss = MODULE * (concentrate + 0.5 * permeate) ** 2
        k = TRANSFER * np.sqrt(np.maximum((concentrate + permeate * (1.0 - SHARES)) / MEAN_FLOW, 0.02))
        pull = osmotic * np.exp(np.minimum(fluxes / k, 3.0))
        miss = fluxes - pressed + loss * drop + pull
        np.maximum(fluxes - miss / (1.0 + np.maximum(pull / k, 0.0)), 0.0, out=fluxes)
        through = AREA * fluxes.sum(axis=1)
        outlet = RESTRICTOR_KV + FLUSH_KV * flush / np.sqrt(1.0 + m[:, M_BEHIND] / REGULATOR)
        out = _flows(y - quarter * through**2, MODULE + outlet**-2, MODULE * through + LAMINAR)
        behind = np.maximum(y - MODULE * (out + 0.5 * through) ** 2, 0.0)
        change = abs(out - flows[:, 1]) + abs(through - flows[:, 0]) + 1e-9 * abs(behind - m[:, M_BEHIND])
        m[:, M_PERMEATE], m[:, M_CONCENTRATE], m[:, M_BEHIND] = through, out, behind
        if change.max() < SETTLED * MEAN_FLOW:
            break


def numpy_rates(t, state, drive, memory, booster_m3h):
    """The same in whole-array arithmetic."""
    n, header, product = len(drive), state[0], state[1]
    units = state[SHARED:].reshape(n, WIDE)
    suction, membrane, salt = units[:, 0], units[:, 1], units[:, 2:]
    feed, flush, speed = _positions(drive, t)
    quadratic = np.maximum(FEED_KV * feed, FEED_KV * 1e-9) ** -2
    inlet = np.where(feed > 1e-9, _flows(header - suction, quadratic, PREFILTER + LAMINAR), 0.0)
    linear = 0.03 * FALL / RATED_FLOW * np.maximum(speed, 0.1)
    pumped = _flows(SHUTOFF * speed**2 - membrane + suction, 0.97 * FALL / RATED_FLOW**2, linear)
    pumped += _flows(suction - membrane, BYPASS, LAMINAR)
    _numpy_membranes(membrane, product, salt, memory, flush)
    memory[:, M_INLET] = inlet
    fluxes, cells = memory[:, :CELLS], salt[:, :CELLS]
    permeate, concentrate = memory[:, M_PERMEATE], memory[:, M_CONCENTRATE]
    cross = concentrate[:, None] + permeate[:, None] * (1.0 - SHARES)
    e = np.exp(np.minimum(fluxes / (TRANSFER * np.sqrt(np.maximum(cross / MEAN_FLOW, 0.02))), 3.0))
    through = B * AREA * e * (cells - salt[:, CELLS:])
    flow = np.empty((n, CELLS + 1))
    flow[:, 0] = permeate + concentrate
    flow[:, 1:] = np.maximum(flow[:, :1] - AREA * np.cumsum(fluxes, axis=1), 0.0)
    out = np.empty_like(state)
    rates = out[SHARED:].reshape(n, WIDE)
    rates[:, 0] = (inlet - pumped) / UNIT_STORE
    rates[:, 1] = (pumped - flow[:, 0]) / UNIT_STORE
    carried = flow[:, 1:] * cells
    rates[:, 2] = flow[:, 0] * FEED_TDS
    rates[:, 3 : 2 + CELLS] = carried[:, :-1]
    rates[:, 2 : 2 + CELLS] -= carried + through
    rates[:, 2 : 2 + CELLS] /= CELL
    rates[:, 2 + CELLS] = (through.sum(axis=1) - permeate * salt[:, CELLS]) / HOLD_UP
    fed = one.pump(max(header, 0.0), min(10.0 * t, HZ) / 50.0, SHUTOFF_BAR, RATED_BAR, booster_m3h)
    fed -= one.through(header, MINIMUM, LAMINAR) + inlet.sum()
    out[0] = fed / HEADER_STORE
    to_tank = one.through(product - STATIC, PRODUCT / n**2, PRODUCT_LAMINAR)
    out[1] = (permeate.sum() - to_tank) / (n * PRODUCT_STORE)
    return out


def jacobian(rates, t, state, drive, memory, booster_m3h):
    """Dense d(rates)/d(state) by differences, in ten evaluations for any number of units.

    Units meet in the header and the product line only. One column of all units is moved at once;
    what each unit does to the two shared nodes is read from its own flows.
    """
    n = len(drive)
    result = np.zeros((len(state), len(state)))
    base = rates(t, state, drive, memory, booster_m3h)
    flows = memory.copy()
    starts = SHARED + WIDE * np.arange(n)
    for column in range(SHARED):
        moved = state.copy()
        moved[column] += 10.0
        result[:, column] = (rates(t, moved, drive, memory, booster_m3h) - base) / 10.0
    for column in range(WIDE):
        by = 10.0 if column < 2 else 1e-5
        moved = state.copy()
        moved[starts + column] += by
        change = (rates(t, moved, drive, memory, booster_m3h) - base) / by
        for row in range(WIDE):
            result[starts + row, starts + column] = change[starts + row]
        result[0, starts + column] = (flows[:, M_INLET] - memory[:, M_INLET]) / by / HEADER_STORE
        made = (memory[:, M_PERMEATE] - flows[:, M_PERMEATE]) / by
        result[1, starts + column] = made / (n * PRODUCT_STORE)
    return result
