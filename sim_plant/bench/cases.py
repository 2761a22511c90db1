"""Case files: what is given, what is done, what must be seen. One ``*.case.toml`` is one case.

    title = "..."
    family = "..."                      groups cases in the report
    requirements = ["SR-04"]            put to the test by this case: one that was not is a failure

    [given]
    states = ["PRODUCE", "PURGE"]       one run for each: the state of the unit under test at the strike
    unit = 2                            unit under test; left out: 2, or 1 in a bank of one
    offset_s = 5                        so long after the state was entered
    tank_pct = 30, demand_m3h = 5       optional; set at the strike

    [vary]                              optional; every combination is a run, used as "$depth"
    depth = [0.5, 0.7]

    [[step]]                            what is done, in this order
    at_s = 4                            seconds after the strike, or
    when_state = "START_FLUSH"          when the unit under test is in that state, after the step before,
    after_s = 10                        and so much later
    name = "cut"                        an expectation may refer to it
    inject = { target = "suction", kind = "stuck_at", value_bar = "$depth" }
    for_s = 4                           undone after it
    (or one of: clear = "cut", command = "stop", operate = "selector_auto off", power = "off",
     tank_pct = 94, demand_m3h = 5, bank_image = "frozen", wall_clock_s = 3600,
     setpoint = { name = "purge_s", value = 30, by = "me", reason = "trial" };
     ``unit`` other than the one under test where it matters)
    disturbs = true                     a second run is made without it, and the two are compared

    [[expect]]
    text = "the pump stays on"
    signal = "pump"                     of the unit under test; "bank.booster_run"; "state"; "alarm.NAME"
    is = true                           or "LOCKOUT" or ["STANDBY", "OFF"]; below_bar = 1; above_m3h = 2
    after = "cut", from_s = 0           the window opens so long after the step of that name, or the strike
    within_s = 5.5                      must become so within, counted from the window's opening; or
    until_s = 20                        must hold until then, counted like from_s; left out: to the end;
    never = true                        must not be so at any moment of the window
    unit = 3                            another unit; "others" for each of the others

    [run]
    for_s = 120                         the run goes on so long after the last step

Times are seconds, other quantities carry their unit in the key. A number may follow the site, as
``at_s = "= start_flush_s - 2"`` (see sums.py).
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, StrictBool, ValidationError, model_validator

from controller.files import InputError, explain, read_toml
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, signal_named
from controller.unit.states import UnitState
from sim_plant.bench.alarms_seen import BANK_ALARMS, PREFIX, UNIT_ALARMS
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.steps import BANK_SWITCHES, Seconds, Step, Table, take_quantity, unit_word
from sim_plant.bench.sums import reckoned
from sim_plant.bench.trace import BANK_AI, BANK_AO, BANK_DI, BANK_DO, UNIT_AI, UNIT_DI, UNIT_DO
from sim_plant.site import Site
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

RUNS_MAX = 500
EVERY_RUN_MAX = 2000
CASE_ENDING = ".case.toml"
UNIT_LEFT_OUT = 2  # unit under test of a file that names none; 1 in a bank of one
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,80}\.case\.toml")  # it is part of every run's file name


class Given(Table):
    """The situation in which the case strikes."""

    states: tuple[UnitState, ...] = Field(min_length=1)
    unit: int = Field(UNIT_LEFT_OUT, ge=1, le=64)
    offset_s: Seconds = 2.0
    tank_pct: float | None = Field(None, ge=0, le=100)
    demand_m3h: float | None = Field(None, ge=0, le=1000)


class Expectation(Table):
    """One thing that must be seen."""

    text: str = Field(min_length=1)
    signal: str
    is_: StrictBool | UnitState | tuple[UnitState, ...] | None = Field(None, alias="is")
    below: float | None = Field(None, allow_inf_nan=False)
    below_unit: str = ""
    above: float | None = Field(None, allow_inf_nan=False)
    above_unit: str = ""
    after: str = ""
    from_s: Seconds = 0.0
    within_s: Seconds | None = None
    until_s: Seconds | None = None
    never: bool = False
    unit: Annotated[int, Field(ge=1, le=64)] | Literal["others"] | None = None

    @model_validator(mode="before")
    @classmethod
    def _quantity(cls, data: Any) -> Any:
        return take_quantity(data, ("below", "above"))

    @model_validator(mode="after")
    def _form(self) -> Self:
        if sum(value is not None for value in (self.is_, self.below, self.above)) != 1:
            raise ValueError("needs exactly one of is, below_<unit>, above_<unit>")
        if self.within_s is not None and (self.until_s is not None or self.never):
            raise ValueError("within_s goes with neither until_s nor never")
        if self.until_s is not None and self.until_s <= self.from_s:
            raise ValueError(f"until_s = {self.until_s:g} must be more than from_s = {self.from_s:g}")
        self._check_signal()
        return self

    def _check_signal(self) -> None:
        bank = self.signal.startswith("bank.")
        name = self.signal.removeprefix("bank.")
        known = (
            (*BANK_DI, *BANK_DO, *BANK_AI, *BANK_AO, *BANK_TRUTH, *BANK_ALARMS)
            if bank
            else (*UNIT_DI, *UNIT_DO, *UNIT_AI, *UNIT_TRUTH, *UNIT_ALARMS, "state")
        )
        if name not in known:
            near = difflib.get_close_matches(name, known, 3)
            hint = f"; near: {', '.join(near)}" if near else ""
            raise ValueError(f"signal = {self.signal!r} is not known{hint}")
        states = isinstance(self.is_, (UnitState, tuple))
        contact = name in (*UNIT_DI, *UNIT_DO, *BANK_DI, *BANK_DO) or name.startswith(PREFIX)
        if (name == "state") != states or (contact != isinstance(self.is_, bool)):
            form = "is = true or false" if contact else "below_<unit> or above_<unit>"
            how = "is = a state or a list of states" if name == "state" else form
            raise ValueError(f"signal = {self.signal!r} is compared with {how}")
        if name in (*UNIT_AI, *BANK_AI, *BANK_AO):
            table = BANK_SIGNALS if bank else UNIT_SIGNALS
            self._check_unit(unit_word(signal_named(table, name).unit))
        elif not contact and name != "state":
            self._check_unit(name.rsplit("_", 1)[-1])

    def _check_unit(self, unit: str) -> None:
        word, ours = ("below", self.below_unit) if self.below is not None else ("above", self.above_unit)
        if ours != unit:
            given = f"{word}_{ours}".rstrip("_")
            raise ValueError(f"{given}: {self.signal} is in {unit}, so the key is {word}_{unit}")


class RunTable(Table):
    """How long a run goes on after the last step."""

    for_s: float = Field(gt=0, le=86400)


class CaseFile(Table):
    """All of one case file, after its variables have been put in."""

    title: str = Field(min_length=1, max_length=120)
    family: str = Field(min_length=1, max_length=60)
    requirements: tuple[str, ...] = ()
    given: Given
    step: tuple[Step, ...] = ()
    expect: tuple[Expectation, ...] = ()
    run: RunTable

    @model_validator(mode="after")
    def _refer(self) -> Self:
        names = [step.name for step in self.step if step.name]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"two steps are named {name!r}")
        for number, e in enumerate(self.expect, start=1):
            if e.after and e.after not in names:
                raise ValueError(f"expect[{number}].after: no step is named {e.after!r}")
        known = {requirement.id for requirement in REQUIREMENTS}
        for strange in sorted(set(self.requirements) - known):
            raise ValueError(f"requirements: {strange}: no such requirement")
        return self

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """Steps are done in the order of the file, so nothing may point forward."""
        injected: dict[str, bool] = {}
        passed_s = 0.0
        for number, step in enumerate(self.step, start=1):
            if step.clear is not None and step.clear not in injected:
                raise ValueError(f"step[{number}].clear: no earlier step {step.clear!r} injects a fault")
            if step.clear is not None and step.disturbs != injected[step.clear]:
                raise ValueError(f"step[{number}].disturbs must be what it is in step {step.clear!r}")
            if step.inject is not None:
                injected[step.name] = step.disturbs
            if step.at_s is not None and step.at_s < passed_s:
                raise ValueError(f"step[{number}].at_s = {step.at_s:g}: an earlier step is at {passed_s:g} s")
            passed_s = passed_s if step.at_s is None else step.at_s
        return self


@dataclass(frozen=True)
class Run:
    """One run: a case, one state, one set of values."""

    run_id: str
    source: str
    case: CaseFile
    state: UnitState
    variant: str

    @property
    def start(self) -> tuple[int, str]:
        """Unit and state that it starts from; runs that start alike share the preparation."""
        return self.case.given.unit, self.state.value


def load_cases(site: Site) -> list[Run]:
    """All runs of a site's cases, in order of file, variant and state; InputError on the first fault."""
    folder = site.folder / "cases"
    paths = sorted(folder.glob("*.toml"))
    for path in paths:
        _check_name(path)
    if not paths:
        raise InputError(f"{folder}: no *.case.toml files")
    return load_case_files(paths, site)


