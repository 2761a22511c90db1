"""The plant against an independent, finer integration of the same equations.

The oracle below shares no code with the kernel: quasi-steady pressures by bisection, salt by the
classical Runge-Kutta method. Promised: 0.5 % on pressures and flows, 1 % on concentrations at the
default step of 100 ms.
"""

from __future__ import annotations

import math

import pytest

from sim_plant.process import layout as at
from sim_plant.process.parameters import PlantParameters

BAR, M3H = 1e5, 1 / 3600
HEADER_PA = 3.0 * BAR
LAMINAR = 1.8e6  # Pa s/m3, the plant's small linear loss of every pipe
U = PlantParameters().unit
CELLS, AREA = U.cells, U.membrane_area_m2 / U.cells
KELVIN = 24.0 + 273.15


def viscosity(degc):
    t = (degc + 273.15) / 300
    return 280.68 * t**-1.9 + 511.45 * t**-7.7 + 61.131 * t**-19.6 + 0.45903 * t**-40


THIN = viscosity(25.0) / viscosity(24.0)
A_T = math.exp(2640 * (1 / 298.15 - 1 / KELVIN))
A = U.permeability_lmh_bar * 1e-3 / 3600 / BAR * A_T
B = U.salt_permeability_lmh * 1e-3 / 3600 * math.exp(0.03 * (24.0 - 25.0))
OSMOTIC = 2 * 0.93 * 8.314462618 * KELVIN / 0.0584428 * 0.89
MEAN_FLOW = (U.nominal_feed_m3h + U.nominal_concentrate_m3h) / 2 * M3H
MODULE = U.module_loss_bar * BAR / MEAN_FLOW**2
STATIC_PA = 9.80665 * 2.0 * 998.2


def quadratic_flow(dp, quadratic, linear):
    return (math.sqrt(linear**2 + 4 * quadratic * dp) - linear) / (2 * quadratic) if dp > 0 else 0.0


def bisect(function, low, high):
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) > 0 else (low, middle)
    return (low + high) / 2


def supply(membrane_pa):
    """Flow from the header through feed valve, prefilter and pump at full speed."""
    nominal = U.nominal_feed_m3h * M3H
    fall = (U.pump_shutoff_bar - U.pump_nominal_bar) * BAR
    valve = (U.feed_valve_kv_m3h * M3H / BAR**0.5) ** -2
    linear = 0.03 * fall / nominal + U.prefilter_bar * BAR / nominal / THIN + LAMINAR
    head = HEADER_PA + U.pump_shutoff_bar * BAR - membrane_pa
    return quadratic_flow(head, 0.97 * fall / nominal**2 + valve, linear)


def outflow(membrane_pa, cells, permeate_side, flush_open):
    """(fluxes, permeate, concentrate) at this membrane pressure, by fixed-point iteration."""
    fluxes, permeate, concentrate, behind = [5e-6] * CELLS, 3e-4, 3e-4, 5 * BAR
    product = (1.4 * M3H) ** 2 / (0.1 * BAR)
    for _ in range(60):
        loss = MODULE * (concentrate + permeate / 2) ** 2
        back = STATIC_PA + permeate**2 / product + 1.8e5 * permeate
        for j in range(CELLS):
            share = (j + 0.5) / CELLS
            cross = concentrate + permeate * (1 - share)
            k = U.mass_transfer_m_s * math.sqrt(max(cross / MEAN_FLOW, 0.02))
            drive = membrane_pa - loss * share - back
            e = math.exp(min(fluxes[j] / k, 3.0))
            target = A * (drive - OSMOTIC * (cells[j] - permeate_side) * e)
            fluxes[j] = max(0.5 * fluxes[j] + 0.5 * target, 0.0)
        permeate = sum(fluxes) * AREA
        kv = U.restrictor_kv_m3h
        if flush_open:
            kv += U.flush_valve_kv_m3h / math.sqrt(1 + behind / BAR / U.flush_regulator_bar)
        resistance = (kv * M3H / BAR**0.5) ** -2
        left = membrane_pa - MODULE * permeate**2 / 4
        concentrate = quadratic_flow(left, MODULE + resistance, MODULE * permeate + LAMINAR)
        behind = 0.5 * behind + 0.5 * max(membrane_pa - MODULE * (concentrate + permeate / 2) ** 2, 0)
    return fluxes, permeate, concentrate


def balance(cells, permeate_side, flush_open):
    """(membrane pressure, fluxes, permeate, concentrate) at which inflow and outflow meet."""

    def surplus(pa):
        _fluxes, permeate, concentrate = outflow(pa, cells, permeate_side, flush_open)
        return supply(pa) - permeate - concentrate

    pa = bisect(surplus, 0.0, 18 * BAR)
    return (pa, *outflow(pa, cells, permeate_side, flush_open))


def rates(state, flush_open):
    cells, permeate_side = state[:CELLS], state[CELLS]
    _pa, fluxes, permeate, concentrate = balance(cells, permeate_side, flush_open)
    flow, inflow, passed, out = permeate + concentrate, 3.2, 0.0, []
    for j in range(CELLS):
        cross = concentrate + permeate * (1 - (j + 0.5) / CELLS)
        k = U.mass_transfer_m_s * math.sqrt(cross / MEAN_FLOW)
        salt = B * AREA * math.exp(fluxes[j] / k) * (cells[j] - permeate_side)
        after = flow - fluxes[j] * AREA
        out.append((flow * inflow - after * cells[j] - salt) / (U.feed_side_l * 1e-3 / CELLS))
        passed += salt
        flow, inflow = after, cells[j]
    return [*out, (passed - permeate * permeate_side) / (U.permeate_hold_up_l * 1e-3)]


def runge_kutta(state, flush_open, seconds, h=1.0):
    for _ in range(round(seconds / h)):
        k1 = rates(state, flush_open)
        k2 = rates([s + h / 2 * k for s, k in zip(state, k1, strict=True)], flush_open)
        k3 = rates([s + h / 2 * k for s, k in zip(state, k2, strict=True)], flush_open)
        k4 = rates([s + h * k for s, k in zip(state, k3, strict=True)], flush_open)
        state = [
            s + h / 6 * (a + 2 * b + 2 * c + d) for s, a, b, c, d in zip(state, k1, k2, k3, k4, strict=True)
        ]
    return state


@pytest.mark.parametrize(("what", "seconds"), [("produce", 10), ("produce", 60), ("purge", 20)])
def test_the_plant_agrees_with_the_oracle(make_rig, what, seconds):
    """Given a start (or a purge in steady production), when both go on from the same state, they agree."""
    rig = make_rig().hold("idle", 5).hold("flush", 60).hold("settle", 5)
    rig.hold("produce", 4 if what == "produce" else 300).hold(what, 4)
    u = rig.plant._a.u[0]
    state = [*u[at.U_CELL : at.U_CELL + CELLS], u[at.U_PERMEATE_TDS]]
    state = runge_kutta([float(s) for s in state], what == "purge", seconds)
    pa, _fluxes, permeate, concentrate = balance(state[:CELLS], state[CELLS], what == "purge")
    rig.hold(what, seconds)
    assert rig.true("membrane_bar") == pytest.approx(pa / BAR, rel=0.005)
    assert rig.true("permeate_m3h") == pytest.approx(permeate / M3H, rel=0.005)
    assert rig.true("concentrate_m3h") == pytest.approx(concentrate / M3H, rel=0.005)
    assert rig.true("permeate_tds_mgl") == pytest.approx(state[CELLS] * 1000, rel=0.01)
    for j in range(CELLS):
        assert u[at.U_CELL + j] == pytest.approx(state[j], rel=0.01)
