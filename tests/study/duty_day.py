"""The duty arithmetic of a study beside a day of the whole simulated bank, over random sites.

    python -m tests.study.duty_day [--sites 50] [--seed 1] [--hours 24] [--only N] [--jobs 2]

A site is drawn: units, membranes, restrictor (sometimes blanked), pump, diverter, water, temperature, purges.
The closed formula (``points.production_m3h``, from one cycle of one unit) says what it makes. Then the
firmware runs the plant of all its units. Counted is what the tank gains, from the moment when every unit has
produced for one purge interval, for a day. Nothing is drawn from the tank, and it is so large that all stay
called. Scale does not grow, whatever the concentration: a formula knows none.

All sites count. A draw that is no legal site is drawn again, and how often that was is printed: timers that
contradict each other, no room for one flush, a membrane pressure at which the bank would raise its alarm, or
cycles that do not settle.
Exit code 1 when one differs by more than 0.5 %, or its purges by more than one in the day.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from rich.console import Console
from rich.progress import Progress

from controller.settings import Setpoints
from sim_plant.commands.common import progress_columns
from sim_plant.process.parameters import PlantParameters
from sim_plant.site import demo_folder, load_site
from sim_plant.study.analysis import Analysis, read_study
from sim_plant.study.points import Figures, Order, Point, at_point, figures_of, order_of
from tests.study.whole_bank import HOUR_SCANS, SCAN_MS, Rises, WholeBank

START_PCT, TANK_M3 = 20.0, 10_000.0
MOST_PCT, PURGES_MOST = 0.5, 1.0
START_MOST_S = 3600.0
DRAWS_MOST = 2000
ILLEGAL = {"discharge pressure", "flush slots", "not settled"}
_IONS = ("calcium", "magnesium", "sodium", "potassium", "sulfate", "chloride", "nitrate", "silica")


@dataclass(frozen=True)
class Drawn:
    """A random site: its order, its point, and what the formula says."""

    number: int
    order: Order
    point: Point
    figures: Figures

    @property
    def words(self) -> str:
        """What was drawn."""
        p = self.point
        unit = self.order.plant.unit
        restrictor = "blanked" if p.restrictor_share == 0 else f"restrictor {p.restrictor_share:.2f}"
        return (
            f"{self.order.units} x {unit.membrane_area_m2:.0f} m2, {restrictor}, "
            f"{'diverter, ' * unit.has_diverter}{self.order.plant.source.tds_mgl:.0f} mg/L, "
            f"{p.degc:.1f} degC, {p.purge_s:g} s every {p.purge_interval_s:g} s"
        )


class Day(NamedTuple):
    """What the whole bank did; ``stops`` counts scans in which a pump stood still."""

    hours: float
    net_m3h: float
    purges_h: float  # of one unit
    stops: int


class Row(NamedTuple):
    """Both beside each other."""

    drawn: Drawn
    day: Day

    @property
    def off_pct(self) -> float:
        """Formula against bank."""
        return 100.0 * (self.drawn.figures.net_production_m3h / self.day.net_m3h - 1.0)

    @property
    def purges_off(self) -> float:
        """The same of the purges of one unit, in their number."""
        return (self.drawn.figures.purges_h - self.day.purges_h) * self.day.hours

    @property
    def line(self) -> str:
        """For people."""
        stopped = f", {self.day.stops} scans with a pump at rest" if self.day.stops else ""
        return (
            f"{self.drawn.number:3} {self.drawn.figures.net_production_m3h:8.4f} m3/h by the formula, "
            f"{self.day.net_m3h:8.4f} by the bank, {self.off_pct:+.3f} %, purges "
            f"{self.purges_off:+.1f}  {self.drawn.words}{stopped}"
        )


def site_at(rng: np.random.Generator) -> tuple[Order, Point]:
    """A draw, legal or not; ValueError when its timers contradict each other."""
    site = load_site(demo_folder())
    file, analysis = read_study(site.folder)
    degc = round(float(rng.uniform(6.0, 32.0)), 1)
    water = _scaled(analysis, float(np.exp(rng.uniform(np.log(0.08), np.log(1.4)))), degc)
    blanked = rng.random() < 0.15
    area = float(rng.uniform(80.0, 110.0) if blanked else rng.uniform(50.0, 100.0))
    share = 0.0 if blanked else round(float(rng.uniform(0.7, 1.6)), 2)
    purge_s = float(rng.integers(6, 46))
    point = Point(float(10 * rng.integers(20, 240)), purge_s, share, degc)
    plant = _plant(site.file.plant, rng, round(area, 1))
    setpoints = Setpoints.model_validate(
        site.setpoints.model_dump()
        | {
            "purge_interval_s": point.purge_interval_s,
            "purge_s": purge_s,
            "purge_evidence_s": min(5.0, purge_s - 1.0),
        }
        | {"settled_flow_m3h": 1.9, "purge_evidence_flow_m3h": 2.2}
        | {"tds_clear_mgl": 1200, "tds_alarm_mgl": 1500, "tds_lockout_mgl": 3000, "product_tds_mgl": 5000}
        | {name: 0 for name in Setpoints.model_fields if name.startswith("as_left_")}
    )
    units = int(rng.choice([1, 1, 1, 1, 1, 1, 1, 2, 2, 4]))
    setpoints.flush_slots(units)
    limits = file.limits.model_copy(update={"permeate_tds_mgl": 5000.0})
    return order_of(plant, setpoints, units, water, limits, int(rng.integers(1, 10_000))), point


def _scaled(analysis: Analysis, factor: float, degc: float) -> Analysis:
    """The nursery's water, thinner or thicker."""
    ions = {f"{ion}_mgl": factor * float(getattr(analysis.table, f"{ion}_mgl")) for ion in _IONS}
    alkalinity = {"alkalinity_mgl_caco3": factor * analysis.table.alkalinity_mgl_caco3}
    rest = {"temperature_degc": (degc, degc), "conductivity_us_cm": 0.0}
    return replace(analysis, table=analysis.table.model_copy(update=ions | alkalinity | rest))


