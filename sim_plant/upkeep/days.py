"""Rows by the day: medians, raw beside normalised. Days are UTC."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

import numpy as np

from controller.files import InputError
from sim_plant.upkeep.normal import Reading, normalised
from sim_plant.upkeep.rows import UnitRows
from sim_plant.upkeep.table import Table

DAY_S = 86400.0
BASELINE_DAYS = 3  # with data, at least


class Day(NamedTuple):
    """Medians of the rows of one day that count."""

    day: date
    unit: int
    rows: int
    permeate_m3h: float
    normalised_permeate_m3h: float
    salt_passage_pct: float
    normalised_salt_passage_pct: float
    loss_bar: float
    normalised_loss_bar: float
    prefilter_bar: float | None
    feed_bar: float
    feed_degc: float
    feed_mgl: float


class UnitDays(NamedTuple):
    """One unit by the day, and the conditions to which it was brought."""

    unit: int
    standard: Reading
    days: list[Day]


def by_day(rows: UnitRows, table: Table) -> UnitDays:
    """All days with rows that count. InputError when the baseline has too few."""
    day_of = np.floor(rows.moments_s / DAY_S).astype(np.int64)
    settled = np.flatnonzero(rows.settled)
    standard = _standard(rows, table, day_of, settled)
    ratio, law = table.water.osmotic_ratio_to_nacl, table.law
    brought = {int(i): normalised(rows.reading(int(i)), standard, law, ratio) for i in settled}
    days = []
    for number in np.unique(day_of[settled]).tolist():
        of_day = settled[day_of[settled] == number]
        raw = Reading(*np.median(rows.readings[of_day], axis=0).tolist())
        flow, passage, loss = np.median([brought[int(i)] for i in of_day], axis=0).tolist()
        passages = rows.readings[of_day, 7] / rows.readings[of_day, 6]
        prefilter = rows.prefilter_bar[of_day]
        known = prefilter[np.isfinite(prefilter)]
        days.append(
            Day(
                day=day_named(number),
                unit=rows.unit,
                rows=len(of_day),
                permeate_m3h=raw.permeate_m3h,
                normalised_permeate_m3h=flow,
                salt_passage_pct=100.0 * float(np.median(passages)),
                normalised_salt_passage_pct=100.0 * passage,
                loss_bar=raw.loss_bar,
                normalised_loss_bar=loss,
                prefilter_bar=float(np.median(known)) if len(known) else None,
                feed_bar=raw.feed_bar,
                feed_degc=raw.degc,
                feed_mgl=raw.feed_mgl,
            )
        )
    return UnitDays(rows.unit, standard, days)


def day_named(number: int) -> date:
    """The date of a whole number of days since 1970."""
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=number)).date()


def day_number(day: date) -> int:
    """Whole days since 1970."""
    return (day - date(1970, 1, 1)).days


def _standard(
    rows: UnitRows,
    table: Table,
    day_of: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    settled: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
) -> Reading:
    """Medians of the baseline's rows that count."""
    with_data = np.unique(day_of[settled]).tolist()
    if not with_data:
        raise InputError(f"unit {rows.unit}: no row counts; {_told(rows)}")
    if table.baseline is None:
        first, last = with_data[0], with_data[min(BASELINE_DAYS, len(with_data)) - 1]
        raise InputError(
            f"the table has no [baseline]: a person must say which days are the measure, for example "
            f'first = {day_named(first)}, last = {day_named(last)}, set_by = "name", the first days of unit '
            f"{rows.unit} with rows that count"
        )
    span = (day_number(table.baseline.first), day_number(table.baseline.last))
    inside = settled[(day_of[settled] >= span[0]) & (day_of[settled] <= span[1])]
    found = len(np.unique(day_of[inside]))
    if found < BASELINE_DAYS:
        raise InputError(
            f"baseline {table.baseline.first} to {table.baseline.last}: unit {rows.unit} has rows that count "
            f"on {found} days of it, at least {BASELINE_DAYS} are needed; they go from "
            f"{day_named(with_data[0])} to {day_named(with_data[-1])}"
        )
    return Reading(*np.median(rows.readings[inside], axis=0).tolist())


def _told(rows: UnitRows) -> str:
    return ", ".join(f"{n} {reason}" for reason, n in rows.counts.of.items())
