"""Small plots of the trade: lines over one axis, a limit, and where every limit holds."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from sim_plant.bench.evidence.curves import Span, ticks
from sim_plant.bench.evidence.svg import line, rect, text

WIDTH, HEIGHT = 400.0, 250.0
LEFT, RIGHT, TOP, BOTTOM = 48.0, 88.0, 26.0, 36.0
MOST_TICKS = 5
DASHES = ("", "6 3", "2 3", "9 3 2 3")


class Series(NamedTuple):
    """One line: its name, and for each point x, y, and whether every limit holds there."""

    name: str
    points: Sequence[tuple[float, float, bool]]


def plot(
    title: str, axis: str, series: Sequence[Series], limit: float | None = None, ground: bool = True
) -> str:
    """One plot as SVG. Full dots are allowed, hollow ones are not; a grey ground has an allowed point."""
    xs = [x for s in series for x, _, _ in s.points]
    ys = [y for s in series for _, y, _ in s.points] + ([] if limit is None else [limit])
    across = _span(xs, LEFT, WIDTH - RIGHT)
    up = _span(ys, HEIGHT - BOTTOM, TOP)
    parts = [
        f'<svg class="run-picture" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" role="img">',
        text(LEFT, 14, title, "strong"),
        *(_ground(series, across) if ground else ()),
        *_frame(across, up, axis),
    ]
    if limit is not None:
        parts.append(line(LEFT, up.at(limit), WIDTH - RIGHT, up.at(limit), "mark"))
        parts.append(text(WIDTH - RIGHT + 4, up.at(limit) - 3, "limit", "small strong halo"))
    for number, one in enumerate(series):
        parts += _drawn(one, across, up, DASHES[number % len(DASHES)])
    parts += _names(series, up)
    return "".join([*parts, "</svg>"])


def _span(values: Sequence[float], start: float, end: float) -> Span:
    low, high = min(values), max(values)
    room = 0.06 * (high - low) or max(abs(high), 1.0) * 0.05
    return Span(low - room, high + room, start, end)


def _ground(series: Sequence[Series], across: Span) -> list[str]:
    """Grey behind every x at which some point is allowed, half way to its neighbours."""
    xs = sorted({x for s in series for x, _, _ in s.points})
    good = {x for s in series for x, _, holds in s.points if holds}
    edges = [across.lo, *((a + b) / 2 for a, b in pairwise(xs)), across.hi]
    return [
        rect(
            across.at(edges[i]),
            TOP,
            across.at(edges[i + 1]) - across.at(edges[i]),
            HEIGHT - TOP - BOTTOM,
            "band",
        )
        for i, x in enumerate(xs)
        if x in good
    ]


def _frame(across: Span, up: Span, axis: str) -> list[str]:
    parts = [rect(LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM, "frame")]
    for value in ticks(across.lo, across.hi, MOST_TICKS):
        parts.append(text(across.at(value), HEIGHT - BOTTOM + 13, f"{value:g}", "small", anchor="middle"))
    for value in ticks(up.lo, up.hi, MOST_TICKS):
        parts.append(line(LEFT, up.at(value), WIDTH - RIGHT, up.at(value), "grid"))
        parts.append(text(LEFT - 4, up.at(value) + 3, f"{value:g}", "small", anchor="end"))
    middle = (LEFT + WIDTH - RIGHT) / 2
    return [*parts, text(middle, HEIGHT - 6, axis, "small soft", anchor="middle")]


def _drawn(one: Series, across: Span, up: Span, dashes: str) -> list[str]:
    places = [(across.at(x), up.at(y), holds) for x, y, holds in sorted(one.points)]
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y, _ in places)
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    return [
        f'<polyline points="{path}" fill="none" stroke="#000" stroke-width="1.2"{dash}/>',
        *(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" stroke="#000" fill="{"#000" if holds else "#fff"}"/>'
            for x, y, holds in places
        ),
    ]


def _names(series: Sequence[Series], up: Span) -> list[str]:
    """Each line's name at its right end, pushed apart where they would meet."""
    ends = sorted((up.at(max(s.points)[1]), s.name) for s in series)
    placed, last = [], TOP - 6.0
    for y, name in ends:
        last = max(y + 3, last + 11)
        placed.append(text(WIDTH - RIGHT + 8, last, name, "small"))
    return placed
