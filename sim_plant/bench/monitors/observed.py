"""What the monitors may look at: field signals, plant truth and the bench's marks, never a state.

One ``Observed`` wraps one trace, its setpoints and the target's context for all requirements, and keeps
the columns and edges that several of them ask for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from controller.settings import Setpoints
from controller.signals import Verb
from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ms
from sim_plant.bench.trace import BANK_AI, UNIT_AI, Ages, Bools, Floats, Ints, Trace

GOOD_LO_MA, GOOD_HI_MA = 3.6, 21.0  # outside: not a measurement (NAMUR NE 43, values in the narrative 1.4)
BAD_AFTER_S = 2.0  # a loop out of range so long is BAD (narrative 1.4)
BUTTON_LONGEST_S = 3.0  # a button held longer is a fault and resets nothing (narrative 2.2, 3.6)
UNIT_OUTPUTS = ("feed_valve", "flush_valve", "pump", "enable")


@dataclass(frozen=True)
class Context:
    """What a judgement needs to know of the bank and of the target, beside the setpoints.

    ``flush_slots``: how many units may flush at once. ``uncertainty_ms``: timing uncertainty of the
    target (scan, exchange and plant step); 0 at the desk. ``reference``: the trace of the same case
    without what disturbs it; None when no such run was made. ``since_ms``: triggers before it do not count,
    unless they were not answered as they must be.
    """

    flush_slots: int
    uncertainty_ms: int = 0
    reference: Trace | None = None
    since_ms: int = 0


class Observed:
    """Columns, edges and marks of one trace; ``unit`` 0 stands for the bank everywhere."""

    def __init__(self, trace: Trace, setpoints: Setpoints, context: Context) -> None:
        self.trace = trace
        self.setpoints = setpoints
        self.context = context
        self.t: Ints = trace.t_ms
        self.n = len(trace.t_ms)
        self.scan_ms = trace.scan_ms
        self.units = tuple(range(1, trace.n_units + 1))
        self._bools: dict[tuple[str, str, int], Bools] = {}
        self._rows: dict[tuple[str, str, int], Ints] = {}
        self._floats: dict[tuple[str, int], Floats] = {}
        self._spans: dict[tuple[str, int], list[tuple[int, int]]] = {}

    def tally(self, limit: str, runs: int = 1) -> Tally:
        """An empty tally with this target's timing uncertainty, once for each run that is measured."""
        return Tally(limit, runs * self.context.uncertainty_ms)

    # --- contacts and outputs ------------------------------------------------------------------------
    def on(self, name: str, unit: int = 0) -> Bools:
        """A contact or an output over time."""
        key = ("on", name, unit)
        if key not in self._bools:
            column = self.trace.unit(name, unit) if unit else self.trace.bank(name)
            self._bools[key] = np.ascontiguousarray(column, dtype=np.bool_)
        return self._bools[key]

    def open(self, name: str, unit: int = 0) -> Bools:
        """A protective contact read as open; a contact without supply says nothing."""
        return self._kept("open", name, unit, lambda: ~self.on(name, unit) & self.powered)

    def rises(self, name: str, unit: int = 0) -> Ints:
        """Rows where a contact or an output becomes 1."""
        return self._kept_rows("rises", name, unit, lambda: forms.rises(self.on(name, unit)))

    def falls(self, name: str, unit: int = 0) -> Ints:
        """Rows where a contact or an output becomes 0."""
        return self._kept_rows("falls", name, unit, lambda: forms.falls(self.on(name, unit)))

    def age_ms(self, unit: int = 0) -> Ages:
        """How old the unit's image, or the shared one, was in each scan."""
        return self.trace.unit_age_ms[:, unit - 1] if unit else self.trace.bank_age_ms

    def older(self, limit_s: float, unit: int = 0) -> Bools:
        """Whether an image was older than the limit."""
        return np.asarray((self.age_ms(unit) > ms(limit_s)) & self.powered)

    # --- loops and truth -----------------------------------------------------------------------------
    def value(self, name: str, unit: int = 0) -> Floats:
        """A loop's reading in its own unit, or a true quantity."""
        key = (name, unit)
        if key not in self._floats:
            column = self.trace.unit(name, unit) if unit else self.trace.bank(name)
            self._floats[key] = np.ascontiguousarray(column, dtype=np.float64)
        return self._floats[key]

    def current_ma(self, name: str, unit: int = 0) -> Floats:
        """Loop current of an analogue input."""
        if unit:
            return self.trace.unit_ai[:, unit - 1, UNIT_AI.index(name)]
        return self.trace.bank_ai[:, BANK_AI.index(name)]

    def good(self, name: str, unit: int = 0) -> Bools:
        """Whether the loop current is a measurement."""

        def compute() -> Bools:
            current = self.current_ma(name, unit)
            return np.asarray((current >= GOOD_LO_MA) & (current <= GOOD_HI_MA) & self.powered)

        return self._kept("good", name, unit, compute)

    def bad(self, name: str, unit: int = 0) -> Bools:
        """Whether the loop current is a fault signal."""
        return self._kept("bad", name, unit, lambda: ~self.good(name, unit) & self.powered)

    def above(self, name: str, limit: float, unit: int = 0) -> Bools:
        """Whether a measurement is above the limit."""
        return np.asarray(self.good(name, unit) & (self.value(name, unit) > limit))

    def below(self, name: str, limit: float, unit: int = 0) -> Bools:
        """Whether a measurement is below the limit."""
        return np.asarray(self.good(name, unit) & (self.value(name, unit) < limit))

    def tds_above(self, limit_mgl: float, unit: int) -> Bools:
        """Whether the unit's permeate shows more dissolved solids than the limit."""
        return self.above("permeate_cond_ma", limit_mgl / self.setpoints.tds_per_us, unit)

    # --- supply, flushes -----------------------------------------------------------------------------
    @property
    def powered(self) -> Bools:
        """Whether the control and motor supply is present."""
        return self._kept("powered", "", 0, lambda: np.asarray(self.trace.bank("powered") > 0.5))

    @property
    def boots(self) -> Ints:
        """Rows of power-up: the first row of the record and each return of the supply."""
        return self._kept_rows("boots", "", 0, lambda: forms.rises(self.powered))

    def resting_flush(self, unit: int) -> Bools:
        """Feed and flush open, pump off: start flush or stop flush."""
        return self._kept(
            "resting",
            "",
            unit,
            lambda: self.on("feed_valve", unit) & self.on("flush_valve", unit) & ~self.on("pump", unit),
        )

    def running_flush(self, unit: int) -> Bools:
        """Flush open with the pump on: purge or quality flush."""
        return self._kept("running", "", unit, lambda: self.on("flush_valve", unit) & self.on("pump", unit))

    def slot_free(self, unit: int) -> Bools:
        """Whether the other units leave a flush slot."""

        def compute() -> Bools:
            others = np.zeros(self.n, np.int64)
            for other in self.units:
                if other != unit:
                    others += self.on("flush_valve", other)
            return np.asarray(others < self.context.flush_slots)

        return self._kept("slot", "", unit, compute)

    # --- what people did -----------------------------------------------------------------------------
    def row_at(self, t_ms: int) -> int:
        """First row at or after a time; the last row when there is none."""
        return min(int(np.searchsorted(self.t, t_ms)), self.n - 1)

    def commands(self, verb: Verb, unit: int) -> Ints:
        """Rows of a command given to this unit or to the whole bank."""
        rows = [
            self.row_at(mark.t_ms)
            for mark in self.trace.marks
            if mark.what == "command" and mark.text == verb and mark.unit in (0, unit)
        ]
        return np.asarray(sorted(rows), np.int64)

    def presses(self) -> list[tuple[int, int]]:
        """Spans in which the reset button was pressed."""
        return forms.spans(self.on("reset_button") & self.powered)

    def resets(self, unit: int) -> Ints:
        """Rows of everything that may count as a reset of this unit: button edges and commands.

        A press longer than a button fault is left out: it resets nothing.
        """
        longest_ms = ms(BUTTON_LONGEST_S) + self.scan_ms
        pressed = [
            start for start, end in self.presses() if forms.length_ms(self.t, (start, end)) <= longest_ms
        ]
        return np.sort(np.concatenate((np.asarray(pressed, np.int64), self.commands(Verb.RESET, unit))))

    def kept_spans(self, kind: str, unit: int, compute: Callable[[], Bools]) -> list[tuple[int, int]]:
        """The spans of such a column."""
        key = (kind, unit)
        if key not in self._spans:
            self._spans[key] = forms.spans(compute())
        return self._spans[key]

    def kept(self, kind: str, unit: int, compute: Callable[[], Bools]) -> Bools:
        """A column that several requirements derive alike, computed once."""
        return self._kept(kind, "", unit, compute)

    # --- keeping -------------------------------------------------------------------------------------
    def _kept(self, kind: str, name: str, unit: int, compute: Callable[[], Bools]) -> Bools:
        key = (kind, name, unit)
        if key not in self._bools:
            self._bools[key] = compute()
        return self._bools[key]

    def _kept_rows(self, kind: str, name: str, unit: int, compute: Callable[[], Ints]) -> Ints:
        key = (kind, name, unit)
        if key not in self._rows:
            self._rows[key] = compute()
        return self._rows[key]
