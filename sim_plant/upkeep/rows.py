"""From cells to rows that count: numbers in our units, and one word for each row that does not count."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from controller.files import InputError
from sim_plant.upkeep.logfile import Cell, Counts, RawLog
from sim_plant.upkeep.normal import Reading, driving_bar
from sim_plant.upkeep.quantities import FALSE_WORDS, FLAGS, QUANTITIES, TRUE_WORDS, to_ours, units_that_fit
from sim_plant.upkeep.table import Table

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
START_S = 600.0  # rows so soon after a start do not count
RUNS_ABOVE = 0.2  # of the median of all positive flows: below it the unit does not run, own choice
PURGES_ABOVE = 1.3  # concentrate flow against its median: above it the flush valve is open, own choice
OPTIONAL = ("header_pressure", "suction_pressure", "prefilter_loss")  # a gap in these costs no row

NOT_RUNNING, PURGE = "the unit does not run", "purge or flush"
STARTING, AFTER_GAP = "within 10 minutes of a start", "first row after a gap or standstill"
SORTED_OUT = (NOT_RUNNING, PURGE, STARTING, AFTER_GAP)


@dataclass
class UnitRows:
    """One unit: every row of the log, and why it does not count ("" when it does)."""

    unit: int
    moments_s: Floats
    readings: Floats  # rows x fields of Reading
    prefilter_bar: Floats  # NaN where it is not known
    reasons: list[str]
    counts: Counts
    running: Bools
    spacing_s: float  # typical time between rows
    remarks: list[str]

    @property
    def settled(self) -> Bools:
        """Rows that count."""
        return np.array([not reason for reason in self.reasons], np.bool_)

    @property
    def bad(self) -> int:
        """Rows in which the unit runs and a value cannot be used."""
        return sum(n for reason, n in self.counts.of.items() if reason not in SORTED_OUT)

    def reading(self, row: int) -> Reading:
        """All values of one row."""
        return Reading(*self.readings[row].tolist())


def unit_rows(log: RawLog, table: Table, unit: int) -> UnitRows:
    """All rows of one unit. InputError when it never runs or more than half of the running rows are bad."""
    moments = np.array(log.moments_s)
    values, troubles = {}, {}
    for name in table.columns:
        if name not in FLAGS:
            values[name], troubles[name] = _numbers(log, table, name, unit)
    running = _running(log, table, unit, values["permeate_flow"])
    if not running.any():
        raise InputError(_never_runs(log, table, unit))
    spacing = float(np.median(np.diff(moments))) if len(moments) > 1 else 0.0
    prefilter, remarks = _prefilter(values, troubles, running)
    rows = UnitRows(unit, moments, _readings(values), prefilter, [], Counts(), running, spacing, remarks)
    rows.reasons = _bad(rows, troubles, table.water.osmotic_ratio_to_nacl)
    _refuse_when_mostly_bad(log, table, rows)
    _sort_out(rows, _purging(log, table, unit, values, running))
    for reason, line in zip(rows.reasons, log.lines, strict=True):
        if reason:
            rows.counts.add(reason, line)
    return rows


def _readings(values: dict[str, Floats]) -> Floats:
    """What a Reading has, by column; what nobody logs is taken as 0 bar, see ``assumed``."""
    permeate, zero = values["permeate_flow"], np.zeros(len(values["permeate_flow"]))
    loss = values.get("pressure_loss", zero)
    if "concentrate_pressure" in values and "pressure_loss" not in values:
        loss = values["feed_pressure"] - values["concentrate_pressure"]
    concentrate = (
        values["concentrate_flow"] if "concentrate_flow" in values else values["feed_flow"] - permeate
    )
    columns = Reading(
        feed_bar=values["feed_pressure"],
        loss_bar=loss,
        permeate_bar=values.get("permeate_pressure", zero),
        permeate_m3h=permeate,
        concentrate_m3h=concentrate,
        degc=values["feed_temperature"],
        feed_mgl=values["feed_salt"],
        permeate_mgl=values["permeate_salt"],
    )
    return np.stack(columns, axis=1)


def assumed(table: Table) -> list[str]:
    """What is not measured, for the page."""
    told = [
        f"{QUANTITIES[name].words}: taken as {column.constant:g} {column.unit} throughout, not logged"
        for name, column in table.columns.items()
        if column.constant is not None
    ]
    if not has_loss(table):
        told.append("pressure loss from feed to concentrate: not logged, taken as 0 bar and not judged")
    if "permeate_pressure" not in table.columns:
        told.append(
            "permeate pressure: not logged, taken as 0 bar; where it moves, the flow's trend is wrong"
        )
    return told


def has_loss(table: Table) -> bool:
    """The log has the pressure loss or what it follows from."""
    stated = [table.columns.get(name) for name in ("pressure_loss", "concentrate_pressure")]
    return any(column is not None and column.column is not None for column in stated)


def _prefilter(
    values: dict[str, Floats], troubles: dict[str, list[str]], running: Bools
) -> tuple[Floats, list[str]]:
    """The prefilter's loss where it can be known; its bad values cost no row, so they are told apart."""
    used = [name for name in OPTIONAL if name in values]
    if "prefilter_loss" in values:
        loss = values["prefilter_loss"].copy()
    elif {"header_pressure", "suction_pressure"} <= values.keys():
        loss = values["header_pressure"] - values["suction_pressure"]
    else:
        return np.full(len(running), np.nan), []
    bad = np.array([any(troubles[name][i] for name in used) for i in range(len(running))], np.bool_)
    loss[bad] = np.nan
    lost = int((bad & running).sum())
    return loss, [f"prefilter: {lost} values could not be used"] if lost else []


