"""Temporal forms on arrays: edges, spans, ages, spacing and counts.

A signal is a boolean array with one value per scan; a span is a half-open pair of rows ``[start, end)`` in
which it is true. A span that is still open when the record ends has ``end == len(on)``. Everything here
is arithmetic on arrays and knows no plant.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from sim_plant.bench.trace import Bools, Ints


def rises(on: Bools) -> Ints:
    """Rows where the signal becomes true; row 0 counts, because before the record all was off."""
    edges = np.flatnonzero(on[1:] & ~on[:-1]) + 1
    return np.concatenate(([0], edges)) if len(on) and on[0] else edges


def falls(on: Bools) -> Ints:
    """First false row after each true one."""
    return np.flatnonzero(on[:-1] & ~on[1:]) + 1


def changes(on: Bools) -> Ints:
    """Rows whose value differs from the row before."""
    return np.flatnonzero(on[1:] != on[:-1]) + 1


def spans(on: Bools) -> list[tuple[int, int]]:
    """All spans in which the signal is true, in order."""
    starts, ends = rises(on), falls(on)
    if len(ends) < len(starts):
        ends = np.concatenate((ends, [len(on)]))
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


class Episode(NamedTuple):
    """A cause met a running output at row ``start``; at row ``end`` one of them was gone.

    ``answered``: the output had fallen. ``end`` is the number of rows when the record ended first.
    """

    start: int
    end: int
    answered: bool


def episodes(cause: Bools, output: Bools) -> list[Episode]:
    """Every time a cause stands while an output is on, or was on until that very scan.

    An output that falls in the scan in which the cause appears is an answer too, and the fastest one. So is
    one that is back a scan later; who does not want that asks with ``unblinked(output)``.
    """
    fallen = falls(output)
    at_once = fallen[cause[fallen] & ~cause[fallen - 1]]
    found = [Episode(row, row, answered=True) for row in at_once.tolist()]
    for start, end in spans(cause & output):
        found.append(Episode(start, end, answered=end < len(output) and not output[end]))
    return sorted(found)


def unblinked(output: Bools) -> Bools:
    """The signal without its offs of a single scan: too short to have let anything go."""
    filled = output.copy()
    filled[1:-1] |= output[:-2] & output[2:]
    return filled


def age_ms(t_ms: Ints, on: Bools) -> Ints:
    """How long the signal has been true without a break, at each row; -1 where it is false."""
    if not on.any():
        return np.full(len(on), -1, np.int64)
    begin = np.zeros(len(on), np.int64)
    starts = rises(on)
    begin[starts] = starts
    np.maximum.accumulate(begin, out=begin)
    return np.where(on, t_ms - t_ms[begin], -1)


def held(t_ms: Ints, on: Bools, least_ms: int) -> Bools:
    """True from the row where the signal has been true for ``least_ms`` until it ends."""
    return age_ms(t_ms, on) >= least_ms


def since_ms(t_ms: Ints, rows: Ints) -> Ints:
    """Time since the last of ``rows`` at each row; a very large number before the first."""
    since = np.full(len(t_ms), np.iinfo(np.int64).max // 2, np.int64)
    if len(rows):
        last = np.searchsorted(rows, np.arange(len(t_ms)), side="right") - 1
        since = np.where(last >= 0, t_ms - t_ms[rows[np.maximum(last, 0)]], since)
    return since


def after(t_ms: Ints, rows: Ints, length_ms: int) -> Bools:
    """True in the ``length_ms`` that follow each of ``rows``, that row included."""
    return since_ms(t_ms, rows) < length_ms


def next_row(rows: Ints, row: int) -> int | None:
    """First of the ascending ``rows`` that is later than ``row``; None when there is none."""
    at = int(np.searchsorted(rows, row, side="right"))
    return int(rows[at]) if at < len(rows) else None


def last_row(rows: Ints, row: int) -> int | None:
    """Last of the ascending ``rows`` that is not later than ``row``; None when there is none."""
    at = int(np.searchsorted(rows, row, side="right")) - 1
    return int(rows[at]) if at >= 0 else None


def any_between(rows: Ints, first: int, last: int) -> bool:
    """Whether one of the ascending ``rows`` lies in ``[first, last]``."""
    return bool(np.searchsorted(rows, last, side="right") > np.searchsorted(rows, first, side="left"))


def length_ms(t_ms: Ints, span: tuple[int, int] | Episode) -> int:
    """Length of a span; one that is still open at the end is as long as the record shows it."""
    start, end = span[0], span[1]
    return int(t_ms[min(end, len(t_ms) - 1)] - t_ms[start])


def tightest(times_ms: Ints, apart: int) -> tuple[int, int] | None:
    """Where ``apart + 1`` successive events lie closest: (index of the last one, their distance).

    None when there are not so many events. ``apart=1`` is the spacing of neighbours; ``apart=8`` finds
    nine starts in a window.
    """
    if len(times_ms) <= apart:
        return None
    distances = times_ms[apart:] - times_ms[:-apart]
    at = int(np.argmin(distances))
    return at + apart, int(distances[at])
