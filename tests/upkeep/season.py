"""A season of a bank, made by the plant model in a day of its own time: wear and water are known.

The plant runs without a break for 16 hours. Each two minutes of it stand for six hours of a log, so its daily
profiles are the season, and its laws of wear run 180 times as fast by their own settings.

    python -m tests.upkeep.season sim_plant/demo/upkeep/log.csv   # the bundled log of the nursery
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, from_ma, signal_named
from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters, Source, Unit
from tests.plant.conftest import Rig

START = datetime(2026, 3, 1, 2, tzinfo=UTC)
ROW, PLANT_S, STEP_MS = timedelta(hours=6), 120.0, 500
UNIT_LOOPS = {"PT-{}01": "suction_ma", "PT-{}02": "membrane_ma", "FT-{}03": "permeate_flow_ma"}
UNIT_LOOPS |= {"FT-{}04": "concentrate_flow_ma", "AT-{}05": "permeate_cond_ma"}
BANK_LOOPS = {"PT-010": "header_ma", "TT-011": "feed_temp_ma", "AT-012": "feed_cond_ma"}
GAUGE = "PDI-{}06"  # pressure loss along the module, a local gauge that the I/O list does not have


@dataclass
class Season:
    """The log's head and rows, and what is true at each row, by unit."""

    head: list[str]
    rows: list[list[str]] = field(default_factory=list)
    fouling: list[list[float]] = field(default_factory=list)  # -ln of the permeability lost

    def write(self, path: Path) -> Path:
        """As CSV."""
        with path.open("w", encoding="utf-8", newline="") as file:
            out = csv.writer(file, lineterminator="\n")
            out.writerows([self.head, *self.rows])
        return path


def parameters(fouling_per_m: float, warm_degc: float = 6.0) -> PlantParameters:
    """The nursery; in 16 hours a season of temperature (22 degC, ``warm_degc`` more or less) and of salt."""
    hours = [16.0 * k / 22 for k in range(23)]
    warm = tuple((h, 22.0 - warm_degc * math.cos(math.tau * h / 16.0)) for h in hours)
    salt = tuple((h, 3200.0 + 250.0 * math.sin(math.tau * h / 12.0)) for h in hours)
    source = Source(temperature_profile_h_degc=warm, tds_profile_h_mgl=salt)
    unit = Unit(fouling_per_m=fouling_per_m, prefilter_doubles_m3=30.0, has_diverter=False)
    return PlantParameters(source=source, unit=unit)


def make(
    units: int,
    days: int,
    plant: PlantParameters,
    each_row: Callable[[Rig, int], str],
    seed: int = 1,
) -> Season:
    """Runs the plant; ``each_row`` is called before each row, may inject, and says what is held."""
    rig = Rig(Plant(units, plant, seed))
    rig.plant.inject(Fault("feed_header", "dip", 0, 3.0))
    rig.hold("idle", 5).hold("flush", 120).hold("settle", 5).hold("produce", 600, STEP_MS)
    season = Season(_head(units))
    for row in range(days * 4):
        rig.hold(each_row(rig, row), PLANT_S, STEP_MS)
        season.rows.append(_row(rig, units, START + row * ROW))
        season.fouling.append([rig.true("fouling_ratio", unit) for unit in range(1, units + 1)])
    return season


def _head(units: int) -> list[str]:
    names = [tag.format(unit) for unit in range(1, units + 1) for tag in (*UNIT_LOOPS, GAUGE)]
    return ["time", *BANK_LOOPS, *names]


def _row(rig: Rig, units: int, at: datetime) -> list[str]:
    image = rig.plant.inputs()
    bank = [_read(BANK_SIGNALS, name, getattr(image.bank, name)) for name in BANK_LOOPS.values()]
    cells = [at.isoformat(timespec="minutes"), *bank]
    for unit in range(1, units + 1):
        for name in UNIT_LOOPS.values():
            cells.append(_read(UNIT_SIGNALS, name, getattr(image.units[unit - 1], name)))
        # all concentrate goes through the restrictor into the open drain: its loss is the pressure before it
        before_it = (rig.true("concentrate_m3h", unit) / rig.plant.parameters.unit.restrictor_kv_m3h) ** 2
        cells.append(f"{rig.true('membrane_bar', unit) - before_it:.3f}")
    return cells


def _read(table: tuple[object, ...], name: str, ma: float) -> str:
    """As a logger writes it: three decimals, and a word for a broken loop."""
    if not 3.6 <= ma <= 21.0:
        return "Bad"
    return f"{from_ma(signal_named(table, name), ma):.3f}"  # type: ignore[arg-type] # the two tables


def nursery(rig: Rig, row: int) -> str:
    """Unit 1 is well, 2 fouls, 3 scales from the middle on; five days at a standstill; a broken loop."""
    if row == 0:
        rig.plant.inject(Fault("prefilter", "bypassing", 2, 85.0))
    if row >= 240:
        rig.plant.inject(Fault("membrane", "scaled", 3, 1.0 - math.exp(-0.16 * (row - 240) / 240)))
    broken = Fault("permeate_cond", "open_circuit", 1)
    if row == 100:
        rig.plant.inject(broken)
    if row == 106:
        rig.plant.clear(broken)
    return "idle" if 160 <= row < 180 else "produce"


if __name__ == "__main__":
    print(make(3, 120, parameters(0.01), nursery).write(Path(sys.argv[1])))
