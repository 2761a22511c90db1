"""The journal on disk: what happened, in an SQLite file that any analysis tool opens.

Lines wait in a bounded queue and a thread of its own writes them in batches, so that a scan never waits for
a disk. When the queue is full, lines are dropped and counted, and the count becomes a line itself.

The file is in WAL mode with ``synchronous=FULL``: each batch is forced to disk when it is committed. With
NORMAL a cut of the supply would lose the last batches, which is when they are wanted most; the thread bears
the cost. A killed program loses at most the lines that were still in the queue.

Tables: ``lines`` (one row per entry), ``settings`` (one row per change of a setpoint), ``setpoints`` (the
values last in force). Wall time is UTC and for people only; ``t_ms`` is the firmware's clock.
"""

from __future__ import annotations

import queue
import sqlite3
import threading
import time
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from controller.parts.journal import Entry

ROWS_MAX = 100_000
QUEUE_MAX = 10_000
_BATCH_MAX = 1_000
_TRIM_EVERY = 1_000  # rows between two cuts of the oldest
_RETRY_S = 1.0
_BUSY_MS = 5_000

_SCHEMA = """
CREATE TABLE IF NOT EXISTS lines (
    id INTEGER PRIMARY KEY, t_ms INTEGER NOT NULL, wall TEXT NOT NULL,
    unit INTEGER NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS settings (
    id INTEGER PRIMARY KEY, t_ms INTEGER NOT NULL, wall TEXT NOT NULL, name TEXT NOT NULL,
    old TEXT NOT NULL, new TEXT NOT NULL, who TEXT NOT NULL, why TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS setpoints (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""
_INSERT_LINE = "INSERT INTO lines (t_ms, wall, unit, kind, text) VALUES (?, ?, ?, ?, ?)"
_INSERT_SETTING = "INSERT INTO settings (t_ms, wall, name, old, new, who, why) VALUES (?, ?, ?, ?, ?, ?, ?)"
_TRIM = "DELETE FROM {table} WHERE id <= (SELECT max(id) FROM {table}) - ?"


class Line(NamedTuple):
    """One row of the journal. Beside the firmware's kinds (see parts/journal.py) the program that runs it
    writes "run" (start, stop), "overrun", "clock", "setting", "store", "link", "panel", "command" and
    "crash"."""

    id: int
    t_ms: int
    wall: str
    unit: int
    kind: str
    text: str


class Change(NamedTuple):
    """One change of a setpoint."""

    name: str
    old: str
    new: str
    who: str
    why: str


_Row = tuple[str, tuple[object, ...]]


class Journal:
    """The journal in the file ``path``, which is made when it is not there.

    A file that is no journal any more is moved aside and a new one begun: a damaged record is no
    reason to keep a plant from running. Raises sqlite3.Error or OSError when none can be written.
    """

    def __init__(self, path: Path, rows_max: int = ROWS_MAX, queue_max: int = QUEUE_MAX) -> None:
        self.dropped = 0
        self.fault = ""  # why nothing can be written at present
        self.moved_aside: Path | None = None
        self.last_id = 0  # of the last line on disk
        self._path, self._rows_max = path, rows_max
        self._queue: queue.Queue[_Row | threading.Event | None] = queue.Queue(queue_max)
        self._told_dropped = 0
        self._last: tuple[object, ...] = (0, iso(0))  # t_ms and wall time of the last line written
        self._untrimmed = _TRIM_EVERY  # so that the first batch trims
        self._give_up = threading.Event()
        self._file_lock = threading.Lock()  # the connection is used by one thread at a time
        self._file = self._open()
        self.last_id = self._file.execute("SELECT coalesce(max(id), 0) FROM lines").fetchone()[0]
        self._thread = threading.Thread(target=self._work, name="journal", daemon=True)
        self._thread.start()

    # --- writing, from any thread --------------------------------------------------------------------

    def add(self, entry: Entry, wall_ns: int) -> None:
        """Take one line; never waits."""
        text = entry.text.encode(errors="replace").decode()  # one odd character must not stop the journal
        self._put((_INSERT_LINE, (entry.t_ms, iso(wall_ns), entry.unit, entry.kind, text)))

    def setpoints_in_force(
        self,
        values: Mapping[str, object],
        who: str,
        why: str,
        t_ms: int,
        wall_ns: int,
        authors: Mapping[str, tuple[str, str]] | None = None,
    ) -> list[Change]:
        """Compare with the values last in force and record each change; waits for the disk.

        ``authors`` names who changed a certain setpoint, and why, where that was somebody else. The first
        values ever are no change. Raises ValueError when nobody is named.
        """
        if not who.strip():
            raise ValueError("a change of a setpoint needs the name of a person")
        now = {name: plain(value) for name, value in values.items()}
        with self._file_lock, self._file:
            before = dict(self._file.execute("SELECT name, value FROM setpoints").fetchall())
            names = sorted(before.keys() | now.keys()) if before else []
            changes = [
                Change(name, before.get(name, ""), now.get(name, ""), *(authors or {}).get(name, (who, why)))
                for name in names
                if before.get(name) != now.get(name)
            ]
            self._file.execute("BEGIN IMMEDIATE")
            self._file.executemany(_INSERT_SETTING, [(t_ms, iso(wall_ns), *change) for change in changes])
            self._file.execute("DELETE FROM setpoints")
            self._file.executemany("INSERT INTO setpoints VALUES (?, ?)", now.items())
        return changes

    def flush(self, timeout_s: float) -> bool:
        """Wait until all lines taken so far are on disk; False when that took longer."""
        written = threading.Event()
        try:
            self._queue.put(written, timeout=timeout_s)
        except queue.Full:
            return False
        return written.wait(timeout_s)

    def close(self, timeout_s: float) -> bool:
        """Write what waits and close the file; False when the disk did not take it in time."""
        done = self.flush(timeout_s)
        self._give_up.set()
        if done:
            self._queue.put(None)
            self._thread.join(timeout_s)
        return done and not self._thread.is_alive()

    def _put(self, row: _Row) -> None:
        try:
            self._queue.put_nowait(row)
        except queue.Full:
            self.dropped += 1

    # --- the thread ----------------------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            items = self._take()
            rows = [item for item in items if isinstance(item, tuple)]
            if not self._commit(rows):
                return
            for item in items:
                if isinstance(item, threading.Event):
                    item.set()
            if None in items:
                with self._file_lock:
                    self._file.close()
                return

    def _take(self) -> list[_Row | threading.Event | None]:
        items = [self._queue.get()]
        while len(items) < _BATCH_MAX:
            try:
                items.append(self._queue.get_nowait())
            except queue.Empty:
                break
        return items

    def _commit(self, rows: list[_Row]) -> bool:
        """Write one batch, again and again if need be; False when the program ends before that."""
        while rows or self.dropped > self._told_dropped:
            try:
                self._write(rows)
                self.fault = ""
                return True
            except sqlite3.Error as error:
                self.fault = str(error)
            if self._give_up.wait(_RETRY_S):
                return False
        return True

    def _write(self, rows: list[_Row]) -> None:
        with self._file_lock, self._file:
            self._file.execute("BEGIN IMMEDIATE")
            dropped = self.dropped  # only now: the line above may have waited
            for statement, values in rows:
                self._file.execute(statement, values)
                self._last = values[:2]
            if dropped > self._told_dropped:
                text = f"{dropped - self._told_dropped} lines were dropped: the queue was full"
                self._file.execute(_INSERT_LINE, (*self._last, 0, "run", text))
            (last_id,) = self._file.execute("SELECT coalesce(max(id), 0) FROM lines").fetchone()
            if self._untrimmed + len(rows) >= _TRIM_EVERY:
                for table in ("lines", "settings"):
                    self._file.execute(_TRIM.format(table=table), (self._rows_max,))
        self.last_id = last_id
        self._untrimmed = (self._untrimmed + len(rows)) % _TRIM_EVERY
        self._told_dropped = dropped

    # --- the file ------------------------------------------------------------------------------------

    def _open(self) -> sqlite3.Connection:
        try:
            return _connect(self._path)
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError):
                raise  # not damaged: locked, read-only, full
        self.moved_aside = _move_aside(self._path)
        return _connect(self._path)


def plain(value: object) -> str:
    """One text for one value: a default of 20 and a 20.0 from a file are the same setpoint."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    return f"{value:.15g}"


