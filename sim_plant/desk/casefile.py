"""What was done at the desk as a case file, checked by the case loader before anybody sees it."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from controller.files import InputError
from controller.unit.states import UnitState
from sim_plant.bench.case_text import case_toml, table_of
from sim_plant.bench.cases import CASE_ENDING, CaseFile, Expectation, Given, RunTable, load_case
from sim_plant.bench.steps import Step
from sim_plant.desk.session import Performed, Session
from sim_plant.desk.wishes import RefusedError

TITLE = "What was done at the desk"
RUN_LEAST_S, CASE_MOST_S = 1.0, 86_400.0
LEFT_OUT_MAX = 20


class Written(NamedTuple):
    """A case file: its name, its text, and how much of what was done is not in it."""

    name: str
    text: str
    left_out: int


def case_file(session: Session, unit: int, title: str = "", words: str = "") -> Written:
    """The run from its cold start until now as a case about ``unit``; RefusedError when it cannot be one.

    ``words`` are what whoever did it says about it: they stand in the head of the file.
    """
    if unit > session.site.units:
        raise RefusedError(f"there is no unit {unit}: the site has {session.site.units}")
    done_s = session.now_ms / 1000.0
    if done_s > CASE_MOST_S:
        raise RefusedError(f"a case lasts at most {CASE_MOST_S:g} s: wind back to before that")
    steps = tuple(done.step for done in session.performed if done.step is not None)
    last_s = steps[-1].at_s or 0.0 if steps else 0.0
    for_s = max(round(done_s - last_s, 3), RUN_LEAST_S)
    case = CaseFile(
        title=title or TITLE,
        family="done at the desk",
        given=Given(states=(UnitState.BOOT,), unit=unit, offset_s=0.0),
        step=steps,
        expect=_expected(session, unit),
        run=RunTable(for_s=for_s),
    )
    left_out = [done for done in session.performed if done.step is None]
    text = case_toml(table_of(case), _head(session, steps, left_out, words))
    name = f"desk-unit{unit}-{round(done_s)}s{CASE_ENDING}"
    _check(session, name, text)
    return Written(name, text, len(left_out))


def _expected(session: Session, unit: int) -> tuple[Expectation, ...]:
    """The state in which the unit is now; whoever wrote the case knows what else must be seen."""
    state = session.rig.state_of(unit)
    if not state:
        return ()
    seen_s = (session.now_ms - session.rig.scan_ms) / 1000.0  # a session has scanned at least once
    words = state.replace("_", " ").lower()
    expectation = {
        "text": f"unit {unit} is in {words} at the end",
        "signal": "state",
        "is": state,
        "from_s": seen_s,
        "until_s": session.now_ms / 1000.0,
    }
    return (Expectation.model_validate(expectation),)


def _head(session: Session, steps: tuple[Step, ...], left_out: Sequence[Performed], words: str) -> list[str]:
    options = f" {session.options}" if session.options else ""
    lines = [
        *([*words.split("\n"), ""] if words else []),
        f"Done at the desk on site {session.site.name}: {len(steps)} steps from a cold start.",
        f"Do it again: skidproof prove SITE --case THIS_FILE{options}",
        "The last state is what was seen, not what is right: say what must be seen instead.",
    ]
    if left_out:
        lines.append(f"A case cannot say {len(left_out)} of the commands that were given:")
        lines += [f"  at {done.t_ms / 1000:g} s: {done.words}" for done in left_out[:LEFT_OUT_MAX]]
    if len(left_out) > LEFT_OUT_MAX:
        lines.append(f"  and {len(left_out) - LEFT_OUT_MAX} more")
    return lines


def _check(session: Session, name: str, text: str) -> None:
    """Have the case loader read what was written."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_text(text, encoding="utf-8")
        try:
            load_case(path, session.site)
        except InputError as error:
            raise RefusedError(f"what was done makes no case: {error}") from error
