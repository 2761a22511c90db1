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
from sim_plant.desk.thin import thinned

ROW_MS = 1_000
ROWS_MAX = 86_400  # a day
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


class History:
    """Readings and states of one run; the oldest make room for the newest."""

    def __init__(self, n_units: int) -> None:
        self._lock = threading.Lock()
        self._t_ms = np.zeros(ROWS_MAX, dtype=np.int64)
        shape = (ROWS_MAX, len(BANK_LOOPS) + n_units * len(UNIT_LOOPS))
        self._values = np.full(shape, np.nan, dtype=np.float32)  # written, so that memory is taken now
        self._first, self._count = 0, 0
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
        with self._lock:
            place = (self._first + self._count) % ROWS_MAX
            self._t_ms[place], self._values[place] = t_ms, values
            if self._count < ROWS_MAX:
                self._count += 1
            else:
                self._first = (self._first + 1) % ROWS_MAX

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
            self._count = int(np.searchsorted(self._t_ms[self._places()], t_ms))
            while self._changes and self._changes[-1].t_ms >= t_ms:
                self._changes.pop()
            while self._marks and self._marks[-1].t_ms >= t_ms:
                self._marks.pop()

    def read(self, unit: int, from_ms: int, to_ms: int, points: int) -> dict[str, Any]:
        """Readings of the bank and of one unit, changes of all units, what was done; at most ``points`` rows.

        More rows are thinned (``thin.thinned``): spikes and gaps stay.
        Changes begin with the last one of each unit before ``from_ms``, so that a strip has a beginning.
        """
        of_unit = len(BANK_LOOPS) + (unit - 1) * len(UNIT_LOOPS)
        columns = [*range(len(BANK_LOOPS)), *range(of_unit, of_unit + len(UNIT_LOOPS))]
        with self._lock:
            places = self._places()
            t_ms = self._t_ms[places]
            window = slice(np.searchsorted(t_ms, from_ms, "left"), np.searchsorted(t_ms, to_ms, "right"))
            t_ms, values = t_ms[window], self._values[np.ix_(places[window], columns)]
            changes, marks = list(self._changes), list(self._marks)
        few_ms, values = thinned(t_ms, values, min(points, POINTS_MAX))
        told = [[_number(value) for value in column] for column in values.T.tolist()]
        return {
            "t_s": (few_ms / 1000.0).tolist(),
            "thinned": len(few_ms) < len(t_ms),
            "bank": dict(zip(BANK_LOOPS, told[: len(BANK_LOOPS)], strict=True)),
            "unit": dict(zip(UNIT_LOOPS, told[len(BANK_LOOPS) :], strict=True)),
            "changes": self._strip(changes, from_ms, to_ms),
            "marks": [mark for mark in marks if from_ms <= mark.t_ms <= to_ms],
        }

    def _places(self) -> NDArray[np.int64]:
        """Where the rows are, the oldest first."""
        return (self._first + np.arange(self._count)) % ROWS_MAX

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
