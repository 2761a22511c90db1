"""How long does one scan of the firmware take, for banks of 1, 2, 6, 24 and 64 units?

    python tests/benchmarks/scan.py [--scans 3000]

Every unit produces and nothing changes but the time and the dosing pulse: the case that runs all day. Prints
the median of single scans, that time per unit, and what one more unit costs. The bank has a share of its own
that does not grow with the units, so time per unit falls from one unit to many; the cost of one more unit is
the figure that must stay the same. Not a test: figures depend on the machine.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "controller"))  # the rig of the bank tests

from bank_harness import BankRig
from harness import QUICK, unit_inputs

from controller.signals import Inputs
from controller.unit.states import UnitState

SIZES = (1, 2, 6, 24, 64)
BANK = {"drain_capacity_m3h": 500.0, "booster_capacity_m3h": 500.0, "purge_interval_s": 7200.0}


def _producing(n_units: int) -> BankRig:
    setpoints = QUICK.model_validate(QUICK.model_dump() | BANK)
    rig = BankRig(n_units, setpoints)
    rig.until(lambda r: all(state is UnitState.PRODUCE for state in r.states), 600 + 120 * n_units)
    rig.run(60.0)
    return rig


def scans_us(n_units: int, scans: int) -> list[float]:
    """Time of each scan in which every unit produces, microseconds."""
    rig = _producing(n_units)
    spent: list[float] = []
    while len(spent) < scans:
        rig.now_ms += 100
        header = rig.header_bar()
        units = tuple(unit_inputs(out, header) for out in rig.out.units)
        inputs = Inputs(rig.bank_inputs(), units, (0,) * n_units, 0, ())
        began_ns = time.perf_counter_ns()
        rig.out = rig.controller.scan(inputs, rig.now_ms)
        took_us = (time.perf_counter_ns() - began_ns) / 1000
        if all(state is UnitState.PRODUCE for state in rig.states):  # not while one is purged
            spent.append(took_us)
    return spent


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Scan time of the firmware over the size of the bank.")
    parser.add_argument("--scans", type=int, default=3000)
    scans = parser.parse_args().scans
    medians = {}
    print("units   median     p99   per unit   one more unit")
    for n_units in SIZES:
        spent = scans_us(n_units, scans)
        medians[n_units] = statistics.median(spent)
        p99 = statistics.quantiles(spent, n=100)[98]
        more = (medians[n_units] - medians[1]) / (n_units - 1) if n_units > 1 else 0.0
        last = f"{more:10.1f} us" if more else ""
        print(
            f"{n_units:5} {medians[n_units]:7.1f} {p99:7.1f} {medians[n_units] / n_units:7.1f} us {last}",
            flush=True,
        )
    slope = (medians[64] - medians[1]) / 63
    print(f"fixed share of the bank {medians[1] - slope:.1f} us, one unit {slope:.1f} us")


if __name__ == "__main__":
    main()
