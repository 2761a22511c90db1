"""An SQLite file in an evidence folder that work can go on with, or is refused when it is other work's."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from controller.files import InputError

_META = "CREATE TABLE meta(name TEXT PRIMARY KEY, value TEXT NOT NULL);"
_IDENTITY = "identity"


class KeptFile:
    """The file of one piece of work in its evidence folder, new or to go on with.

    ``identity`` is whatever must be the same for results to belong together, by name. InputError when the
    folder holds something else or the results of another work of this kind; the file is then as it was.
    """

    name: str
    """Name of the file in its folder."""
    format: str
    """What the file says of itself."""
    kind: str
    """What the work is called in messages."""
    tables: str
    """SQL that makes its tables, but for ``meta``."""

    def __init__(self, folder: Path, identity: Mapping[str, str]) -> None:
        path = folder / self.name
        fresh = not path.exists()
        if fresh and folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise InputError(f"{folder} exists and holds no {self.kind}: name another folder, new or empty")
        folder.mkdir(parents=True, exist_ok=True)
        self.path = path
        self._db = sqlite3.connect(path)
        try:
            self._open(fresh, identity)
        except BaseException:
            self._db.close()
            raise

    def _open(self, fresh: bool, identity: Mapping[str, str]) -> None:
        try:
            if fresh:
                self._db.executescript(_META + self.tables)
            else:
                self._check(identity)
            # readers may look while it grows; what is lost with the machine is the last cells only
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=NORMAL")
        except sqlite3.DatabaseError as error:
            raise InputError(f"{self.path}: not a {self.kind} of skidproof: {error}") from error
        if fresh:
            self.note("format", self.format)
            self.note(_IDENTITY, json.dumps(dict(identity)))

    def _check(self, identity: Mapping[str, str]) -> None:
        if (found := self.told("format")) != self.format:
            raise InputError(f"{self.path}: format {found!r}, this version writes {self.format!r}")
        before = json.loads(self.told(_IDENTITY))
        for name in [*identity, *before]:
            there, here = before.get(name, "nothing"), identity.get(name, "nothing")
            if there != here:
                raise InputError(
                    f"{self.path} is another {self.kind}: {name} is {there} there, {here} here; "
                    "name another folder"
                )

    def told(self, name: str) -> str:
        """One value of ``meta``, "" when it is not there."""
        row = self._db.execute("SELECT value FROM meta WHERE name = ?", (name,)).fetchone()
        return str(row[0]) if row else ""

    def note(self, name: str, value: str) -> None:
        """Write one value of ``meta``, in place of an earlier one."""
        with self._db:
            self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (name, value))

    def close(self) -> None:
        """One file, without a log beside it."""
        with suppress(sqlite3.OperationalError):  # somebody reads at this moment; the log stays, whole
            self._db.execute("PRAGMA journal_mode=DELETE")
        self._db.close()