def load_every_case(site: Site) -> list[Run]:
    """Those of ``load_cases`` and of the folders in ``cases``, which are too much for every day."""
    further = sorted((site.folder / "cases").glob("*/*.toml"))
    return unique([*load_cases(site), *load_case_files(further, site, EVERY_RUN_MAX)], EVERY_RUN_MAX)


def load_case_files(paths: Sequence[Path], site: Site, most: int = RUNS_MAX) -> list[Run]:
    """All runs of these files, in order of file, variant and state; InputError on the first fault."""
    return unique([run for path in paths for run in load_case(path, site)], most)


def unique(runs: list[Run], most: int = RUNS_MAX) -> list[Run]:
    """The runs as they are; InputError when they are too many or two have one name."""
    if len(runs) > most:
        raise InputError(f"cases: {len(runs)} runs, at most {most}")
    sources: dict[str, str] = {}
    for run in runs:
        if run.run_id in sources:
            raise InputError(f"{run.source}: run {run.run_id} is there twice, see {sources[run.run_id]}")
        sources[run.run_id] = run.source
    return runs


def load_case(path: Path, site: Site) -> list[Run]:
    """The runs of one case file, in order of variant and state; InputError on the first fault."""
    _check_name(path)
    data = read_toml(path)
    vary = data.pop("vary", {})
    if not isinstance(vary, dict) or not all(isinstance(v, list) and v for v in vary.values()):
        raise InputError(f"{path.name}: vary: each name needs a list of at least one value")
    if (n := math.prod(len(v) for v in vary.values())) > RUNS_MAX:
        raise InputError(f"{path.name}: vary: {n} combinations, at most {RUNS_MAX}")
    used = _variables(data)
    for name in [*(used - vary.keys()), *(vary.keys() - used)]:
        if name in vary:
            raise InputError(f"{path.name}: vary.{name} is not used: write ${name} where it belongs")
        near = difflib.get_close_matches(name, vary, 1)
        raise InputError(
            f"{path.name}: ${name} is not in [vary]{f': did you mean ${near[0]}?' if near else ''}"
        )
    if isinstance(data.get("given"), dict):
        data["given"].setdefault("unit", min(UNIT_LEFT_OUT, site.units))
    data, vary = reckoned(data, site, path.name), reckoned(vary, site, path.name)
    stem = path.name.removesuffix(CASE_ENDING)
    runs = []
    for number, values in enumerate(itertools.product(*vary.values()), start=1):
        chosen = dict(zip(vary, values, strict=True))
        case = build_case(path.name, _put_in(data, chosen), site)
        variant = ", ".join(f"{name} {value}" for name, value in chosen.items())
        for state in case.given.states:
            tag = f"-{number}" if vary else ""
            runs.append(Run(f"{stem}{tag}-{state.value.lower()}", path.name, case, state, variant))
    return runs


