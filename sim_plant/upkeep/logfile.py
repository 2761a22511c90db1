"""A log as it stands in its file: the cells that the table names, the line of each row, its time in UTC.

Nothing is judged here but the time. A row without one is left out and counted; times out of order and twice
the same are refused, or put right when that was asked for.
"""

from __future__ import annotations

import csv
import difflib
import hashlib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from controller.files import InputError
from sim_plant.upkeep.table import Log, Table
from sim_plant.upkeep.times import NoTimeError, NoZoneError, reader_of

FILE_BYTES_MAX = 100_000_000
ROWS_MAX = 500_000
SORT, DOUBLES = "sort", "doubles"
MENDS = (SORT, DOUBLES)
Cell = str | float | Decimal | bool | None


@dataclass
class Counts:
    """How many rows were left out for each reason, and the line of the first."""

    of: dict[str, int] = field(default_factory=dict)
    first_line: dict[str, int] = field(default_factory=dict)

    def add(self, reason: str, line: int) -> None:
        """One more row."""
        self.of[reason] = self.of.get(reason, 0) + 1
        self.first_line.setdefault(reason, line)

    def total(self) -> int:
        """Of all reasons."""
        return sum(self.of.values())


@dataclass
class RawLog:
    """Rows in the order of time; ``cells`` by the name of the column."""

    name: str
    sha256: str
    rows_in_file: int
    lines: list[int]
    moments_s: list[float]
    cells: dict[str, list[Cell]]
    left_out: Counts
    mended: list[str]


def read_log(path: Path, table: Table, mend: Sequence[str]) -> RawLog:
    """The log; InputError with one line when it cannot be read as the table says."""
    content = _content(path)
    wanted = sorted({table.log.time, *_columns(table)})
    is_parquet = content[:4] == b"PAR1"
    rows = _parquet(path, content, wanted) if is_parquet else _csv(path, content, table.log, wanted)
    log = RawLog(path.name, hashlib.sha256(content).hexdigest(), 0, [], [], {}, Counts(), [])
    moment = reader_of(table.log.model_copy(update={"time_format": "iso"} if rows.iso_times else {}))
    kept: list[tuple[float, int, tuple[Cell, ...]]] = []
    time_place = wanted.index(table.log.time)
    for line, cells in rows.rows:
        log.rows_in_file += 1
        if log.rows_in_file > ROWS_MAX:
            raise InputError(
                f"{path.name}: more than {ROWS_MAX} rows; one row a minute is plenty, cut or thin the log"
            )
        if cells is None:
            log.left_out.add("not as many cells as the head", line)
            continue
        text = _text(cells[time_place])
        if not text:
            log.left_out.add("no time", line)
            continue
        try:
            kept.append((moment(text), line, cells))
        except NoTimeError as error:
            log.left_out.add(f"time {error}", line)
        except NoZoneError as error:
            raise InputError(
                f"{path.name}: line {line}: time {text!r} has no zone, and log.time_zone is not set; "
                f'for example log.time_zone = "UTC"'
            ) from error
    _check_times(path.name, log, len(kept), table.log)
    kept = _in_order(path.name, kept, mend, log)
    log.moments_s = [row[0] for row in kept]
    log.lines = [row[1] for row in kept]
    log.cells = {name: [row[2][i] for row in kept] for i, name in enumerate(wanted)}
    return log


def _columns(table: Table) -> Iterator[str]:
    for column in table.columns.values():
        for unit in table.units:
            if column.column is not None:
                yield column.column.replace("{unit}", str(unit))


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(FILE_BYTES_MAX + 1)
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}") from error
    if len(content) > FILE_BYTES_MAX:
        raise InputError(f"{path.name}: more than {FILE_BYTES_MAX // 1_000_000} MB, cut or thin the log")
    if not content.strip():
        raise InputError(f"{path.name}: the file is empty")
    return content


@dataclass
class _Rows:
    rows: Iterator[tuple[int, tuple[Cell, ...] | None]]
    iso_times: bool = False


def _csv(path: Path, content: bytes, log: Log, wanted: list[str]) -> _Rows:
    encoding = "utf-8-sig" if log.encoding.lower().replace("_", "-") in ("utf-8", "utf8") else log.encoding
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        raise InputError(
            f'{path.name}: not {log.encoding}: set log.encoding, for example "cp1252" or "utf-16"'
        ) from error
    except LookupError as error:
        raise InputError(f"log.encoding = {log.encoding!r}: not a known encoding") from error
    if "\0" in text:
        raise InputError(f"{path.name}: neither a CSV text nor a Parquet file")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=log.separator)
    try:
        head = [cell.strip() for cell in next(reader, [])]
        places = _places(path.name, head, wanted, log.separator)
    except csv.Error as error:
        raise InputError(f"{path.name}: line 1: {error}") from error
    return _Rows(_csv_rows(path.name, reader, len(head), places))


