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

from controller.firmware import Controller
from sim_plant.commands.common import progress_columns
from sim_plant.plant import Plant
from sim_plant.site import load_site
from sim_plant.study.analysis import read_study
from sim_plant.study.points import Order
from sim_plant.study.scaling import saturation
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH
from tests.study.waters.proof import NAMES, begin, skidproof

SCAN_MS = 200
HOUR_SCANS = 3_600_000 // SCAN_MS
NARROW = 0.3
_TAIL, _SCALE = UNIT_TRUTH.index("tail_tds_mgl"), UNIT_TRUTH.index("scale_ratio")
_PUMP, _FLUSH = UNIT_TRUTH.index("pump_closed"), UNIT_TRUTH.index("flush_valve_open")
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
    plant = order.plant.model_copy(update={"source": source})
    bank, controller = Plant(order.units, plant, order.seed), Controller(order.units, order.setpoints, None)
    bank.set_tank_pct(50.0)
    most, starts, flushes, on, scans = 0.0, 0, 0, 0, round(hours * HOUR_SCANS)
    ran, was_open = bank.unit_truth[:, _PUMP] > 0.5, bank.unit_truth[:, _FLUSH] > 0.5
    for scan in range(scans):
        bank.step(controller.scan(bank.inputs(()), scan * SCAN_MS), SCAN_MS)
        runs, is_open = bank.unit_truth[:, _PUMP] > 0.5, bank.unit_truth[:, _FLUSH] > 0.5
        starts, flushes = starts + int((runs & ~ran).sum()), flushes + int((is_open & ~was_open).sum())
        ran, was_open, on = runs, is_open, on + int(runs.sum())
        most = max(most, float(bank.unit_truth[:, _TAIL].max()) / float(bank.bank_truth[_FEED]))
        if scan % HOUR_SCANS == HOUR_SCANS - 1:
            done()
    room, mineral = saturation(order.analysis, most, degc).room(order.limits)
    scale = float(bank.unit_truth[:, _SCALE].max())
    return Held(most, room, mineral, scale, starts, flushes, on / (order.units * scans))


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
