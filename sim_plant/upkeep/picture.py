"""One unit's days as a picture: normalised values heavy, raw ones thin, baseline and triggers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from html import escape
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim_plant.bench.evidence import svg
from sim_plant.bench.evidence.curves import Span, line_path, ticks
from sim_plant.upkeep.days import UnitDays, day_number
from sim_plant.upkeep.table import Baseline
from sim_plant.upkeep.triggers import GAP_DAYS, LIMITS, Limit

LEFT, RIGHT, WIDTH, HEIGHT, GAP = 146.0, 726.0, 820.0, 96.0, 14.0
Floats = NDArray[np.float64]


class _Panel(NamedTuple):
    title: str
    unit: str
    field: str  # heavy
    raw: str  # thin; "" for none
    limit: Limit | None


def draw_unit(found: UnitDays, baseline: Baseline, with_loss: bool) -> str:
    """One ``<svg>`` element that needs nothing else."""
    panels = [
        _Panel(
            limit.words.removeprefix("normalised ").capitalize(), limit.unit, limit.field, limit.raw, limit
        )
        for limit in LIMITS
        if with_loss or limit.key != "loss"
    ]
    panels.append(_Panel("Feed temperature", "degC", "feed_degc", "", None))
    numbers = np.array([float(day_number(day.day)) for day in found.days])
    x = Span(float(numbers[0]), float(max(numbers[-1], numbers[0] + 1.0)), LEFT, RIGHT)
    prefix, y, parts = f"u{found.unit}", 14.0, []
    for panel in panels:
        parts.append(_draw(panel, found, numbers, x, y, baseline, f"{prefix}-{panel.field}"))
        y += HEIGHT + GAP
    parts.append(_dates(x, 14.0, y - GAP))
    title = escape(f"Unit {found.unit}: normalised values by the day")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="run-picture" role="img" width="100%" '
        f'viewBox="0 0 {WIDTH:g} {y + 14:.0f}"><title>{title}</title><style>{svg.STYLE}</style>'
        f"{''.join(parts)}</svg>"
    )


def _draw(
    panel: _Panel, found: UnitDays, numbers: Floats, x: Span, top: float, baseline: Baseline, clip: str
) -> str:
    values = np.array([getattr(day, panel.field) for day in found.days])
    raw = np.array([getattr(day, panel.raw) for day in found.days]) if panel.raw else values[:0]
    measure = _measure(found, baseline, panel)
    marks = _marks(panel, measure)
    y = _scale(np.concatenate([values, raw, np.array([value for value, _ in marks])]), top)
    parts = [_baseline_days(x, top, baseline), _axis(panel, y), _lines(marks, y)]
    curves = [("second", raw)] if panel.raw else []
    drawn = "".join(_curve(numbers, part, x, y, css) for css, part in [*curves, ("main", values)])
    parts.append(f'<g clip-path="url(#{clip})"><g transform="scale(.1)">{drawn}</g></g>')
    area = f'<rect x="{LEFT:g}" y="{top:g}" width="{RIGHT - LEFT:g}" height="{HEIGHT:g}"/>'
    parts.append(f'<clipPath id="{clip}">{area}</clipPath>')
    parts.append(_keys(panel, top))
    return "".join(parts)


def _measure(found: UnitDays, baseline: Baseline, panel: _Panel) -> float:
    inside = [getattr(d, panel.field) for d in found.days if baseline.first <= d.day <= baseline.last]
    return float(np.median(inside))


def _marks(panel: _Panel, measure: float) -> list[tuple[float, str]]:
    """Lines across the panel: the baseline's value and the triggers."""
    if panel.limit is None:
        return []
    shares = dict.fromkeys((panel.limit.warn_pct, panel.limit.act_pct))
    lines = [
        (measure * (1.0 + panel.limit.bad * pct / 100.0), f"{panel.limit.bad * pct:+.0f} %") for pct in shares
    ]
    return [(measure, "baseline"), *lines]


def _scale(values: Floats, top: float) -> Span:
    known = values[np.isfinite(values)]
    lo, hi = float(known.min()), float(known.max())
    room = 0.08 * (hi - lo) or 0.05 * abs(hi) or 1.0
    return Span(lo - room, hi + room, top + HEIGHT, top)


def _axis(panel: _Panel, y: Span) -> str:
    parts = [svg.rect(LEFT, y.end, RIGHT - LEFT, HEIGHT, "frame")]
    for value in ticks(y.lo, y.hi, 4):
        parts.append(svg.line(LEFT, y.at(value), RIGHT, y.at(value), "grid"))
        parts.append(svg.text(LEFT - 4, y.at(value) + 3.5, f"{value:g}", "small soft", anchor="end"))
    parts.append(svg.text(0, y.end + 10, panel.title, "strong"))
    parts.append(svg.text(0, y.end + 23, panel.unit, "small soft"))
    return "".join(parts)


def _lines(marks: list[tuple[float, str]], y: Span) -> str:
    """Lines with their words at the right, moved apart where they would touch."""
    parts, below = [], -1e9
    for value, words in sorted(marks, reverse=True):
        parts.append(svg.line(LEFT, y.at(value), RIGHT, y.at(value), "limit"))
        below = max(y.at(value) + 3.5, below + 11)
        parts.append(svg.text(RIGHT + 4, below, words, "small"))
    return "".join(parts)


def _baseline_days(x: Span, top: float, baseline: Baseline) -> str:
    left, right = (x.at(float(day_number(day))) for day in (baseline.first, baseline.last))
    left = max(left, LEFT)
    return svg.rect(left, top, max(min(right, RIGHT) - left, 2.0), HEIGHT, "band")


def _curve(numbers: Floats, values: Floats, x: Span, y: Span, css: str) -> str:
    """The days as a line that is broken at gaps; a day alone is a dot."""
    cuts = np.flatnonzero(np.diff(numbers) > GAP_DAYS) + 1
    paths = []
    for part in np.split(np.arange(len(numbers)), cuts):
        path = line_path(x.tenths(numbers[part]), y.tenths(values[part]))
        paths.append(path if len(part) > 1 else f"{path}h1")
    return f'<path class="curve {css}" stroke-linecap="round" d="{"".join(paths)}"/>'


def _keys(panel: _Panel, top: float) -> str:
    if not panel.raw:
        return ""
    parts = []
    for i, (css, words) in enumerate((("main", "normalised"), ("second", "as measured"))):
        at = top + 34 + 14 * i
        parts.append(f'<path class="curve {css}" transform="translate(0 {at:.1f}) scale(.1)" d="M0 35h160"/>')
        parts.append(svg.text(20, at + 7, words, "small"))
    return "".join(parts)


def _dates(x: Span, top: float, bottom: float) -> str:
    parts = []
    for day in date_ticks(x.lo, x.hi):
        at = x.at(float(day_number(day)))
        parts.append(svg.line(at, top, at, bottom + 4, "grid"))
        parts.append(svg.text(at, bottom + 15, day.isoformat(), "small", anchor="middle"))
    return "".join(parts)


def date_ticks(lo: float, hi: float, most: int = 7) -> Sequence[date]:
    """At most ``most`` + 1 days, evenly apart, on which a person would look."""
    step = next((s for s in (1, 2, 7, 14, 28, 56, 91, 182, 364) if s * most >= hi - lo), None)
    step = step or -(-int(hi - lo) // most)
    first = date(1970, 1, 1) + timedelta(days=int(lo))
    return [first + timedelta(days=k) for k in range(0, int(hi - lo) + 1, step)]
