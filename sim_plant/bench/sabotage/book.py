"""The runs on which changes are tried: those that somebody wrote, and those that nobody did.

Written are the site's cases. Unwritten are the lines of the fault catalogue at their worst in every state,
soon mended, and whatever a person or the supply can do to a unit in every state. They are short: what shows
late is for cases.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from controller.signals import Verb
from controller.unit.states import UnitState
from sim_plant.bench.campaign.cells import Cell, Choice, make_plan
from sim_plant.bench.cases import CaseFile, Run, load_every_case
from sim_plant.bench.steps import SWITCHES
from sim_plant.site import Site

MENDED_S, RESET_S, START_S, AFTER_S = 15.0, 18.0, 20.0, 10.0
PEOPLE, SUPPLY = "people", "supply"
_MOMENTS_S = {UnitState.PUMP_START: 0.4, UnitState.STOPPING: 0.4}  # these are over within 2 s
_MOMENT_S = 2.0
_QUIET = ("F22",)  # a contact that is welded closed stands as nearly all of them do: nothing more is touched

_AT_REST_ON = ("selector_auto", "isolator_on", "bank_run", "estop_healthy", "feed_hand_valve")
assert set(_AT_REST_ON) == set(SWITCHES) - {"reset_button"}


@dataclass(frozen=True)
class Book:
    """All runs by their name, and which of them somebody wrote."""

    runs: dict[str, Run]
    written: frozenset[str]

    def checksum(self, key: str) -> str:
        """Changes with anything that is done or expected in a run."""
        run = self.runs[key]
        text = run.case.model_dump_json(by_alias=True) + run.state.value
        return hashlib.sha256(text.encode()).hexdigest()[:16]


def make_book(site: Site, lines: Sequence[str], states: Sequence[UnitState]) -> Book:
    """The book of a site; lines and states narrow down the unwritten runs. InputError without sound cases."""
    written = {run.run_id: run for run in load_every_case(site)}
    unit = Counter(run.case.given.unit for run in written.values()).most_common(1)[0][0]
    runs = written | {run.run_id: run for run in _unwritten(site, unit, lines, states)}
    return Book(runs, frozenset(written))


def _unwritten(site: Site, unit: int, lines: Sequence[str], states: Sequence[UnitState]) -> Iterator[Run]:
    loud = tuple(line for line in lines if line not in _QUIET)
    choice = Choice(loud, tuple(states), ("severe",), (_MOMENT_S,))
    for cell in make_plan(choice, site.units, {}).cells:
        yield _struck(replace(cell, unit=unit, moment_s=_moment_s(cell.state)))
    for name, steps in (*_of_people(), *_of_supply()):
        for state in states:
            source = PEOPLE if name in dict(_of_people()) else SUPPLY
            yield _run(f"{source}-{name}-{state.value}", source, name, state, unit, steps)


def _moment_s(state: UnitState) -> float:
    return _MOMENTS_S.get(state, _MOMENT_S)


def _struck(cell: Cell) -> Run:
    """The cell with its faults mended after a while."""
    data = cell.case(AFTER_S)
    steps = [step | {"for_s": MENDED_S} for step in data["step"]]
    return _run(cell.run_id, cell.line, data["title"], cell.state, cell.unit, steps)


def _run(
    run_id: str, source: str, title: str, state: UnitState, unit: int, steps: list[dict[str, Any]]
) -> Run:
    """Do it, then reset and start, then watch."""
    then = [
        {"at_s": RESET_S, "operate": "reset_button on"},
        {"at_s": START_S, "command": Verb.START.value},
    ]
    case = CaseFile.model_validate(
        {
            "title": title[:120],
            "family": f"nobody wrote: {source}",
            "given": {"states": [state.value], "unit": unit, "offset_s": _moment_s(state)},
            "step": [*steps, *then],
            "run": {"for_s": AFTER_S},
        }
    )
    return Run(run_id.replace(" ", "-"), source, case, state, "")


def _of_people() -> list[tuple[str, list[dict[str, Any]]]]:
    """What a person can do to a unit, by command or by hand."""
    verbs = (Verb.START, Verb.STOP, Verb.MAINTAIN, Verb.RETURN_TO_SERVICE, Verb.RESET)
    told = [(verb.value, [{"at_s": 0.0, "command": verb.value}]) for verb in verbs]
    told += [
        (switch, [{"at_s": 0.0, "operate": f"{switch} off", "for_s": MENDED_S}]) for switch in _AT_REST_ON
    ]
    told.append(("reset_button", [{"at_s": 0.0, "operate": "reset_button on"}]))
    told.append(("selector to AUTO", [{"at_s": 0.0, "operate": "selector_auto on"}]))
    back: dict[str, Any] = {"at_s": 15.0, "command": Verb.RETURN_TO_SERVICE.value}
    away: dict[str, Any] = {"at_s": 5.0, "operate": "selector_auto off", "for_s": MENDED_S}
    told.append(("out and back", [{"at_s": 0.0, "command": Verb.MAINTAIN.value}, away, back]))
    return_at_once: dict[str, Any] = {"at_s": 0.0, "command": Verb.RETURN_TO_SERVICE.value}
    told.append(("selector away and return", [{**away, "at_s": 0.0}, return_at_once]))
    stop: dict[str, Any] = {"command": Verb.STOP.value}
    told.append(("stop held", [{"at_s": 0.8 * n, **stop} for n in range(6)]))
    return told


def _of_supply() -> list[tuple[str, list[dict[str, Any]]]]:
    """What power, tank and image can do."""
    dip = {"power": "off", "for_s": 3.0}
    stop = {"at_s": 0.0, "command": Verb.STOP.value}
    return [
        ("power dip", [{"at_s": 0.0, **dip}]),
        ("three dips", [{"at_s": at_s, **dip} for at_s in (0.0, 5.0, 10.0)]),
        ("stop and power dip", [stop, {"at_s": 5.0, **dip}]),
        ("full tank", [{"at_s": 0.0, "tank_pct": 96.0}, {"at_s": MENDED_S, "tank_pct": 50.0}]),
        ("bank image frozen", [{"at_s": 0.0, "bank_image": "frozen", "for_s": MENDED_S}]),
    ]
