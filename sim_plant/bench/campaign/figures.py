"""Everything that a report of a campaign may want to say, read from its SQLite file and nothing else."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from controller.unit.states import STATES
from controller.unit.table import moves
from sim_plant.bench.campaign.answers import RESIDUAL
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.verdicts import Finding, RunResult, Verdict
from sim_plant.catalogue import CATALOGUE

POSSIBLE_MOVES = frozenset((a.value, b.value) for _event, a, b in moves() if a is not b)
ASKER = "who asks"
"""Names in the identity of a campaign on a live controller who asks on its line; others have no such name."""
ALARM_ALONE, TRIGGER_ALONE = "an alarm alone", "a requirement's trigger alone"


@dataclass(frozen=True)
class RequirementFigures:
    """One requirement: its worst verdict, ``cells`` that put it to the test after the strike, ``more`` of
    them more often than undisturbed, ``broken`` not held; the least margin and its cell, None and "" where
    nothing was measured.
    """

    id: str
    verdict: Verdict
    cells: int
    more: int
    broken: int
    margin: float | None = None
    margin_unit: str = ""
    key: str = ""


@dataclass(frozen=True)
class LineFigures:
    """One line of the catalogue: cells carried out, not held, in which anything told it from no fault.

    ``answers`` are the outputs that answered first, each with its number of cells, the most frequent first;
    or what else told the fault where no output did. ``fastest_ms`` and ``slowest_ms`` are the earliest and
    the latest first answer of an output, None where none answered. ``nearest`` is, of the requirements that
    the fault put to the test, the one with the least time left, ``spare_s`` before its limit.
    """

    line: str
    text: str
    residual: bool
    cells: int
    broken: int
    seen: int
    answers: tuple[tuple[str, int], ...]
    fastest_ms: int | None
    slowest_ms: int | None
    slowest_key: str
    nearest: str = ""
    spare_s: float | None = None


@dataclass(frozen=True)
class Spot:
    """All cells of one line in one state."""

    cells: int
    failed: int
    left_open: int
    seen: int
    key: str  # of the gravest


@dataclass(frozen=True)
class Failure:
    """A cell that did not hold: what was injected, and why it failed."""

    key: str
    faults: str
    broken: tuple[str, ...]
    error: str


@dataclass(frozen=True)
class Figures:
    """All of one campaign. ``states`` counts scans and ``moves`` times, of all units from the strike on.

    Cells on a ``live`` controller were held against no undisturbed run: nobody looked for what answered, and
    ``more`` and ``seen`` are 0 throughout.
    """

    meta: dict[str, str]
    identity: dict[str, str]
    planned: int
    done: int
    verdicts: dict[Verdict, int]  # an error counts as a failure here
    errors: int
    simulated_s: float
    worked_s: float
    skipped: dict[str, int]
    requirements: tuple[RequirementFigures, ...]
    lines: tuple[LineFigures, ...]
    spots: dict[tuple[str, str], Spot]  # by line and state
    failures: tuple[Failure, ...]
    states: dict[str, int]
    moves: dict[tuple[str, str], int]

    @property
    def live(self) -> bool:
        """Whether the cells were carried out on a live controller."""
        return ASKER in self.identity

    @property
    def held(self) -> bool:
        """Whether all cells were carried out and none failed or stayed open."""
        bad = self.verdicts[Verdict.FAIL] + self.verdicts[Verdict.INCONCLUSIVE]
        return not bad and self.done == self.planned

    @property
    def unseen(self) -> tuple[LineFigures, ...]:
        """Lines that nothing told from no fault in any cell, where somebody looked."""
        if self.live:
            return ()
        return tuple(line for line in self.lines if line.cells and not line.seen)

    @property
    def states_missed(self) -> tuple[str, ...]:
        """States that no unit was in after a strike."""
        return tuple(state.value for state in STATES if state.value not in self.states)

    @property
    def moves_missed(self) -> tuple[tuple[str, str], ...]:
        """Moves of the firmware's table that no unit made after a strike."""
        return tuple(sorted(POSSIBLE_MOVES - self.moves.keys()))


def figures_of(path: Path) -> Figures:
    """The figures of a campaign's file, whole or still growing."""
    with closing(_readable(path)) as db:
        meta = dict(db.execute("SELECT name, value FROM meta"))
        verdicts = dict(db.execute("SELECT verdict, COUNT(*) FROM cell GROUP BY verdict"))
        done, simulated, worked, errors = db.execute(
            "SELECT COUNT(*), TOTAL(simulated_s), TOTAL(took_s), TOTAL(error <> '') FROM cell"
        ).fetchone()
        return Figures(
            meta=meta,
            identity=json.loads(meta.get("identity", "{}")),
            planned=int(meta.get("planned", "0")),
            done=done,
            verdicts={verdict: verdicts.get(verdict.value, 0) for verdict in Verdict},
            errors=int(errors),
            simulated_s=simulated,
            worked_s=worked,
            skipped=dict(db.execute("SELECT reason, count FROM skipped")),
            requirements=tuple(_requirements(db)),
            lines=tuple(_lines(db)),
            spots=dict(_spots(db)),
            failures=tuple(_failures(db)),
            states=dict(db.execute("SELECT state, SUM(scans) FROM visit GROUP BY state")),
            moves={(a, b): n for a, b, n in db.execute(_MOVES)},
        )


_MOVES = "SELECT before, after, SUM(times) FROM move GROUP BY before, after"

# with a single MIN, SQLite takes the other columns from the row of the minimum
_REQUIREMENTS = """
SELECT requirement, SUM(verdict = 'fail'), COUNT(*), COUNT(CASE WHEN more > 0 THEN 1 END),
       SUM(verdict IN ('fail', 'inconclusive')), MIN(margin), margin_unit, key
FROM finding GROUP BY requirement"""


