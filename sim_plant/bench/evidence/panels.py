"""Trend panels of a run: what is drawn in each, and how one is drawn.

The heavy line is the true value at the unit in focus, the thin grey line the true value of the bank, the
grey area the range of the other units. Where an instrument told something else than the truth, its reading is
dashed: that is where the program was misled.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from sim_plant.bench.evidence import svg
from sim_plant.bench.evidence.curves import Floats, Span, band_path, line_path, ticks
from sim_plant.bench.evidence.strips import on_times
from sim_plant.bench.trace import Bools, Trace

PANEL_HEIGHT, PANEL_GAP = 84.0, 10.0
LEFT, RIGHT, WIDTH = 146.0, 726.0, 820.0
# A reading is drawn where it leaves the truth by more than this part of the axis, lag aside (own choice).
_APART, _LAG_MS = 0.015, 2000


class Curve(NamedTuple):
    """One true quantity and the loop that reads it; ``shared`` when it belongs to the bank."""

    truth: str
    reading: str
    words: str
    shared: bool = False


class Panel(NamedTuple):
    """One small plot. ``least`` is the smallest top of its axis, ``limits`` are setpoints with short words.

    ``cap`` names a setpoint; the axis ends at twice its value, and what goes beyond is told in words.
    """

    title: str
    unit: str
    curves: tuple[Curve, ...]
    limits: tuple[tuple[str, str], ...]
    least: float
    cap: str = ""


PANELS: tuple[Panel, ...] = (
    Panel(
        "Feed",
        "bar",
        (
            Curve("header_bar", "header_ma", "header", shared=True),
            Curve("suction_bar", "suction_ma", "suction"),
        ),
        (("suction_trip_bar", "low suction"), ("header_ready_bar", "header ready")),
        4.0,
    ),
    Panel(
        "Membrane",
        "bar",
        (Curve("membrane_bar", "membrane_ma", "membrane"),),
        (("discharge_trip_bar", "trip"), ("pressure_rise_bar", "start")),
        14.0,
    ),
    Panel(
        "Permeate",
        "mg/L",
        (Curve("permeate_tds_mgl", "permeate_cond_ma", "permeate"),),
        (("tds_alarm_mgl", "alarm"), ("tds_lockout_mgl", "lockout")),
        250.0,
        cap="tds_lockout_mgl",
    ),
    Panel(
        "Product tank",
        "%",
        (Curve("tank_pct", "tank_level_ma", "level", shared=True),),
        (("tank_stop_pct", "stop"), ("tank_first_pct", "restart")),
        100.0,
    ),
)


class View(NamedTuple):
    """What part of which trace is drawn: rows, their places in tenths, the unit in focus, the setpoints."""

    trace: Trace
    rows: slice
    x: Span
    focus: int
    setpoints: Mapping[str, float]
    prefix: str


def draw_panel(panel: Panel, view: View, top: float) -> str:
    """The panel with its axis, limits, curves and key; it fills PANEL_HEIGHT from ``top``."""
    truths = [_values(view, curve, curve.truth) for curve in panel.curves]
    y = Span(0.0, _upper(panel, view, truths), top + PANEL_HEIGHT, top)
    parts = [_axis(panel, y), _limits(panel, view, y)]
    drawn = [_others(view, curve, y) for curve in panel.curves]
    keys = [("band", "other units")] if any(drawn) else []
    for curve, truth in zip(panel.curves, truths, strict=True):
        css = "second" if curve.shared and len(panel.curves) > 1 else "main"
        drawn.append(_path(view, truth, y, css))
        keys.append((css, curve.words if curve.shared else f"{curve.words} {view.focus}"))
        reading = _values(view, curve, curve.reading)
        misled = _misled(view, reading, truth, _APART * (y.hi - y.lo))
        if misled.any():
            drawn.append(_reading(view, reading, misled, y))
            keys.append(("read", f"{curve.words} as read"))
    parts.append(
        f'<g clip-path="url(#{view.prefix}-{round(top)})"><g transform="scale(.1)">{"".join(drawn)}</g></g>'
    )
    parts.append(_clip(view.prefix, top))
    parts.append(_keys(keys, top))
    parts.append(_beyond(truths, y, view, panel.unit))
    return "".join(parts)


def _values(view: View, curve: Curve, name: str) -> Floats:
    """True value or reading in the panel's unit, for the rows of the view."""
    column = view.trace.bank(name) if curve.shared else view.trace.unit(name, view.focus)
    values = np.asarray(column[view.rows], dtype=np.float64)
    return values * view.setpoints.get("tds_per_us", 0.5) if name == "permeate_cond_ma" else values


def _upper(panel: Panel, view: View, truths: list[Floats]) -> float:
    limits = [view.setpoints[name] for name, _ in panel.limits if name in view.setpoints]
    seen = [float(np.nanmax(truth)) for truth in truths if np.isfinite(truth).any()]
    top = max([panel.least, *(1.08 * limit for limit in limits), *(1.05 * value for value in seen)])
    if panel.unit == "%":
        return min(top, 105.0)
    return min(top, 2 * view.setpoints[panel.cap]) if panel.cap in view.setpoints else top


