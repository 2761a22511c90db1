"""Results in one SQLite file, written as they come by the parent alone.

    meta(name, value)           what the campaign is; another one may not go on in this file
    cell(key, ...)              one row for each cell that was carried out, in the order of coming
    finding(key, ...)           requirements that were put to the test from the strike on
    visit(key, state, scans)    states of all units from the strike on
    move(key, before, after, times)
    skipped(reason, count)      combinations that are no cell

Where there was no undisturbed run to compare with, as on a live controller, ``seen`` and ``more`` are NULL.

A cell and all that belongs to it go in as one transaction, so a file that was cut off is whole.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from controller.files import InputError
from controller.unit.states import UnitState
from sim_plant.bench.campaign.cells import Plan
from sim_plant.bench.campaign.kept import KeptFile
from sim_plant.bench.campaign.work import CellResult
from sim_plant.bench.verdicts import Finding

FILE = "campaign.sqlite"
FORMAT = "skidproof campaign 1"
_TABLES = """
CREATE TABLE cell(
    key TEXT PRIMARY KEY, line TEXT, way INTEGER, severity TEXT, state TEXT, moment_s REAL, unit INTEGER,
    faults TEXT, verdict TEXT, answer TEXT, answer_ms INTEGER, alarm TEXT, alarm_ms INTEGER, seen INTEGER,
    simulated_s REAL, took_s REAL, error TEXT);
CREATE TABLE finding(
    key TEXT, requirement TEXT, verdict TEXT, triggers INTEGER, more INTEGER, margin REAL, margin_unit TEXT,
    at_ms INTEGER, unit INTEGER, "limit" TEXT, detail TEXT, PRIMARY KEY(key, requirement)) WITHOUT ROWID;
CREATE TABLE visit(key TEXT, state TEXT, scans INTEGER, PRIMARY KEY(key, state)) WITHOUT ROWID;
CREATE TABLE move(
    key TEXT, before TEXT, after TEXT, times INTEGER, PRIMARY KEY(key, before, after)) WITHOUT ROWID;
CREATE TABLE skipped(reason TEXT PRIMARY KEY, count INTEGER);
"""
_LASTS, _PLAN, _PLANNED = "lasts", "plan", "planned"


class ResultFile(KeptFile):
    """The file of one campaign."""

    name, format, kind, tables = FILE, FORMAT, "campaign", _TABLES

    def lasts_s(self) -> dict[tuple[int, UnitState], float] | None:
        """How long states last, as noted when the campaign began; None when it was not."""
        text = self.told(_LASTS)
        return {(u, UnitState(s)): lasts for u, s, lasts in json.loads(text)} if text else None

    def note_lasts(self, lasts_s: Mapping[tuple[int, UnitState], float]) -> None:
        """Keep how long states last, so that the plan is the same when the campaign goes on."""
        self.note(_LASTS, json.dumps([[u, s.value, lasts] for (u, s), lasts in lasts_s.items()]))

    def begin(self, plan: Plan) -> set[str]:
        """Write the plan down, or check it; the keys that are done. InputError when it is another plan."""
        before = self.told(_PLAN)
        if before and before != plan.digest:
            raise InputError(f"{self.path} is another campaign: its cells are others; name another folder")
        with self._db:
            meta = {_PLAN: plan.digest, _PLANNED: str(len(plan.cells))}
            self._db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", meta.items())
            self._skip(plan)
        return {key for (key,) in self._db.execute("SELECT key FROM cell")}

    def shorten(self, plan: Plan) -> None:
        """Fewer cells than the campaign began with: some have turned out to be none."""
        with self._db:
            self._db.execute("UPDATE meta SET value = ? WHERE name = ?", (str(len(plan.cells)), _PLANNED))
            self._skip(plan)

    def _skip(self, plan: Plan) -> None:
        self._db.execute("DELETE FROM skipped")
        self._db.executemany("INSERT INTO skipped VALUES (?, ?)", plan.skipped.items())

    def add(self, result: CellResult) -> None:
        """One cell with all that belongs to it; a cell that is there already stays as it is."""
        c, answer, alarm = result.cell, result.answer or (None, None), result.alarm or (None, None)
        faults = ", ".join(map(str, c.faults()))
        row = (c.key, c.line, c.way + 1, c.severity, c.state.value, c.moment_s, c.unit, faults)
        row2 = (result.verdict.value, *answer, *alarm, result.seen)
        times = (result.simulated_s, result.took_s, result.error)
        with self._db:
            done = self._db.execute(
                f"INSERT OR IGNORE INTO cell VALUES ({_marks(17)})", (*row, *row2, *times)
            ).rowcount
            if done:
                self._add_details(result)

    def _add_details(self, result: CellResult) -> None:
        key = result.cell.key
        more = [None] * len(result.findings) if result.more is None else result.more
        self._db.executemany(
            f"INSERT INTO finding VALUES ({_marks(11)})",
            [
                (key, f.name, f.verdict.value, f.triggers, n, *_margin(f))
                for f, n in zip(result.findings, more, strict=True)
            ],
        )
        self._db.executemany(
            f"INSERT INTO visit VALUES ({_marks(3)})", [(key, *visit) for visit in result.visits]
        )
        self._db.executemany(
            f"INSERT INTO move VALUES ({_marks(4)})", [(key, *move) for move in result.moves]
        )


def _margin(f: Finding) -> tuple[object, ...]:
    return f.margin, f.margin_unit, f.at_ms, f.unit, f.limit, f.detail


def _marks(n: int) -> str:
    return ", ".join("?" * n)