def _requirements(db: sqlite3.Connection) -> Iterator[RequirementFigures]:
    found = {row[0]: row for row in db.execute(_REQUIREMENTS)}
    for requirement in REQUIREMENTS:
        if requirement.id not in found:
            yield RequirementFigures(requirement.id, Verdict.NOT_EXERCISED, 0, 0, 0)
            continue
        name, failed, cells, more, broken, margin, unit, key = found[requirement.id]
        if margin is None:
            unit = key = ""
        verdict = Verdict.FAIL if failed else Verdict.INCONCLUSIVE if broken else Verdict.PASS
        yield RequirementFigures(name, verdict, cells, more, broken, margin, unit, key)


def _lines(db: sqlite3.Connection) -> Iterator[LineFigures]:
    totals = (
        "SELECT line, COUNT(*), SUM(verdict IN ('fail', 'inconclusive')), COUNT(CASE WHEN seen THEN 1 END) "
        "FROM cell GROUP BY line"
    )
    slowest = "SELECT line, MAX(answer_ms), key FROM cell WHERE answer IS NOT NULL GROUP BY line"
    fastest = "SELECT line, MIN(answer_ms) FROM cell WHERE answer IS NOT NULL GROUP BY line"
    first = """SELECT line, CASE WHEN answer IS NOT NULL THEN answer WHEN alarm IS NOT NULL THEN :alarm
        ELSE :trigger END AS what, COUNT(*) FROM cell WHERE seen AND error = ''
        GROUP BY line, what ORDER BY COUNT(*) DESC, what"""
    nearest = """SELECT c.line, f.requirement, MIN(f.margin) FROM finding f JOIN cell c ON c.key = f.key
        WHERE f.more > 0 AND f.margin_unit = 's' GROUP BY c.line"""
    near = {line: (requirement, spare_s) for line, requirement, spare_s in db.execute(nearest)}
    late, early = {row[0]: row[1:] for row in db.execute(slowest)}, dict(db.execute(fastest))
    answers: dict[str, list[tuple[str, int]]] = {}
    for line, what, n in db.execute(first, {"alarm": ALARM_ALONE, "trigger": TRIGGER_ALONE}):
        answers.setdefault(line, []).append((what, n))
    for line, cells, broken, seen in sorted(db.execute(totals)):
        told = tuple(answers.get(line, ()))
        slowest_ms, key = late.get(line, (None, ""))
        text, residual = CATALOGUE[line].text, line in RESIDUAL
        yield LineFigures(
            line, text, residual, cells, broken, seen, told, early.get(line), slowest_ms, key,
            *near.get(line, ("", None)),
        )  # fmt: skip


def _spots(db: sqlite3.Connection) -> Iterator[tuple[tuple[str, str], Spot]]:
    query = """SELECT line, state, COUNT(*), SUM(verdict = 'fail'), SUM(verdict = 'inconclusive'),
        COUNT(CASE WHEN seen THEN 1 END), key,
        MAX(CASE verdict WHEN 'fail' THEN 2 WHEN 'inconclusive' THEN 1 ELSE 0 END) FROM cell
        GROUP BY line, state"""
    for line, state, cells, failed, left_open, seen, key, _worst in db.execute(query):
        yield (line, state), Spot(cells, failed, left_open, seen, key)


def _failures(db: sqlite3.Connection) -> Iterator[Failure]:
    query = """SELECT c.key, c.faults, c.error, GROUP_CONCAT(f.requirement, ' ') FROM cell c
        LEFT JOIN finding f ON f.key = c.key AND f.verdict IN ('fail', 'inconclusive')
        WHERE c.verdict IN ('fail', 'inconclusive') GROUP BY c.key ORDER BY c.key"""
    for key, faults, error, broken in db.execute(query):
        yield Failure(key, faults, tuple((broken or "").split()), error)


def runs_of(path: Path) -> list[RunResult]:
    """Every cell as a run, with those findings that were not held; in the order of keys."""
    with closing(_readable(path)) as db:
        seed = int(json.loads(dict(db.execute("SELECT name, value FROM meta"))["identity"])["seed"])
        grave: dict[str, list[Finding]] = {}
        for key, requirement, verdict, *rest in db.execute(
            """SELECT key, requirement, verdict, triggers, margin, margin_unit, at_ms, unit, "limit", detail
            FROM finding WHERE verdict IN ('fail', 'inconclusive')"""
        ):
            grave.setdefault(key, []).append(Finding(requirement, Verdict(verdict), *rest))
        columns = "key, line, severity, state, moment_s, unit, faults, verdict, simulated_s, took_s, error"
        return [
            _run(row, grave.get(row[0], []), seed)
            for row in db.execute(f"SELECT {columns} FROM cell ORDER BY key")
        ]


def _run(row: tuple[object, ...], grave: list[Finding], seed: int) -> RunResult:
    key, line, severity, state, moment_s, unit, faults, verdict, simulated_s, took_s, error = row
    held = Finding("every requirement that was put to the test", Verdict.PASS, 1)
    return RunResult(
        run_id=str(key),
        case=str(faults),
        family=f"{line} {CATALOGUE[str(line)].text}",
        source=str(line),
        state=str(state),
        variant=f"{severity}, {float(str(moment_s)):g} s after entry",
        unit=int(str(unit)),
        seed=seed,
        requirements=grave or ([held] if verdict == Verdict.PASS.value else []),
        simulated_s=float(str(simulated_s)),
        took_s=float(str(took_s)),
        error=str(error),
    )


def _readable(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{path.resolve().as_posix()}?mode=ro", uri=True)
