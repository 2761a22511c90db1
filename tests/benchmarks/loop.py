"""How late does the real-time loop begin its scans, against a loop that only sleeps?

    python tests/benchmarks/loop.py [--seconds 60] [--units 6]

Both run at the same time, each in a process of its own, so that they see the same machine. The loop is the
whole program but for its command line: firmware, driver without a line, journal and retained memory on disk.
Prints p50, p99 and the worst lateness of both, and the ratio of the p99. Not a test: figures depend on the
machine and on what else it does.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PERIOD_MS = 100


def bare(seconds: float) -> list[int]:
    """Lateness, ns, of a loop that only sleeps until absolute moments."""
    from controller.runtime import Clock

    clock, late_ns = Clock(), []
    deadline_ns = begin_ns = clock.now_ns()
    while deadline_ns - begin_ns < seconds * 1e9:
        late_ns.append(clock.now_ns() - deadline_ns)
        deadline_ns += PERIOD_MS * 1_000_000
        clock.sleep_until(deadline_ns)
    return late_ns


def whole(seconds: float, units: int) -> list[int]:
    """Lateness, ns, of the program's loop."""
    from controller.drivers.memory import MemoryDriver
    from controller.firmware import Controller
    from controller.journal import Journal
    from controller.notify import Notifier
    from controller.runtime import Loop, Runner
    from controller.settings import Setpoints
    from controller.store import Keeper, Store

    setpoints = Setpoints(drain_capacity_m3h=50, booster_capacity_m3h=100) if units > 6 else Setpoints()
    with tempfile.TemporaryDirectory() as folder:
        journal, notifier = Journal(Path(folder) / "journal.sqlite"), Notifier({}, 1)
        keeper = Keeper(Store(Path(folder)), lambda _text: None)
        controller = Controller(units, setpoints)
        loop = Loop(controller, MemoryDriver(units), journal, keeper, notifier, PERIOD_MS)
        Runner(loop, notifier, for_s=seconds).run()
        keeper.close(10)
        journal.close(10)
    return list(loop.late_ns)


def percentile(values: list[int], share: float) -> float:
    """In milliseconds."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))] / 1e6


def main() -> None:
    """Both loops at once, then the table."""
    parser = argparse.ArgumentParser(description="Lateness of the real-time loop against a bare one.")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--units", type=int, default=6)
    parser.add_argument("--part", choices=("bare", "whole"), help="one loop only; its lateness as JSON")
    options = parser.parse_args()
    if options.part:
        found = bare(options.seconds) if options.part == "bare" else whole(options.seconds, options.units)
        print(json.dumps(found))
        return
    begun = time.monotonic()
    same = ["--seconds", str(options.seconds), "--units", str(options.units)]
    processes = {
        part: subprocess.Popen(
            [sys.executable, __file__, "--part", part, *same],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        for part in ("bare", "whole")
    }
    late = {part: json.loads(process.communicate()[0]) for part, process in processes.items()}
    for part, values in late.items():
        figures = ", ".join(
            f"{name} {percentile(values, share):.3f} ms"
            for name, share in (("p50", 0.5), ("p99", 0.99), ("worst", 1.0))
        )
        print(f"{part:5} {len(values)} scans: {figures}")
    ratio = percentile(late["whole"], 0.99) / percentile(late["bare"], 0.99)
    print(f"p99 ratio whole / bare: {ratio:.2f} ({time.monotonic() - begun:.0f} s, {options.units} units)")


if __name__ == "__main__":
    main()
