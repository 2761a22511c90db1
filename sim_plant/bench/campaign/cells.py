"""The plan of a campaign: its cells in a fixed order, and why the other combinations are left out.

A cell is one line of the fault catalogue, one way for it to happen, a severity, a state, a moment in that
state and a unit. It can be written as a case, and is carried out as one.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from controller.files import InputError
from controller.unit.states import UnitState
from sim_plant.bench.cases import CaseFile, Run
from sim_plant.bench.steps import unit_word
from sim_plant.catalogue import CATALOGUE, Way
from sim_plant.faults import Fault, faults_of, spec_of

SEVERITIES = {"mild": 0.0, "middle": 0.5, "severe": 1.0}
FIXED = "fixed"
"""The word for a severity where the fault has none."""

BANK_ONCE = "a fault of the bank has no other unit"
NO_SEVERITY = "the fault has no other severity"
HAD_ALREADY = "the same faults with the same values are in another cell"


@dataclass(frozen=True)
class Cell:
    """One thing to try: ``way`` counts from 0, ``moment_s`` from the entry into the state."""

    line: str
    way: int
    severity: str
    state: UnitState
    moment_s: float
    unit: int

    @property
    def key(self) -> str:
        """The cell's name everywhere."""
        place = self.state.value, f"{self.moment_s:g}s", f"unit{self.unit}"
        return "/".join((self.line, f"way{self.way + 1}", self.severity, *place))

    @property
    def run_id(self) -> str:
        """The key as a file name."""
        return self.key.replace("/", "-")

    def faults(self) -> tuple[Fault, ...]:
        """What is injected, all at once."""
        return faults_of(self.line, self.unit, SEVERITIES.get(self.severity, 0.0), self.way)

    def case(self, for_s: float, requirements: Sequence[str] = ()) -> dict[str, Any]:
        """The cell as a case file holds it, as plain data; the run ends ``for_s`` after the strike."""
        text = CATALOGUE[self.line].text
        given = {"states": [self.state.value], "unit": self.unit, "offset_s": self.moment_s}
        steps = [
            {"at_s": 0.0, "name": f"fault {number}", "inject": _injection(fault)}
            for number, fault in enumerate(self.faults(), start=1)
        ]
        return {
            "title": f"{self.line} {text}: {', '.join(map(str, self.faults()))}"[:120],
            "family": f"{self.line} {text}"[:60],
            "requirements": list(requirements),
            "given": given,
            "step": steps,
            "run": {"for_s": for_s},
        }

    def run(self, for_s: float) -> Run:
        """The cell as a run of the bench."""
        return self._run(self.case(for_s))

    def run_if_still_there(self, for_s: float) -> Run:
        """The same, but it strikes only if the unit is still in the state; otherwise it ends undone."""
        data = self.case(for_s)
        first = data["step"][0]
        del first["at_s"]
        first |= {"when_state": self.state.value, "limit_s": 0.0}
        return self._run(data)

    def _run(self, data: dict[str, Any]) -> Run:
        return Run(self.run_id, self.line, CaseFile.model_validate(data), self.state, self.severity)


def _injection(fault: Fault) -> dict[str, Any]:
    told: dict[str, Any] = {"target": fault.target, "kind": fault.kind}
    if fault.value is not None:
        told[f"value_{unit_word(spec_of(fault.target, fault.kind).value_unit)}"] = fault.value
    return told


@dataclass(frozen=True)
class Choice:
    """What a person asked for. ``units`` says how many are struck; ``sample`` keeps one cell in so many."""

    lines: tuple[str, ...] = tuple(CATALOGUE)
    states: tuple[UnitState, ...] = tuple(UnitState)
    severities: tuple[str, ...] = tuple(SEVERITIES)
    moments_s: tuple[float, ...] = (2.0, 20.0)
    units: int = 1
    sample: int = 1
    seed: int = 0
    for_s: float = 180.0

    def __post_init__(self) -> None:
        for line in self.lines:
            if line not in CATALOGUE:
                raise InputError(f"--line {line}: not in the fault catalogue, F01 to F94")
        for state in self.states:
            if state not in tuple(UnitState):
                raise InputError(f"--states {state}: must be one of {', '.join(UnitState)}")
        for word in self.severities:
            if word not in SEVERITIES:
                raise InputError(f"--severity {word}: must be one of {', '.join(SEVERITIES)}")
        if not (math.isfinite(self.for_s) and 1.0 <= self.for_s <= 86400.0):
            raise InputError(f"--for {self.for_s:g}: must lie in 1 to 86400 s")
        for moment_s in self.moments_s:
            if not (math.isfinite(moment_s) and 0.0 <= moment_s <= 3600.0):
                raise InputError(f"--moment {moment_s:g}: must lie in 0 to 3600 s")


