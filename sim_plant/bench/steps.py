"""What a case does: one table for each step, checked when the file is read."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from controller.files import InputError
from controller.signals import Verb
from controller.unit.states import UnitState
from sim_plant.faults import Fault, UnsupportedFault, check, spec_of

Seconds = Annotated[float, Field(ge=0, le=86400, allow_inf_nan=False)]
UNIT_SWITCHES = ("selector_auto", "isolator_on", "feed_hand_valve")
BANK_SWITCHES = ("reset_button", "bank_run", "estop_healthy")
ACTIONS = (
    "inject",
    "clear",
    "command",
    "operate",
    "power",
    "tank_pct",
    "demand_m3h",
    "bank_image",
    "wall_clock_s",
    "setpoint",
)
UNDONE_BY_TIME = ("inject", "operate", "power", "bank_image")
SWITCHES = (*UNIT_SWITCHES, *BANK_SWITCHES)


def unit_word(unit: str) -> str:
    """A unit as it stands in a key: "m3/h" is m3h, "%" is pct, "uS/cm" is uscm."""
    return unit.lower().replace("%", "pct").replace(" of ", " ").replace("/", "").replace(" ", "_")


class Table(BaseModel):
    """A table of a case file: fixed once read, and no key that nobody knows."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


def take_quantity(data: Any, words: tuple[str, ...]) -> Any:
    """Turn a key such as ``value_bar`` into value and value_unit."""
    if not isinstance(data, dict):
        return data
    out = {}
    for key, value in data.items():
        word = next((w for w in words if key == w or key.startswith(f"{w}_")), None)
        if word is None:
            out[key] = value
        elif word in out:
            raise ValueError(f"{key}: {word} is there twice")
        else:
            out[word], out[f"{word}_unit"] = value, key[len(word) + 1 :]
    return out


class Injection(Table):
    """A fault to inject; ``value_<unit>`` carries its severity.

    ``period_s`` and ``width_s`` shape a spike, ``other`` names the loop at the other end of a swap.
    """

    target: str
    kind: str
    value: float | None = Field(None, allow_inf_nan=False)
    value_unit: str = ""
    period_s: float | None = Field(None, gt=0, le=3600, allow_inf_nan=False)
    width_s: float | None = Field(None, gt=0, le=3600, allow_inf_nan=False)
    other: str = ""

    @model_validator(mode="before")
    @classmethod
    def _quantity(cls, data: Any) -> Any:
        return take_quantity(data, ("value",))

    def fault(self, unit: int, n_units: int) -> Fault:
        """The plant's own form; InputError when the plant does not know it or the unit is wrong."""
        try:
            spec = spec_of(self.target, self.kind)
            whose = unit if spec.per_unit else 0
            shape = self.period_s, self.width_s, self.other
            fault = Fault(self.target, self.kind, whose, self.value, *shape)
            right, given = f"value_{unit_word(spec.value_unit)}", f"value_{self.value_unit}".rstrip("_")
            if self.value is not None and spec.value_unit and right != given:
                raise InputError(f"{given} = {self.value:g}: {self.target} {self.kind} needs {right}")
            check(fault, n_units)
        except UnsupportedFault as error:
            raise InputError(str(error)) from error
        return fault


class SetpointChange(Table):
    """A setpoint to be written at the target's data port; any value and any name, to see it refused."""

    name: str
    value: float
    by: str = "bench"
    reason: str = "put to the test"


class Step(Table):
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
    bank_image: Literal["frozen", "live"] | None = None
    wall_clock_s: float | None = Field(None, ge=-1e6, le=1e6, allow_inf_nan=False)
    setpoint: SetpointChange | None = None
    disturbs: bool = False

    @model_validator(mode="after")
    def _one_action(self) -> Self:
        if (self.at_s is None) == (self.when_state is None):
            raise ValueError("needs either at_s or when_state")
        if self.at_s is not None and {"after_s", "limit_s"} & self.model_fields_set:
            raise ValueError("after_s and limit_s go with when_state, not with at_s")
        done = [name for name in ACTIONS if getattr(self, name) is not None]
        if len(done) != 1:
            raise ValueError(f"needs exactly one of {', '.join(ACTIONS)}; has {', '.join(done) or 'none'}")
        if self.for_s is not None and done[0] not in UNDONE_BY_TIME:
            raise ValueError(f"for_s cannot undo {done[0]}")
        if self.operate is not None and not re.fullmatch(rf"({'|'.join(SWITCHES)}) (on|off)", self.operate):
            raise ValueError(
                f"operate = {self.operate!r}: must be one of {', '.join(SWITCHES)}, then on or off"
            )
        return self
