"""The whole way from a table and a log to what there is to say."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from sim_plant.upkeep.advice import Advice, advise
from sim_plant.upkeep.days import DAY_S, UnitDays, by_day, day_named
from sim_plant.upkeep.logfile import RawLog, read_log
from sim_plant.upkeep.rows import START_S, UnitRows, assumed, has_loss, unit_rows
from sim_plant.upkeep.table import Table, read_table
from sim_plant.upkeep.trend import METHOD_PCT_PER_DEGC
from sim_plant.upkeep.triggers import RECENT_DAYS, Item, State, gaps, judge_dates, judge_unit

APART_DEGC = 3.0  # of feed temperature, now against the baseline: told from here on
MOST_PASSAGE = 0.2  # beyond it hardly a membrane of brackish water, own choice


@dataclass(frozen=True)
class Findings:
    """All that the page, the console and the exit code are made of."""

    table: Table
    log: RawLog
    rows: list[UnitRows]
    days: list[UnitDays]
    items: list[Item]
    advice: list[Advice]
    doubts: list[str]
    first_day: date
    last_day: date

    @property
    def grave(self) -> list[Item]:
        """Items whose trigger or warning is reached."""
        return [item for item in self.items if item.state in (State.REACHED, State.WARN)]

    @property
    def unclear(self) -> list[Item]:
        """Items of which nothing can be said."""
        return [item for item in self.items if item.state in (State.OPEN, State.UNJUDGED)]

    @property
    def headline(self) -> str:
        """The outcome in one line."""
        if self.grave:
            units = sorted({item.unit for item in self.grave if item.unit})
            where = f" (units {', '.join(map(str, units))})" if len(units) > 1 else ""
            return f"{len(self.grave)} of {len(self.items)} triggers reached or warned of{where}"
        if self.unclear:
            return (
                f"no trigger reached; {len(self.unclear)} of {len(self.items)} cannot be told or not judged"
            )
        return f"none of {len(self.items)} triggers reached"


def look_into(log_path: Path, table_path: Path, mend: Sequence[str] = ()) -> Findings:
    """Read, normalise, judge, advise. InputError with one line when the input is at fault."""
    table = read_table(table_path)
    log = read_log(log_path, table, mend)
    rows = [unit_rows(log, table, unit) for unit in table.units]
    days = [by_day(one, table) for one in rows]
    first, last = (day_named(int(at // DAY_S)) for at in (log.moments_s[0], log.moments_s[-1]))
    items = [
        item
        for one, found in zip(rows, days, strict=True)
        for item in judge_unit(one, found, table, has_loss(table))
    ]
    items += judge_dates(table.done, table.hand_meter, table.dose_check, last)
    return Findings(
        table, log, rows, days, items, advise(items), _doubts(table, log, rows, days), first, last
    )


def _doubts(table: Table, log: RawLog, rows: list[UnitRows], days: list[UnitDays]) -> list[str]:
    """What a reader must know before believing any number here; the same of several units once."""
    of_units: dict[str, list[int]] = {}
    for one, found in zip(rows, days, strict=True):
        for text in _of_unit(table, one, found):
            of_units.setdefault(text, []).append(one.unit)
    told = [f"unit{'s' * (len(u) > 1)} {', '.join(map(str, u))}: {text}" for text, u in of_units.items()]
    return [*log.mended, *assumed(table), *told]


def _of_unit(table: Table, one: UnitRows, found: UnitDays) -> list[str]:
    runs, told = int(one.running.sum()), []
    if 10 * one.bad > runs:
        told.append(f"{one.bad} of {runs} rows in which it runs are bad")
    if one.spacing_s > START_S:
        told.append(f"a row every {one.spacing_s / 60:.0f} min; a start in between is not seen")
    if found.standard.passage > MOST_PASSAGE:
        told.append(
            f"{100 * found.standard.passage:.0f} % of the salt passed in the baseline; D4516 is for high "
            "rejection: are the units of both salts right?"
        )
    return [*told, *gaps(found), *one.remarks, *_small_difference(table, found), *_other_season(found)]


def _other_season(found: UnitDays) -> list[str]:
    recent = [day.feed_degc for day in found.days[-RECENT_DAYS:]]
    apart = statistics.median(recent) - found.standard.degc
    if abs(apart) < APART_DEGC:
        return []
    how = f"{abs(apart):.0f} degC {'warmer' if apart > 0 else 'colder'}"
    more = f"{METHOD_PCT_PER_DEGC * abs(apart):.0f} %"
    return [
        f"unit {found.unit}: feed {how} than in the baseline; intervals are {more} wider for it, each way"
    ]


def _small_difference(table: Table, found: UnitDays) -> list[str]:
    """A loss that is what two pressures leave has all the error of both."""
    loss, feed = found.standard.loss_bar, found.standard.feed_bar
    if "pressure_loss" in table.columns or not 0.0 < loss < 0.1 * feed:
        return []
    return [
        f"the pressure loss is the difference of two pressures; 1 % of the feed pressure is "
        f"{feed / loss:.0f} % of it"
    ]
