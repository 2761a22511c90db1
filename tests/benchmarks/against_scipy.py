"""A bank through flush, production, purge and standby: the plant against SciPy's integrator.

Both do the program of ``tests/plant/test_plant_scipy.py``, all units together or one after another.
SciPy gets what a careful user would give it: LSODA restarts only where a command or the end of a valve's
travel makes a corner, an absolute tolerance that fits the promise, a Jacobian in ten evaluations. It
knows the commands beforehand and may leap over minutes in which nothing happens; the plant takes every
100 ms and does its wires, drives and instruments as well. ``scan_by_scan`` is the use beside a
controller: what comes next is not known before the end of each 100 ms.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
from scipy.integrate import solve_ivp

from controller.signals import BankOutputs, Outputs
from sim_plant.plant import Plant
from sim_plant.process import layout as at
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH
from tests.benchmarks import bank_model as model
from tests.plant import test_plant_scipy as one
from tests.plant.conftest import COMMANDS

LOOK_S, STEP_MS = 5, 100
TOLERANCES = (1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 3e-5, 1e-5)
EXACT = 1e-8
JACOBIAN_COSTS = model.SHARED + model.WIDE + 1  # evaluations
PRESSURE_PROMISE, SALT_PROMISE = 0.005, 0.01
# what is nearly nothing is measured against these: Pa of header and product, then of a unit
FLOORS = 5e4, np.array([5e4, 5e4, *[0.01] * (model.CELLS + 1)])
Rates = Callable[..., np.ndarray]


@dataclass(frozen=True)
class Program:
    """``n_units`` units go through the profile, each ``apart_s`` (a multiple of 5 s) after the last."""

    n_units: int
    apart_s: int = 0

    @property
    def seconds(self) -> int:
        """Until the last unit has done."""
        return sum(s for _what, s in one.PROFILE) + self.apart_s * (self.n_units - 1)

    @property
    def booster_m3h(self) -> float:
        """The demo plant's booster for one unit, else one that fits the bank."""
        return 16.0 if self.n_units == 1 else 2.8 * self.n_units

    def commands(self) -> dict[int, dict[int, str]]:
        """Time of each change -> unit (from 0) -> what it does from then on."""
        changes: dict[int, dict[int, str]] = {}
        for i in range(self.n_units):
            t = 0
            for what, seconds in one.PROFILE:
                changes.setdefault(t + self.apart_s * i if t else 0, {})[i] = what
                t += seconds
        return changes

    def looks(self) -> list[int]:
        """Every 5 s, just before a command may come: valves travel 3 s at most."""
        return list(range(LOOK_S, self.seconds + 1, LOOK_S))


# --- the plant -------------------------------------------------------------------------------------


def plant_of(program: Program) -> Plant:
    """A plant of the same equations; whatever wears is set to do nothing."""
    p = one.P
    booster = p.booster.model_copy(update={"rated_flow_m3h": program.booster_m3h})
    return Plant(program.n_units, p.model_copy(update={"booster": booster}))


