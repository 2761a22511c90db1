"""Case files: what is given, what is done, what must be seen. One ``*.case.toml`` is one case.

    title = "..."
    family = "..."                      groups cases in the report
    requirements = ["SR-04"]            put to the test by this case: one that was not is a failure

    [given]
    states = ["PRODUCE", "PURGE"]       one run for each: the state of the unit under test at the strike
    unit = 2                            unit under test
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
     tank_pct = 94, demand_m3h = 5; ``unit`` other than the one under test where it matters)

    [[expect]]
    text = "the pump stays on"
    signal = "pump"                     of the unit under test; "bank.booster_run"; "state"
    is = true                           or "LOCKOUT" or ["STANDBY", "OFF"]; below_bar = 1; above_m3h = 2
    after = "cut", from_s = 0           the window opens so long after the step of that name, or the strike
    within_s = 5.5                      must become so within, counted from the window's opening; or
    until_s = 20                        must hold until then, counted like from_s; left out: to the end;
    never = true                        must not be so at any moment of the window
    unit = 3                            another unit; "others" for each of the others

    [run]
    for_s = 120                         the run goes on so long after the last step

Times are seconds, other quantities carry their unit in the key.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Verb, signal_named
from controller.unit.states import UnitState
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.trace import BANK_AI, BANK_AO, BANK_DI, BANK_DO, UNIT_AI, UNIT_DI, UNIT_DO
from sim_plant.faults import Fault, UnsupportedFault, check, spec_of
from sim_plant.site import InputError, Site, explain, read_toml
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

RUNS_MAX = 500
Seconds = Annotated[float, Field(ge=0, le=86400, allow_inf_nan=False)]
SWITCHES = ("selector_auto", "isolator_on", "feed_hand_valve", "reset_button", "bank_run", "estop_healthy")


def unit_word(unit: str) -> str:
    """A unit as it stands in a key: "m3/h" is m3h, "%" is pct, "uS/cm" is uscm."""
    return unit.lower().replace("%", "pct").replace(" of ", " ").replace("/", "").replace(" ", "_")


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


def _take_quantity(data: Any, words: tuple[str, ...]) -> Any:
    """Turn a key such as ``value_bar`` into value and value_unit."""
    if not isinstance(data, dict):
        return data
    out = {}
    for key, value in data.items():
        word = next((w for w in words if key.startswith(f"{w}_")), None)
        if word is None:
            out[key] = value
        else:
            out[word], out[f"{word}_unit"] = value, key[len(word) + 1 :]
    return out


class Injection(_Table):
    """A fault to inject; ``value_<unit>`` carries its severity."""

    target: str
    kind: str
    value: float | None = Field(None, allow_inf_nan=False)
    value_unit: str = ""

    @model_validator(mode="before")
    @classmethod
    def _quantity(cls, data: Any) -> Any:
        return _take_quantity(data, ("value",))

    def fault(self, unit: int, n_units: int) -> Fault:
        """The plant's own form; InputError when the plant does not know it or the unit is wrong."""
        try:
            spec = spec_of(self.target, self.kind)
            fault = Fault(self.target, self.kind, unit if spec.per_unit else 0, self.value)
            if self.value is not None and unit_word(spec.value_unit) != self.value_unit:
                raise InputError(
                    f"inject {self.target} {self.kind}: value_{self.value_unit}: the unit must be "
                    f"{spec.value_unit or 'left out, it takes no value'}"
                    + (f" (value_{unit_word(spec.value_unit)})" if spec.value_unit else "")
                )
            check(fault, n_units)
        except UnsupportedFault as error:
            raise InputError(f"inject: {error}") from error
        return fault


class Given(_Table):
    """The situation in which the case strikes."""

    states: tuple[UnitState, ...] = Field(min_length=1)
    unit: int = Field(2, ge=1, le=64)
    offset_s: Seconds = 2.0
    tank_pct: float | None = Field(None, ge=0, le=100)
    demand_m3h: float | None = Field(None, ge=0, le=1000)


class Step(_Table):
    """One thing that is done."""

    at_s: Seconds | None = None
    when_state: UnitState | None = None
    after_s: Seconds = 0.0
    limit_s: Seconds = 3600.0
    name: str = ""
    unit: int | None = Field(None, ge=0, le=64)
    for_s: Seconds | None = None
    inject: Injection | None = None
    clear: str | None = None
    command: Verb | None = None
    by: str = "bench"
    operate: str | None = None
    power: Literal["off", "on"] | None = None
    tank_pct: float | None = Field(None, ge=0, le=100)
    demand_m3h: float | None = Field(None, ge=0, le=1000)

    @model_validator(mode="after")
    def _one_action(self) -> Self:
        if (self.at_s is None) == (self.when_state is None):
            raise ValueError("needs either at_s or when_state")
        actions = ("inject", "clear", "command", "operate", "power", "tank_pct", "demand_m3h")
        done = [name for name in actions if getattr(self, name) is not None]
        if len(done) != 1:
            raise ValueError(f"needs exactly one of {', '.join(actions)}; has {', '.join(done) or 'none'}")
        if self.for_s is not None and done[0] not in ("inject", "operate", "power"):
            raise ValueError(f"for_s cannot undo {done[0]}")
        if self.operate is not None and not re.fullmatch(rf"({'|'.join(SWITCHES)}) (on|off)", self.operate):
            raise ValueError(
                f"operate = {self.operate!r}: must be one of {', '.join(SWITCHES)}, then on or off"
            )
        return self


