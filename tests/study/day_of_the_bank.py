"""A day of the whole bank with its firmware on the plant, beside the level that a study reckons as called.

    python -m tests.study.day_of_the_bank [units out] [hours]

Some minutes. Prints the level of both at every hour and the greatest difference. What a study leaves out is
here: starts, flushes, least runs and rests, the loss of the product header, a header pressure that dips.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from controller.signals import Command, Verb
from sim_plant.site import demo_folder, load_site
from sim_plant.study.analysis import read_study
from sim_plant.study.buffer import Bank, Tank, day_as_called
from sim_plant.study.points import Order, Point, at_point, figures_of, order_of
from sim_plant.truth import UNIT_TRUTH
from tests.study.whole_bank import HOUR_SCANS, WholeBank

SEED, STOP_AT_SCAN = 1, 100
LEVEL_PCT = 60.0
FLUSHED_M3 = 0.1  # a flush presses a few litres through the membranes


def levels_pct(order: Order, out: int, draw_m3h: tuple[float, ...], hours: int) -> Iterator[float]:
    """Of the plant under its firmware, at the end of each hour; units that are out are so from the start."""
    bank, units = WholeBank(order, LEVEL_PCT), order.units
    commands = tuple(Command(Verb.STOP, unit, "bench") for unit in range(units - out + 1, units + 1))
    made = UNIT_TRUTH.index("permeate_total_m3")
    for hour in range(hours):
        bank.plant.set_demand_m3h(draw_m3h[hour % len(draw_m3h)])
        for _ in range(HOUR_SCANS):
            bank.scan(commands if bank.scans == STOP_AT_SCAN else ())
        out_m3 = bank.plant.unit_truth[units - out :, made]
        assert (out_m3 < FLUSHED_M3).all(), "a unit that is out made product"
        yield bank.tank_pct()


class Row(NamedTuple):
    """Levels at the end of an hour."""

    hour: int
    bank_pct: float
    study_pct: float


def rows_of(out: int, hours: int) -> Iterator[Row]:
    """The nursery in its coldest water, with the purge of its setpoints."""
    site = load_site(demo_folder())
    file, analysis = read_study(site.folder)
    assert file.demand is not None, "the demo has a demand"
    order = order_of(site.file.plant, site.setpoints, site.units, analysis, file.limits, SEED)
    s, draw = site.setpoints, file.demand.hourly_m3h
    point = Point(s.purge_interval_s, s.purge_s, 1.0, min(analysis.degc))
    unit_m3h = figures_of(order, point).net_production_m3h / site.units
    here = replace(order, plant=at_point(order, point).plant)
    tank = Tank(here.plant.tank.volume_m3, 0.0, s.tank_stop_pct)  # the plant itself draws below the low float
    bank = Bank(site.units, site.units - out, unit_m3h)
    stock, called = LEVEL_PCT / 100.0 * tank.volume_m3, 0
    seen = levels_pct(here, out, draw, hours)
    for day in range((hours + 23) // 24):
        reckoned, called = day_as_called(stock, called, bank, s, tank, draw)
        stock = reckoned.end_m3
        for number, hour in enumerate(reckoned.hours[: hours - 24 * day], start=1):
            yield Row(24 * day + number, next(seen), tank.pct(hour.stock_m3))


def main(out: int, hours: int) -> None:
    """Print them as they come."""
    worst = 0.0
    for row in rows_of(out, hours):
        worst = max(worst, abs(row.bank_pct - row.study_pct))
        print(f"hour {row.hour}: bank {row.bank_pct:.1f} %, study {row.study_pct:.1f} %", flush=True)
    print(f"greatest difference {worst:.1f} % of the tank, {out} units out")


if __name__ == "__main__":
    main(*(int(text) for text in (*sys.argv[1:], *("0", "24")[len(sys.argv) - 1 :])))
