"""What was seen in one run: every input, output and true quantity at every scan.

One row is one scan: the inputs the target was given, the outputs it answered with, the plant's truth at
that moment. Monitors, expectations, records and plots read traces and nothing else, so a trace of our
firmware, of a live PLC or one typed by hand in a test is judged by the same code.

Arrays, n rows and N units (unit numbers count from 1 in every accessor):

    t_ms [n]            unit_di [n,N,11] unit_ai [n,N,5] (mA)   unit_do [n,N,6]   unit_truth [n,N,*]
    bank_di [n,15]      bank_ai [n,8]     bank_do [n,5]          bank_ao [n,2]     bank_truth [n,*]
    unit_state [n,N]    index into state_names, -1 where the target does not tell
    unit_age_ms [n,N]   bank_age_ms [n]   age of each image as the target was told it

``journal`` holds the lines that the target's journal gave at its data port; None where it has none.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.parts.journal import Entry
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Inputs, Kind, Outputs, from_ma, names, signal_named
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Ages = NDArray[np.int32]

UNIT_DI, UNIT_AI, UNIT_DO = (names(UNIT_SIGNALS, kind) for kind in (Kind.DI, Kind.AI, Kind.DO))
BANK_DI, BANK_AI, BANK_DO, BANK_AO = (
    names(BANK_SIGNALS, kind) for kind in (Kind.DI, Kind.AI, Kind.DO, Kind.AO)
)


class Mark(NamedTuple):
    """One thing that the bench did: the stimulus, not the answer.

    ``what`` is one of "inject", "clear", "command", "operate", "power", "clock", "setpoint". ``unit`` 0 is
    the bank. ``text`` names it, for example "stop", "selector off", "feed_header dip 0.6", "off", "on",
    "+3600 s"; what a data port answered to a setpoint stands in it as ``port.Answered`` words it.
    """

    t_ms: int
    what: str
    unit: int
    text: str


@dataclass
class Trace:
    """The rows of one run; see the module's text for the shapes."""

    t_ms: Ints
    unit_di: Bools
    unit_ai: Floats
    unit_do: Bools
    bank_di: Bools
    bank_ai: Floats
    bank_do: Bools
    bank_ao: Floats
    unit_truth: Floats
    bank_truth: Floats
    unit_state: NDArray[np.int16]
    unit_age_ms: Ages
    bank_age_ms: Ages
    state_names: tuple[str, ...] = ()
    marks: list[Mark] = field(default_factory=list)
    journal: list[Entry] | None = None

    @property
    def n_units(self) -> int:
        """Number of units in the bank."""
        return int(self.unit_di.shape[1])

    @property
    def scan_ms(self) -> int:
        """Distance of two rows; 100 for a trace of fewer than two rows."""
        return int(self.t_ms[1] - self.t_ms[0]) if len(self.t_ms) > 1 else 100

    def part(self, first: int, last: int | None = None) -> Trace:
        """Rows ``first`` up to but without ``last``, with the marks and journal lines of their time."""
        rows = slice(first, last)
        columns = {name: getattr(self, name)[rows] for name in _COLUMNS}
        start_ms = int(self.t_ms[first]) if first < len(self.t_ms) else int(self.t_ms[-1]) + 1
        end_ms = int(self.t_ms[last]) if last is not None and last < len(self.t_ms) else None

        def inside(t_ms: int) -> bool:
            return t_ms >= start_ms and (end_ms is None or t_ms < end_ms)

        marks = [mark for mark in self.marks if inside(mark.t_ms)]
        journal = None if self.journal is None else [line for line in self.journal if inside(line.t_ms)]
        return Trace(**columns, state_names=self.state_names, marks=marks, journal=journal)

    def followed_by(self, later: Trace) -> Trace:
        """This trace and one that goes on from it; the inverse of taking two parts."""
        columns = {name: np.concatenate([getattr(self, name), getattr(later, name)]) for name in _COLUMNS}
        told = self.journal is not None or later.journal is not None
        journal = [*(self.journal or []), *(later.journal or [])] if told else None
        marks = [*self.marks, *later.marks]
        return Trace(**columns, state_names=self.state_names, marks=marks, journal=journal)

    def unit(self, name: str, unit: int) -> Bools | Floats:
        """One signal or true quantity of one unit over time; loops come in their own unit, not in mA."""
        if name in UNIT_DO:
            return self.unit_do[:, unit - 1, UNIT_DO.index(name)]
        if name in UNIT_DI:
            return self.unit_di[:, unit - 1, UNIT_DI.index(name)]
        if name in UNIT_AI:
            return _scaled(self.unit_ai[:, unit - 1, UNIT_AI.index(name)], signal_named(UNIT_SIGNALS, name))
        return self.unit_truth[:, unit - 1, UNIT_TRUTH.index(name)]

    def bank(self, name: str) -> Bools | Floats:
        """One shared signal or true quantity over time; loops come in their own unit, not in mA."""
        if name in BANK_DO:
            return self.bank_do[:, BANK_DO.index(name)]
        if name in BANK_DI:
            return self.bank_di[:, BANK_DI.index(name)]
        if name in BANK_AI:
            return _scaled(self.bank_ai[:, BANK_AI.index(name)], signal_named(BANK_SIGNALS, name))
        if name in BANK_AO:
            return _scaled(self.bank_ao[:, BANK_AO.index(name)], signal_named(BANK_SIGNALS, name))
        return self.bank_truth[:, BANK_TRUTH.index(name)]

    def state(self, row: int, unit: int) -> str:
        """Name of the state that the target reported, or "" where it reports none."""
        code = int(self.unit_state[row, unit - 1])
        return self.state_names[code] if code >= 0 else ""


