"""One Parquet file for each run: every signal at every scan, readable by any analysis tool.

Runs that start from the same prepared state share their beginning: it is kept once, in a record of its own
that the run's record names in its metadata under ``shared``. ``read_run`` puts the two together.

Columns are named like the I/O list: ``unit2.feed_valve``, ``bank.header_bar``, and ``t_ms``. Contacts are
boolean, loops are in mA as they were on the wire, states are words (``unit2.state``, null where the target
tells none), ages of the images in ms (``unit2.age_ms``). The unit of a column stands in its field metadata;
what the bench did (``marks``), the target's ``journal`` and the notes of the caller in that of the schema.

Times, contacts, states and marks come back exactly. Loops and true quantities are stored as 32-bit floats:
they come back within 1 part in 10 million (6e-8 of the value, so 0.0000012 mA at 20 mA), far finer than
any instrument, at a third of the size. Writing again what was read gives the same bytes.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from controller.parts.journal import Entry
from sim_plant.bench.trace import (
    BANK_AI,
    BANK_AO,
    BANK_DI,
    BANK_DO,
    UNIT_AI,
    UNIT_DI,
    UNIT_DO,
    Mark,
    Trace,
)
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

_FORMAT = "skidproof record 1"
_UNIT_PARTS = (("unit_di", UNIT_DI), ("unit_ai", UNIT_AI), ("unit_do", UNIT_DO), ("unit_truth", UNIT_TRUTH))
_BANK_PARTS = (
    ("bank_di", BANK_DI),
    ("bank_ai", BANK_AI),
    ("bank_do", BANK_DO),
    ("bank_ao", BANK_AO),
    ("bank_truth", BANK_TRUTH),
)
_SUFFIXES = {
    "_ma": "mA",
    "_bar": "bar",
    "_m3h": "m3/h",
    "_m3": "m3",
    "_mgl": "mg/L",
    "_pct": "%",
    "_degc": "degC",
    "_hz": "Hz",
    "_ml": "mL",
    "_l": "L",
    "_ms": "ms",
    "_open": "0..1",
}


def unit_of(name: str) -> str:
    """Unit of a signal by the ending of its name; "" for a contact or a word.

    >>> unit_of("header_bar"), unit_of("pump")
    ('bar', '')
    """
    return next((unit for ending, unit in _SUFFIXES.items() if name.endswith(ending)), "")


def write_record(trace: Trace, path: Path, meta: Mapping[str, str]) -> None:
    """Write the trace with the notes ``meta``.

    The file appears under its name only when it is complete, so a stopped program leaves no half record.
    FileExistsError when there is one of that name: a record is never written over.
    """
    if path.exists():
        raise FileExistsError(f"{path} exists already; a record is never written over")
    columns = dict(_columns(trace))
    fields = [
        pa.field(name, array.type, metadata={"unit": unit_of(name)} if unit_of(name) else None)
        for name, array in columns.items()
    ]
    notes = {
        "skidproof.format": _FORMAT,
        "skidproof.units": str(trace.n_units),
        "skidproof.states": json.dumps(trace.state_names),
        "skidproof.marks": json.dumps(trace.marks),
        "skidproof.journal": json.dumps(trace.journal),
    }
    schema = pa.schema(fields, metadata={**meta, **notes})
    table = pa.Table.from_arrays(list(columns.values()), schema=schema)
    floats = [field.name for field in fields if pa.types.is_floating(field.type)]
    words = [field.name for field in fields if pa.types.is_dictionary(field.type)]
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    pq.write_table(
        table,
        part,
        compression="zstd",
        compression_level=1,
        use_byte_stream_split=floats,
        use_dictionary=words,
        write_statistics=False,
    )
    os.replace(part, path)


def read_record(path: Path) -> Trace:
    """The trace of a record; see the module's text for what is exact.

    ValueError when the file is no record of this bench or lacks a column.
    """
    table = pq.read_table(path)
    notes = {key.decode(): value.decode() for key, value in (table.schema.metadata or {}).items()}
    if notes.get("skidproof.format") != _FORMAT:
        raise ValueError(f"{path} is not a {_FORMAT!r}")
    n_units = int(notes["skidproof.units"])
    states = tuple(json.loads(notes["skidproof.states"]))
    try:
        parts: dict[str, Any] = {
            part: np.stack(
                [
                    np.stack([_plain(table, f"unit{unit}.{name}") for name in names], axis=1)
                    for unit in range(1, n_units + 1)
                ],
                axis=1,
            )
            for part, names in _UNIT_PARTS
        }
        parts |= {
            part: np.stack([_plain(table, f"bank.{name}") for name in names], axis=1)
            for part, names in _BANK_PARTS
        }
        told = [_codes(table, f"unit{unit}.state", states) for unit in range(1, n_units + 1)]
        ages = [_plain(table, f"unit{unit}.age_ms") for unit in range(1, n_units + 1)]
        bank_age = _plain(table, "bank.age_ms")
    except KeyError as error:
        raise ValueError(f"{path} lacks a column: {error.args[0]}") from error
    lines = json.loads(notes["skidproof.journal"])
    return Trace(
        t_ms=_plain(table, "t_ms"),
        unit_state=np.stack(told, axis=1),
        unit_age_ms=np.stack(ages, axis=1),
        bank_age_ms=bank_age,
        state_names=states,
        marks=[Mark(*mark) for mark in json.loads(notes["skidproof.marks"])],
        journal=None if lines is None else [Entry(*line) for line in lines],
        **parts,
    )


def read_run(path: Path) -> Trace:
    """The whole trace of a run: its record, after the shared one that it names as its beginning.

    ValueError as ``read_record``.
    """
    notes = pq.read_schema(path).metadata or {}
    shared = notes.get(b"shared", b"").decode()
    own = read_record(path)
    return read_record(path.with_name(f"{shared}.parquet")).followed_by(own) if shared else own


def as_recorded(trace: Trace) -> Trace:
    """The trace with the rounding of a record, so that a picture is the same from either."""
    rounded = {
        part: getattr(trace, part).astype(np.float32).astype(np.float64)
        for part in ("unit_ai", "unit_truth", "bank_ai", "bank_ao", "bank_truth")
    }
    return replace(trace, **rounded)


def _columns(trace: Trace) -> Iterator[tuple[str, Any]]:
    yield "t_ms", pa.array(trace.t_ms)
    for part, names in _UNIT_PARTS:
        by_column = _by_column(getattr(trace, part))
        for i, column in enumerate(by_column):
            unit, item = divmod(i, len(names))
            yield f"unit{unit + 1}.{names[item]}", pa.array(column)
    for part, names in _BANK_PARTS:
        for name, column in zip(names, _by_column(getattr(trace, part)), strict=True):
            yield f"bank.{name}", pa.array(column)
    words = pa.array(trace.state_names, pa.string())
    for unit in range(trace.n_units):
        codes = trace.unit_state[:, unit]
        yield f"unit{unit + 1}.state", pa.DictionaryArray.from_arrays(pa.array(codes, mask=codes < 0), words)
        yield f"unit{unit + 1}.age_ms", pa.array(np.ascontiguousarray(trace.unit_age_ms[:, unit]))
    yield "bank.age_ms", pa.array(trace.bank_age_ms)


def _by_column(rows: NDArray[Any]) -> NDArray[Any]:
    """Rows x whatever, turned to one contiguous line for each column; floats at 32 bits."""
    flat = rows.reshape(len(rows), math.prod(rows.shape[1:])).T
    return np.ascontiguousarray(flat, dtype=np.bool_ if rows.dtype == np.bool_ else np.float32)


def _plain(table: Any, name: str) -> NDArray[Any]:
    values: NDArray[Any] = table.column(name).to_numpy()
    return values.astype(np.float64) if values.dtype == np.float32 else values


def _codes(table: Any, name: str, states: tuple[str, ...]) -> NDArray[np.int16]:
    """States as indexes of ``states``, whatever order the file keeps its words in; -1 for none."""
    column = table.column(name).combine_chunks()
    if len(column) == 0:
        return np.zeros(0, np.int16)
    if pa.types.is_dictionary(column.type):
        place = np.array([states.index(word) for word in column.dictionary.to_pylist()] or [-1], np.int16)
        codes = column.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    else:
        place = np.arange(len(states), dtype=np.int16)
        codes = np.array([-1 if word is None else states.index(word) for word in column.to_pylist()])
    return np.where(codes < 0, np.int16(-1), place[np.maximum(codes, 0)]).astype(np.int16)
