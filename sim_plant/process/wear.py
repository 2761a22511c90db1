"""What grows slowly in a unit: oxidation, fouling, scale, and the dirt in its prefilter.

Scale is a simple law of our own choice. The saturation of the last cell is that of the feed times its
concentration factor, S = S_feed C_tail / C_design. Antiscalant holds S_held = 1 + (held - 1) x, where x
is the dose that the feed of that water had, in shares of the design dose, at most 1. While S stands
above S_held the induction clock runs (1 after ``induction_s`` at S = 2 S_held, faster beyond); once it
is over, scale grows at a rate in proportion to S / S_held - 1. Water that is nearly feed (concentrated
less than 1.2 times) rinses the seeds away and sets the clock to 0; scale that has grown stays.
"""

from __future__ import annotations

import math

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled
from sim_plant.process.layout import Floats

OXIDISED_PASSAGE_PER_H = 0.03  # oxidised membranes: salt passage +3 %, permeability +1 % an hour
OXIDISED_FLOW_PER_H = 0.01
RINSED = 1.2  # concentration factor below which no seeds survive, own choice
SCALE_PASSAGE = 0.3  # scale raises salt passage by this share of what it takes from permeability
SCALE_LOSS = 2.0  # and the pressure loss along the module by this multiple of it, own choices
MOST_SCALE = 5.0  # permeability down to 0.7 %: grown shut


@compiled
def step_unit_wear(p: Floats, u: Floats, b: Floats, uf: Floats, dt_s: float) -> None:
    """Advance the slow states and the three factors that the rest of the kernel reads."""
    if uf[at.UF_OXIDISED] > 0.0:
        u[at.U_OXIDISED_H] += dt_s / 3600.0
    u[at.U_TOTAL] += u[at.U_Q_PERMEATE] * dt_s
    u[at.U_LOADED] += max(u[at.U_Q_INLET], 0.0) * dt_s
    u[at.U_FOULING] += p[at.P_FOULING] * uf[at.UF_FOULING] * u[at.U_Q_PERMEATE] * dt_s / p[at.P_AREA]
    _step_scale(p, u, b, dt_s)
    scale, oxidised = u[at.U_SCALE] + uf[at.UF_SCALE], u[at.U_OXIDISED_H]
    u[at.U_WEAR_A] = math.exp(OXIDISED_FLOW_PER_H * oxidised - u[at.U_FOULING] - scale)
    u[at.U_WEAR_B] = math.exp(OXIDISED_PASSAGE_PER_H * oxidised + SCALE_PASSAGE * scale)
    u[at.U_WEAR_LOSS] = 1.0 + SCALE_LOSS * scale


@compiled
def held_saturation(held: float, dose_share: float) -> float:
    """Saturation that antiscalant holds: 1 without any, ``held`` at the design dose and above it."""
    return 1.0 + (held - 1.0) * min(dose_share, 1.0)


@compiled
def _step_scale(p: Floats, u: Floats, b: Floats, dt_s: float) -> None:
    last = int(p[at.P_CELLS]) - 1
    tail = u[at.U_CELL + last]
    if b[at.B_TDS] <= 0.0 or p[at.P_TDS_DESIGN] <= 0.0 or tail <= 0.0:
        u[at.U_SATURATION], u[at.U_INDUCTION] = 0.0, 0.0
        return
    factor = tail / b[at.B_TDS]
    u[at.U_SATURATION] = p[at.P_SATURATION] * tail / p[at.P_TDS_DESIGN]
    dose = u[at.U_ANTISCALANT + last] / factor / p[at.P_HELD_DOSE]
    over = u[at.U_SATURATION] / held_saturation(p[at.P_HELD], dose) - 1.0
    if factor <= RINSED:
        u[at.U_INDUCTION] = 0.0
    elif over > 0.0 and u[at.U_INDUCTION] < 1.0:
        u[at.U_INDUCTION] += over * dt_s / p[at.P_INDUCTION]
    elif over > 0.0:
        u[at.U_SCALE] = min(u[at.U_SCALE] + over * p[at.P_GROWTH] * dt_s, MOST_SCALE)
