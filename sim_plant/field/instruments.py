"""Between the true value and the wire: measuring loops and contacts.

A loop: first-order lag, then gain, offset and drift, noise, spikes, converter step, the limits 3.8 and
20.5 mA of a measurement (NAMUR NE 43), and last what a fault puts on the wire. A contact: the condition,
then what a fault makes of it. With the 24 V gone every contact is open and every loop at 0 mA.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

import sim_plant.process.layout as at
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, names
from sim_plant.process.compiled import compiled, compiled_inside
from sim_plant.process.electrics import motor_live
from sim_plant.process.layout import Arrays, Floats

LEAST_MA, MOST_MA = 3.8, 20.5
STUCK_AT, STUCK_LAST = 1.0, 2.0
FORCED_OPEN, FORCED_CLOSED = 1.0, 2.0
SHUT = 0.02  # share of its travel below which a valve's closed proof makes
HIGH_WORD = 0xFFFFFFFF
SUCTION_LOOP = names(UNIT_SIGNALS, Kind.AI).index("suction_ma")
HEADER_LOOP = names(BANK_SIGNALS, Kind.AI).index("header_ma")


@compiled
def hash32(seed: int, step: int, channel: int) -> int:
    """Thirty-two mixed bits from three counters; no state, so a snapshot needs none.

    Multiply-and-shift rounds of a public-domain integer hash (constants from memory). The products
    may wrap in compiled code; the mask keeps the low word, which is the same either way.
    """
    x = seed & HIGH_WORD
    for part in (step, channel, 0):
        x = (x + part) & HIGH_WORD
        x = x ^ (x >> 16)
        x = (x * 0x7FEB352D) & HIGH_WORD
        x = x ^ (x >> 15)
        x = (x * 0x846CA68B) & HIGH_WORD
        x = x ^ (x >> 16)
    return x


@compiled
def noise(seed: int, step: int, channel: int) -> float:
    """Triangular noise of mean 0, standard deviation 1, never beyond 2.45."""
    bits = hash32(seed, step, channel)
    return ((bits & 0xFFFF) + (bits >> 16) - 65535.0) / 65536.0 * math.sqrt(6.0)


@compiled
def true_loops(a: Arrays) -> None:
    """What the loops measure, each in its signal's unit, into ``a.true``.

    A pressure surge reaches the header and, past an open feed valve, the suctions.
    """
    u, b, loops, true = a.u, a.b, a.loops, a.true
    bank = u.shape[0] * at.UNIT_AIS
    for n in range(loops.shape[0]):
        column, scale = int(loops[n, at.L_COLUMN]), loops[n, at.L_SCALE]
        true[n] = scale * (u[n // at.UNIT_AIS, column] if n < bank else b[column])
    if b[at.B_HAMMER] > 0.0:
        true[bank + HEADER_LOOP] += b[at.B_HAMMER] / at.BAR
        for i in range(u.shape[0]):
            true[i * at.UNIT_AIS + SUCTION_LOOP] += b[at.B_HAMMER] / at.BAR * u[i, at.U_FEED_X]


@compiled_inside
def read_loops(a: Arrays, dt_s: float) -> None:
    """Loop currents ``a.ma`` from the true values ``a.true``.

    A loop whose I/O module no longer answers keeps its last current.
    """
    p, b, loops, faults, state = a.p, a.b, a.loops, a.loop_faults, a.loop_state
    keep, bank = 0.0, a.u.shape[0] * at.UNIT_AIS
    tau = -1.0
    for n in range(loops.shape[0]):
        wanted = max(loops[n, at.L_TAU], faults[n, at.LF_TAU])
        if wanted != tau:  # neighbours mostly share their lag
            tau, keep = wanted, math.exp(-dt_s / wanted)
        _step_loop(faults[n], state[n], a.true[n], keep, dt_s)
        if n < bank and a.unit_faults[n // at.UNIT_AIS, at.UF_IO_LOST] > 0.0:
            continue
        if b[at.B_CONTROL] == 0.0:
            state[n, at.LS_WIRE] = 0.0
        elif faults[n, at.LF_FORCED] > 0.0:
            state[n, at.LS_WIRE] = faults[n, at.LF_CURRENT]
        else:
            if faults[n, at.LF_STUCK] != STUCK_LAST:
                state[n, at.LS_LAST] = _measured_ma(p, b, loops[n], faults[n], state[n], n)
            state[n, at.LS_WIRE] = state[n, at.LS_LAST]
    for n in range(loops.shape[0]):
        if n >= bank or a.unit_faults[n // at.UNIT_AIS, at.UF_IO_LOST] == 0.0:
            swap = int(faults[n, at.LF_SWAP])
            a.ma[n] = state[swap - 1 if swap > 0 else n, at.LS_WIRE]


@compiled
def _step_loop(faults: Floats, state: Floats, true: float, keep: float, dt_s: float) -> None:
    away = (state[at.LS_VALUE] - true) * keep
    state[at.LS_VALUE] = true + away if abs(away) > 1e-12 else true
    state[at.LS_DRIFT] = (
        state[at.LS_DRIFT] + faults[at.LF_DRIFT] * dt_s if faults[at.LF_DRIFT] != 0.0 else 0.0
    )
    state[at.LS_SPIKE_S] = state[at.LS_SPIKE_S] + dt_s if faults[at.LF_SPIKE] != 0.0 else 0.0


@compiled
def _measured_ma(p: Floats, b: Floats, loop: Floats, faults: Floats, state: Floats, n: int) -> float:
    lo, span = loop[at.L_LO], loop[at.L_SPAN]
    value = state[at.LS_VALUE] * faults[at.LF_GAIN] + faults[at.LF_OFFSET] + state[at.LS_DRIFT]
    sigma = max(loop[at.L_NOISE], faults[at.LF_NOISE])
    if sigma > 0.0:
        value += sigma * span * noise(int(b[at.B_SEED]), int(b[at.B_STEP]), n)
    if faults[at.LF_SPIKE] != 0.0:  # the first one at once
        into = (state[at.LS_SPIKE_S] + 1e-9) % faults[at.LF_PERIOD]
        value += faults[at.LF_SPIKE] if into < faults[at.LF_WIDTH] else 0.0
    if faults[at.LF_STUCK] == STUCK_AT:
        value = faults[at.LF_STUCK_AT]
    if faults[at.LF_STEP] > 0.0:
        value = math.floor(value / faults[at.LF_STEP] + 0.5) * faults[at.LF_STEP]
    current = 4.0 + 16.0 * (value - lo) / span
    current = math.floor(current / p[at.P_RESOLUTION] + 0.5) * p[at.P_RESOLUTION]
    return float(min(max(current, LEAST_MA), MOST_MA))


@compiled
def step_switches(p: Floats, u: Floats, b: Floats) -> None:
    """Pressure switches of one unit, with their hysteresis, and whether its motor has voltage."""
    u[at.U_LIVE] = 1.0 if motor_live(u, b) else 0.0
    u[at.U_PSLL] = 1.0 if u[at.U_SUCTION] > p[at.P_PSLL] else 0.0
    if u[at.U_MEMBRANE] >= p[at.P_PSHH]:
        u[at.U_PSHH] = 0.0
    elif u[at.U_MEMBRANE] < p[at.P_PSHH_RESET]:
        u[at.U_PSHH] = 1.0
    if u[at.U_PERMEATE_PRESSURE] >= p[at.P_PSH]:
        u[at.U_PSH] = 0.0
    elif u[at.U_PERMEATE_PRESSURE] < 0.9 * p[at.P_PSH]:
        u[at.U_PSH] = 1.0


@compiled_inside
def read_contacts(a: Arrays) -> None:
    """Contact image ``a.di``: unit rows of UNIT_DIS, then the bank's; last what faults force."""
    u, b, uf, faults, di = a.u, a.b, a.unit_faults, a.contact_faults, a.di
    for i in range(u.shape[0]):
        if uf[i, at.UF_IO_LOST] == 0.0:
            _read_unit(u[i], uf[i], di[i * at.UNIT_DIS : (i + 1) * at.UNIT_DIS])
    _read_bank(a.p, b, a.bank_faults, a.bank_out, di[u.shape[0] * at.UNIT_DIS :])
    for n in range(di.shape[0]):
        if n < u.shape[0] * at.UNIT_DIS and uf[n // at.UNIT_DIS, at.UF_IO_LOST] > 0.0:
            continue
        if faults[n] == FORCED_OPEN or b[at.B_CONTROL] == 0.0:
            di[n] = False
        elif faults[n] == FORCED_CLOSED:
            di[n] = True


@compiled
def _read_unit(u: Floats, uf: Floats, di: NDArray[np.bool_]) -> None:
    di[0] = u[at.U_AUTO] > 0.0
    di[1] = u[at.U_ISOLATOR] > 0.0
    di[2] = u[at.U_MAIN_SEEN] > 0.0
    di[3] = u[at.U_ENABLE_SEEN] > 0.0
    di[4] = u[at.U_PROTECTOR] > 0.0
    di[5] = u[at.U_PSLL] > 0.0
    di[6] = u[at.U_PSHH] > 0.0
    di[7] = u[at.U_PSH] > 0.0
    di[8] = uf[at.UF_LEAK] == 0.0
    di[9] = u[at.U_FEED_X] <= SHUT
    di[10] = u[at.U_FLUSH_X] <= SHUT


@compiled
def _read_bank(p: Floats, b: Floats, bf: Floats, bank_out: Floats, di: NDArray[np.bool_]) -> None:
    di[0] = b[at.B_ESTOP] > 0.0
    di[1] = b[at.B_SUPPLY_OK] > 0.0
    di[2] = b[at.B_RESET] > 0.0
    di[3] = b[at.B_RUN] > 0.0
    di[4] = b[at.B_DRIVE_RUNS] > 0.0
    di[5] = b[at.B_DRIVE_OK] > 0.0
    di[6] = b[at.B_STOCK] > p[at.P_STOCK_LOW] and bf[at.BF_EMPTY] == 0.0
    di[7] = bank_out[at.O_DOSING] > 0.0
    di[8] = b[at.B_PULSE] > 1e-9
    di[9] = True
    di[10] = b[at.B_FLOAT_HIGH_OK] > 0.0
    di[11] = b[at.B_FLOAT_LOW_OK] > 0.0
    di[12] = bf[at.BF_DRY] == 0.0
    di[13] = bf[at.BF_FLOOR_LEAK] == 0.0 and b[at.B_SUMP] < 0.99 * p[at.P_SUMP_SPILL]
    di[14] = b[at.B_SUMP] < p[at.P_SUMP_HIGH]