_COLUMNS = tuple(f.name for f in fields(Trace) if f.name not in ("state_names", "marks", "journal"))


def _scaled(current_ma: Floats, signal: object) -> Floats:
    return np.asarray(from_ma(signal, current_ma), dtype=np.float64)  # type: ignore[arg-type]


class Recorder:
    """Collects rows and hands out a Trace; grows by doubling, so a long run costs no more per row."""

    def __init__(self, n_units: int, state_names: tuple[str, ...] = ()) -> None:
        self._n = 0
        self._state_names = state_names
        self.marks: list[Mark] = []
        self.journal: list[Entry] | None = None
        rows = 4096
        self._columns: dict[str, NDArray[np.generic]] = {
            "t_ms": np.zeros(rows, np.int64),
            "unit_di": np.zeros((rows, n_units, len(UNIT_DI)), np.bool_),
            "unit_ai": np.zeros((rows, n_units, len(UNIT_AI))),
            "unit_do": np.zeros((rows, n_units, len(UNIT_DO)), np.bool_),
            "bank_di": np.zeros((rows, len(BANK_DI)), np.bool_),
            "bank_ai": np.zeros((rows, len(BANK_AI))),
            "bank_do": np.zeros((rows, len(BANK_DO)), np.bool_),
            "bank_ao": np.zeros((rows, len(BANK_AO))),
            "unit_truth": np.zeros((rows, n_units, len(UNIT_TRUTH))),
            "bank_truth": np.zeros((rows, len(BANK_TRUTH))),
            "unit_state": np.full((rows, n_units), -1, np.int16),
            "unit_age_ms": np.zeros((rows, n_units), np.int32),
            "bank_age_ms": np.zeros(rows, np.int32),
        }

    @property
    def rows(self) -> int:
        """How many scans have been recorded."""
        return self._n

    def add(
        self,
        t_ms: int,
        inputs: Inputs,
        outputs: Outputs,
        unit_truth: Floats,
        bank_truth: Floats,
        states: tuple[int, ...] = (),
    ) -> None:
        """Append one scan. ``states`` are indexes into ``state_names``; empty when not told."""
        if self._n == len(self._columns["t_ms"]):
            for name, column in self._columns.items():
                self._columns[name] = np.concatenate([column, np.zeros_like(column)])
            self._columns["unit_state"][self._n :] = -1
        row, c = self._n, self._columns
        c["t_ms"][row] = t_ms
        c["unit_di"][row] = [image[: len(UNIT_DI)] for image in inputs.units]
        c["unit_ai"][row] = [image[len(UNIT_DI) :] for image in inputs.units]
        c["unit_do"][row] = outputs.units
        c["bank_di"][row] = inputs.bank[: len(BANK_DI)]
        c["bank_ai"][row] = inputs.bank[len(BANK_DI) :]
        c["bank_do"][row] = outputs.bank[: len(BANK_DO)]
        c["bank_ao"][row] = outputs.bank[len(BANK_DO) :]
        c["unit_truth"][row] = unit_truth
        c["bank_truth"][row] = bank_truth
        if states:
            c["unit_state"][row] = states
        c["unit_age_ms"][row] = inputs.unit_age_ms
        c["bank_age_ms"][row] = inputs.bank_age_ms
        self._n += 1

    def trace(self) -> Trace:
        """What has been seen so far; a copy, so the recorder may go on."""
        columns = {name: column[: self._n].copy() for name, column in self._columns.items()}
        journal = None if self.journal is None else list(self.journal)
        names, marks = self._state_names, list(self.marks)
        return Trace(**columns, state_names=names, marks=marks, journal=journal)  # type: ignore[arg-type]
