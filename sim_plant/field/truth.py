"""Fill the arrays of what the plant knows to be true, in display units, as ``sim_plant.truth`` names it."""

from __future__ import annotations

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled
from sim_plant.process.electrics import motor_live
from sim_plant.process.layout import BAR, LITRE, M3H, MGL, Floats


@compiled
def fill_truth(p: Floats, u: Floats, b: Floats, unit_truth: Floats, bank_truth: Floats) -> None:
    """Write ``unit_truth`` (N, UNIT_TRUTH) and ``bank_truth`` (BANK_TRUTH,) in place."""
    last = at.U_CELL + int(p[at.P_CELLS]) - 1
    for i in range(u.shape[0]):
        row = unit_truth[i]
        row[0] = u[i, at.U_SUCTION] / BAR
        row[1] = u[i, at.U_MEMBRANE] / BAR
        row[2] = u[i, at.U_Q_FEED] / M3H
        row[3] = u[i, at.U_Q_PERMEATE] / M3H
        row[4] = u[i, at.U_Q_CONCENTRATE] / M3H
        row[5] = u[i, at.U_PERMEATE_TDS] / MGL
        row[6] = u[i, last] / MGL
        row[7] = u[i, at.U_FEED_X]
        row[8] = u[i, at.U_FLUSH_X]
        row[9] = 1.0 if motor_live(u[i], b) else 0.0
        row[10] = u[i, at.U_FLUSHED] / LITRE
    bank_truth[0] = b[at.B_HEADER] / BAR
    bank_truth[1] = b[at.B_Q_FEED] / M3H
    bank_truth[2] = b[at.B_Q_DRAIN] / M3H
    bank_truth[3] = b[at.B_Q_PRODUCT] / M3H
    bank_truth[4] = b[at.B_Q_DEMAND] / M3H
    bank_truth[5] = b[at.B_TANK] / p[at.P_TANK] * 100.0
    bank_truth[6] = b[at.B_OUT_OVERFLOW]
    bank_truth[7] = b[at.B_TANK_SALT] / max(b[at.B_TANK], 1e-6) / MGL
    bank_truth[8] = b[at.B_TDS] / MGL
    bank_truth[9] = b[at.B_TEMPERATURE]
    bank_truth[10] = b[at.B_CHLORINE]
    bank_truth[11] = b[at.B_HZ]
    bank_truth[12] = b[at.B_DOSED]
    bank_truth[13] = b[at.B_POWER]
