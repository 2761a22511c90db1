"""The triggers of practice, held against days, dates and comparisons by hand.

Limits: 10 to 15 % of normalised flow, 10 % of normalised salt passage and 15 % of pressure loss are widely
quoted; the prefilter's pressures, the intervals of checks, the 10 % of a conductivity cell and the 15 % of a
dose are own choices informed by practice. The makers' written limits override all of them.
"""

from __future__ import annotations

from datetime import date, timedelta
from enum import StrEnum
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim_plant.upkeep.days import DAY_S, Day, UnitDays, day_named, day_number
from sim_plant.upkeep.rows import UnitRows
from sim_plant.upkeep.table import Done, DoseCheck, HandMeter, Table
from sim_plant.upkeep.trend import Fit, Interval, change_pct, fit_line

RECENT_DAYS, RECENT_WITHIN = 7, 14  # days with data that are "now", and how far back they may lie
SPAN_DAYS = 14  # between baseline and now, at least
DRIFT = 0.01  # of the feed pressure: so far two pressure loops may drift apart, own choice
GAP_DAYS = 3  # told when longer
PREFILTER_BAR = (0.7, 1.0)
PREFILTER_DAYS, METER_DAYS, PROOF_DAYS, DOSE_DAYS = 91, 31, 183, 8  # a week, and a day for the round
METER_PCT, DOSE_PCT = 10.0, 15.0
IDLE_S, PRESERVE_S = 48 * 3600.0, 14 * DAY_S


class State(StrEnum):
    """What is to be said of a trigger, gravest first."""

    REACHED = "reached"
    WARN = "warning reached"
    OPEN = "cannot be told"
    UNJUDGED = "not judged"
    CLEAR = "not reached"


class Limit(NamedTuple):
    """A trigger on a normalised value: which way is bad, where the warning is, where the trigger."""

    key: str
    words: str
    unit: str
    field: str
    raw: str
    bad: float  # -1: a fall is bad, 1: a rise
    warn_pct: float
    act_pct: float


LIMITS = (
    Limit(
        "flow", "normalised permeate flow", "m3/h", "normalised_permeate_m3h", "permeate_m3h", -1.0, 10, 15
    ),
    Limit(
        "salt", "normalised salt passage", "%", "normalised_salt_passage_pct", "salt_passage_pct", 1.0, 10, 10
    ),
    Limit("loss", "normalised pressure loss", "bar", "normalised_loss_bar", "loss_bar", 1.0, 15, 15),
)


class Item(NamedTuple):
    """One line of the answer. ``unit`` 0 is the bank; numbers are None where there are none."""

    unit: int
    key: str
    what: str
    state: State
    measure: str
    now: str
    change: Interval | None
    per_month: Interval | None
    trigger: str
    why: str


