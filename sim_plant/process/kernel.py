"""The step of the whole plant: wires, drives, water, salt, tank.

Written over the flat arrays of ``layout`` so that the same source runs compiled and as plain Python.
Order of one step, each part with the results of the one before:

    supply, contacts and coils -> motors and valves -> pressures and flows -> dose, salt and wear
    -> shared vessels
"""

from __future__ import annotations

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled, compiled_inside
from sim_plant.process.electrics import step_bank_electrics, step_supply, step_unit_electrics, supply_sag
from sim_plant.process.layout import Arrays, Floats
from sim_plant.process.network import flows_to_tank, solve_pressures
from sim_plant.process.salt import step_unit_salt
from sim_plant.process.vessels import (
    step_dosing,
    step_drain,
    step_feed_antiscalant,
    step_hammer,
    step_product,
    step_source,
    step_tank,
)
from sim_plant.process.wear import step_unit_wear

LONGEST_S = 0.1  # a longer step is cut into parts no longer than this
RESTLESS_S = 0.05  # the same while something moves
STILL_SPEED, AT_SPEED, BLED_PA = 0.01, 0.99, 1e3


@compiled_inside
def step_process(a: Arrays, whole_s: float) -> None:
    """Advance the plant by ``whole_s`` in place."""
    p, u, b, uf, bf = a.p, a.u, a.b, a.unit_faults, a.bank_faults
    step_hammer(b, bf, whole_s)
    longest_s = LONGEST_S
    for i in range(u.shape[0]):
        if _restless(u[i]):
            longest_s = RESTLESS_S
            break
    parts = max(int(whole_s / longest_s + 0.999), 1)
    dt_s = whole_s / parts
    for _ in range(parts):
        b[at.B_TIME] += dt_s
        step_source(p, b, bf, a.profiles, dt_s)
        step_supply(p, b, bf, a.bank_out, dt_s)
        step_bank_electrics(p, b, bf, a.bank_out, dt_s)
        for i in range(u.shape[0]):
            step_unit_electrics(p, u[i], b, uf[i], bf, dt_s)
        supply_sag(p, u, b, bf)
        solve_pressures(p, u, b, uf, bf, a.work, dt_s)
        _collect(a, dt_s)
    b[at.B_STEP] += 1.0


@compiled
def _restless(u: Floats) -> bool:
    """Valve or pump on the move, pressure bleeding off, or a flush at low pressure.

    In a flush with the pump off the pressure is hardly above the osmotic pressure, so the permeate hangs
    on a concentration that changes fast.
    """
    feed, flush, speed = float(u[at.U_FEED_X]), float(u[at.U_FLUSH_X]), float(u[at.U_SPEED])
    if 0.0 < feed < 1.0 or 0.0 < flush < 1.0 or STILL_SPEED < speed < AT_SPEED:
        return True
    if feed == 0.0:
        return float(u[at.U_MEMBRANE]) > BLED_PA
    return flush > 0.0 and speed <= STILL_SPEED


@compiled_inside
def _collect(a: Arrays, dt_s: float) -> None:
    """Dose, salt and wear of all units, then what they send to product header, drain and tank.

    Permeate that is diverted or relieved runs to an open drain of its own, not into the shared sump.
    """
    p, u, b, bf = a.p, a.u, a.b, a.bank_faults
    feed = 0.0
    for i in range(u.shape[0]):
        feed += u[i, at.U_Q_FEED]
    step_feed_antiscalant(p, b, step_dosing(p, b, bf, a.bank_out, dt_s), feed, dt_s)
    product, product_salt, drain, waste, waste_salt = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(u.shape[0]):
        permeate_salt, concentrate_salt = step_unit_salt(p, u[i], b, a.unit_faults[i], dt_s)
        step_unit_wear(p, u[i], b, a.unit_faults[i], dt_s)
        drain += u[i, at.U_Q_CONCENTRATE]
        b[at.B_SALT_DRAIN] += concentrate_salt * dt_s
        if flows_to_tank(p, u[i], b):
            product += u[i, at.U_Q_PERMEATE]
            product_salt += permeate_salt
        else:
            waste += u[i, at.U_Q_PERMEATE]
            waste_salt += permeate_salt
    to_tank, relief = step_product(p, b, bf, product, product_salt, dt_s)
    relief_salt = product_salt * relief / (to_tank + relief) if relief > 0.0 else 0.0
    b[at.B_OUT_DRAIN] += (waste + relief) * dt_s
    b[at.B_SALT_DRAIN] += (waste_salt + relief_salt) * dt_s
    step_drain(p, b, bf, drain, dt_s)
    step_tank(p, b, to_tank, (product_salt - relief_salt) * dt_s, dt_s)
