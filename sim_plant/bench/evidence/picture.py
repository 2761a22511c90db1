"""The picture of one run, as SVG text: trends, states, outputs, stimuli and the moment it went wrong.

Drawn straight from the arrays: a plotting library needs some ten times as long and as many bytes for the
same lines, and a campaign draws hundreds.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

import numpy as np

from sim_plant.bench.evidence import svg
from sim_plant.bench.evidence.curves import Span, time_ticks_s, window_ms
from sim_plant.bench.evidence.flags import Flags
from sim_plant.bench.evidence.panels import (
    LEFT,
    PANEL_GAP,
    PANEL_HEIGHT,
    PANELS,
    RIGHT,
    WIDTH,
    View,
    draw_panel,
)
from sim_plant.bench.evidence.strips import Look, on_times, tells_states, unit_strip
from sim_plant.bench.evidence.summary import grave_findings, name_of, time_text
from sim_plant.bench.trace import Mark, Trace
from sim_plant.bench.verdicts import RunResult

_ROW, _OUTPUT_ROW = 17.0, 13.0
_OUTPUTS = (("feed_valve", "feed valve"), ("flush_valve", "flush valve"), ("pump", "pump"))
_STRIKES = ("inject", "power", "operate", "command", "clear")  # what strikes a unit, most telling first


def draw_run(trace: Trace, result: RunResult, setpoints: Mapping[str, float]) -> str:
    """One ``<svg>`` element that needs nothing else, about 820 units wide.

    ``setpoints`` are drawn as limit lines where their names are known (``suction_trip_bar`` and so on);
    missing ones are left out. A trace of fewer than two rows gives a picture that says so.
    """
    if len(trace.t_ms) < 2:
        return _frame(result, 30, svg.text(0, 18, "Nothing was recorded."))
    view = _view(trace, result, setpoints)
    flags = Flags(view, result)
    parts = []
    y = panels_top = flags.height + 6
    for panel in PANELS:
        parts.append(draw_panel(panel, view, y))
        y += PANEL_HEIGHT + PANEL_GAP
    strips, y, looks = _strips(view, result.unit, y + 2)
    parts.append(strips)
    ground = svg.patterns(view.prefix) + _time_axis(view, panels_top, y)
    legend, y_end = _legend(looks, view.prefix, y + 38, tells_states(trace))
    return _frame(result, y_end, "".join([ground, *parts, flags.draw(y), legend]))


def focus_unit(result: RunResult, n_units: int) -> int:
    """The unit that the picture is about: under test, or where the gravest finding was, or the first."""
    candidates = [result.unit, *(finding.unit for finding in grave_findings(result))]
    return next((unit for unit in candidates if 1 <= unit <= n_units), 1)


def _frame(result: RunResult, height: float, inside: str) -> str:
    title = escape(f"{name_of(result)}: {result.verdict.value}")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="run-picture" role="img" width="100%" '
        f'viewBox="0 0 {WIDTH:g} {height:.0f}"><title>{title}</title><style>{svg.STYLE}</style>{inside}</svg>'
    )


def _view(trace: Trace, result: RunResult, setpoints: Mapping[str, float]) -> View:
    grave = [finding.at_ms for finding in grave_findings(result) if finding.at_ms is not None]
    begin, end = window_ms(trace.t_ms, _struck_ms(trace.marks), grave)
    rows = slice(*np.searchsorted(trace.t_ms, [begin, end + 1]).tolist())
    x = Span(float(begin), float(end), LEFT, RIGHT)
    prefix = "p-" + "".join(c if c.isalnum() else "-" for c in result.run_id)
    return View(trace, rows, x, focus_unit(result, trace.n_units), setpoints, prefix)


def _struck_ms(marks: list[Mark]) -> int | None:
    """When the case struck: its first injection, or else the first of whatever it did."""
    for what in _STRIKES:
        times = [mark.t_ms for mark in marks if mark.what == what]
        if times:
            return min(times)
    return min((mark.t_ms for mark in marks), default=None)


def _strips(view: View, under_test: int, y: float) -> tuple[str, float, dict[str, Look]]:
    """State rows of all units, output rows of the unit in focus; the looks used, for the legend."""
    parts, looks = [], {}
    for unit in range(1, view.trace.n_units + 1):
        note = "" if unit != view.focus else " (under test)" if unit == under_test else " (in focus)"
        parts.append(svg.text(0, y + 12, f"Unit {unit}{note}", "strong" if note else ""))
        for segment in unit_strip(view.trace, unit, view.rows):
            left, right = _edges(view, segment.first, segment.end)
            looks[segment.look.code + segment.look.word] = segment.look
            parts.append(_segment(view, unit, segment.look, left, right, y))
        y += _ROW
    y += 4
    for name, words in _OUTPUTS:
        parts.append(svg.text(0, y + 9, f"Unit {view.focus} {words}", "small"))
        parts.append(svg.rect(LEFT, y + 1, RIGHT - LEFT, _OUTPUT_ROW - 2, "frame"))
        bars = []
        for first, end in on_times(np.asarray(view.trace.unit(name, view.focus)), view.rows):
            left, right = _edges(view, first, end)
            bars.append(
                f"M{left:.1f} {y + 2:.1f}h{max(right - left, 0.5):.1f}v{_OUTPUT_ROW - 4:g}H{left:.1f}z"
            )
        parts.append(f'<path class="on" d="{"".join(bars)}"/>' if bars else "")
        y += _OUTPUT_ROW
    return "".join(parts), y, looks


def _segment(view: View, unit: int, look: Look, left: float, right: float, y: float) -> str:
    t_from, t_to = (
        time_text(round(view.x.lo + (x - LEFT) / (RIGHT - LEFT) * (view.x.hi - view.x.lo)))
        for x in (left, right)
    )
    title = escape(f"unit {unit}: {look.word}, {t_from} to {t_to}")
    letters = svg.code_text((left + right) / 2, y + 11, look.code, look.fill) if right - left >= 15 else ""
    box = svg.rect(left, y + 1, max(right - left, 0.8), _ROW - 3, "seg", svg.fill_of(look.fill, view.prefix))
    return f"<g><title>{title}</title>{box}{letters}</g>"


def _edges(view: View, first: int, end: int) -> tuple[float, float]:
    """Left and right of the rows; a row lasts until the next one."""
    t = view.trace.t_ms
    return view.x.at(float(t[first])), view.x.at(float(t[min(end, view.rows.stop - 1)]))


def _time_axis(view: View, top: float, bottom: float) -> str:
    parts = []
    for at_s in time_ticks_s(view.x.lo / 1000, view.x.hi / 1000, 10):
        x = view.x.at(at_s * 1000)
        parts.append(svg.line(x, top, x, bottom + 4, "grid"))
        parts.append(
            svg.text(
                x, bottom + 15, time_text(round(at_s * 1000)).removesuffix(".0"), "small", anchor="middle"
            )
        )
    parts.append(svg.text(0, bottom + 15, "Time, min:s", "small soft"))
    cut = view.x.lo > float(view.trace.t_ms[0])
    if cut:
        words = f"The run began at {time_text(int(view.trace.t_ms[0]))}; the record holds all of it."
        parts.append(svg.text(RIGHT, bottom + 27, words, "small soft", anchor="end"))
    return "".join(parts)


def _legend(looks: dict[str, Look], prefix: str, y: float, told: bool) -> tuple[str, float]:
    parts, x = [], LEFT
    parts.append(svg.text(0, y + 9, "States" if told else "Seen from the outputs", "small strong"))
    if not told:
        parts.append(svg.text(0, y + 21, "the target tells no state", "small soft"))
    for look in looks.values():
        wide = 28 + svg.width_of(look.word, 10) + 10
        if x + wide > WIDTH:
            x, y = LEFT, y + 15
        parts.append(svg.rect(x, y, 22, 12, "seg", svg.fill_of(look.fill, prefix)))
        parts.append(svg.code_text(x + 11, y + 9.5, look.code, look.fill))
        parts.append(svg.text(x + 27, y + 9.5, look.word, "small"))
        x += wide
    return "".join(parts), y + 28
