"""Everything at once, and random runs against what closed: ``python -m tests.bench.explore.pair_whole``.

With ``--everything SECONDS`` all troubles of two units come in one world, which does not close: what was met
in that time is told. Without, each world of ``pair_worlds`` is explored, and random runs of the whole
controller, in ticks, are held against it. Exit code 1 when one leaves it, or when a world did not close.
"""

from __future__ import annotations

import argparse
import sys

from controller.settings import Setpoints
from sim_plant.bench.explore.pair_search import PairOrder, PairSearch, search_pair
from sim_plant.bench.explore.pair_worlds import KINDS
from sim_plant.bench.explore.search import Bound
from tests.bench.explore.pair_runs import outside

SCANS = 120


def told(name: str, found: PairSearch) -> str:
    """One search in a line."""
    return (
        f"{name}, slots {found.order.slots}: {len(found.codes):,} states, {found.edges:,} edges, depth "
        f"{found.depth}, {found.seconds:.0f} s, {found.left:,} left {found.stopped_by}, "
        f"broken: {[v.text for v in found.violations.values()]}"
    )


def main() -> int:
    """Explore, run, tell."""
    parser = argparse.ArgumentParser(description="Two units: everything at once, or runs against each world.")
    parser.add_argument("--everything", type=float, help="all troubles in one world, for so many seconds")
    parser.add_argument("--runs", type=int, default=100, help="so many runs against each world")
    parser.add_argument("--worlds", nargs="*", default=list(KINDS))
    parser.add_argument("--seconds", type=float, default=600.0, help="for each world")
    given = parser.parse_args()
    if given.everything:
        for slots in (1, 2):
            found = search_pair(PairOrder(Setpoints(), slots=slots), Bound(seconds=given.everything))
            print(told("everything", found), flush=True)
        return 0
    failed = False
    for name in given.worlds:
        for slots in (1, 2):
            order = PairOrder(Setpoints(), only=("demand", *KINDS[name]), slots=slots)
            found = search_pair(order, Bound(seconds=given.seconds))
            print(told(name, found), flush=True)
            out = [one for seed in range(given.runs) if (one := outside(found, seed, SCANS))]
            print(f"  {given.runs} runs: {len(out)} outside", *out[:3], sep="\n  ", flush=True)
            failed |= bool(out) or not found.closed or bool(found.violations)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
