"""What trends are drawn from: a row of readings for each second, each change of state, what was done.

The simulation's thread appends, any thread reads; a lock is held for as long as a copy takes. A reading
that is not to be believed is NaN in a row and null in what is handed out.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.picture import Picture
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, names

FINE_MS, COARSE_MS = 1_000, 10_000
FINE_ROWS, COARSE_ROWS = 7_200, 8_640  # two hours, a day
CHANGES_MAX = 40_000
MARKS_MAX = 2_000
POINTS_MAX = 4_000
UNIT_LOOPS, BANK_LOOPS = names(UNIT_SIGNALS, Kind.AI), names(BANK_SIGNALS, Kind.AI)


class Change(NamedTuple):
    """A unit came into a state; the code is the place in the list of states, -1 for none that is told."""

    t_ms: int
    unit: int
    code: int


class Mark(NamedTuple):
    """Something was done."""

    t_ms: int
    words: str


class _Row(NamedTuple):
    t_ms: int
    values: NDArray[np.float32]


class History:
    """Readings and states of one run."""

    def __init__(self, n_units: int) -> None:
        self._n_units = n_units
        self._lock = threading.Lock()
        self._fine: deque[_Row] = deque(maxlen=FINE_ROWS)
        self._coarse: deque[_Row] = deque(maxlen=COARSE_ROWS)
        self._changes: deque[Change] = deque(maxlen=CHANGES_MAX)
        self._marks: deque[Mark] = deque(maxlen=MARKS_MAX)

    def add(self, picture: Picture) -> None:
        """One row of readings."""
        values = [value for value, _ in picture.bank.values]
        for unit in picture.units:
            values.extend(value for value, _ in unit.values)
        self.add_values(picture.t_ms, values)

    def add_values(self, t_ms: int, values: Sequence[float]) -> None:
        """The same from its values: the loops of the bank, then those of each unit."""
        row = _Row(t_ms, np.array(values, dtype=np.float32))
        with self._lock:
            self._fine.append(row)
            if row.t_ms % COARSE_MS < FINE_MS:
                self._coarse.append(row)

    def changed(self, change: Change) -> None:
        """A unit is in another state."""
        with self._lock:
            self._changes.append(change)

    def mark(self, mark: Mark) -> None:
        """Something was done."""
        with self._lock:
            self._marks.append(mark)

    def forget_from(self, t_ms: int) -> None:
        """Time was wound back to that moment."""
        with self._lock:
            for rows in (self._fine, self._coarse):
                while rows and rows[-1].t_ms >= t_ms:
                    rows.pop()
            while self._changes and self._changes[-1].t_ms >= t_ms:
                self._changes.pop()
            while self._marks and self._marks[-1].t_ms >= t_ms:
                self._marks.pop()

    def read(self, unit: int, from_ms: int, to_ms: int, points: int) -> dict[str, Any]:
        """Readings of the bank and of one unit, changes of all units, what was done; at most ``points`` rows.

        Changes begin with the last one of each unit before ``from_ms``, so that a strip has a beginning.
        """
        with self._lock:
            fine, coarse, changes = list(self._fine), list(self._coarse), list(self._changes)
            marks = list(self._marks)
        oldest_ms = fine[0].t_ms if fine else 0
        rows = [row for row in coarse if row.t_ms < oldest_ms] + fine
        rows = [row for row in rows if from_ms <= row.t_ms <= to_ms]
        stride = max(math.ceil(len(rows) / max(min(points, POINTS_MAX), 2)), 1)
        chosen = rows[::-1][::stride][::-1]  # counted from the newest, which is always there
        return {
            "t_s": [row.t_ms / 1000.0 for row in chosen],
            "bank": self._columns(chosen, BANK_LOOPS, 0),
            "unit": self._columns(chosen, UNIT_LOOPS, len(BANK_LOOPS) + (unit - 1) * len(UNIT_LOOPS)),
            "changes": self._strip(changes, from_ms, to_ms),
            "marks": [mark for mark in marks if from_ms <= mark.t_ms <= to_ms],
        }

    @staticmethod
    def _columns(rows: list[_Row], loops: tuple[str, ...], first: int) -> dict[str, list[float | None]]:
        return {
            name: [_number(float(row.values[first + place])) for row in rows]
            for place, name in enumerate(loops)
        }

    @staticmethod
    def _strip(changes: list[Change], from_ms: int, to_ms: int) -> list[Change]:
        before: dict[int, Change] = {}
        inside: list[Change] = []
        for change in changes:
            if change.t_ms < from_ms:
                before[change.unit] = change
            elif change.t_ms <= to_ms:
                inside.append(change)
        return [*before.values(), *inside]


def _number(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None