def struck_units(n_units: int, how_many: int) -> tuple[int, ...]:
    """So many units, spread over the bank; the middle one when it is one.

    InputError when the bank has fewer.

    >>> struck_units(6, 1), struck_units(6, 2)
    ((3,), (2, 5))
    """
    if not 1 <= how_many <= n_units:
        raise InputError(f"--units {how_many}: must lie in 1 to {n_units}, the units of the site")
    return tuple(((2 * i + 1) * n_units + how_many) // (2 * how_many) for i in range(how_many))


@dataclass(frozen=True)
class Plan:
    """The cells in their order, and how many combinations were left out for which reason."""

    cells: tuple[Cell, ...]
    skipped: dict[str, int]

    @cached_property
    def digest(self) -> str:
        """Changes with any cell."""
        return hashlib.sha256("\n".join(cell.key for cell in self.cells).encode()).hexdigest()

    def without(self, why: Callable[[Cell], str]) -> Plan:
        """The plan without the cells that there is a reason to leave out, "" for none; they are counted."""
        reasons = {cell.key: why(cell) for cell in self.cells}
        skipped = Counter(self.skipped) + Counter(filter(None, reasons.values()))
        return Plan(tuple(cell for cell in self.cells if not reasons[cell.key]), dict(skipped))


Lasts = Mapping[tuple[int, UnitState], float]
"""How long a state of a unit lasts when nobody disturbs it, in seconds; one that is not listed lasts."""


def why_over(cell: Cell, lasts_s: Lasts) -> str:
    """Why the cell's moment never comes in its state, "" when it does."""
    left_s = lasts_s.get((cell.unit, cell.state), math.inf)
    if cell.moment_s < left_s:
        return ""
    where = f"{cell.state.value} of unit {cell.unit}"
    return f"{where} is over before {cell.moment_s:g} s, it lasts {left_s:g} s"


def make_plan(
    choice: Choice, n_units: int, lasts_s: Lasts, why_not: Callable[[Cell], str] = lambda _cell: ""
) -> Plan:
    """All cells of a choice; ``why_not`` may have a reason to leave one out, "" for none.

    The same arguments give the same plan.
    """
    units = struck_units(n_units, choice.units)
    skipped: Counter[str] = Counter()
    cells: list[Cell] = []
    taken: set[object] = set()
    for line in choice.lines:
        owner = CATALOGUE[line]
        grid = len(choice.severities) * len(choice.states) * len(choice.moments_s) * len(units)
        if not owner.ways:
            skipped[f"not the plant's: {owner.belongs_to}"] += grid
        for way in range(len(owner.ways)):
            for cell, reason in _of_way(choice, line, way, units, lasts_s):
                same = (frozenset(cell.faults()), cell.state, cell.moment_s, cell.unit)
                if not reason and same in taken:
                    reason = HAD_ALREADY
                reason = reason or why_not(cell)
                if reason:
                    skipped[reason] += 1
                else:
                    taken.add(same)
                    cells.append(cell)
    kept = _sampled(cells, choice)
    if len(kept) < len(cells):
        skipped[f"not in the sample of one in {choice.sample}"] = len(cells) - len(kept)
    return Plan(tuple(kept), dict(skipped))


def _of_way(
    choice: Choice,
    line: str,
    way: int,
    units: tuple[int, ...],
    lasts_s: Lasts,
) -> Iterator[tuple[Cell, str]]:
    """Every combination of one way with the reason to leave it out, "" when it is a cell."""
    injections = CATALOGUE[line].ways[way]
    per_unit = any(spec_of(i.target, i.kind).per_unit for i in injections)
    ranged = _has_range(injections)
    grid = itertools.product(enumerate(choice.severities), choice.states, choice.moments_s, units)
    for (number, word), state, moment_s, unit in grid:
        cell = Cell(line, way, word if ranged else FIXED, state, moment_s, unit)
        if number and not ranged:
            yield cell, NO_SEVERITY
        elif unit != units[0] and not per_unit:
            yield cell, BANK_ONCE
        else:
            yield cell, why_over(cell, lasts_s)


def _has_range(way: Way) -> bool:
    return any(injection.mild != injection.severe for injection in way)


def _sampled(cells: list[Cell], choice: Choice) -> list[Cell]:
    """One cell in so many, drawn by the seed and by nothing else, in the order of the plan."""

    def lot(cell: Cell) -> str:
        return hashlib.sha256(f"{choice.seed}/{cell.key}".encode()).hexdigest()

    drawn = {cell.key for cell in sorted(cells, key=lot)[: math.ceil(len(cells) / choice.sample)]}
    return [cell for cell in cells if cell.key in drawn]
