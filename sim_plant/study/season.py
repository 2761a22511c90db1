"""Hours of demand not met over a season, with units that fail and are serviced, for N, N+1 and N+2 units.

Each season is a list of moments at which the number of ready units changes; between them, and from hour to
hour of the demand, the tank is reckoned exactly (``buffer.hour_flat_out``). All that are ready run until it
is full.

Rules: a unit that is ready fails after an exponential time and is ready again after another; as many are
repaired at once as have failed. Units are serviced one after another, evenly through the interval. A service
that is due while another unit is out waits until all are ready, and a unit in service does not fail. A season
begins with all ready and the tank full. Unit k has its own random numbers: the first N of N + 1 units fail
when those of N do, unless a service comes between.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from sim_plant.study.buffer import Tank, hour_flat_out
from sim_plant.study.season_table import Season

HOURS_A_DAY = 24.0
MORE = (0, 1, 2)
OUT_TOLD = 3  # shares of time with 0, 1, 2 and 3 units or more out


class Change(NamedTuple):
    """From this hour on so many units are ready."""

    at_h: float
    ready: int


class Outcome(NamedTuple):
    """One season."""

    short_h: float
    short_m3: float
    out_h: tuple[float, ...]  # with k units out


@dataclass(frozen=True)
class Fleet:
    """So many units over all seasons."""

    units: int
    outcomes: tuple[Outcome, ...]

    @property
    def short_h(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Hours not met, each season."""
        return np.array([one.short_h for one in self.outcomes])

    @property
    def mean_h(self) -> float:
        """Hours not met in a season."""
        return float(self.short_h.mean())

    @property
    def error_h(self) -> float:
        """Standard error of that mean."""
        return float(self.short_h.std(ddof=1)) / math.sqrt(len(self.outcomes))

    @property
    def range_h(self) -> tuple[float, float]:
        """Nine seasons in ten lie between."""
        low, high = np.quantile(self.short_h, (0.05, 0.95))
        return float(low), float(high)

    @property
    def mean_m3(self) -> float:
        """Demand not met in a season."""
        return float(np.mean([one.short_m3 for one in self.outcomes]))

    @property
    def met_share(self) -> float:
        """Seasons in which the demand was met throughout."""
        return float((self.short_h == 0.0).mean())

    @property
    def out_share(self) -> tuple[float, ...]:
        """Of the time with 0, 1, 2 ... units out."""
        total = np.sum([one.out_h for one in self.outcomes], axis=0)
        return tuple(float(share) for share in total / total.sum())


@dataclass(frozen=True)
class SeasonStudy:
    """What was asked, and each number of units."""

    table: Season
    fleets: tuple[Fleet, ...]


def season_study(
    table: Season,
    units: int,
    unit_m3h: float,
    draw_m3h: Sequence[float],
    tank: Tank,
    done: Callable[[], None] = lambda: None,
) -> SeasonStudy:
    """All seasons of N, N + 1 and N + 2 units; ``done`` is called after each season."""
    fleets = []
    for more in MORE:
        outcomes = []
        for number in range(table.seasons):
            changes = changes_of(table, units + more, units, number)
            outcomes.append(through(changes, table.days, units + more, unit_m3h, draw_m3h, tank.usable_m3))
            done()
        fleets.append(Fleet(units + more, tuple(outcomes)))
    return SeasonStudy(table, tuple(fleets))


# --- which units are ready ---------------------------------------------------------------------------------

_FAILS, _REPAIRED, _SERVED = range(3)


def changes_of(table: Season, units: int, planned_for: int, number: int) -> list[Change]:
    """Of season ``number``, in order; over ``planned_for`` units the services are spread evenly."""
    end_h, now_h = HOURS_A_DAY * table.days, 0.0
    random = [np.random.default_rng((table.seed, number, unit)) for unit in range(units)]
    due = _services(table, units, planned_for)
    coming: list[tuple[float, int, int]] = []
    if table.repair_h:
        coming = [(_up_h(table, random[unit]), _FAILS, unit) for unit in range(units)]
        heapq.heapify(coming)
    out: set[int] = set()
    changes = [Change(0.0, units)]
    while True:
        serve_h = max(due[0][0], now_h) if due and not out else math.inf
        now_h = min(serve_h, coming[0][0] if coming else math.inf)
        if now_h >= end_h:
            return changes
        if now_h == serve_h:
            _, unit = due.popleft()
            out.add(unit)
            heapq.heappush(coming, (now_h + table.service_h, _SERVED, unit))
        else:
            _, what, unit = heapq.heappop(coming)
            if what == _FAILS and unit not in out:
                out.add(unit)
                heapq.heappush(coming, (now_h + _down_h(table, random[unit]), _REPAIRED, unit))
            else:
                if what != _FAILS:  # else it is in service, where nothing runs that could fail
                    out.remove(unit)
                if what != _SERVED:  # from here on anew
                    heapq.heappush(coming, (now_h + _up_h(table, random[unit]), _FAILS, unit))
        changes.append(Change(now_h, units - len(out)))


