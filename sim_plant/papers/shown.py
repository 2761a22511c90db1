"""The part of a record that proofs need: states, valves and contactors of the units, and the journal."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

from controller.parts.journal import Entry

OUTPUTS = ("feed_valve", "flush_valve", "pump", "enable")


@dataclass(frozen=True)
class Shown:
    """Rows of a record: ``states`` are words, "" where none was told; ``driven`` is row x unit x output."""

    t_ms: NDArray[np.int64]
    states: list[list[str]]  # of each unit
    driven: NDArray[np.bool_]
    journal: list[Entry]
    shared: str = ""

    @property
    def n_units(self) -> int:
        """Number of units in the bank."""
        return len(self.states)

    def state(self, row: int, unit: int) -> str:
        """Name of the state that the target reported, or "" where it reports none."""
        return self.states[unit - 1][row]

    def on(self, row: int, unit: int) -> tuple[bool, ...]:
        """Outputs of a unit in a scan, in the order of ``OUTPUTS``."""
        return tuple(bool(value) for value in self.driven[row, unit - 1])

    def after_last_of(self, beginning: Shown) -> Shown:
        """These rows after the last one of what they go on from, so that a first row has one before it."""
        return Shown(
            np.concatenate([beginning.t_ms[-1:], self.t_ms]),
            [[*before[-1:], *own] for before, own in zip(beginning.states, self.states, strict=True)],
            np.concatenate([beginning.driven[-1:], self.driven]),
            self.journal,
        )


def read_shown(path: Path) -> Shown:
    """Of one record what proofs need; ValueError or KeyError when it is none."""
    notes = pq.read_schema(path).metadata or {}
    units = range(1, int(notes[b"skidproof.units"]) + 1)
    wanted = [f"unit{unit}.{name}" for unit in units for name in ("state", *OUTPUTS)]
    table = pq.read_table(path, columns=["t_ms", *wanted])
    states = [[word or "" for word in table.column(f"unit{unit}.state").to_pylist()] for unit in units]
    columns = [
        np.stack([table.column(f"unit{unit}.{name}").to_numpy() for name in OUTPUTS], axis=1)
        for unit in units
    ]
    lines = json.loads(notes[b"skidproof.journal"]) or []
    times = table.column("t_ms").to_numpy()
    journal = [Entry(*line) for line in lines]
    return Shown(times, states, np.stack(columns, axis=1), journal, notes.get(b"shared", b"").decode())
