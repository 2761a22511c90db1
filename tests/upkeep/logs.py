"""Logs made by hand: a unit that follows the law that D4516 inverts, exactly, so that only time moves."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sim_plant.process import normalise
from sim_plant.upkeep.normal import Reading, flow_factor
from sim_plant.upkeep.table import Law

START = datetime(2026, 1, 1, 0, 30, tzinfo=UTC)
HEAD = "time,pf,loss,pp,qp,qc,degc,cf,cp"
LAW = Law()

TABLE = """\
title = "A unit to try things on"
[log]
time = "time"
time_zone = "UTC"
[columns]
feed_pressure = { column = "pf", unit = "bar" }
pressure_loss = { column = "loss", unit = "bar" }
permeate_pressure = { column = "pp", unit = "bar" }
permeate_flow = { column = "qp", unit = "m3/h" }
concentrate_flow = { column = "qc", unit = "m3/h" }
feed_temperature = { column = "degc", unit = "degC" }
feed_salt = { column = "cf", unit = "mg/L" }
permeate_salt = { column = "cp", unit = "mg/L" }
[baseline]
first = 2026-01-02
last = 2026-01-05
set_by = "A. Person"
"""


def steady(
    degc: float = 25.0,
    permeate_m3h: float = 1.4,
    concentrate_m3h: float = 0.9,
    feed_mgl: float = 3200.0,
    water: float = 0.2,
    salt: float = 0.02,
    loss_bar: float = 0.3,
    law: Law = LAW,
) -> Reading:
    """What a unit shows that makes ``water`` m3/h for each bar at 25 degC and passes ``salt`` m3/h."""
    recovery = permeate_m3h / (permeate_m3h + concentrate_m3h)
    feed_side = feed_mgl * normalise.log_mean_factor(recovery)
    warm = normalise.temperature_factor(degc, law.salt_pct_per_degc / 100.0)
    permeate_mgl = salt * warm * feed_side / permeate_m3h
    net = permeate_m3h / (water * flow_factor(degc, law))
    osmotic = normalise.osmotic_estimate_bar(feed_side, degc) - normalise.osmotic_estimate_bar(
        permeate_mgl, degc
    )
    feed_bar = net + loss_bar / 2.0 + 0.25 + osmotic
    return Reading(feed_bar, loss_bar, 0.25, permeate_m3h, concentrate_m3h, degc, feed_mgl, permeate_mgl)


def row(at: datetime, reading: Reading) -> str:
    """One line of the log."""
    return ",".join([at.isoformat(), *(f"{value:.9g}" for value in reading)])


def lines(
    days: int, each_day: int = 4, reading: Callable[[float], Reading] = lambda _day: steady()
) -> list[str]:
    """The lines of so many days; ``reading`` is given the time in days."""
    count, apart = days * each_day, timedelta(days=1) / each_day
    return [row(START + k * apart, reading(k / each_day)) for k in range(count)]


def write(folder: Path, rows: Iterable[str], head: str = HEAD, table: str = TABLE) -> Path:
    """Log and table in a folder; the log's path."""
    (folder / "upkeep.toml").write_text(table, encoding="utf-8")
    log = folder / "log.csv"
    log.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8", errors="surrogatepass")
    return log