def _connect(path: Path) -> sqlite3.Connection:
    file = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    try:
        file.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        file.execute("PRAGMA journal_mode = WAL")
        file.execute("PRAGMA synchronous = FULL")
        file.executescript(_SCHEMA)
        if file.execute("PRAGMA quick_check").fetchone() != ("ok",):
            raise sqlite3.DatabaseError("the file is damaged")
    except BaseException:
        file.close()
        raise
    return file


def _move_aside(path: Path) -> Path:
    """Rename a damaged file to the first free name, its side files with it."""
    number = 1
    while (aside := path.with_name(f"{path.stem}-damaged-{number}{path.suffix}")).exists():
        number += 1
    for tail in ("-wal", "-shm", ""):
        part = path.with_name(path.name + tail)
        if part.exists():
            part.rename(aside.with_name(aside.name + tail))
    return aside


def iso(wall_ns: int) -> str:
    """Wall time for records: UTC, milliseconds.

    >>> iso(1_500_000_000)
    '1970-01-01T00:00:01.500Z'
    """
    seconds, rest_ns = divmod(wall_ns, 1_000_000_000)
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds)) + f".{rest_ns // 1_000_000:03d}Z"


def read_lines(path: Path, last: int = 500) -> list[Line]:
    """The last lines, oldest first, also while the journal is being written."""
    with closing(sqlite3.connect(path)) as file:
        rows = file.execute("SELECT * FROM lines ORDER BY id DESC LIMIT ?", (last,)).fetchall()
    return [Line(*row) for row in reversed(rows)]


def read_changes(path: Path) -> list[Change]:
    """All changes of setpoints that are kept, oldest first."""
    with closing(sqlite3.connect(path)) as file:
        rows = file.execute("SELECT name, old, new, who, why FROM settings ORDER BY id").fetchall()
    return [Change(*row) for row in rows]
