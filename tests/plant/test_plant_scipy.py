"""The plant against SciPy: the same equations, written anew, integrated by LSODA to nine digits.

One unit on its header goes through start flush, settling, production, purge and standby. The model
below shares no code with the kernel. It keeps the pressures of header, suction, membranes and product
header as states with their compliances, so that nothing is taken for steady that is not. Promised at
steps of 100 ms: 0.5 % on pressures and flows, 1 % on concentrations, once valves have come to rest.

The slow states (fouling, scale, dirt in the prefilter) are set to do nothing.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim_plant.process import layout as at
from sim_plant.process.parameters import PlantParameters, Scaling, Unit

BAR, M3H, LITRE, LMH = 1e5, 1 / 3600, 1e-3, 1e-3 / 3600
LAMINAR, PRODUCT_LAMINAR = 1.8e6, 1.8e5  # Pa s/m3: the small linear losses of pipes and product line
HZ, FEED_TDS, DEGC = 46.0, 3.2, 24.0
U = Unit(fouling_per_m=0, prefilter_doubles_m3=1e6)
P = PlantParameters(unit=U, scaling=Scaling(growth_per_h=0))
PROFILE = (
    ("idle", 10), ("flush", 60), ("settle", 10), ("produce", 300), ("purge", 20), ("produce", 60),
    ("settle", 5), ("idle", 600),
)  # fmt: skip
OPEN_FEED = {"idle": 0, "flush": 1, "settle": 1, "produce": 1, "purge": 1}
OPEN_FLUSH = {"idle": 0, "flush": 1, "settle": 0, "produce": 0, "purge": 1}
RUNNING = {"idle": 0, "flush": 0, "settle": 0, "produce": 1, "purge": 1}


def kv(m3h):
    return m3h * M3H / math.sqrt(BAR)


def viscosity(degc):
    t = (degc + 273.15) / 300
    return 280.68 * t**-1.9 + 511.45 * t**-7.7 + 61.131 * t**-19.6 + 0.45903 * t**-40


def through(pa, quadratic, linear):
    """Flow where ``pa`` = quadratic Q2 + linear Q; none backwards."""
    if pa <= 0:
        return 0.0
    return (math.sqrt(linear**2 + 4 * quadratic * pa) - linear) / (2 * quadratic)


def pump(rise, speed, shutoff_bar, rated_bar, rated_m3h):
    fall, rated = (shutoff_bar - rated_bar) * BAR, rated_m3h * M3H
    linear = 0.03 * fall / rated * max(speed, 0.1)
    return through(shutoff_bar * BAR * speed**2 - rise, 0.97 * fall / rated**2, linear)


CELLS, AREA = U.cells, U.membrane_area_m2 / U.cells
WARM = math.exp(2640 * (1 / 298.15 - 1 / (DEGC + 273.15)))
A = U.permeability_lmh_bar * LMH / BAR * WARM
B = U.salt_permeability_lmh * LMH * math.exp(U.salt_per_k * (DEGC - 25))
OSMOTIC = 2 * 0.93 * 8.314462618 * (DEGC + 273.15) / 0.0584428 * P.source.osmotic_ratio_to_nacl
MEAN_FLOW = (U.nominal_feed_m3h + U.nominal_concentrate_m3h) / 2 * M3H
MODULE = U.module_loss_bar * BAR / MEAN_FLOW**2
PREFILTER = U.prefilter_bar * BAR / (U.nominal_feed_m3h * M3H) * viscosity(DEGC) / viscosity(25)
STATIC = 998.2 * 9.80665 * P.header.product_static_m
ATOL = np.array([1e7] * 4 + [1.0] * (CELLS + 1))  # Pa and kg/m3 in which the tolerance is taken near 0
PRODUCT = P.header.product_loss_bar * BAR / (U.nominal_permeate_m3h * M3H) ** 2


class Life:
    """Positions and speeds over time: straight travels, exponential run-up and run-down."""

    def __init__(self):
        self.t, self.feed, self.flush, self.speed, self.what = 0.0, 0.0, 0.0, 0.0, "idle"

    def begin(self, t, what):
        self.feed, self.flush, self.speed = self.feed_at(t), self.flush_at(t), self.speed_at(t)
        self.t, self.what = t, what

    def _travel(self, t, start, target, seconds):
        moved = (t - self.t) / seconds
        return min(start + moved, 1.0) if target else max(start - moved, 0.0)

    def feed_at(self, t):
        return self._travel(t, self.feed, OPEN_FEED[self.what], U.feed_valve_travel_s)

    def flush_at(self, t):
        return self._travel(t, self.flush, OPEN_FLUSH[self.what], U.flush_valve_travel_s)

    def speed_at(self, t):
        running = RUNNING[self.what]
        tau = (U.run_up_s if running else U.coast_s) / 3
        return running + (self.speed - running) * math.exp(-(t - self.t) / tau)


def membranes(membrane, back, cells, permeate_side, flush_open):
    """(fluxes, permeate, concentrate): film theory, module loss and outlet solved together."""
    fluxes, permeate, concentrate, behind = [0.0] * CELLS, 1e-4, 2e-4, 2 * BAR
    for _ in range(200):
        loss = MODULE * (concentrate + permeate / 2) ** 2
        for j in range(CELLS):
            share = (j + 0.5) / CELLS
            k = film(permeate, concentrate, share)
            drive = membrane - loss * share - back
            fluxes[j] = flux(drive, OSMOTIC * (cells[j] - permeate_side), k, fluxes[j])
        outlet = kv(U.restrictor_kv_m3h)
        outlet += kv(U.flush_valve_kv_m3h) * flush_open / math.sqrt(1 + behind / BAR / U.flush_regulator_bar)
        new_permeate = AREA * sum(fluxes)
        left = membrane - MODULE * new_permeate**2 / 4
        new = through(left, MODULE + outlet**-2, MODULE * new_permeate + LAMINAR)
        new_behind = max(membrane - MODULE * (new + new_permeate / 2) ** 2, 0.0)
        change = abs(new - concentrate) + abs(new_permeate - permeate) + 1e-9 * abs(new_behind - behind)
        permeate, concentrate, behind = new_permeate, new, new_behind
        if change < 1e-14:
            break
    return fluxes, permeate, concentrate


def film(permeate, concentrate, share):
    cross = concentrate + permeate * (1 - share)
    return U.mass_transfer_m_s * math.sqrt(max(cross / MEAN_FLOW, 0.02))


def flux(drive, osmotic, k, guess):
    """J = A (drive - osmotic exp(J/k)), not below 0, by Newton's method to rounding."""
    j = guess
    for _ in range(30):
        e = math.exp(min(j / k, 3.0))
        step = (j - A * (drive - osmotic * e)) / (1 + max(A * osmotic * e / k, 0.0))
        j -= step
        if abs(step) < 1e-17:
            break
    return max(j, 0.0)


