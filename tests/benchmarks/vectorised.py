"""One step of membrane transport for many units at once with NumPy, beside the kernel's own loop.

Compared is the part of the step that is arithmetic on arrays: the fluxes of all cells by one Newton
step (``network._permeate``), then the exact salt step of every cell and of the permeate hold-up
(``salt.step_unit_salt``). The chain of cells is sequential in both. Left out of both: the pressure
solve, electrics, instruments.
"""

from __future__ import annotations

import numpy as np

from sim_plant.plant import Plant
from sim_plant.process import layout as at
from sim_plant.process import membrane, network, salt, water
from sim_plant.process.compiled import compiled
from sim_plant.process.layout import Arrays, Floats


@compiled
def kernel_transport(a: Arrays, a_t: float, osmotic: float, dt_s: float) -> None:
    """The kernel's functions, unit after unit."""
    for i in range(a.u.shape[0]):
        network._permeate(a.p, a.u[i], a.unit_faults[i], a.u[i, at.U_MEMBRANE], a_t, osmotic)
        salt.step_unit_salt(a.p, a.u[i], a.b, a.unit_faults[i], dt_s)


def _mix(c: Floats, source: Floats, sink: Floats, volume: float, dt_s: float) -> tuple[Floats, Floats]:
    x = sink * dt_s / volume
    change = (source - sink * c) * dt_s / volume
    with np.errstate(divide="ignore", invalid="ignore"):
        series = 0.5 - x / 6.0 * (1.0 - x / 4.0 * (1.0 - x / 5.0 * (1.0 - x / 6.0 * (1.0 - x / 7.0))))
        mean = np.where(x < 0.05, series, (1.0 + np.expm1(-x) / x) / x)
    return np.maximum(c + change * (1.0 - x * mean), 0.0), c + change * mean


def numpy_transport(a: Arrays, a_t: float, osmotic: float, dt_s: float) -> None:
    """The same for all units at once, in whole-array arithmetic."""
    p, u, uf, cells = a.p, a.u, a.unit_faults, int(a.p[at.P_CELLS])
    area = p[at.P_AREA] / cells
    fluxes, bulk = u[:, at.U_FLUX : at.U_FLUX + cells], u[:, at.U_CELL : at.U_CELL + cells]
    share = (np.arange(cells) + 0.5) / cells
    permeate, concentrate = u[:, at.U_Q_PERMEATE, None], u[:, at.U_Q_CONCENTRATE, None]
    feed = permeate + concentrate
    ratio = (feed + (concentrate - feed) * share) / p[at.P_Q_MEAN]
    k = p[at.P_K] * np.sqrt(np.maximum(ratio, membrane.LEAST_CROSS_FLOW))
    loss = p[at.P_MODULE] * u[:, at.U_WEAR_LOSS, None] * (0.5 * (feed + concentrate)) ** 2
    drive = u[:, at.U_MEMBRANE, None] - loss * share - u[:, at.U_PERMEATE_PRESSURE, None]
    gap = osmotic * (bulk - u[:, at.U_PERMEATE_TDS, None])
    permeability = (p[at.P_A] * a_t * uf[:, at.UF_A] * u[:, at.U_WEAR_A])[:, None]
    e = np.exp(np.minimum(fluxes / k, membrane.MOST_POLARISATION))
    slope = 1.0 + np.maximum(permeability * gap * e / k, 0.0)
    fluxes[:] = np.maximum(fluxes + (permeability * (drive - gap * e) - fluxes) / slope, 0.0)
    _numpy_salt(a, area, cells, k, dt_s)


def _numpy_salt(a: Arrays, area: float, cells: int, k: Floats, dt_s: float) -> None:
    p, u, b = a.p, a.u, a.b
    warm = np.exp(p[at.P_B_PER_K] * (b[at.B_TEMPERATURE] - salt.REFERENCE_DEGC))
    b_salt = p[at.P_B] * warm * a.unit_faults[:, at.UF_B] * u[:, at.U_WEAR_B]
    behind, flow = u[:, at.U_PERMEATE_TDS].copy(), u[:, at.U_Q_FEED].copy()
    inflow, passed = flow * b[at.B_TDS], np.zeros(len(u))
    dose = flow * b[at.B_ANTISCALANT_FEED]
    b[at.B_SALT_IN] += inflow.sum() * dt_s
    e = np.exp(np.minimum(u[:, at.U_FLUX : at.U_FLUX + cells] / k, membrane.MOST_POLARISATION))
    for j in range(cells):
        flow = np.maximum(flow - u[:, at.U_FLUX + j] * area, 0.0)
        passage = b_salt * area * e[:, j]
        u[:, at.U_CELL + j], mean = _mix(
            u[:, at.U_CELL + j], inflow + passage * behind, flow + passage, p[at.P_CELL_VOLUME], dt_s
        )
        passed += passage * (mean - behind)
        inflow = flow * mean
        u[:, at.U_ANTISCALANT + j], mean = _mix(
            u[:, at.U_ANTISCALANT + j], dose, flow, p[at.P_CELL_VOLUME], dt_s
        )
        dose = flow * mean
    b[at.B_ANTISCALANT_OUT] += dose.sum() * dt_s
    u[:, at.U_PERMEATE_TDS], _mean = _mix(behind, passed, u[:, at.U_Q_PERMEATE], p[at.P_HOLD_UP], dt_s)


def factors(plant: Plant) -> tuple[float, float]:
    """(temperature factor of A, osmotic pressure of 1 kg/m3) of the plant's water."""
    degc = plant._a.b[at.B_TEMPERATURE]
    osmotic = water.osmotic_pa_per_kg_m3(degc, plant._a.p[at.P_OSMOTIC])
    return membrane.temperature_factor(degc), osmotic