def images(program: Program) -> list[Outputs]:
    """The outputs of every step, built beforehand: constant between commands but for the watchdog."""
    changes, units, out = program.commands(), ["idle"] * program.n_units, []
    shown: tuple[Outputs, Outputs] | None = None
    for k in range(program.seconds * 1000 // STEP_MS):
        t_ms = k * STEP_MS
        if t_ms % 1000 == 0 and t_ms // 1000 in changes:
            for i, what in changes[t_ms // 1000].items():
                units[i] = what
            commanded = tuple(COMMANDS[what] for what in units)
            off, on = (
                BankOutputs(True, True, True, w, False, 4 + 16 * one.HZ / 60, 8.0) for w in (False, True)
            )
            shown = Outputs(off, commanded), Outputs(on, commanded)
        assert shown is not None
        out.append(shown[t_ms // 500 % 2])
    return out


def plant_seconds(program: Program, until_s: int | None = None, repeats: int = 7) -> float:
    """Wall time of the program, nothing but calls of ``Plant.step``; the best of the repeats."""
    outputs, best = images(program)[: until_s and until_s * 1000 // STEP_MS], np.inf
    for _ in range(repeats):
        step = plant_of(program).step
        start = time.perf_counter()
        for image in outputs:
            step(image, STEP_MS)
        best = min(best, time.perf_counter() - start)
    return float(best)


def plant_rows(program: Program) -> np.ndarray:
    """What the plant says at every look, see ``_row``."""
    plant, rows = plant_of(program), []
    unit = [UNIT_TRUTH.index(n) for n in ("suction_bar", "membrane_bar", "permeate_m3h", "concentrate_m3h")]
    for k, image in enumerate(images(program), 1):
        plant.step(image, STEP_MS)
        if k * STEP_MS % (1000 * LOOK_S) == 0:
            salt = plant._a.u[:, [*range(at.U_CELL, at.U_CELL + model.CELLS), at.U_PERMEATE_TDS]]
            header = plant.bank_truth[BANK_TRUTH.index("header_bar")]
            rows.append(_row(header, *plant.unit_truth[:, unit].T, salt))
    return np.array(rows)


def _row(
    header: float, suction: np.ndarray, membrane: np.ndarray, permeate: np.ndarray, rest: np.ndarray,
    salt: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """(units, 5 + cells + 1): pressures bar, permeate and concentrate m3/h, concentrations mg/L."""
    pressures = np.full_like(suction, header), suction, membrane, permeate, rest
    return np.column_stack([*pressures, 1000 * salt])


# --- SciPy -----------------------------------------------------------------------------------------


def _pieces(program: Program) -> Iterator[tuple[float, float, dict[int, str]]]:
    """(from, to, commands at its begin): a corner in any motion ends a piece."""
    changes = program.commands()
    corners = {4.6: {}, float(program.seconds): {}} | {float(t): what for t, what in changes.items()}
    position = ["idle"] * program.n_units
    for t, units in sorted(changes.items()):
        for i, what in units.items():
            for opens, travel in ((one.OPEN_FEED, model.FEED_TRAVEL), (one.OPEN_FLUSH, model.FLUSH_TRAVEL)):
                if opens[what] != opens[position[i]]:
                    corners.setdefault(t + travel, {})
            position[i] = what
    times = sorted(corners)
    for begin, end in pairwise(times):
        yield begin, end, corners[begin]


def _bank(program: Program) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(state, drive, memory, floors of the absolute tolerance)."""
    floors = np.array([FLOORS[0], FLOORS[0], *np.tile(FLOORS[1], program.n_units)])
    return *model.fresh(program.n_units), floors


def _begin(drive: np.ndarray, t: float, commands: dict[int, str]) -> None:
    for i, what in commands.items():
        model.begin(drive, i, t, one.OPEN_FEED[what], one.OPEN_FLUSH[what], one.RUNNING[what])


def scipy_rows(program: Program, rates: Rates, rtol: float) -> tuple[np.ndarray, float, int]:
    """(rows at the looks, seconds of integrating, evaluations)."""
    state, drive, memory, floors = _bank(program)
    rest = drive, memory, program.booster_m3h
    jacobian, rows, spent, evaluations = partial(model.jacobian, rates), [], 0.0, 0
    for begin, end, commands in _pieces(program):
        _begin(drive, begin, commands)
        looks = [t for t in program.looks() if begin < t <= end]
        seen = looks if looks and looks[-1] == end else [*looks, end]
        start = time.perf_counter()
        solution = solve_ivp(
            rates, (begin, end), state, "LSODA", t_eval=seen, args=rest, rtol=rtol, atol=rtol * floors,
            jac=jacobian,
        )  # fmt: skip
        spent += time.perf_counter() - start
        if not solution.success:
            raise RuntimeError(solution.message)
        evaluations += solution.nfev + JACOBIAN_COSTS * solution.njev
        state = solution.y[:, -1]
        rows += [_scipy_row(t, y, drive, memory) for t, y in zip(looks, solution.y.T, strict=False)]
    return np.array(rows), spent, evaluations


def scan_by_scan(program: Program, rates: Rates, rtol: float, until_s: int) -> tuple[np.ndarray, float]:
    """(rows at the looks, seconds of integrating): a new start of LSODA for every step of 100 ms."""
    state, drive, memory, floors = _bank(program)
    changes, rows, spent = program.commands(), [], 0.0
    jacobian = partial(model.jacobian, rates)
    for k in range(until_s * 10):
        if k % 10 == 0:
            _begin(drive, k / 10, changes.get(k // 10, {}))
        start = time.perf_counter()
        solution = solve_ivp(
            rates, (k / 10, (k + 1) / 10), state, "LSODA", t_eval=((k + 1) / 10,), rtol=rtol,
            args=(drive, memory, program.booster_m3h), atol=rtol * floors, jac=jacobian,
        )  # fmt: skip
        spent += time.perf_counter() - start
        state = solution.y[:, -1]
        if (k + 1) % (10 * LOOK_S) == 0:
            rows.append(_scipy_row((k + 1) / 10, state, drive, memory))
    return np.array(rows), spent


def _scipy_row(t: float, state: np.ndarray, drive: np.ndarray, memory: np.ndarray) -> np.ndarray:
    memory = memory.copy()
    model.compiled_rates(t, state, drive, memory, 1.0)  # leaves the flows of that moment in ``memory``
    units = state[model.SHARED :].reshape(-1, model.WIDE)
    flows = memory[:, model.M_PERMEATE], memory[:, model.M_CONCENTRATE]
    bar, m3h = one.BAR, one.M3H
    return _row(
        state[0] / bar, units[:, 0] / bar, units[:, 1] / bar, flows[0] / m3h, flows[1] / m3h, units[:, 2:]
    )


# --- both ------------------------------------------------------------------------------------------


def relative_errors(rows: np.ndarray, exact: np.ndarray) -> np.ndarray:
    """(looks, units, quantities), measured as the reference does."""
    least = np.array([0.5] * 3 + [0.1] * 2 + [10.0] * (model.CELLS + 1))
    return abs(rows - exact) / np.maximum(abs(exact), least)


def errors(rows: np.ndarray, exact: np.ndarray) -> tuple[float, float]:
    """Worst relative error (pressures and flows, concentrations) over looks and units."""
    relative = relative_errors(rows, exact)
    return float(relative[..., :5].max()), float(relative[..., 5:].max())


def beyond(rows: np.ndarray, exact: np.ndarray) -> tuple[int, int]:
    """(looks at a unit that break the promise, all looks)."""
    relative = relative_errors(rows, exact)
    broken = (relative[..., :5] >= PRESSURE_PROMISE).any(-1) | (relative[..., 5:] >= SALT_PROMISE).any(-1)
    return int(broken.sum()), broken.size


def no_worse(worst: tuple[float, float], plant: tuple[float, float]) -> bool:
    """The plant's promise is kept, or at least what the plant itself does on this program."""
    return worst[0] < max(PRESSURE_PROMISE, plant[0]) and worst[1] < max(SALT_PROMISE, plant[1])


def check_models() -> None:
    """Both right-hand sides are the reference's equations, at random states of one unit that starts."""
    rng, life = np.random.default_rng(1), one.Life()
    _state, drive, memory = model.fresh(1)
    for t, what in ((10.0, "flush"), (15.0, "produce")):
        life.begin(t, what)
        _begin(drive, t, {0: what})
    for _ in range(20):
        header, suction, membrane = rng.uniform(0, (3e5, 3e5, 1.2e6))
        product, salt, t = rng.uniform(0, 5e4), rng.uniform(1, 9, model.CELLS + 1), rng.uniform(15, 19)
        h, x, y, p, *rest = one.rates(t, [header, suction, membrane, product, *salt], life)
        expected = np.array([h, p, x, y, *rest])
        for rates in (model.compiled_rates, model.numpy_rates):
            ours = rates(t, np.array([header, product, suction, membrane, *salt]), drive, memory, 16.0)
            np.testing.assert_allclose(ours, expected, rtol=1e-6, atol=1e-9 * abs(expected).max())
