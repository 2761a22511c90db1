"""Results in one SQLite file, written as they come by the parent alone.

    run(key, source, state, written, checksum, ...)   one row for each run that was scouted
    touch(run, word)                           what the untouched logic touches in it
    trial(change, run, number, ...)            one change in one run; the last of a change may have caught it
    broken(change, run, number, name)          what was not held in a trial, the first in time first

Only what was carried out is in it; outcomes are made from it when the report is written, so that a reason
that is added later counts at once, and a case that is added is tried on what nothing had caught.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from sim_plant.bench.campaign.kept import KeptFile
from sim_plant.bench.sabotage.book import Book
from sim_plant.bench.sabotage.work import Scouted, Trial, Tried

FILE = "sabotage.sqlite"
FORMAT = "skidproof sabotage 2"
_TABLES = """
CREATE TABLE run(
    key TEXT PRIMARY KEY, source TEXT, state TEXT, written INTEGER, checksum TEXT, simulated_s REAL,
    outputs TEXT, alarms TEXT, unheld TEXT, error TEXT, record TEXT);
CREATE TABLE touch(run TEXT, word TEXT, PRIMARY KEY(run, word)) WITHOUT ROWID;
CREATE TABLE trial(
    change TEXT, run TEXT, number INTEGER, at_s REAL, detail TEXT, differs TEXT, PRIMARY KEY(change, run));
CREATE TABLE broken(change TEXT, run TEXT, number INTEGER, name TEXT, PRIMARY KEY(change, run, number));
CREATE TABLE work(change TEXT PRIMARY KEY, took_s REAL);
"""
_SEPARATOR = "\x1f"


@dataclass(frozen=True)
class Kept:
    """All that the file holds: scouted runs by key, where they come from and in which state they begin, and
    the trials of each change.
    """

    scouted: dict[str, Scouted]
    sources: dict[str, str]
    states: dict[str, str]
    trials: dict[str, tuple[Trial, ...]]
    worked_s: float

    @cached_property
    def touching(self) -> dict[str, list[Scouted]]:
        """The runs that touch an entry, by its word."""
        found: dict[str, list[Scouted]] = {}
        for scouted in self.scouted.values():
            for word in scouted.touches:
                found.setdefault(word, []).append(scouted)
        return found


class SabotageFile(KeptFile):
    """The file of one sabotage."""

    name, format, kind, tables = FILE, FORMAT, "sabotage", _TABLES

    def forget_changed(self, book: Book) -> None:
        """Take out runs that are others by now, or gone, with what was tried on them."""
        rows = self._db.execute("SELECT key, checksum FROM run").fetchall()
        changed = [(key,) for key, checksum in rows if key not in book.runs or book.checksum(key) != checksum]
        with self._db:
            for table, column in (("run", "key"), ("touch", "run"), ("trial", "run"), ("broken", "run")):
                self._db.executemany(f"DELETE FROM {table} WHERE {column} = ?", changed)

    def add_run(self, found: Scouted, book: Book) -> None:
        """A run with what it touches."""
        run = book.runs[found.run]
        row = (
            found.run,
            run.source,
            run.state.value,
            int(found.run in book.written),
            book.checksum(found.run),
            found.simulated_s,
            found.outputs,
            found.alarms,
            _SEPARATOR.join(found.unheld),
            found.error,
            found.record,
        )
        with self._db:
            self._db.execute("INSERT OR REPLACE INTO run VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
            words = [(found.run, word) for word in found.touches]
            self._db.executemany("INSERT OR IGNORE INTO touch VALUES (?, ?)", words)

    def add_trials(self, tried: Tried) -> None:
        """The trials of a change, after those that it had before."""
        with self._db:
            query = "SELECT COALESCE(MAX(number) + 1, 0) FROM trial WHERE change = ?"
            (before,) = self._db.execute(query, (tried.change,)).fetchone()
            for number, trial in enumerate(tried.trials, start=before):
                row = (tried.change, trial.run, number, trial.at_s, trial.detail, trial.differs)
                self._db.execute("INSERT OR IGNORE INTO trial VALUES (?, ?, ?, ?, ?, ?)", row)
                names = [(tried.change, trial.run, place, name) for place, name in enumerate(trial.broken)]
                self._db.executemany("INSERT OR IGNORE INTO broken VALUES (?, ?, ?, ?)", names)
            took = (tried.change, tried.took_s)
            add = "ON CONFLICT(change) DO UPDATE SET took_s = took_s + excluded.took_s"
            self._db.execute(f"INSERT INTO work VALUES (?, ?) {add}", took)


def kept_in(path: Path) -> Kept:
    """All that a file holds, whole or still growing."""
    uri = f"file:{path.resolve().as_posix()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True)) as db:
        touches: dict[str, list[str]] = {}
        for run, word in db.execute("SELECT run, word FROM touch"):
            touches.setdefault(run, []).append(word)
        scouted: dict[str, Scouted] = {}
        sources: dict[str, str] = {}
        states: dict[str, str] = {}
        told = "key, source, state, simulated_s, outputs, alarms, unheld, error, record"
        for key, source, state, simulated_s, outputs, alarms, unheld, error, record in db.execute(
            f"SELECT {told} FROM run ORDER BY key"
        ):
            names = tuple(unheld.split(_SEPARATOR)) if unheld else ()
            found = tuple(touches.get(key, ()))
            scouted[key] = Scouted(key, found, simulated_s, outputs, alarms, names, error, record)
            sources[key], states[key] = source, state
        (worked_s,) = db.execute("SELECT TOTAL(took_s) FROM work").fetchone()
        return Kept(scouted, sources, states, _trials(db), worked_s)


def _trials(db: sqlite3.Connection) -> dict[str, tuple[Trial, ...]]:
    broken: dict[tuple[str, str], list[str]] = {}
    for change, run, name in db.execute("SELECT change, run, name FROM broken ORDER BY number"):
        broken.setdefault((change, run), []).append(name)
    found: dict[str, list[Trial]] = {}
    for change, trial in _rows(db, broken):
        found.setdefault(change, []).append(trial)
    return {change: tuple(trials) for change, trials in found.items()}


def _rows(db: sqlite3.Connection, broken: dict[tuple[str, str], list[str]]) -> Iterator[tuple[str, Trial]]:
    query = "SELECT change, run, at_s, detail, differs FROM trial ORDER BY change, number"
    for change, run, at_s, detail, differs in db.execute(query):
        yield change, Trial(run, tuple(broken.get((change, run), ())), at_s, detail, differs)
