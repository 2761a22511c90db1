"""From thousands of samples to a short line: time window, scales, thinning, path text.

Path coordinates are whole tenths of a picture unit; the picture draws them in a group scaled by 0.1.
That keeps a curve at about five characters a point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
# A thinned line strays at most one tenth of a picture unit in each pass, so at most the width of its stroke.
_PASSES, _SLACK = 12, 1.0


@dataclass(frozen=True)
class Span:
    """A stretch of the plot: values ``lo``..``hi`` lie at ``start``..``end`` picture units."""

    lo: float
    hi: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Place of a value, not clipped."""
        return self.start + (value - self.lo) / (self.hi - self.lo) * (self.end - self.start)

    def tenths(self, values: Floats) -> NDArray[np.int64]:
        """Places of many values in whole tenths; values far outside are held at ten plot heights."""
        reach = 10 * abs(self.hi - self.lo)
        held = np.clip(np.nan_to_num(values, nan=self.lo), self.lo - reach, self.hi + reach)
        places = self.start + (held - self.lo) * ((self.end - self.start) / (self.hi - self.lo))
        return np.rint(places * 10).astype(np.int64)


def ticks(lo: float, hi: float, most: int) -> list[float]:
    """At most ``most`` + 1 round values inside lo..hi.

    >>> ticks(0, 16.9, 4)
    [0.0, 5.0, 10.0, 15.0]
    """
    raw = (hi - lo) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
    first = math.ceil(lo / step - 1e-9)
    return [round(k * step, 10) for k in range(first, math.floor(hi / step + 1e-9) + 1)]


def time_ticks_s(lo_s: float, hi_s: float, most: int) -> list[float]:
    """At most ``most`` + 1 round moments of the clock inside lo..hi."""
    steps = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)
    step = next((s for s in steps if s * most >= hi_s - lo_s), 86400)
    first = math.ceil(lo_s / step - 1e-9)
    return [k * step for k in range(first, math.floor(hi_s / step + 1e-9) + 1)]


def line_path(x: NDArray[np.int64], y: NDArray[np.int64]) -> str:
    """Path of a curve, thinned to its lowest and highest point in each picture unit of width."""
    return _path(*_thin(*_extremes(x, y)))


def band_path(x: NDArray[np.int64], low: NDArray[np.int64], high: NDArray[np.int64]) -> str:
    """Closed path of the area between two curves."""
    starts = _columns(x)
    if len(starts) == 0:
        return ""
    top = _thin(x[starts], np.minimum.reduceat(low, starts))
    bottom = _thin(x[starts], np.maximum.reduceat(high, starts))
    return _path(np.concatenate([top[0], bottom[0][::-1]]), np.concatenate([top[1], bottom[1][::-1]])) + "z"


def _columns(x: NDArray[np.int64]) -> NDArray[np.int64]:
    """First row of each picture unit of width."""
    if len(x) == 0:
        return np.zeros(0, np.int64)
    return np.concatenate([[0], np.flatnonzero(np.diff(x // 10)) + 1]).astype(np.int64)


def _extremes(x: NDArray[np.int64], y: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Of each column the first, lowest, highest and last point, in the order of time."""
    starts = _columns(x)
    if len(starts) == 0 or len(x) <= 2 * len(starts):
        return x, y
    ends = np.append(starts[1:], len(x)) - 1
    column = np.repeat(np.arange(len(starts)), ends - starts + 1)
    order = np.lexsort(
        (y, column)
    )  # within a column by height: its first is the lowest, its last the highest
    keep = np.unique(np.concatenate([starts, ends, order[starts], order[ends]]))
    return x[keep], y[keep]


def _thin(x: NDArray[np.int64], y: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Drop points that lie on the line between their neighbours, every second candidate in each pass."""
    for _ in range(_PASSES):
        if len(x) < 3:
            break
        middle = np.arange(1, len(x) - 1, 2)
        run = np.maximum(x[middle + 1] - x[middle - 1], 1)
        chord = y[middle - 1] + (y[middle + 1] - y[middle - 1]) * (x[middle] - x[middle - 1]) / run
        drop = middle[np.abs(y[middle] - chord) <= _SLACK]
        if len(drop) == 0:
            break
        x, y = np.delete(x, drop), np.delete(y, drop)
    return x, y


def _path(x: NDArray[np.int64], y: NDArray[np.int64]) -> str:
    if len(x) == 0:
        return ""
    steps = np.stack([np.diff(x), np.diff(y)], axis=1)
    tail = " ".join(f"{dx} {dy}" for dx, dy in steps.tolist())
    return f"M{x[0]} {y[0]}" + (f"l{tail}" if tail else "")


def window_ms(
    t_ms: Sequence[int] | NDArray[np.int64],
    struck_ms: int | None,
    grave_ms: Sequence[int],
    long_ms: int = 600_000,
) -> tuple[int, int]:
    """The time that is worth looking at: all of a short run, of a long one from 60 s before it was struck.

    A failure earlier than that is kept in the picture, with 30 s before it.
    """
    first, last = int(t_ms[0]), int(t_ms[-1])
    if last - first <= long_ms or struck_ms is None:
        return first, last
    begin = min([struck_ms - 60_000, *(at - 30_000 for at in grave_ms)])
    return (max(begin, first), last) if begin < last else (first, last)