class Expectation(_Table):
    """One thing that must be seen."""

    text: str = Field(min_length=1)
    signal: str
    is_: bool | UnitState | tuple[UnitState, ...] | None = Field(None, alias="is")
    below: float | None = Field(None, allow_inf_nan=False)
    below_unit: str = ""
    above: float | None = Field(None, allow_inf_nan=False)
    above_unit: str = ""
    after: str = ""
    from_s: Seconds = 0.0
    within_s: Seconds | None = None
    until_s: Seconds | None = None
    never: bool = False
    unit: int | Literal["others"] | None = None

    @model_validator(mode="before")
    @classmethod
    def _quantity(cls, data: Any) -> Any:
        return _take_quantity(data, ("below", "above"))

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
            (*BANK_DI, *BANK_DO, *BANK_AI, *BANK_AO, *BANK_TRUTH)
            if bank
            else (*UNIT_DI, *UNIT_DO, *UNIT_AI, *UNIT_TRUTH, "state")
        )
        if name not in known:
            raise ValueError(f"signal = {self.signal!r} is not known")
        states = isinstance(self.is_, (UnitState, tuple))
        contact = name in (*UNIT_DI, *UNIT_DO, *BANK_DI, *BANK_DO)
        if (name == "state") != states or (contact != isinstance(self.is_, bool)):
            raise ValueError(f"signal = {self.signal!r} cannot be compared so")
        if name in (*UNIT_AI, *BANK_AI, *BANK_AO):
            table = BANK_SIGNALS if bank else UNIT_SIGNALS
            self._check_unit(unit_word(signal_named(table, name).unit))
        elif not contact and name != "state":
            self._check_unit(name.rsplit("_", 1)[-1])

    def _check_unit(self, unit: str) -> None:
        ours = self.below_unit or self.above_unit
        if ours != unit:
            raise ValueError(f"{self.signal} is in {unit}, not in {ours}")


class RunTable(_Table):
    """How long a run goes on after the last step."""

    for_s: float = Field(gt=0, le=86400)


class CaseFile(_Table):
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
        names = {step.name for step in self.step if step.name}
        used = {e.after for e in self.expect if e.after} | {s.clear for s in self.step if s.clear}
        unknown = sorted(used - names)
        if unknown:
            raise ValueError(f"no step is named {unknown[0]!r}")
        known = {requirement.id for requirement in REQUIREMENTS}
        strange = sorted(set(self.requirements) - known)
        if strange:
            raise ValueError(f"requirements: {strange[0]} is not monitored")
        return self


@dataclass(frozen=True)
class Run:
    """One run: a case, one state, one set of values."""

    run_id: str
    source: str
    case: CaseFile
    state: UnitState
    variant: str


def load_cases(site: Site) -> list[Run]:
    """All runs of a site's cases, in order of file, variant and state; InputError on the first fault."""
    folder = site.folder / "cases"
    paths = sorted(folder.glob("*.case.toml"))
    if not paths:
        raise InputError(f"{folder}: no *.case.toml files")
    runs = [run for path in paths for run in load_case(path, site)]
    if len(runs) > RUNS_MAX:
        raise InputError(f"{folder}: {len(runs)} runs, at most {RUNS_MAX}")
    return runs


def load_case(path: Path, site: Site) -> list[Run]:
    """The runs of one case file."""
    data = read_toml(path)
    vary = data.pop("vary", {})
    if not isinstance(vary, dict) or not all(isinstance(v, list) and v for v in vary.values()):
        raise InputError(f"{path.name}: vary: each name needs a list of at least one value")
    stem = path.name.removesuffix(".case.toml")
    runs = []
    for number, values in enumerate(itertools.product(*vary.values()), start=1):
        chosen = dict(zip(vary, values, strict=True))
        case = _build(path.name, _put_in(data, chosen, path.name), site)
        variant = ", ".join(f"{name} {value}" for name, value in chosen.items())
        for state in case.given.states:
            tag = f"-{number}" if vary else ""
            runs.append(Run(f"{stem}{tag}-{state.value.lower()}", path.name, case, state, variant))
    return runs


def _put_in(data: Any, chosen: dict[str, Any], file: str) -> Any:
    """Replace "$name" by its value, everywhere."""
    if isinstance(data, dict):
        return {key: _put_in(value, chosen, file) for key, value in data.items()}
    if isinstance(data, list):
        return [_put_in(value, chosen, file) for value in data]
    if isinstance(data, str) and data.startswith("$"):
        if data[1:] not in chosen:
            raise InputError(f"{file}: {data} is not in [vary]")
        return chosen[data[1:]]
    return data


def _build(file: str, data: dict[str, Any], site: Site) -> CaseFile:
    try:
        case = CaseFile.model_validate(data)
    except ValidationError as error:
        raise InputError(explain(file, error, CaseFile)) from error
    numbers = [case.given.unit, *(n for s in case.step if (n := s.unit) is not None)]
    numbers += [e.unit for e in case.expect if isinstance(e.unit, int)]
    for unit in numbers:
        if unit > site.units:
            raise InputError(f"{file}: unit = {unit}: the site has {site.units} units")
    for fault in _faults(case, site.units):
        if isinstance(fault, InputError):
            raise InputError(f"{file}: {fault}")
    return case


def _faults(case: CaseFile, n_units: int) -> Iterator[Fault | InputError]:
    for step in case.step:
        if step.inject is not None:
            unit = case.given.unit if step.unit is None else step.unit
            try:
                yield step.inject.fault(unit, n_units)
            except InputError as error:
                yield error
