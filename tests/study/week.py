"""Does the concentrate of a proposed bank stay below its limits for a week, under the firmware?

    python -m tests.study.week [--water chalk] [--days 7]

The proposal of ``skidproof study`` for one of the invented waters runs with its own demand at the warmest of
the analysis, where calcite is least soluble: starts, flushes, production, purges, rests. In every scan the
concentration of the last cell of each unit is held against the feed's; from its greatest value the saturation
follows as in the study. No scale may have grown either. Then the same for a day with a restrictor of 0.3 of
the proposed Kv, which the study does not allow: there the limit must be passed and scale must grow, or the
check shows nothing. Exit code 1 when one of these is not so.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from rich.console import Console
from rich.progress import Progress

from sim_plant.commands.common import progress_columns
from sim_plant.site import load_site
from sim_plant.study.analysis import read_study
from sim_plant.study.points import Order
from sim_plant.study.scaling import saturation
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH
from tests.study.waters.proof import NAMES, begin, skidproof
from tests.study.whole_bank import HOUR_SCANS, Rises, WholeBank

NARROW = 0.3
_TAIL, _SCALE = UNIT_TRUTH.index("tail_tds_mgl"), UNIT_TRUTH.index("scale_ratio")
_FEED = BANK_TRUTH.index("feed_tds_mgl")


class Held(NamedTuple):
    """What became of the concentrate."""

    factor: float  # greatest of the last cell against the feed
    room: float  # least distance to a limit, below 0 when it is passed
    mineral: str
    scale: float  # share of permeability lost to scale, as -ln
    starts: int
    flushes: int  # flush valve openings: starts, stops and purges
    running: float  # share of the units' time with the pump on

    @property
    def line(self) -> str:
        """For people."""
        return (
            f"at most {self.factor:.3f} times the feed, {self.mineral} {self.room:+.3f} to its limit, "
            f"scale {self.scale:.4f}; {self.starts} starts, {self.flushes} flushes, pumps on for "
            f"{100 * self.running:.0f} % of the time"
        )


def held(order: Order, degc: float, hours: float, done: Callable[[], None] = lambda: None) -> Held:
    """The whole bank under its firmware, from a tank at 50 %; ``done`` is called after each hour."""
    source = order.plant.source.model_copy(update={"temperature_degc": degc})
    bank = WholeBank(replace(order, plant=order.plant.model_copy(update={"source": source})), 50.0)
    pumps, flushes = Rises(bank.plant, "pump_closed"), Rises(bank.plant, "flush_valve_open")
    most, on, scans = 0.0, 0, round(hours * HOUR_SCANS)
    units, shared = bank.plant.unit_truth, bank.plant.bank_truth
    for _ in range(scans):
        bank.scan()
        pumps.look()
        flushes.look()
        on += int(pumps.on.sum())
        most = max(most, float(units[:, _TAIL].max()) / float(shared[_FEED]))
        if bank.scans % HOUR_SCANS == 0:
            done()
    room, mineral = saturation(order.analysis, most, degc).room(order.limits)
    scale, running = float(units[:, _SCALE].max()), on / (order.units * scans)
    return Held(most, room, mineral, scale, pumps.count, flushes.count, running)


def narrowed(order: Order) -> Order:
    """With a restrictor that is far too small."""
    kv = NARROW * order.plant.unit.restrictor_kv_m3h
    unit = order.plant.unit.model_copy(update={"restrictor_kv_m3h": kv})
    return replace(order, plant=order.plant.model_copy(update={"unit": unit}))


def proposed(folder: Path) -> Order:
    """The site that a study wrote, as it stands there."""
    site = load_site(folder)
    file, analysis = read_study(folder)
    return Order(site.file.plant, site.setpoints, site.units, analysis, file.limits, site.file.site.seed)


def main() -> int:
    """Propose, run, tell."""
    parser = argparse.ArgumentParser(description="The scaling limit of a proposal over a week.")
    parser.add_argument("--water", choices=NAMES, default="chalk")
    parser.add_argument("--days", type=int, default=7)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        begin(given.water, Path(place) / "begun")
        said = skidproof("study", Path(place) / "begun", "--out", Path(place) / "study")
        if said.returncode != 0:
            print(said.stdout, said.stderr, sep="\n")
            return 1
        order = proposed(Path(place) / "study" / "site")
    degc = order.analysis.degc[2]
    runs, seen = ((order, given.days), (narrowed(order), 1)), list[Held]()
    with Progress(*progress_columns(), console=Console(stderr=True, highlight=False)) as bar:
        task = bar.add_task("hours", total=sum(24 * days for _, days in runs))
        for one, days in runs:
            seen.append(held(one, degc, 24 * days, lambda: bar.advance(task)))
            what = "as proposed" if one is order else f"restrictor times {NARROW:g}"
            print(f"{given.water}, {what}, {degc:g} degC, {days} days: {seen[-1].line}", flush=True)
    kept, passed = seen
    good = kept.room >= 0.0 and kept.scale == 0.0 and kept.starts > 0
    return int(not (good and passed.room < 0.0 and passed.scale > 0.0))


if __name__ == "__main__":
    sys.exit(main())