def _csv_rows(
    name: str, reader: Any, cells: int, places: list[int]
) -> Iterator[tuple[int, tuple[Cell, ...] | None]]:
    try:
        for row in reader:
            if row:  # an empty line is no row
                whole = len(row) == cells
                yield reader.line_num, tuple(row[place] for place in places) if whole else None
    except csv.Error as error:
        raise InputError(f"{name}: line {reader.line_num}: {error}") from error


def _parquet(path: Path, content: bytes, wanted: list[str]) -> _Rows:
    try:
        file = pq.ParquetFile(pa.BufferReader(content))
        head = list(file.schema_arrow.names)
        _places(path.name, head, wanted, "")
        if file.metadata.num_rows > ROWS_MAX:
            raise InputError(f"{path.name}: more than {ROWS_MAX} rows, cut or thin the log")
        read = file.read(columns=wanted)
    except (pa.ArrowException, OSError) as error:
        first = str(error).splitlines()[0]
        raise InputError(f"{path.name}: not a Parquet file that can be read: {first}") from error
    columns, iso_times = [], False
    for name in wanted:
        column = read.column(name)
        if pa.types.is_timestamp(column.type) or pa.types.is_date(column.type):
            zone = getattr(column.type, "tz", None)
            moments = column.cast(pa.timestamp("us", tz=zone), safe=False).to_pylist()
            columns.append([None if at is None else at.isoformat() for at in moments])
            iso_times = True
        else:
            columns.append(column.to_pylist())
    return _Rows(enumerate(zip(*columns, strict=True), start=1), iso_times)


def _places(name: str, head: list[str], wanted: list[str], separator: str) -> list[int]:
    for column in wanted:
        found = head.count(column)
        if found > 1:
            raise InputError(f"{name}: column {column!r} is there {found} times")
        if found == 1:
            continue
        if len(head) == 1 and any(sign in head[0] for sign in ",;\t|"):
            raise InputError(
                f"{name}: one column only, {head[0][:60]!r}; is log.separator = {separator!r} right?"
            )
        near = difflib.get_close_matches(column, head, 1)
        hint = f"; did you mean {near[0]!r}?" if near else f"; there are {', '.join(head)[:200]}"
        raise InputError(f"{name}: no column {column!r}{hint}")
    return [head.index(column) for column in wanted]


def _text(cell: Cell) -> str:
    return "" if cell is None else str(cell).strip()


def _check_times(name: str, log: RawLog, kept: int, how: Log) -> None:
    if log.rows_in_file == 0:
        raise InputError(f"{name}: a head and no rows")
    if 2 * kept < log.rows_in_file:
        reason = max(log.left_out.of, key=lambda one: log.left_out.of[one])
        raise InputError(
            f"{name}: {log.left_out.of[reason]} of {log.rows_in_file} rows: {reason}, the first in line "
            f"{log.left_out.first_line[reason]}; log.time_format is {how.time_format!r}"
        )


def _in_order(
    name: str, rows: list[tuple[float, int, tuple[Cell, ...]]], mend: Sequence[str], log: RawLog
) -> list[tuple[float, int, tuple[Cell, ...]]]:
    back = [b[1] for a, b in pairwise(rows) if b[0] < a[0]]
    if back and SORT not in mend:
        raise InputError(
            f"{name}: line {back[0]}: the time goes back, {len(back)} times in all; "
            f"--mend sort puts rows in order"
        )
    if back:
        rows = sorted(rows, key=lambda row: row[0])
        log.mended.append(f"rows were put in the order of time, which went back {len(back)} times")
    doubles = {i + 1 for i, (a, b) in enumerate(pairwise(rows)) if a[0] == b[0]}
    if doubles and DOUBLES not in mend:
        raise InputError(
            f"{name}: line {rows[min(doubles)][1]}: the same time as line {rows[min(doubles) - 1][1]}, "
            f"{len(doubles)} such rows in all; --mend doubles keeps the first of each"
        )
    for i in sorted(doubles):
        log.left_out.add("the time of a row before", rows[i][1])
    if doubles:
        log.mended.append(f"{len(doubles)} rows with the time of a row before were left out")
    return [row for i, row in enumerate(rows) if i not in doubles]
