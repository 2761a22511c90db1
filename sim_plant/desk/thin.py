"""Fewer rows for a chart, with nothing lost that stood out: a spike of one row stays, and so does a gap."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

EACH_LOT = 3

Rows = NDArray[np.floating[Any]]


def thinned(t_ms: NDArray[np.int64], values: Rows, points: int) -> tuple[NDArray[np.int64], Rows]:
    """At most ``points`` rows (three at least) in place of ``values``, one column for each quantity.

    Rows beyond that are taken in lots. Of each lot and column there remain the least and the greatest, in the
    order in which they came, and the last one; in place of the last one nothing (NaN) when any in the lot is
    not known. The three bear the times of the lot's first, middle and last row. The newest row stays as it
    is, unless its lot has a gap.

    >>> t, v = thinned(np.arange(7), np.array([[0.0], [9.0], [0.0], [0.0], [0.0], [np.nan], [2.0]]), 6)
    >>> t.tolist(), v[:, 0].tolist()
    ([0, 1, 2, 3, 4, 6], [0.0, 9.0, 0.0, 0.0, 2.0, nan])
    """
    n = len(t_ms)
    if n <= max(points, EACH_LOT):
        return t_ms, values
    lots = max(points // EACH_LOT, 1)
    first = np.arange(lots) * n // lots
    last = np.append(first[1:], n) - 1
    least, greatest = np.fmin.reduceat(values, first), np.fmax.reduceat(values, first)
    of_row = np.repeat(np.arange(lots), last - first + 1)
    earlier = _place(values == least[of_row], first) <= _place(values == greatest[of_row], first)
    gap = np.logical_or.reduceat(np.isnan(values), first)
    kept = np.stack(
        [
            np.where(earlier, least, greatest),
            np.where(earlier, greatest, least),
            np.where(gap, np.nan, values[last]),
        ],
        axis=1,
    )
    times = np.stack([t_ms[first], t_ms[(first + last) // 2], t_ms[last]], axis=1)
    return times.reshape(-1), kept.reshape(-1, values.shape[1])


def _place(holds: NDArray[np.bool_], first: NDArray[np.int64]) -> NDArray[np.int64]:
    """The first row of each lot in which it holds, column by column."""
    rows = np.arange(len(holds))[:, None]
    found: NDArray[np.int64] = np.minimum.reduceat(np.where(holds, rows, len(holds)), first)
    return found
