"""The stored record of one run, as pictures and rows for trends; what it does not hold is None."""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pydantic import TypeAdapter

from controller.files import InputError
from controller.parts.journal import Entry
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Signal, from_ma, signal_named
from sim_plant.bench.evidence.records import read_run
from sim_plant.bench.evidence.strips import look_of
from sim_plant.bench.trace import Mark, Trace
from sim_plant.desk.history import BANK_LOOPS, POINTS_MAX, UNIT_LOOPS
from sim_plant.desk.history import Mark as Done
from sim_plant.desk.thin import Rows, thinned

FILE_MAX_MB = 100
CELLS_MAX = 40_000_000  # rows times columns: five hours of eight units
UNITS_MAX = 64
JOURNAL_LINES, MARK_LINES = 40, 12
NOT_TOLD = "the record does not tell why"
NO_POWER = "the controller has no power"
_SAFE_NAME = re.compile(r"[A-Za-z0-9._-]{1,200}")
_MARKS, _JOURNAL = TypeAdapter(list[Mark]), TypeAdapter(list[Entry] | None)
_DAMAGES = (
    pa.ArrowException,
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    IndexError,
    OverflowError,
    RecursionError,
)


@dataclass(frozen=True)
class Recording:
    """One run: its trace, and what the file says of itself."""

    trace: Trace
    notes: dict[str, str]

    @property
    def first_ms(self) -> int:
        """Moment of the first scan."""
        return int(self.trace.t_ms[0])

    @property
    def last_ms(self) -> int:
        """Moment of the last scan."""
        return int(self.trace.t_ms[-1])

    def row_at(self, t_ms: float) -> int:
        """The last scan that is not after that moment; the first one before there is any."""
        return max(int(np.searchsorted(self.trace.t_ms, t_ms, "right")) - 1, 0)

    # --- one moment ------------------------------------------------------------------------------------

    def draw(self, row: int) -> dict[str, Any]:
        """All that the record tells of that scan."""
        trace, t_ms = self.trace, int(self.trace.t_ms[row])
        powered = self._powered(t_ms)
        marks = trace.marks[: bisect_right(trace.marks, t_ms, key=lambda mark: mark.t_ms)]
        journal = trace.journal
        if journal is not None:
            journal = journal[: bisect_right(journal, t_ms, key=lambda line: line.t_ms)]
        return {
            "t_ms": t_ms,
            "powered": powered,
            "bank": self._bank(row),
            "units": [self._unit(row, unit, powered) for unit in range(1, trace.n_units + 1)],
            "alarms": None,
            "faults": None,
            "coming": None,
            "journal": None
            if journal is None
            else [[round(e.t_ms / 1000.0, 1), e.unit, e.kind, e.text] for e in journal[-JOURNAL_LINES:]],
            "receipts": [
                {"t_s": mark.t_ms / 1000.0, "text": words_of(mark), "outcome": "by the bench", "ok": True}
                for mark in marks[-MARK_LINES:]
            ],
        }

    def _powered(self, t_ms: int) -> bool | None:
        """As the bench last switched it; None while it has not."""
        power = [mark.text for mark in self.trace.marks if mark.what == "power" and mark.t_ms <= t_ms]
        return power[-1] == "on" if power else None

    def _bank(self, row: int) -> dict[str, Any]:
        trace = self.trace
        return {
            "stage": None,
            "wanted": None,
            "latched": None,
            "values": _values(BANK_SIGNALS, BANK_LOOPS, trace.bank_ai[row]),
            "in": trace.bank_di[row].astype(int).tolist(),
            "out": trace.bank_do[row].astype(int).tolist(),
        }

    def _unit(self, row: int, unit: int, powered: bool | None) -> dict[str, Any]:
        trace, state = self.trace, self.trace.state(row, unit)
        look = look_of(state)
        return {
            "unit": unit,
            "state": state,
            "code": look.code if state else "?",
            "words": look.word if state else "state not told",
            "target": None,
            "in_state_s": self._in_state_s(row, unit) if state else None,
            "why": NO_POWER if powered is False else NOT_TOLD,
            "to_go_s": None,
            "first_out": None,
            "latched": None,
            "cause_gone_s": None,
            "blocked": None,
            "flush_owed": None,
            "stopped": None,
            "in_maintenance": None,
            "stale": None,
            "run_h": None,
            "starts": None,
            "values": _values(UNIT_SIGNALS, UNIT_LOOPS, trace.unit_ai[row, unit - 1]),
            "in": trace.unit_di[row, unit - 1].astype(int).tolist(),
            "out": trace.unit_do[row, unit - 1].astype(int).tolist(),
            "worst": None,
        }

    def _in_state_s(self, row: int, unit: int) -> float | None:
        """Since when the state is what it is; None when it was so before the record began."""
        codes = self.trace.unit_state[: row + 1, unit - 1]
        others = np.flatnonzero(codes != codes[-1])
        if not len(others):
            return None
        return round(float(self.trace.t_ms[row] - self.trace.t_ms[others[-1] + 1]) / 1000.0, 1)

    # --- trends ----------------------------------------------------------------------------------------

    def history(self, unit: int, from_ms: int, to_ms: int, points: int) -> dict[str, Any]:
        """Rows as ``History.read`` hands them out."""
        t_ms, trace = self.trace.t_ms, self.trace
        first, after = (
            int(np.searchsorted(t_ms, from_ms, "left")),
            int(np.searchsorted(t_ms, to_ms, "right")),
        )
        current_ma = np.hstack([trace.bank_ai[first:after], trace.unit_ai[first:after, unit - 1]])
        times, few_ma = thinned(t_ms[first:after], current_ma, min(points, POINTS_MAX))
        of_bank = len(BANK_LOOPS)
        return {
            "t_s": (times / 1000.0).tolist(),
            "thinned": len(times) < after - first,
            "bank": _columns(BANK_SIGNALS, BANK_LOOPS, few_ma[:, :of_bank]),
            "unit": _columns(UNIT_SIGNALS, UNIT_LOOPS, few_ma[:, of_bank:]),
            "changes": self._changes(first, after),
            "marks": [Done(m.t_ms, words_of(m)) for m in trace.marks if from_ms <= m.t_ms <= to_ms],
        }

    def _changes(self, first: int, after: int) -> list[tuple[int, int, int]]:
        """Moment, unit and code of each change, from the last one of each unit before the window."""
        found = []
        none = len(self.trace.state_names)  # the place after all states stands for "not told"
        for unit in range(1, self.trace.n_units + 1):
            codes = self.trace.unit_state[:after, unit - 1]
            rows = [0, *(np.flatnonzero(np.diff(codes)) + 1).tolist()] if len(codes) else []
            before = [row for row in rows if row < first][-1:]
            for row in [*before, *(row for row in rows if row >= first)]:
                code = int(codes[row])
                found.append((int(self.trace.t_ms[row]), unit, code if code >= 0 else none))
        return sorted(found)


