"""The abstraction held against the whole set: ``python -m tests.bench.explore.whole``, some 20 minutes.

Explores everything that can come in, then draws random runs, in ticks and in full time, and looks whether one
of them leaves what was explored. Exit code 1 when one does, or when the set did not close.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from contextlib import closing

from controller.settings import Setpoints
from sim_plant.bench.campaign.hands import SplitPool
from sim_plant.bench.explore.search import Order, Search, search
from tests.bench.explore.random_runs import outside_in_full_time, outside_in_ticks

SCANS = 300
FOUND: list[Search] = []  # what the processes inherit


def in_ticks(seed: int) -> str:
    """One run in ticks."""
    return outside_in_ticks(FOUND[0], seed, SCANS)


def in_full_time(seed_and_minutes: tuple[int, float]) -> str:
    """One run in full time."""
    return outside_in_full_time(FOUND[0], *seed_and_minutes)


def main() -> int:
    """Explore, run, tell."""
    parser = argparse.ArgumentParser(description="Random runs against the whole explored set.")
    parser.add_argument("--runs", type=int, default=1000, help="so many in ticks, and so many in full time")
    parser.add_argument("--minutes", type=float, default=15.0, help="length of a run in full time")
    parser.add_argument("--jobs", type=int, default=multiprocessing.cpu_count())
    given = parser.parse_args()
    with closing(SplitPool(given.jobs)) as hands:
        found = search(Order(Setpoints()), hands)
    print(
        f"closed: {found.closed}; {len(found.codes):,} states, {found.edges:,} edges, depth {found.depth}, "
        f"{found.seconds:.0f} s; broken: {', '.join(found.violations) or 'nothing'}",
        flush=True,
    )
    FOUND.append(found)
    outside = in_ticks(0), in_full_time((0, 1.0))  # makes once what the processes then share
    begun_s = time.monotonic()
    with multiprocessing.get_context("fork").Pool(given.jobs) as pool:
        outside_in = {
            "ticks": list(filter(None, pool.imap_unordered(in_ticks, range(given.runs)))),
            "full time": list(
                filter(
                    None, pool.imap_unordered(in_full_time, ((n, given.minutes) for n in range(given.runs)))
                )
            ),
        }
    for kind, told in outside_in.items():
        print(f"{given.runs} runs in {kind}: {len(told)} outside", *told[:10], sep="\n  ")
    print(f"{time.monotonic() - begun_s:.0f} s for the runs")
    return int(not found.closed or any(outside) or any(outside_in.values()))


if __name__ == "__main__":
    sys.exit(main())