def _plant(plant: PlantParameters, rng: np.random.Generator, area_m2: float) -> PlantParameters:
    pump = float(rng.uniform(0.92, 1.05))
    unit = {
        "membrane_area_m2": area_m2,
        "has_diverter": bool(rng.random() < 0.5),
        "pump_shutoff_bar": plant.unit.pump_shutoff_bar * pump,
        "pump_nominal_bar": plant.unit.pump_nominal_bar * pump,
    }
    tank = {"volume_m3": TANK_M3, "demand_m3h": 0.0}
    return plant.model_copy(
        update={
            "unit": plant.unit.model_copy(update=unit),
            "tank": plant.tank.model_copy(update=tank),
            "scaling": plant.scaling.model_copy(update={"growth_per_h": 0.0}),
        }
    )


def drawn_sites(count: int, seed: int) -> tuple[list[Drawn], dict[str, int]]:
    """So many legal sites, and why others were drawn again."""
    rng = np.random.default_rng(seed)
    found, again = list[Drawn](), dict[str, int]()
    for _ in range(DRAWS_MOST):
        if len(found) == count:
            return found, again
        try:
            order, point = site_at(rng)
        except ValueError:
            reasons = {"timers contradict each other or leave no room for a flush"}
        else:
            figures = figures_of(order, point)
            reasons = ILLEGAL & set(figures.broken)
            if not reasons:
                found.append(Drawn(len(found) + 1, order, point, figures))
        for reason in reasons:
            again[reason] = again.get(reason, 0) + 1
    raise RuntimeError(f"{DRAWS_MOST} draws gave {len(found)} legal sites")


def day_of(drawn: Drawn, hours: float) -> Day:
    """The whole bank under its firmware; RuntimeError when it does not come to produce."""
    here = at_point(drawn.order, drawn.point)
    bank = WholeBank(here, START_PCT)
    pumps = Rises(bank.plant, "pump_closed")
    while not pumps.on.all():
        bank.scan()
        pumps.look()
        if bank.scans * SCAN_MS > START_MOST_S * 1000.0:
            raise RuntimeError(
                f"site {drawn.number}: not all pumps run after {START_MOST_S:g} s: {drawn.words}"
            )
    for _ in range(round(1000.0 * drawn.point.purge_interval_s / SCAN_MS)):
        bank.scan()
    before_pct, stops, purges = bank.tank_pct(), 0, Rises(bank.plant, "flush_valve_open")
    for _ in range(round(hours * HOUR_SCANS)):
        bank.scan()
        purges.look()
        pumps.look()
        stops += int(not pumps.on.all())
    gained_m3 = (bank.tank_pct() - before_pct) / 100.0 * here.plant.tank.volume_m3
    return Day(hours, gained_m3 / hours, purges.count / here.units / hours, stops)


def row_of(drawn: Drawn, hours: float) -> Row:
    """In a worker."""
    return Row(drawn, day_of(drawn, hours))


def main() -> int:
    """Draw, run, tell."""
    parser = argparse.ArgumentParser(description="Net production by formula and by the whole bank.")
    parser.add_argument("--sites", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--only", type=int, help="this one of the sites alone")
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    sites, again = drawn_sites(given.sites, given.seed)
    for reason, times in sorted(again.items()):
        print(f"drawn again {times} times: {reason}", flush=True)
    sites = [drawn for drawn in sites if given.only in (None, drawn.number)]
    rows = list[Row]()
    errors = Console(stderr=True, highlight=False)
    with Progress(*progress_columns(), console=errors) as bar, ProcessPoolExecutor(given.jobs) as pool:
        task = bar.add_task("sites", total=len(sites))
        for done in as_completed([pool.submit(row_of, drawn, given.hours) for drawn in sites]):
            rows.append(done.result())
            print(rows[-1].line, flush=True)
            bar.advance(task)
    worst = max(rows, key=lambda row: abs(row.off_pct))
    within = sum(abs(row.off_pct) <= MOST_PCT for row in rows)
    purges = max(abs(row.purges_off) for row in rows)
    print(f"{within} of {len(rows)} within {MOST_PCT} %, greatest difference {worst.off_pct:+.3f} %")
    print(f"purges of a unit: greatest difference {purges:.2f}")
    return int(within < len(rows) or purges > PURGES_MOST)


if __name__ == "__main__":
    sys.exit(main())
