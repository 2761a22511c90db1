"""The bank against SciPy, printed: how many times longer LSODA takes than the plant, for each way.

Runs in a process of its own (``python -m tests.benchmarks`` starts it) with one thread of linear algebra:
the comparison is for one core, and threads that wait for each other make SciPy's small matrices slow.
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass

import numpy as np

from tests.benchmarks import against_scipy as race
from tests.benchmarks import bank_model as model
from tests.benchmarks.against_scipy import Program

PROGRAMS = (Program(1), Program(8), Program(24), Program(8, 15), Program(24, 15))
SCAN_S = 110  # idle, flush, settling and the first 30 s of production
NUMPY_SCAN_S = 20


@dataclass(frozen=True)
class Free:
    """SciPy's best time for a program, and the plant's."""

    program: Program
    plant_s: float
    plant_worst: tuple[float, float]
    exact: np.ndarray
    rtol: float
    worst: tuple[float, float]
    agree: tuple[float, float]
    beyond: tuple[int, int]
    compiled_s: float
    evaluations: int


def free_run(program: Program) -> Free:
    """Find the loosest tolerance of those tried that is no worse than promised, and time it."""
    plant_s = race.plant_seconds(program)
    exact, _s, _n = race.scipy_rows(program, model.compiled_rates, race.EXACT)
    ours = race.plant_rows(program)
    plant_worst = race.errors(ours, exact)
    for rtol in race.TOLERANCES:
        rows, seconds, evaluations = race.scipy_rows(program, model.compiled_rates, rtol)
        worst = race.errors(rows, exact)
        if race.no_worse(worst, plant_worst):
            again = [race.scipy_rows(program, model.compiled_rates, rtol)[1] for _ in range(2)]
            best, agree = min(seconds, *again), race.errors(ours, rows)
            beyond = race.beyond(ours, exact)
            return Free(program, plant_s, plant_worst, exact, rtol, worst, agree, beyond, best, evaluations)
    raise RuntimeError(f"LSODA kept the promise at no tolerance tried: {program}")


def evaluation_us(n_units: int, rtol: float, plain: bool) -> float:
    """Microseconds of integrating for one evaluation, all units together, in NumPy or plain Python."""
    if not plain:
        _rows, seconds, evaluations = race.scipy_rows(Program(n_units), model.numpy_rates, rtol)
        return 1e6 * seconds / evaluations
    command = [sys.executable, "-m", "tests.benchmarks.bank", "--plain", str(n_units), str(rtol)]
    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
    return float(subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout)


def plain_us(n_units: int, rtol: float) -> float:
    """In the subprocess, where the compiler is off and the loop over units is plain Python."""
    _rows, seconds, evaluations = race.scipy_rows(Program(n_units), model.compiled_rates, rtol)
    return 1e6 * seconds / evaluations


def _name(program: Program) -> str:
    starts = f"{program.apart_s} s apart" if program.apart_s else "together"
    return f"  {program.n_units:5} {starts:>10}"


def _free_lines(runs: list[Free]) -> list[str]:
    lines = []
    together = {r.program.n_units: r.rtol for r in runs if not r.program.apart_s}
    costs = {n: [evaluation_us(n, rtol, plain) for plain in (False, True)] for n, rtol in together.items()}
    for r in runs:
        mark = "~" if r.program.apart_s else " "
        arrays, plain = (r.evaluations * us / 1e6 / r.plant_s for us in costs[r.program.n_units])
        lines.append(
            f"{_name(r.program)} {1000 * r.plant_s:7.0f} ms {r.program.seconds / r.plant_s:9.0f} {r.rtol:8g}"
            f" {r.evaluations:7} {1000 * r.compiled_s:7.0f} ms {r.compiled_s / r.plant_s:9.1f}"
            f" {mark}{arrays:7.1f} {mark}{plain:8.1f}"
        )
    return lines


def _accuracy_lines(runs: list[Free]) -> list[str]:
    return [
        _name(r.program)
        + "".join(f"     {100 * p:.2f} / {100 * s:.2f}" for p, s in (r.plant_worst, r.worst, r.agree))
        + f"    {r.beyond[0]} of {r.beyond[1]}"
        for r in runs
    ]


def _scan_line(run: Free) -> str:
    """LSODA started anew for every 100 ms."""
    program = run.program
    for rtol in (1e-1, *race.TOLERANCES):
        rows, seconds = race.scan_by_scan(program, model.compiled_rates, rtol, SCAN_S)
        worst = race.errors(rows, run.exact[: len(rows)])
        if race.no_worse(worst, (0.0, 0.0)):
            break
    else:
        raise RuntimeError(f"LSODA kept the promise at no tolerance tried: {program}")
    arrays_s = race.scan_by_scan(program, model.numpy_rates, rtol, NUMPY_SCAN_S)[1]
    plant_us, short_us = (race.plant_seconds(program, s) * 1e5 / s for s in (SCAN_S, NUMPY_SCAN_S))
    compiled_us, arrays_us = seconds * 1e5 / SCAN_S, arrays_s * 1e5 / NUMPY_SCAN_S
    return (
        f"  {program.n_units:5} {plant_us:7.1f} us {rtol:6g}"
        f" {compiled_us:7.0f} us {compiled_us / plant_us:8.1f}"
        f" {arrays_us:8.0f} us {arrays_us / short_us:8.1f}"
        f"     {100 * worst[0]:.2f} / {100 * worst[1]:.2f}"
    )


def main() -> None:
    """Measure and print."""
    race.check_models()
    runs = [free_run(program) for program in PROGRAMS]
    print("\nA bank through flush, production, purge and standby against SciPy's LSODA, one core")
    print("  Times of the plant: nothing but Plant.step(outputs, 100 ms), wires and instruments included")
    print("  a) SciPy runs free from command to command, right-hand side compiled, NumPy or plain Python;")
    print("     how many times the plant's time it takes (~ reckoned from evaluations)")
    print(
        "  units     starts      plant x real time     rtol   evals    compiled     times    NumPy    plain"
    )
    print("\n".join(_free_lines(runs)))
    print("  Worst error, % of pressures and flows / of concentrations, every 5 s")
    print("  units     starts  plant to exact  LSODA to exact  plant to LSODA  plant beyond 0.5 / 1 %")
    print("\n".join(_accuracy_lines(runs)))
    print(
        f"  b) SciPy scan by scan, a new start every 100 ms (first {SCAN_S} s; NumPy first {NUMPY_SCAN_S} s)"
    )
    print("  units      plant   rtol   compiled    times       NumPy    times   LSODA to exact, %")
    for run in runs:
        if not run.program.apart_s:
            print(_scan_line(run))


if __name__ == "__main__":
    if "--plain" in sys.argv:
        print(plain_us(int(sys.argv[2]), float(sys.argv[3])))
    else:
        main()
