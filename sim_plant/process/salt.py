"""Salt and antiscalant of one unit, each of its mixed volumes solved exactly per step."""

from __future__ import annotations

import math

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled
from sim_plant.process.layout import Floats
from sim_plant.process.membrane import cell_film, mix, polarisation

REFERENCE_DEGC = 25.0


@compiled
def step_unit_salt(p: Floats, u: Floats, b: Floats, uf: Floats, dt_s: float) -> tuple[float, float]:
    """Advance cells and hold-up; mean salt flow (kg/s) leaving with permeate and with concentrate.

    Cell: V dC/dt = Q_in C_in - Q_out C - B a E (C - Cp); the next cell takes the mean over the step,
    so the balance of every cell closes to rounding. Antiscalant likewise, but none of it passes.
    """
    cells = int(p[at.P_CELLS])
    area = p[at.P_AREA] / cells
    b_salt, antiscalant = _salt_permeability(p, b, uf, u), u[at.U_Q_FEED] * b[at.B_ANTISCALANT_FEED]
    c_permeate = u[at.U_PERMEATE_TDS]
    flow, inflow_salt, to_permeate = u[at.U_Q_FEED], u[at.U_Q_FEED] * b[at.B_TDS], 0.0
    b[at.B_SALT_IN] += inflow_salt * dt_s
    for j in range(cells):
        flux = u[at.U_FLUX + j]
        k = cell_film(p[at.P_K], p[at.P_Q_MEAN], u[at.U_Q_FEED], u[at.U_Q_CONCENTRATE], (j + 0.5) / cells)
        flow = max(flow - flux * area, 0.0)
        passage = b_salt * area * polarisation(flux, k)
        u[at.U_CELL + j], mean = mix(
            u[at.U_CELL + j], inflow_salt + passage * c_permeate, flow + passage, p[at.P_CELL_VOLUME], dt_s
        )
        to_permeate += passage * (mean - c_permeate)
        inflow_salt = flow * mean
        u[at.U_ANTISCALANT + j], mean = mix(
            u[at.U_ANTISCALANT + j], antiscalant, flow, p[at.P_CELL_VOLUME], dt_s
        )
        antiscalant = flow * mean
    b[at.B_ANTISCALANT_OUT] += antiscalant * dt_s
    permeate = u[at.U_Q_PERMEATE]
    u[at.U_PERMEATE_TDS], mean = mix(c_permeate, to_permeate, permeate, p[at.P_HOLD_UP], dt_s)
    return permeate * mean, inflow_salt


@compiled
def _salt_permeability(p: Floats, b: Floats, uf: Floats, u: Floats) -> float:
    warm = math.exp(p[at.P_B_PER_K] * (b[at.B_TEMPERATURE] - REFERENCE_DEGC))
    return float(p[at.P_B] * warm * uf[at.UF_B] * u[at.U_WEAR_B])