def rates(t, state, life):
    header, suction, membrane, product, *cells, permeate_side = state
    hz = min(10.0 * t, HZ)
    booster = pump(max(header, 0.0), hz / 50, 4.5, 3.0, 16.0)
    booster -= through(header, kv(P.booster.minimum_flow_kv_m3h) ** -2, LAMINAR)
    opening = life.feed_at(t)
    inlet = 0.0
    if opening > 1e-9:
        inlet = through(header - suction, (kv(U.feed_valve_kv_m3h) * opening) ** -2, PREFILTER + LAMINAR)
    pumped = pump(
        membrane - suction, life.speed_at(t), U.pump_shutoff_bar, U.pump_nominal_bar, U.nominal_feed_m3h
    ) + through(suction - membrane, kv(U.pump_bypass_kv_m3h) ** -2, LAMINAR)
    fluxes, permeate, concentrate = membranes(membrane, product, cells, permeate_side, life.flush_at(t))
    to_tank = through(product - STATIC, PRODUCT, PRODUCT_LAMINAR)
    flow, inflow, passed, salt = permeate + concentrate, FEED_TDS, 0.0, []
    for j in range(CELLS):
        after = max(flow - fluxes[j] * AREA, 0.0)
        e = math.exp(min(fluxes[j] / film(permeate, concentrate, (j + 0.5) / CELLS), 3.0))
        through_membrane = B * AREA * e * (cells[j] - permeate_side)
        salt.append((flow * inflow - after * cells[j] - through_membrane) / (U.feed_side_l * LITRE / CELLS))
        passed += through_membrane
        flow, inflow = after, cells[j]
    compliance = U.compliance_l_bar * LITRE / BAR
    return [
        (booster - inlet) / (P.header.compliance_l_bar * LITRE / BAR),
        (inlet - pumped) / compliance,
        (pumped - permeate - concentrate) / compliance,
        (permeate - to_tank) / (0.3 * LITRE / BAR),
        *salt,
        (passed - permeate * permeate_side) / (U.permeate_hold_up_l * LITRE),
    ]


