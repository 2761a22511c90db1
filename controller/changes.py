"""Setpoints changed while the firmware runs: checked, kept, put in force, recorded, and only then confirmed.

``site.toml`` is the record of the design. What is changed at run time lies over it, one row for each
setpoint, in the data folder: ``setpoints.a`` and ``setpoints.b``, two copies like those of retained memory
(store.py). At a start the rows are put on top of the site's setpoints and the whole is checked like a site
file. A row holds only as long as ``site.toml`` says what it said when the row was made: who edits it there
has the last word. Why it is so: docs/decisions/0015.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Mapping
from pathlib import Path

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from controller.files import InputError, explain, near_key
from controller.firmware import Controller
from controller.journal import Journal, iso, plain
from controller.runtime import Loop
from controller.settings import Setpoints
from controller.store import LOST, Store

NAME = "setpoints"
TAKE_S = 2.0  # the loop has so long to take a change between two scans


class NotChangedError(RuntimeError):
    """A sound change could not be kept or put in force; the message is one line."""


class Row(BaseModel):
    """One setpoint that was changed while running; ``designed`` is what site.toml said at that time."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    designed: bool | int | float
    value: bool | int | float
    who: str
    why: str
    when: str


_ROWS = TypeAdapter(dict[str, Row])


class Overlay:
    """The rows of a data folder, and ``setpoints``: the site's with the rows on top.

    ``notes`` are lines for the journal. Raises InputError when the rows are damaged or do not fit the site,
    OSError when the folder cannot be read or written.
    """

    def __init__(self, folder: Path, designed: Setpoints, n_units: int) -> None:
        self._designed, self._folder = designed, folder
        self._store = Store(folder, NAME, marker=None)
        found = self._read()
        self.rows = {name: row for name, row in found.items() if self._stands(name, row)}
        self.setpoints = self._on_top(n_units)
        dropped = {name: row for name, row in found.items() if name not in self.rows}
        if dropped:
            self._store.write(_encode(self.rows))  # or the change would come back with the old site.toml
        damaged = () if self._store.recalled.text is None else self._store.recalled.notes
        self.notes = (
            *damaged,
            *(self._dropped_text(name, row) for name, row in dropped.items()),
            *(_text(name, row) for name, row in self.rows.items()),
        )

    def keep(self, name: str, value: float, who: str, why: str, when: str) -> None:
        """Force one more row to disk. On OSError it is not kept, as far as the disk lets us say so."""
        row = Row(designed=getattr(self._designed, name), value=value, who=who, why=why, when=when)
        before, self.rows = self.rows, {**self.rows, name: row}
        try:
            self._store.write(_encode(self.rows))
        except OSError:
            with contextlib.suppress(OSError):
                self.put_back(before)
            raise

    def put_back(self, rows: Mapping[str, Row]) -> None:
        """Keep these rows again, as if the last change had never been."""
        self.rows = dict(rows)
        self._store.write(_encode(self.rows))

    def authors(self) -> dict[str, tuple[str, str]]:
        """Who changed each setpoint that has a row, and why."""
        return {name: (row.who, row.why) for name, row in self.rows.items()}

    def _read(self) -> dict[str, Row]:
        text = self._store.recalled.text
        if text is None:
            return {}
        if text == LOST:
            raise InputError(self._refusal(self._store.recalled.notes[0]))
        try:
            return _ROWS.validate_json(text)
        except ValidationError as error:
            raise InputError(self._refusal(f"not rows of setpoints: {error.errors()[0]['msg']}")) from error

    def _stands(self, name: str, row: Row) -> bool:
        """An unknown name stands too: the check of the whole refuses it."""
        return name not in Setpoints.model_fields or getattr(self._designed, name) == row.designed

    def _on_top(self, n_units: int) -> Setpoints:
        values = self._designed.model_dump() | {name: row.value for name, row in self.rows.items()}
        try:
            changed = Setpoints.model_validate(values)
            changed.flush_slots(n_units)
        except ValidationError as error:
            raise InputError(self._refusal(explain("with site.toml", error, Setpoints))) from error
        except ValueError as error:
            raise InputError(self._refusal(f"with site.toml: {error}")) from error
        return changed

    def _refusal(self, why: str) -> str:
        return (
            f"{self._folder / NAME}.a: changes made while running do not hold: {why}; give these setpoints "
            f"new values in site.toml, or remove {NAME}.a and {NAME}.b to start from site.toml alone"
        )

    def _dropped_text(self, name: str, row: Row) -> str:
        now = plain(getattr(self._designed, name))
        return f"{name}: site.toml now says {now}; no longer {_text(name, row)}"


def _text(name: str, row: Row) -> str:
    values = f"{name} = {plain(row.value)} in place of {plain(row.designed)} in site.toml"
    return f"{values}, changed {row.when} by {row.who}: {row.why}"


def _encode(rows: Mapping[str, Row]) -> str:
    return _ROWS.dump_json(dict(rows)).decode()


class SetpointChanges:
    """The way to change a setpoint of a firmware that runs."""

    def __init__(self, overlay: Overlay, controller: Controller, loop: Loop, journal: Journal) -> None:
        self._overlay, self._controller, self._loop, self._journal = overlay, controller, loop, journal
        self._lock = threading.Lock()  # one change at a time, from the check to the record

    def change_setpoint(self, name: str, value: float, by: str, reason: str) -> None:
        """Change one setpoint; returns when it is on disk and in force.

        From any thread but the scanning one, which never waits for the disk. Raises InputError when the
        change is at fault, NotChangedError when disk or loop did not take it; the old value then stays.
        A program that is killed before the return may find the change at its next start, whole.
        """
        with self._lock:
            changed = self._check(name, value, by, reason)
            before = self._overlay.rows
            when = iso(self._loop.clock.wall_ns())
            try:
                self._overlay.keep(name, getattr(changed, name), by, reason, when)
            except OSError as error:
                raise NotChangedError(f"{name} was not changed: {error.strerror or error}") from error
            self._put_in_force(name, value, by, reason, before)
            self._record(by, reason)

    def _check(self, name: str, value: float, by: str, reason: str) -> Setpoints:
        if name not in Setpoints.model_fields:
            raise InputError(f"{name} is not a known setpoint{near_key((name,), Setpoints)}")
        try:
            return self._controller.setpoints.with_change(name, value, by, reason, self._controller.n_units)
        except ValidationError as error:
            raise InputError(explain(f"change of {name}", error, Setpoints)) from error
        except ValueError as error:
            raise InputError(str(error)) from error

    def _put_in_force(self, name: str, value: float, by: str, reason: str, before: Mapping[str, Row]) -> None:
        def act(now_ms: int) -> None:
            self._controller.change_setpoint(name, value, by, reason, now_ms)

        taken = self._loop.between_scans(act)
        try:
            taken.result(TAKE_S)
        except TimeoutError:
            if not taken.cancel():
                taken.result()  # it was being taken just now
                return
            kept = ""
            try:
                self._overlay.put_back(before)
            except OSError:
                kept = "; it could not be taken off the disk and will be in force after the next start"
            raise NotChangedError(f"{name} was not changed: no scan within {TAKE_S:g} s{kept}") from None

    def _record(self, by: str, reason: str) -> None:
        """The row in the journal. The firmware's own line waits in the journal's queue, and the next start
        adds a row that is missing: a journal that cannot be written does not undo a change."""
        clock = self._loop.clock
        with contextlib.suppress(sqlite3.Error):
            self._journal.setpoints_in_force(
                self._controller.setpoints.model_dump(),
                by,
                reason,
                clock.now_ns() // 1_000_000,
                clock.wall_ns(),
            )