def _name(table: Table, name: str, unit: int) -> str:
    return (table.columns[name].column or "").replace("{unit}", str(unit))


def _numbers(log: RawLog, table: Table, name: str, unit: int) -> tuple[Floats, list[str]]:
    """Values in our unit, NaN where there is none; and what is wrong with each ("" for nothing)."""
    stated, quantity = table.columns[name], QUANTITIES[name]
    scale = to_ours(name, stated.unit, table.mgl_per_us(name))
    if stated.constant is not None:
        value = scale.ours(stated.constant)
        if not quantity.lo <= value <= quantity.hi:
            raise InputError(
                f"columns.{name}: constant {stated.constant:g} {stated.unit} lies outside "
                f"{quantity.lo:g} to {quantity.hi:g} {quantity.unit}"
            )
        return np.full(len(log.lines), value), [""] * len(log.lines)
    cells = log.cells[_name(table, name, unit)]
    values = np.array([scale.ours(_number(cell, table.log.decimal)) for cell in cells])
    troubles = [_trouble(value, quantity.lo, quantity.hi, name) for value in values.tolist()]
    return values, troubles


def _number(cell: Cell, decimal: str) -> float:
    if isinstance(cell, bool):
        return math.nan
    if isinstance(cell, int | float | Decimal):
        return float(cell)
    if not isinstance(cell, str):  # nothing, or whatever else a Parquet file may hold
        return math.nan
    text = cell.strip()
    if decimal == ",":
        if "." in text:
            return math.nan  # a thousands sign or a slip; which one, nobody can tell
        text = text.replace(",", ".")
    try:
        return float(text) if "_" not in text else math.nan
    except ValueError:
        return math.nan


def _trouble(value: float, lo: float, hi: float, name: str) -> str:
    if not math.isfinite(value):
        return f"{name} is no number"
    if value < lo:
        return (
            f"{name} is negative" if value < 0.0 <= lo else f"{name} is below {lo:g} {QUANTITIES[name].unit}"
        )
    return f"{name} is above {hi:g} {QUANTITIES[name].unit}" if value > hi else ""


def _flag(log: RawLog, table: Table, name: str, unit: int) -> Bools:
    """A contact; a word that is neither is taken as not running, and as no purge."""
    words = [str(cell).strip().lower() for cell in log.cells[_name(table, name, unit)]]
    strange = next((word for word in words if word not in TRUE_WORDS | FALSE_WORDS | {"", "none"}), None)
    if strange is not None:
        raise InputError(
            f"{log.name}: column {_name(table, name, unit)!r}: {strange!r} is neither on nor off; known are "
            f"{', '.join(sorted(TRUE_WORDS))} and {', '.join(sorted(FALSE_WORDS))}"
        )
    return np.array([word in TRUE_WORDS for word in words], np.bool_)


def _running(log: RawLog, table: Table, unit: int, flow: Floats) -> Bools:
    if "running" in table.columns:
        return _flag(log, table, "running", unit)
    positive = flow[np.isfinite(flow) & (flow > 0.0)]
    least = RUNS_ABOVE * float(np.median(positive)) if len(positive) else math.inf
    if not np.isfinite(flow).any():  # nothing can be read: say so below, not that it stands still
        return np.ones(len(flow), np.bool_)
    unread_between = ~np.isfinite(flow)
    return np.asarray((flow > least) | unread_between, np.bool_)