def judge_unit(rows: UnitRows, found: UnitDays, table: Table, with_loss: bool) -> list[Item]:
    """Everything there is to say of one unit."""
    end = day_named(int(rows.moments_s[-1] // DAY_S))
    limits = [limit for limit in LIMITS if with_loss or limit.key != "loss"]
    items = [_judge(limit, found, table, end) for limit in limits]
    items += _prefilter(rows.unit, found.days)
    items += _idle(rows)
    return items


def _judge(limit: Limit, found: UnitDays, table: Table, end: date) -> Item:
    first, last = (table.baseline.first, table.baseline.last) if table.baseline else (end, end)
    base_days = [day for day in found.days if first <= day.day <= last]
    base = _values(base_days, limit.field)
    recent_days = [day for day in found.days if day.day > last][-RECENT_DAYS:]
    recent = _values(recent_days, limit.field)
    trigger = f"{limit.bad * limit.act_pct:+.0f} %"
    if limit.warn_pct != limit.act_pct:
        trigger = f"{limit.bad * limit.warn_pct:+.0f} % warning, {trigger} clean"
    measure = f"{np.median(base):.3g} {limit.unit}"
    why = _cannot_judge(recent_days, last, end, base)
    if why:
        now = f"{np.median(recent):.3g} {limit.unit}" if len(recent) else "-"
        return Item(
            found.unit, limit.key, limit.words, State.UNJUDGED, measure, now, None, None, trigger, why
        )
    since = [day for day in found.days if day.day >= first]
    fit = fit_line(np.array([float(day_number(day.day)) for day in since]), _values(since, limit.field))
    moved_bar = abs(float(np.median(recent) - np.median(base)))
    degc = [float(np.median(_values(days, "feed_degc"))) for days in (base_days, recent_days)]
    change = change_pct(base, recent, fit, degc[1] - degc[0])
    state, why = _doubt_loss(limit, _state(limit, change), moved_bar, found.standard.feed_bar, table)
    return Item(
        found.unit,
        limit.key,
        limit.words,
        state,
        measure,
        f"{np.median(recent):.3g} {limit.unit}",
        change,
        _per_month(fit, float(np.median(base)), since),
        trigger,
        why,
    )


def _doubt_loss(
    limit: Limit, state: State, moved_bar: float, feed_bar: float, table: Table
) -> tuple[State, str]:
    """A small difference of two pressures proves nothing: each transmitter may have drifted by as much."""
    two = limit.key == "loss" and "pressure_loss" not in table.columns
    if not two or state is State.CLEAR or moved_bar >= DRIFT * feed_bar:
        return state, ""
    return (
        State.OPEN,
        f"{moved_bar:.2f} bar, less than {DRIFT:.0%} of the feed pressure: a drift may be as large",
    )


def _values(days: list[Day], field: str) -> NDArray[np.float64]:
    return np.array([getattr(day, field) for day in days], np.float64)


def _cannot_judge(recent: list[Day], baseline_ends: date, end: date, base: NDArray[np.float64]) -> str:
    if np.median(base) <= 0.0:
        return "the baseline is 0"
    if len(recent) < RECENT_DAYS:
        return f"{len(recent)} days with rows that count since the baseline, {RECENT_DAYS} are needed"
    if recent[-1].day - baseline_ends < timedelta(SPAN_DAYS):
        return f"less than {SPAN_DAYS} days since the baseline"
    if end - recent[0].day >= timedelta(RECENT_WITHIN):
        begins = f"the last {RECENT_DAYS} days with rows that count begin on {recent[0].day}"
        return f"{begins}, the log ends on {end}"
    return ""


def _state(limit: Limit, change: Interval) -> State:
    low, high = sorted((limit.bad * change.lo, limit.bad * change.hi))
    if low >= limit.act_pct:
        return State.REACHED
    if low >= limit.warn_pct:
        return State.WARN
    return State.OPEN if high >= limit.warn_pct else State.CLEAR


def _per_month(fit: Fit, measure: float, days: list[Day]) -> Interval | None:
    """Percent in 30 days; None when a gap takes more than a third of the span."""
    numbers = [day_number(day.day) for day in days]
    span = numbers[-1] - numbers[0]
    longest = max(b - a for a, b in pairwise(numbers))
    if 3 * longest > span:
        return None
    return Interval(*(100.0 * 30.0 * one / measure for one in fit.per_day))


def gaps(found: UnitDays) -> list[str]:
    """Stretches without a row that counts, longest first."""
    days = [day.day for day in found.days]
    long = [(b - a, a, b) for a, b in pairwise(days) if b - a > timedelta(GAP_DAYS)]
    return [
        f"{gap.days - 1} days without a row that counts, {a + timedelta(1)} to {b - timedelta(1)}"
        for gap, a, b in sorted(long, reverse=True)
    ]


def _prefilter(unit: int, days: list[Day]) -> list[Item]:
    known = [(day.day, day.prefilter_bar) for day in days if day.prefilter_bar is not None]
    if not known:
        return []
    (first, first_bar), (last, loss), (warn, act) = known[0], known[-1], PREFILTER_BAR
    state = State.REACHED if loss >= act else State.WARN if loss >= warn else State.CLEAR
    then, now = f"{first_bar:.2f} bar on {first}", f"{loss:.2f} bar on {last}"
    words = f"{warn:g} bar order, {act:g} bar change now"
    return [Item(unit, "prefilter", "prefilter pressure loss", state, then, now, None, None, words, "")]


def _idle(rows: UnitRows) -> list[Item]:
    """A standstill at the end of the log that is too long; earlier ones are over."""
    ran = np.flatnonzero(rows.running)
    still_s = float(rows.moments_s[-1] - rows.moments_s[ran[-1]])
    if still_s < IDLE_S:
        return []
    state = State.REACHED if still_s >= PRESERVE_S else State.WARN
    words = f"{IDLE_S / 3600:.0f} h flush, {PRESERVE_S / DAY_S:.0f} days preserve"
    shown = f"{still_s / 3600:.0f} h at the end of the log"
    return [Item(rows.unit, "idle", "standstill", state, "-", shown, None, None, words, "")]


def judge_dates(done: Done, meters: list[HandMeter], doses: list[DoseCheck], today: date) -> list[Item]:
    """What is due by the calendar, and comparisons by hand; ``today`` is the last day of the log."""
    items = []
    if done.prefilter_changed is not None:
        items.append(
            _due("prefilter_age", "prefilter since its change", done.prefilter_changed, PREFILTER_DAYS, today)
        )
    if done.protections_proved is not None:
        items.append(
            _due("proof", "proof test of the protections", done.protections_proved, PROOF_DAYS, today)
        )
    for unit in sorted({meter.unit for meter in meters}):
        items += _meter(max((m for m in meters if m.unit == unit), key=lambda m: m.on), today)
    if doses:
        items += _dose(max(doses, key=lambda dose: dose.on), today)
    return items


def _due(key: str, words: str, when: date, most_days: int, today: date, unit: int = 0) -> Item:
    days = (today - when).days
    state = State.REACHED if days >= most_days else State.CLEAR
    if days < 0:
        state = State.UNJUDGED
    why = "the date lies after the end of the log" if days < 0 else ""
    return Item(unit, key, words, state, str(when), f"{days} days", None, None, f"{most_days} days", why)


def _apart(unit: int, key: str, words: tuple[str, str], now: str, ratio: float, most_pct: float) -> Item:
    """A comparison by hand; ``words`` say what is compared and with what."""
    apart = 100.0 * (ratio - 1.0)
    state = State.REACHED if abs(apart) > most_pct else State.CLEAR
    what, measure = words
    change = Interval(apart, apart, apart)
    return Item(unit, key, what, state, measure, now, change, None, f"{most_pct:g} % apart", "")


def _meter(meter: HandMeter, today: date) -> list[Item]:
    words = ("conductivity cell against the hand meter", f"{meter.hand_us_cm:g} uS/cm by hand")
    now = f"{meter.loop_us_cm:g} uS/cm on {meter.on}"
    return [
        _apart(meter.unit, "cell", words, now, meter.loop_us_cm / meter.hand_us_cm, METER_PCT),
        _due("cell_age", "conductivity cell since its comparison", meter.on, METER_DAYS, today, meter.unit),
    ]


def _dose(check: DoseCheck, today: date) -> list[Item]:
    """Both ways are bad: too little lets scale begin, too much dirties membranes and tells of a siphon."""
    found = 1000.0 * check.used_l / check.feed_m3
    words = ("antiscalant used against feed", f"{check.dose_ml_per_m3:g} mL/m3 set")
    now = f"{found:.3g} mL/m3 on {check.on}"
    return [
        _apart(0, "dose", words, now, found / check.dose_ml_per_m3, DOSE_PCT),
        _due("dose_age", "antiscalant since its reading", check.on, DOSE_DAYS, today),
    ]
