"""``python -m tests.benchmarks``: how fast the plant steps, all figures and ratios of one run.

Not part of the tests: figures belong to a machine. Every time is the best of several repeats.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

from controller.signals import BankOutputs, Outputs, UnitOutputs
from sim_plant.plant import Plant
from sim_plant.process import layout as at
from sim_plant.process.parameters import PlantParameters
from sim_plant.truth import UNIT_TRUTH
from tests.benchmarks import vectorised
from tests.plant import test_plant_scipy as reference
from tests.plant.conftest import Rig

PRODUCE = UnitOutputs(True, False, True, True, True, False)
BANK = BankOutputs(True, True, True, False, False, 17.0, 8.0)
TWIN_UNITS, TWIN_STEPS = 8, 60
SIZES = (1, 8, 24, 64)
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


class Bank:
    """A plant held in production: booster, tank and drain fit its size, the watchdog output lives."""

    def __init__(self, n_units: int, steps: int = 1200) -> None:
        nominal = PlantParameters()
        parameters = nominal.model_copy(
            update={
                "booster": nominal.booster.model_copy(update={"rated_flow_m3h": 2.8 * n_units}),
                "tank": nominal.tank.model_copy(update={"demand_m3h": 1.4 * n_units}),
                "drain": nominal.drain.model_copy(update={"capacity_m3h": 2.0 * n_units}),
            }
        )
        self.plant = Plant(n_units, parameters)
        self.images = [Outputs(BANK._replace(watchdog=on), (PRODUCE,) * n_units) for on in (False, True)]
        self.k = 0
        for _ in range(steps):
            self.scan()

    def scan(self) -> None:
        """Outputs in, one step, inputs out."""
        self.k += 1
        self.plant.step(self.images[self.k // 5 % 2], 100)
        self.plant.inputs()

    def only_step(self) -> None:
        """Outputs in and one step, as the long stretches of a run are."""
        self.k += 1
        self.plant.step(self.images[self.k // 5 % 2], 100)

    def step(self) -> None:
        """One step and a look at the instruments, without the images."""
        self.k += 1
        self.plant._a.bank_out[at.O_WATCHDOG] = self.k // 5 % 2
        self.plant._run(0.1)

    def check(self) -> None:
        """What was measured was production."""
        permeate = self.plant.unit_truth[:, UNIT_TRUTH.index("permeate_m3h")]
        if not (permeate > 1.0).all():
            raise RuntimeError(f"not in production: {permeate.min():.2f} m3/h of permeate")


def best_us(call: Callable[[], object], times: int, repeats: int = 7) -> float:
    """Microseconds for one call: the best of ``repeats`` runs of ``times`` calls."""
    seconds = []
    for _ in range(repeats):
        start = time.perf_counter()
        for _ in range(times):
            call()
        seconds.append(time.perf_counter() - start)
    return 1e6 * min(seconds) / times


def step_us(n_units: int) -> tuple[float, float]:
    """(one step of the compiled kernel with its instruments, the same with the images of a scan)."""
    bank = Bank(n_units)
    figures = best_us(bank.step, 500), best_us(bank.scan, 500)
    bank.check()
    return figures


def times_real(n_units: int) -> tuple[float, float]:
    """(best, median) of how many times faster than real time ``Plant.step`` alone is, in 100 short runs."""
    bank = Bank(n_units)
    runs = [best_us(bank.only_step, 100, 1) for _ in range(100)]
    bank.check()
    return 1e5 / min(runs), 1e5 / float(np.median(runs))


def twin_us() -> tuple[float, float]:
    """(compiled, plain Python) microseconds of one step of the same source, ``TWIN_UNITS`` units."""
    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
    command = [sys.executable, "-m", "tests.benchmarks", "--plain-step"]
    plain = subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout
    return step_us(TWIN_UNITS)[0], float(plain)


def plain_step() -> float:
    """What the subprocess of ``twin_us`` measures: here the compiler is switched off."""
    bank = Bank(TWIN_UNITS, 60)
    microseconds = best_us(bank.step, TWIN_STEPS, 3)
    bank.check()
    return microseconds


def transport_us(n_units: int) -> tuple[float, float]:
    """(compiled loop, NumPy) microseconds of one transport step; both must agree first."""
    one = Bank(n_units, 300).plant
    two = Plant(n_units, one.parameters)
    two.restore(one.snapshot())
    numbers = vectorised.factors(one)
    for _ in range(20):
        vectorised.kernel_transport(one._a, *numbers, 0.1)
        vectorised.numpy_transport(two._a, *numbers, 0.1)
    np.testing.assert_allclose(one._a.u, two._a.u, rtol=1e-9, atol=1e-15)
    return (
        best_us(lambda: vectorised.kernel_transport(one._a, *numbers, 0.1), 500),
        best_us(lambda: vectorised.numpy_transport(two._a, *numbers, 0.1), 500),
    )


def scipy_rows() -> list[str]:
    """SciPy's integrator at the loosest tolerance that keeps the plant's promise, and the plant."""
    exact, _ = reference.scipy_run()

    def plant() -> dict[int, np.ndarray]:
        return reference.plant_run(lambda: Rig(Plant(1, reference.P)))

    plant()  # warm
    start = time.perf_counter()
    rows = plant()
    ours_s = time.perf_counter() - start
    lines = [_scipy_line("plant, steps of 100 ms", ours_s, reference.relative_errors(rows, exact), "")]
    for rtol in (1e-2, 1e-3, 1e-4, 1e-5, 1e-6):
        start = time.perf_counter()
        rows, evaluations = reference.scipy_run(rtol)
        seconds = time.perf_counter() - start
        errors = reference.relative_errors(rows, exact)
        if errors[:, :5].max() < 0.005 and errors[:, 5:].max() < 0.01:
            note = f", {evaluations} evaluations; plant {seconds / ours_s:.0f} times faster"
            return [*lines, _scipy_line(f"LSODA, rtol {rtol:g}", seconds, errors, note)]
    return [*lines, "  LSODA kept the promise at no tolerance tried"]


def _scipy_line(what: str, seconds: float, errors: np.ndarray, note: str) -> str:
    pressure, salt = 100 * errors[:, :5].max(), 100 * errors[:, 5:].max()
    return f"  {what:24} {1000 * seconds:8.1f} ms  worst {pressure:.2f} % / {salt:.2f} %{note}"


def main() -> None:
    """Measure and print."""
    print(f"{platform.machine()}, Python {platform.python_version()}, NumPy {np.__version__}")
    print("\nOne step of 100 ms in production, best of 7 x 500")
    print("  units   kernel with instruments   with the images of a scan   scans a second")
    scans = {}
    for n_units in SIZES:
        kernel, scans[n_units] = step_us(n_units)
        print(f"  {n_units:5} {kernel:20.1f} us {scans[n_units]:24.1f} us {1e6 / scans[n_units]:15.0f}")
    print(f"  24 units at 100 ms run {1e5 / scans[24]:.0f} times faster than real time with the images read")
    best, median = times_real(24)
    print(f"  and {best:.0f} times with Plant.step alone (best of 100 x 100 steps; median {median:.0f})")
    compiled_us, plain_us = twin_us()
    print(f"\nThe same source as plain Python, {TWIN_UNITS} units, one step with instruments")
    print(f"  compiled {compiled_us:.1f} us, plain {plain_us:.0f} us: {plain_us / compiled_us:.0f} times")
    print("\nMembrane transport only (fluxes and salt, no pressures), compiled loop against NumPy arrays")
    for n_units in SIZES:
        loop, arrays = transport_us(n_units)
        print(f"  {n_units:5} units: {loop:7.1f} us, NumPy {arrays:7.1f} us: {arrays / loop:.1f} times")
    seconds = sum(s for _what, s in reference.PROFILE)
    print(f"\nOne unit through {seconds} s of flush, production, purge and standby against SciPy")
    print(
        "  (worst error of pressures and flows / of concentrations; SciPy's right-hand side is plain Python)"
    )
    for line in scipy_rows():
        print(line, flush=True)
    subprocess.run([sys.executable, "-m", "tests.benchmarks.bank"], env=os.environ | ONE_THREAD, check=True)


if __name__ == "__main__":
    if "--plain-step" in sys.argv:
        print(plain_step())
    else:
        main()
