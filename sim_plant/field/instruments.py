"""Between the true value and the wire: measuring loops and contacts.

A loop: first-order lag, then gain, offset and drift, noise, converter step, the limits 3.8 and 20.5 mA
of a measurement (NAMUR NE 43), and last what a fault puts on the wire. A contact: the condition, then
what a fault makes of it. With the supply gone every contact is open and every loop at 0 mA.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled
from sim_plant.process.hydraulics import lag
from sim_plant.process.layout import Arrays, Floats

LEAST_MA, MOST_MA = 3.8, 20.5
STUCK_AT, STUCK_LAST = 1.0, 2.0
FORCED_OPEN, FORCED_CLOSED = 1.0, 2.0
HIGH_WORD = 0xFFFFFFFF


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
def read_loops(a: Arrays, dt_s: float) -> None:
    """Loop currents ``a.ma`` from the true values ``a.true``.

    ``a.frozen`` marks loops whose I/O module no longer answers: they keep their last current.
    """
    p, b, loops, faults, state = a.p, a.b, a.loops, a.loop_faults, a.loop_state
    true, ma, frozen = a.true, a.ma, a.frozen
    for n in range(loops.shape[0]):
        drifts = faults[n, at.LF_DRIFT] != 0.0
        state[n, at.LS_DRIFT] = state[n, at.LS_DRIFT] + faults[n, at.LF_DRIFT] * dt_s if drifts else 0.0
        tau = max(loops[n, at.L_TAU], faults[n, at.LF_TAU])
        state[n, at.LS_VALUE] = lag(state[n, at.LS_VALUE], true[n], dt_s, tau)
        if frozen[n] > 0.0:
            continue
        if b[at.B_POWER] == 0.0:
            ma[n] = 0.0
        elif faults[n, at.LF_FORCED] > 0.0:
            ma[n] = faults[n, at.LF_CURRENT]
        else:
            if faults[n, at.LF_STUCK] != STUCK_LAST:
                state[n, at.LS_LAST] = _measured_ma(p, b, loops, faults, state, n)
            ma[n] = state[n, at.LS_LAST]


@compiled
def _measured_ma(p: Floats, b: Floats, loops: Floats, faults: Floats, state: Floats, n: int) -> float:
    lo, span = loops[n, at.L_LO], loops[n, at.L_SPAN]
    value = state[n, at.LS_VALUE] * faults[n, at.LF_GAIN] + faults[n, at.LF_OFFSET] + state[n, at.LS_DRIFT]
    sigma = max(loops[n, at.L_NOISE], faults[n, at.LF_NOISE])
    if sigma > 0.0:
        value += sigma * span * noise(int(b[at.B_SEED]), int(b[at.B_STEP]), n)
    if faults[n, at.LF_STUCK] == STUCK_AT:
        value = faults[n, at.LF_STUCK_AT]
    current = 4.0 + 16.0 * (value - lo) / span
    current = math.floor(current / p[at.P_RESOLUTION] + 0.5) * p[at.P_RESOLUTION]
    return float(min(max(current, LEAST_MA), MOST_MA))


@compiled
def true_loops(p: Floats, u: Floats, b: Floats, true: Floats) -> None:
    """What the loops measure, each in its signal's unit, in the row order of the loops."""
    for i in range(u.shape[0]):
        n = i * at.UNIT_AIS
        true[n] = u[i, at.U_SUCTION] / at.BAR
        true[n + 1] = u[i, at.U_MEMBRANE] / at.BAR
        true[n + 2] = u[i, at.U_PERMEATE_TDS] / at.MGL / p[at.P_PERMEATE_FACTOR]
        true[n + 3] = u[i, at.U_Q_PERMEATE] / at.M3H
        true[n + 4] = u[i, at.U_Q_CONCENTRATE] / at.M3H
    n = u.shape[0] * at.UNIT_AIS
    true[n] = b[at.B_HEADER] / at.BAR
    true[n + 1] = b[at.B_Q_FEED] / at.M3H
    true[n + 2] = b[at.B_TEMPERATURE]
    true[n + 3] = b[at.B_TDS] / at.MGL / p[at.P_FEED_FACTOR] / 1000.0
    true[n + 4] = b[at.B_CHLORINE]
    true[n + 5] = b[at.B_HZ]
    true[n + 6] = b[at.B_TANK] / p[at.P_TANK] * 100.0
    true[n + 7] = b[at.B_PRODUCT_TDS] / at.MGL / p[at.P_PERMEATE_FACTOR]


@compiled
def step_switches(p: Floats, u: Floats) -> None:
    """Pressure switches of one unit, with their hysteresis."""
    u[at.U_PSLL] = 1.0 if u[at.U_SUCTION] > p[at.P_PSLL] else 0.0
    if u[at.U_MEMBRANE] >= p[at.P_PSHH]:
        u[at.U_PSHH] = 0.0
    elif u[at.U_MEMBRANE] < p[at.P_PSHH_RESET]:
        u[at.U_PSHH] = 1.0
    if u[at.U_PERMEATE_PRESSURE] >= p[at.P_PSH]:
        u[at.U_PSH] = 0.0
    elif u[at.U_PERMEATE_PRESSURE] < 0.9 * p[at.P_PSH]:
        u[at.U_PSH] = 1.0


@compiled
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
        if faults[n] == FORCED_OPEN or b[at.B_POWER] == 0.0:
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


@compiled
def _read_bank(p: Floats, b: Floats, bf: Floats, bank_out: Floats, di: NDArray[np.bool_]) -> None:
    di[0] = b[at.B_ESTOP] > 0.0
    di[1] = b[at.B_SUPPLY_OK] > 0.0
    di[2] = b[at.B_RESET] > 0.0
    di[3] = b[at.B_RUN] > 0.0
    di[4] = b[at.B_DRIVE_RUNS] > 0.0
    di[5] = bf[at.BF_TRIP] == 0.0
    di[6] = b[at.B_STOCK] > p[at.P_STOCK_LOW] and bf[at.BF_EMPTY] == 0.0
    di[7] = bank_out[at.O_DOSING] > 0.0
    di[8] = b[at.B_PULSE] > 1e-9
    di[9] = True
    di[10] = b[at.B_FLOAT_HIGH_OK] > 0.0
    di[11] = b[at.B_FLOAT_LOW_OK] > 0.0
    di[12] = bf[at.BF_DRY] == 0.0
    di[13] = bf[at.BF_FLOOR_LEAK] == 0.0 and b[at.B_SUMP] < 0.99 * p[at.P_SUMP_SPILL]
    di[14] = b[at.B_SUMP] < p[at.P_SUMP_HIGH]