def _axis(panel: Panel, y: Span) -> str:
    parts = [svg.rect(LEFT, y.end, RIGHT - LEFT, PANEL_HEIGHT, "frame")]
    for value in ticks(y.lo, y.hi, 4):
        parts.append(svg.line(LEFT, y.at(value), RIGHT, y.at(value), "grid"))
        parts.append(svg.text(LEFT - 4, y.at(value) + 3.5, f"{value:g}", "small soft", anchor="end"))
    parts.append(svg.text(0, y.end + 10, f"{panel.title}, {panel.unit}", "strong"))
    return "".join(parts)


def _limits(panel: Panel, view: View, y: Span) -> str:
    """Limit lines with their words at the right, moved apart where they would touch."""
    known = [(view.setpoints[name], words) for name, words in panel.limits if name in view.setpoints]
    parts, below = [], -1e9
    for value, words in sorted(known, reverse=True):
        if not y.lo <= value <= y.hi:
            continue
        parts.append(svg.line(LEFT, y.at(value), RIGHT, y.at(value), "limit"))
        below = max(y.at(value) + 3.5, below + 11)
        parts.append(svg.text(RIGHT + 4, below, f"{words} {value:g}", "small"))
    return "".join(parts)


def _others(view: View, curve: Curve, y: Span) -> str:
    """Grey area between the lowest and the highest of the other units."""
    others = [u for u in range(1, view.trace.n_units + 1) if u != view.focus]
    if curve.shared or not others:
        return ""
    values = np.stack([np.asarray(view.trace.unit(curve.truth, u)[view.rows], np.float64) for u in others])
    low, high = y.tenths(values.max(axis=0)), y.tenths(values.min(axis=0))  # y grows downward
    return f'<path class="band" d="{band_path(_x(view), low, high)}"/>'


def _path(view: View, values: Floats, y: Span, css: str) -> str:
    return f'<path class="curve {css}" d="{line_path(_x(view), y.tenths(values))}"/>'


def _x(view: View) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    return view.x.tenths(view.trace.t_ms[view.rows].astype(np.float64))


def _misled(view: View, reading: Floats, truth: Floats, tolerance: float) -> Bools:
    """Rows in which the reading lies outside all that was true within a few seconds around.

    An instrument that merely lags is inside it; one that is stuck, broken or spikes is not.
    """
    block = np.arange(len(truth)) // max(1, _LAG_MS // view.trace.scan_ms)
    starts = np.flatnonzero(np.diff(block, prepend=-1))
    low = np.pad(np.minimum.reduceat(truth, starts), 1, mode="edge")
    high = np.pad(np.maximum.reduceat(truth, starts), 1, mode="edge")
    around_low = np.minimum(np.minimum(low[:-2], low[2:]), low[1:-1])[block]
    around_high = np.maximum(np.maximum(high[:-2], high[2:]), high[1:-1])[block]
    return np.asarray((reading < around_low - tolerance) | (reading > around_high + tolerance), np.bool_)


def _reading(view: View, reading: Floats, misled: Bools, y: Span) -> str:
    """The stretches of a reading that misled, with a row before and after; off the scale along its edge."""
    x, places = _x(view), y.tenths(np.clip(reading, y.lo, y.hi))
    paths = []
    for first, end in on_times(misled, slice(0, len(misled))):
        stretch = slice(max(first - 1, 0), end + 1)
        paths.append(line_path(x[stretch], places[stretch]))
    return f'<path class="curve read" d="{"".join(paths)}"/>'


def _keys(keys: list[tuple[str, str]], top: float) -> str:
    """Key of the curves in the left margin, below the title."""
    parts = []
    for i, (css, words) in enumerate(keys):
        y = top + 16 + 13 * i
        sample = "M0 0h160v70h-160z" if css == "band" else "M0 35h160"
        kind = css if css == "band" else f"curve {css}"
        parts.append(f'<path class="{kind}" transform="translate(0 {y:.1f}) scale(.1)" d="{sample}"/>')
        parts.append(svg.text(20, y + 7, words, "small"))
    return "".join(parts)


def _clip(prefix: str, top: float) -> str:
    area = f'<rect x="{LEFT:g}" y="{top:g}" width="{RIGHT - LEFT:g}" height="{PANEL_HEIGHT:g}"/>'
    return f'<clipPath id="{prefix}-{round(top)}">{area}</clipPath>'


def _beyond(truths: list[Floats], y: Span, view: View, unit: str) -> str:
    """Words for a peak that the axis does not reach."""
    highest = max((float(np.nanmax(t)) for t in truths if np.isfinite(t).any()), default=0.0)
    if highest <= y.hi:
        return ""
    at = max(truths, key=lambda t: float(np.nanmax(t, initial=0.0)))
    x = view.x.at(float(view.trace.t_ms[view.rows][int(np.nanargmax(at))]))
    anchor = "end" if x > 0.8 * RIGHT else "start"
    shift = -4 if anchor == "end" else 4
    return svg.text(x + shift, y.end + 10, f"peak {highest:.0f} {unit}", "small halo", anchor=anchor)