def _check_name(path: Path) -> None:
    if not _FILE_NAME.fullmatch(path.name):
        raise InputError(
            f"{path.parent.name}/{path.name}: the name of a case file is letters, digits, dot, dash and "
            "underscore and ends in .case.toml"
        )


def _variables(data: Any) -> set[str]:
    """Every name that stands as "$name" somewhere."""
    if isinstance(data, dict):
        return _variables(list(data.values()))
    if isinstance(data, list):
        return {name for value in data for name in _variables(value)}
    return {data[1:]} if isinstance(data, str) and data.startswith("$") else set()


def _put_in(data: Any, chosen: dict[str, Any]) -> Any:
    """Replace "$name" by its value, everywhere."""
    if isinstance(data, dict):
        return {key: _put_in(value, chosen) for key, value in data.items()}
    if isinstance(data, list):
        return [_put_in(value, chosen) for value in data]
    if isinstance(data, str) and data.startswith("$"):
        return chosen[data[1:]]
    return data


def build_case(file: str, data: dict[str, Any], site: Site) -> CaseFile:
    """The case of plain data without variables; InputError, which names ``file``, on the first fault."""
    try:
        case = CaseFile.model_validate(data)
    except ValidationError as error:
        raise InputError(explain(file, error, CaseFile)) from error
    places = [("given.unit", case.given.unit)]
    places += [(f"step[{i}].unit", s.unit) for i, s in enumerate(case.step, 1) if s.unit is not None]
    places += [(f"expect[{i}].unit", e.unit) for i, e in enumerate(case.expect, 1) if isinstance(e.unit, int)]
    for key, unit in places:
        if unit > site.units:
            raise InputError(f"{file}: {key} = {unit}: must lie in 1 to {site.units}, the units of the site")
    for number, step in enumerate(case.step, start=1):
        _check_unit_of(file, number, step, case.given.unit, site.units)
    return case


def _check_unit_of(file: str, number: int, step: Step, under_test: int, n_units: int) -> None:
    """The plant knows the fault, and what belongs to a unit is not done to the bank."""
    unit = under_test if step.unit is None else step.unit
    if step.operate is not None and unit == 0 and step.operate.split()[0] not in BANK_SWITCHES:
        raise InputError(f"{file}: step[{number}].unit = 0: {step.operate} belongs to a unit, 1 to {n_units}")
    if step.inject is not None:
        try:
            step.inject.fault(unit, n_units)
        except InputError as error:
            raise InputError(f"{file}: step[{number}].inject: {error}") from error