def looks():
    """Times to look at: every 5 s, never while a valve moves."""
    t, times = 0, []
    for what, seconds in PROFILE:
        times += [(t + s, what) for s in range(5, seconds + 1, 5)]
        t += seconds
    return times


@cache
def scipy_run(rtol=1e-9):
    """State, permeate and concentrate at every look; ``evaluations`` of the right-hand side in all."""
    life, t = Life(), 0.0
    even = FEED_TDS * U.feed_side_l / (U.feed_side_l + U.permeate_hold_up_l)
    state = np.array([0.0, 0.0, 0.0, STATIC, *[even] * CELLS, even])
    rows, evaluations = {}, 0
    for what, seconds in PROFILE:
        life.begin(t, what)
        end = t + seconds
        # a corner in the motion ends a piece, so that no step looks across it
        corners = {t + 1e-9, end, *(t + s for s in (U.flush_valve_travel_s, U.feed_valve_travel_s, 4.6))}
        stops = sorted({s for s in corners if s <= end} | {s for s, _ in looks() if t < s <= end})
        for stop in stops:
            solution = solve_ivp(
                rates,
                (t, stop),
                state,
                "LSODA",
                rtol=rtol,
                atol=[1e-2] * 4 + [1e-9] * (CELLS + 1),
                args=(life,),
            )
            assert solution.success, solution.message
            t, state = stop, solution.y[:, -1]
            evaluations += solution.nfev
            cells = state[4 : 4 + CELLS].tolist()
            _j, permeate, concentrate = membranes(state[2], state[3], cells, state[-1], life.flush_at(t))
            rows[stop] = np.array(
                [*(state[:3] / BAR), permeate / M3H, concentrate / M3H, *(1000 * state[4:])]
            )
    return rows, evaluations


def plant_run(make):
    """The same row of quantities of the plant at every look; ``make`` builds the rig of conftest."""
    rig, rows, t = make(), {}, 0
    rig.hz = HZ
    for look, what in looks():
        rig.hold(what, look - t)
        t, unit = look, rig.plant._a.u[0]
        row = [rig.true("header_bar", 0), *map(rig.true, ("suction_bar", "membrane_bar"))]
        row += [rig.true("permeate_m3h"), rig.true("concentrate_m3h")]
        row += [1000 * c for c in (*unit[at.U_CELL : at.U_CELL + CELLS], unit[at.U_PERMEATE_TDS])]
        rows[look] = np.array(row)
    return rows


def relative_errors(rows, expected):
    """Relative errors, (looks, quantities): 5 pressures and flows, then the concentrations.

    What is nearly nothing is measured against half a bar, 0.1 m3/h and 10 mg/L.
    """
    least = np.array([0.5] * 3 + [0.1] * 2 + [10.0] * (CELLS + 1))
    pairs = [(rows[look], expected[look]) for look, _what in looks()]
    return np.array([abs(ours - theirs) / np.maximum(abs(theirs), least) for ours, theirs in pairs])


@pytest.fixture(name="errors")
def _errors(make_rig):
    return relative_errors(plant_run(lambda: make_rig(1, P, regulated=False)), scipy_run()[0])


def test_pressures_and_flows_are_within_half_a_percent(errors):
    assert errors[:, :5].max() < 0.005


def test_concentrations_are_within_one_percent(errors):
    assert errors[:, 5:].max() < 0.01


def test_the_profile_puts_the_equations_to_the_test():
    """Pressures, flows and salt of the reference itself move over their range."""
    rows = np.array(list(scipy_run()[0].values()))
    membrane_bar, permeate_mgl = rows[:, 2], rows[:, -1]
    assert membrane_bar.max() > 12
    assert membrane_bar[-5:].min() < 0.1
    assert permeate_mgl.min() < 120
    assert permeate_mgl.max() > 2000