def words_of(mark: Mark) -> str:
    """What the bench did, for people."""
    where = f", unit {mark.unit}" if mark.unit else ""
    return f"{mark.what} {mark.text}{where}"


def _values(
    table: tuple[Signal, ...], loops: Sequence[str], current_ma: NDArray[np.float64]
) -> dict[str, list[Any]]:
    """What was on the wire. How far the firmware believed it is not in the record: the quality is none."""
    return {
        name: [_number(from_ma(signal_named(table, name), float(ma)), 3), ""]
        for name, ma in zip(loops, current_ma, strict=True)
    }


def _columns(table: tuple[Signal, ...], loops: Sequence[str], rows_ma: Rows) -> dict[str, list[float | None]]:
    return {
        name: [_number(from_ma(signal_named(table, name), float(ma)), 4) for ma in rows_ma[:, place]]
        for place, name in enumerate(loops)
    }


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) if math.isfinite(value) else None


# --- from the disk -------------------------------------------------------------------------------------


def read_recording(path: Path) -> Recording:
    """The run of that file, after the shared beginning that it names; InputError when it cannot be shown."""
    try:
        notes = _check_size(path)
        shared = notes.get("shared", "")
        if shared:
            if not _SAFE_NAME.fullmatch(shared):
                raise ValueError("it names no file as its beginning")
            beginning = _check_size(path.with_name(f"{shared}.parquet"))
            if beginning.get("skidproof.states") != notes.get("skidproof.states"):
                raise ValueError("its beginning tells other states")
        trace = read_run(path)
        _check(trace)
    except OSError as error:
        raise InputError(f"{error.filename or path}: {error.strerror or 'cannot be read'}") from error
    except _DAMAGES as error:
        first = (str(error).splitlines() or [""])[0][:200]
        raise InputError(f"{path} is no record that can be shown: {first or type(error).__name__}") from error
    return Recording(trace, notes)


def _check_size(path: Path) -> dict[str, str]:
    """The notes of a file, when neither it nor what it unpacks to is too large."""
    if path.is_dir():
        raise InputError(f"{path} is a folder: name one of its records, records/RUN.parquet")
    if not path.exists():
        raise InputError(f"{path}: there is no such file")
    if not path.is_file():
        raise InputError(f"{path} is no file")
    if path.stat().st_size > FILE_MAX_MB * 1_000_000:
        raise InputError(f"{path} is larger than {FILE_MAX_MB} MB")
    parts = pq.read_metadata(path)
    if parts.num_rows * parts.num_columns > CELLS_MAX:
        raise InputError(
            f"{path} holds {parts.num_rows} scans of {parts.num_columns} columns: that is too much to show"
        )
    return {key.decode(): value.decode() for key, value in (parts.metadata or {}).items()}


def _check(trace: Trace) -> None:
    """ValueError when a record can be read but is none of a run."""
    if not len(trace.t_ms):
        raise ValueError("it holds no scan")
    if trace.n_units > UNITS_MAX:
        raise ValueError(f"it holds {trace.n_units} units, at most {UNITS_MAX}")
    if trace.t_ms.dtype != np.int64 or trace.t_ms[0] < 0 or not (np.diff(trace.t_ms) > 0).all():
        raise ValueError("its moments do not follow each other")
    if any(part.dtype != np.bool_ for part in (trace.unit_di, trace.unit_do, trace.bank_di, trace.bank_do)):
        raise ValueError("a contact is neither open nor closed")
    if any(part.dtype != np.float64 for part in (trace.unit_ai, trace.bank_ai)):
        raise ValueError("a loop is no number")
    _MARKS.validate_python(trace.marks, strict=True)
    _JOURNAL.validate_python(trace.journal, strict=True)
    for lines in (trace.marks, trace.journal or ()):
        moments = [line.t_ms for line in lines]
        if moments != sorted(moments):
            raise ValueError("what it tells does not stand in the order of time")