def _purging(log: RawLog, table: Table, unit: int, values: dict[str, Floats], running: Bools) -> Bools:
    if "purging" in table.columns:
        return _flag(log, table, "purging", unit)
    flow = values.get("concentrate_flow")
    if flow is None or not np.isfinite(flow[running]).any():
        return np.zeros(len(running), np.bool_)
    return np.asarray(flow > PURGES_ABOVE * float(np.nanmedian(flow[running])), np.bool_)


def _bad(rows: UnitRows, troubles: dict[str, list[str]], ratio: float) -> list[str]:
    reasons = []
    needed = [name for name in troubles if name not in OPTIONAL]
    for i, runs in enumerate(rows.running.tolist()):
        if not runs:
            reasons.append(NOT_RUNNING)
            continue
        trouble = next((troubles[name][i] for name in needed if troubles[name][i]), "")
        reasons.append(trouble or _nonsense(rows.reading(i), ratio))
    return reasons


def _nonsense(reading: Reading, ratio: float) -> str:
    """What each value may be and all together cannot."""
    if reading.permeate_mgl >= reading.feed_mgl:
        return "permeate_salt is not below feed_salt"
    if reading.permeate_m3h <= 0.0:
        return "permeate_flow is zero"
    if reading.concentrate_m3h <= 0.0:
        return "concentrate_flow is zero, or permeate_flow not below feed_flow"
    if reading.loss_bar < 0.0:
        return "concentrate_pressure is above feed_pressure"
    if driving_bar(reading, ratio) <= 0.0:
        return "feed_pressure leaves no net driving pressure"
    return ""


def _sort_out(rows: UnitRows, purging: Bools) -> None:
    """Good rows that tell nothing of the membranes: purge, start, first row after what nobody saw."""
    gap_s = max(START_S, 3.0 * rows.spacing_s)
    start_s, before, first = -math.inf, False, True
    for i, at_s in enumerate(rows.moments_s.tolist()):
        if not rows.running[i]:
            before = False
            continue
        unseen = i == 0 or at_s - float(rows.moments_s[i - 1]) > gap_s
        if not before or unseen:
            start_s, first = at_s, True
        before = True
        if rows.reasons[i] == "":
            if purging[i]:
                rows.reasons[i] = PURGE
            elif first:
                rows.reasons[i] = AFTER_GAP
            elif at_s - start_s < START_S:
                rows.reasons[i] = STARTING
        first = False


def _never_runs(log: RawLog, table: Table, unit: int) -> str:
    column = _name(table, "running" if "running" in table.columns else "permeate_flow", unit)
    return f"{log.name}: unit {unit} does not run in any of {len(log.lines)} rows, says column {column!r}"


def _refuse_when_mostly_bad(log: RawLog, table: Table, rows: UnitRows) -> None:
    bad = Counter(reason for reason in rows.reasons if reason and reason != NOT_RUNNING)
    runs = int(rows.running.sum())
    if 2 * bad.total() <= runs:
        return
    reason, times = bad.most_common(1)[0]
    line = log.lines[rows.reasons.index(reason)]
    raise InputError(
        f"{log.name}: unit {rows.unit}: {bad.total()} of {runs} rows in which it runs are bad; most often, "
        f"{times} times, the first in line {line}: {reason}{_hint(log, table, rows, reason)}"
    )


def _hint(log: RawLog, table: Table, rows: UnitRows, reason: str) -> str:
    """What may be behind it: a decimal comma, or another unit of measure."""
    name = reason.split()[0]
    column = table.columns.get(name)
    if column is None or column.column is None:
        return ""
    cells = log.cells[_name(table, name, rows.unit)]
    if "no number" in reason:
        shown = next((str(c) for c, r in zip(cells, rows.reasons, strict=True) if r == reason), "")
        comma = "," in shown and table.log.decimal == "."
        return f" ({shown[:20]!r})" + ('; for a decimal comma set log.decimal = ","' if comma else "")
    logged = np.array([_number(cell, table.log.decimal) for cell in cells])[rows.running]
    if not np.isfinite(logged).any():
        return ""
    fitting = units_that_fit(name, float(np.nanmedian(logged)), table.mgl_per_us(name))
    others = [unit for unit in fitting if unit != column.unit]
    if not others:
        return f"; is {column.unit} right?"
    return f"; is {column.unit} right? {' or '.join(others)} would make sense"