def _up_h(table: Season, random: np.random.Generator) -> float:
    return float(random.exponential(HOURS_A_DAY * table.between_failures_days))


def _down_h(table: Season, random: np.random.Generator) -> float:
    return float(random.exponential(table.repair_h))


def _services(table: Season, units: int, planned_for: int) -> deque[tuple[float, int]]:
    """When each is due, in order."""
    if not table.service_every_days or not table.service_h:
        return deque()
    every_h = HOURS_A_DAY * table.service_every_days
    rounds = math.ceil(table.days / table.service_every_days)
    return deque(
        sorted(
            (every_h * (again + (unit % planned_for + 0.5) / planned_for), unit)
            for unit in range(units)
            for again in range(rounds)
        )
    )


# --- what the tank makes of it -----------------------------------------------------------------------------


def through(
    changes: Sequence[Change],
    days: int,
    units: int,
    unit_m3h: float,
    draw_m3h: Sequence[float],
    usable_m3: float,
) -> Outcome:
    """A season from a full tank."""
    stock, short_h, short_m3, out_h = usable_m3, 0.0, 0.0, [0.0] * (units + 1)
    for hour, lasts_h, ready in _pieces(changes, days):
        out_h[units - ready] += lasts_h
        make, draw = ready * unit_m3h * lasts_h, draw_m3h[hour % len(draw_m3h)] * lasts_h
        step = hour_flat_out(stock, make, draw, usable_m3)
        stock, short_m3, short_h = step.stock_m3, short_m3 + step.short_m3, short_h + step.short_h * lasts_h
    return Outcome(short_h, short_m3, tuple(out_h))


def _pieces(changes: Sequence[Change], days: int) -> Iterator[tuple[int, float, int]]:
    """Hour of the season, length and units ready of each stretch in which nothing changes."""
    ends = [change.at_h for change in changes[1:]] + [HOURS_A_DAY * days]
    for (start_h, ready), end_h in zip(changes, ends, strict=True):
        while start_h < end_h:
            hour = math.floor(start_h)
            until_h = min(hour + 1.0, end_h)
            yield hour, until_h - start_h, ready
            start_h = until_h


# --- for people --------------------------------------------------------------------------------------------

SEASON_COLUMNS = (
    "units", "short_h_mean", "short_h_error", "short_h_5", "short_h_95", "short_m3_mean", "seasons_met_pct",
    *(f"out_{k}_pct" for k in range(OUT_TOLD)), f"out_{OUT_TOLD}_or_more_pct",
)  # fmt: skip


def season_rows(study: SeasonStudy) -> list[list[str]]:
    """One for each number of units."""
    return [
        [
            f"{f.units}",
            *(
                f"{value:.5g}"
                for value in (f.mean_h, f.error_h, *f.range_h, f.mean_m3, 100.0 * f.met_share, *_told(f))
            ),
        ]
        for f in study.fleets
    ]


def _told(fleet: Fleet) -> list[float]:
    share = [100.0 * one for one in fleet.out_share]
    return [*share[:OUT_TOLD], *[0.0] * max(OUT_TOLD - len(share), 0), sum(share[OUT_TOLD:])]


def season_lines(study: SeasonStudy) -> list[str]:
    """The outcome in sentences."""
    t = study.table
    service = f"serviced for {t.service_h:g} h every {t.service_every_days:g} days"
    fails = f"fails every {t.between_failures_days:g} days on average and is out for {t.repair_h:g} h"
    lines = [
        f"{t.seasons} seasons of {t.days} days; a unit {fails if t.repair_h else 'never fails'}, "
        f"{service if t.service_every_days and t.service_h else 'no service'}."
    ]
    return [*lines, *(_line(f) for f in study.fleets)]


def _line(f: Fleet) -> str:
    if not f.mean_h:
        return f"{f.units} units: demand met in every season."
    low, high = f.range_h
    return (
        f"{f.units} units: demand not met for {f.mean_h:.1f} h a season (mean, +/- {f.error_h:.1f}; nine in "
        f"ten between {low:.0f} and {high:.0f} h), {f.mean_m3:.0f} m3; met throughout in "
        f"{100.0 * f.met_share:.0f} % of the seasons."
    )
