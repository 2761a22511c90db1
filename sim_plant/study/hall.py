"""What a bank needs beyond its unit, out of a study: headers, tank, season; in lines, tables and pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.settings import Setpoints
from sim_plant.process.parameters import PlantParameters
from sim_plant.study.analysis import StudyFile
from sim_plant.study.buffer import FLAT_OUT, BufferStudy, Course, Reserve, buffer_study, tank_of
from sim_plant.study.headers import HeaderStudy, header_study
from sim_plant.study.lists import write_list
from sim_plant.study.plots import Series, plot
from sim_plant.study.points import UNITS_MOST, Figures, Order
from sim_plant.study.season import (
    MORE,
    SEASON_COLUMNS,
    SeasonStudy,
    season_lines,
    season_rows,
    season_study,
)

HEADERS_FILE, BUFFER_FILE, SEASON_FILE = "headers.csv", "buffer.csv", "season.csv"
HEADER_COLUMNS = (
    "header", "to_unit", "length_m", "flow_m3h", "velocity_m_s", "loss_bar", "loss_from_start_bar",
)  # fmt: skip
BUFFER_COLUMNS = ("units", "manner", "hour", "demand_m3h", "level_pct", "short_m3", "short_h")


@dataclass(frozen=True)
class Hall:
    """All parts; a part that was left out says why."""

    headers: HeaderStudy | None
    no_headers: str
    buffer: BufferStudy | None
    no_buffer: str
    season: SeasonStudy | None
    no_season: str


def check_hall(file: StudyFile, plant: PlantParameters, setpoints: Setpoints) -> None:
    """Before anything runs: InputError when the tables do not fit the site."""
    if file.demand:
        tank_of(file.demand, plant, setpoints)


def hall_of(
    file: StudyFile, order: Order, chosen: Sequence[Figures], done: Callable[[], None] = lambda: None
) -> Hall:
    """What the tables of study.toml ask for, with the figures of the proposed choice.

    ``done`` is called after each of ``seasons_of(file, chosen)`` seasons.
    """
    buffer = buffer_study(file.demand, order, chosen) if file.demand and chosen else None
    season = None
    if file.season and buffer:
        draw = buffer.demand.hourly_m3h
        season = season_study(file.season, order.units, buffer.unit_m3h, draw, buffer.tank, done)
    return Hall(
        header_study(file.headers, order, chosen) if file.headers and chosen else None,
        _why_not("headers", file.headers is None),
        buffer,
        _why_not("demand", file.demand is None),
        season,
        _why_not("demand" if file.season else "season", not (file.season and file.demand)),
    )


def seasons_of(file: StudyFile, chosen: Sequence[Figures]) -> int:
    """How many will be simulated."""
    return len(MORE) * file.season.seasons if file.season and file.demand and chosen else 0


def _why_not(table: str, missing: bool) -> str:
    if missing:
        return f"Left out: study.toml has no [{table}]. docs/study.md says what to write there."
    return "Left out: no choice holds every limit, so there are no flows to reckon with."


def header_lines(h: HeaderStudy) -> list[str]:
    """The outcome in sentences."""
    asked = f"The setpoints let {h.slots} flush at once" if h.slots else "The setpoints have no flush slot"
    lines = [
        f"{line.name} {line.velocity_m_s:.2f} m/s, {line.loss_bar:.3f} bar to the last" for line in h.lines
    ]
    lines = [
        f"Worst load: {', '.join(lines)}.",
        f"{asked}; the headers carry {h.carried} with {h.units} units, and one flush with up to "
        f"{h.units_carried} units ({UNITS_MOST} are looked at).",
    ]
    if h.in_the_way:
        lines.append(f"In the way of one more: {', '.join(h.in_the_way)}.")
    if h.advice:
        lines.append(f"To do: {h.advice}.")
    feed, drain = (h.loads[name].flush_m3h for name in ("feed", "drain"))
    if (feed, drain) != h.reckoned:
        lines.append(
            f"A purge peaks at {feed:.2f} m3/h of feed and {drain:.2f} of drain, as simulated; the slots "
            f"reckon with flush_feed_m3h = {h.reckoned[0]:g} and flush_drain_m3h = {h.reckoned[1]:g}."
        )
    product = next(line for line in h.lines if line.name == "product")
    if product.loss_bar > h.counted_bar:
        lines.append(
            f"[plant.header] product_loss_bar = {h.counted_bar:g} is less than the product header's "
            f"{product.loss_bar:.3f} bar: raise it and run the study again."
        )
    return lines


def buffer_lines(b: BufferStudy) -> list[str]:
    """The outcome in sentences."""
    day = sum(b.demand.hourly_m3h)
    lines = [
        f"Demand {day:.0f} m3 a day; a unit makes {b.unit_m3h:.2f} m3/h net at {b.degc:g} degC. Tank "
        f"{b.tank.volume_m3:g} m3, used from {b.tank.lowest_pct:g} to {b.tank.full_pct:g} %."
    ]
    reserves = {r.ready: f"; {_reserve(b, r)}" for r in b.reserves}
    lines += [
        f"{c.ready} units {c.manner}: {_met(b, c)}{reserves[c.ready] if c.manner == FLAT_OUT else ''}."
        for c in b.courses
    ]
    if b.earlier:
        lines.append(
            f"Called sooner, with tank_first_pct = {b.earlier.tank_first_pct:g} and tank_last_pct = "
            f"{b.earlier.tank_last_pct:g}, {b.units - 1} units meet the demand."
        )
    fewest = f"more than {UNITS_MOST}" if b.least_units is None else f"{b.least_units}"
    return [*lines, f"Fewest units that meet the demand with one out, this tank, flat out: {fewest}."]


def _met(b: BufferStudy, course: Course) -> str:
    day = course.day
    if day.short_h:
        return f"demand not met for {day.short_h:.1f} h a day, {day.short_m3:.1f} m3"
    return f"demand met, level down to {b.tank.pct(day.lowest_m3):.0f} %"


def _reserve(b: BufferStudy, r: Reserve) -> str:
    if r.least_tank_m3 is None:
        tank = f"no tank is large enough, they make {24.0 * r.ready * b.unit_m3h:.0f} m3 a day"
    else:
        tank = f"a tank of {r.least_tank_m3:.1f} m3 just does"
    return tank if r.lasts_h is None else f"{tank}; from full at midnight it lasts {r.lasts_h:.1f} h"


def write_hall(hall: Hall, folder: Path) -> list[Path]:
    """A table for each part that was not left out; which were written."""
    written: list[Path] = []
    if hall.headers:
        written.append(write_list(folder / HEADERS_FILE, HEADER_COLUMNS, header_rows(hall.headers)))
    if hall.buffer:
        written.append(write_list(folder / BUFFER_FILE, BUFFER_COLUMNS, buffer_rows(hall.buffer)))
    if hall.season:
        written.append(write_list(folder / SEASON_FILE, SEASON_COLUMNS, season_rows(hall.season)))
    return written


def header_rows(h: HeaderStudy) -> list[list[str]]:
    """One for each piece of each header."""
    return [[line.name, *(f"{value:.5g}" for value in piece)] for line in h.lines for piece in line.segments]


def buffer_rows(b: BufferStudy) -> list[list[str]]:
    """One for each hour of each course."""
    return [
        [
            f"{c.ready}", c.manner, f"{number}",
            *(f"{v:.5g}" for v in (draw, b.tank.pct(hour.stock_m3), hour.short_m3, hour.short_h)),
        ]
        for c in b.courses
        for number, (draw, hour) in enumerate(zip(b.demand.hourly_m3h, c.day.hours, strict=True), start=1)
    ]  # fmt: skip


def hall_lines(hall: Hall) -> list[str]:
    """For the console: all parts, each line with its part in front."""
    headers = header_lines(hall.headers) if hall.headers else [hall.no_headers]
    buffer = buffer_lines(hall.buffer) if hall.buffer else [hall.no_buffer]
    season = season_lines(hall.season) if hall.season else [hall.no_season]
    parts = {"headers": headers, "buffer": buffer, "season": season}
    return [f"{name}: {text}" for name, lines in parts.items() for text in lines]


def hall_plots(hall: Hall) -> tuple[list[str], list[str], list[str]]:
    """Velocity and loss along the headers; level over the day, flat out and as called; hours not met."""
    headers = _header_plots(hall.headers) if hall.headers else []
    buffer = _buffer_plots(hall.buffer) if hall.buffer else []
    return headers, buffer, _season_plots(hall.season) if hall.season else []


def _header_plots(h: HeaderStudy) -> list[str]:
    velocity = [
        Series(line.name, [
            (p.number, p.velocity_m_s, p.velocity_m_s <= line.pipe.velocity_most_m_s) for p in line.segments
        ])
        for line in h.lines
    ]  # fmt: skip
    loss = [
        Series(
            line.name, [(p.number, p.sum_bar, p.sum_bar <= line.pipe.loss_most_bar) for p in line.segments]
        )
        for line in h.lines
    ]
    axis = "pipe up to the branch of unit"
    return [
        plot("Velocity, m/s", axis, velocity, ground=False),
        plot("Loss from the header's start, bar", axis, loss, ground=False),
    ]


def _buffer_plots(b: BufferStudy) -> list[str]:
    manners = dict.fromkeys(c.manner for c in b.courses)
    return [
        plot(
            f"Tank level, %, units {'flat out' if manner == FLAT_OUT else 'as called'}",
            "hour of the day",
            [_level(b, c) for c in b.courses if c.manner == manner],
            b.tank.lowest_pct,
            ground=False,
        )
        for manner in manners
    ]


def _season_plots(s: SeasonStudy) -> list[str]:
    def over(name: str, values: Sequence[float]) -> Series:
        return Series(name, [(f.units, h, f.mean_h == 0.0) for f, h in zip(s.fleets, values, strict=True)])

    short = [
        over("mean", [f.mean_h for f in s.fleets]),
        over("1 season in 20", [f.range_h[1] for f in s.fleets]),
    ]
    return [plot("Hours not met in a season", "units", short, ground=False)]


def _level(b: BufferStudy, course: Course) -> Series:
    day = course.day
    hours = ((number, b.tank.pct(h.stock_m3), not h.short_h) for number, h in enumerate(day.hours, start=1))
    return Series(f"{course.ready} units", [(0.0, b.tank.pct(day.start_m3), True), *hours])
