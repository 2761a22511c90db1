"""The small table that says what is in a log: ``upkeep.toml``. Unknown keys and units are refused."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from controller.files import InputError, explain, read_toml
from sim_plant.upkeep.quantities import FLAGS, NEEDED, QUANTITIES

UNITS_MAX = 24


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Column(_Part):
    """Where a quantity stands in the log, or the one value that stands for it; and its unit."""

    column: str | None = Field(None, min_length=1, description="name in the log; {unit} is the unit's number")
    constant: float | None = Field(None, strict=True, description="in place of a column nobody logs")
    unit: str = Field("", description="unit of measure, as it stands in the log")

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.column is None) == (self.constant is None):
            raise ValueError("must have either column or constant")
        return self


class Log(_Part):
    """How times and numbers are written."""

    time: str = Field(min_length=1, description="column of the time")
    time_format: str = Field(
        "iso", min_length=1, description='"iso", "unix_s", "unix_ms", or a pattern as "%d.%m.%Y %H:%M"'
    )
    time_zone: str = Field(
        "", description='of times without one: "UTC", "+02:00" or a name as "Europe/Lisbon"'
    )
    separator: str = Field(",", min_length=1, max_length=1, description='between cells; "\\t" is a tab')
    decimal: str = Field(".", pattern=r"^[.,]$", description="decimal sign of the numbers")
    encoding: str = Field("utf-8", min_length=1, description="of a CSV file")


class Water(_Part):
    """From conductivity to dissolved solids and osmotic pressure."""

    feed_mgl_per_us: float = Field(0.64, ge=0.4, le=0.8, description="mg/L for each uS/cm, feed")
    permeate_mgl_per_us: float = Field(0.5, ge=0.4, le=0.8, description="mg/L for each uS/cm, permeate")
    osmotic_ratio_to_nacl: float = Field(
        1.0, ge=0.3, le=1.0, description="osmotic pressure against the same mass of sodium chloride"
    )


class Law(_Part):
    """What the practice leaves to the user."""

    flow_pct_per_degc: float | None = Field(
        None, ge=1.0, le=5.0, description="permeate flow with temperature; left out: activation law"
    )
    salt_pct_per_degc: float = Field(3.0, ge=0.0, le=8.0, description="salt permeability with temperature")
    loss_exponent: float = Field(
        1.7, ge=1.0, le=2.0, description="pressure loss with flow; 2: no temperature"
    )


def _plain_date(value: object) -> object:
    if type(value) is not date:
        raise ValueError("must be a date without quotes, for example 2026-03-01")
    return value


Day = Annotated[date, BeforeValidator(_plain_date)]


class Baseline(_Part):
    """The days that a person chose as the measure, both included, in UTC."""

    first: Day = Field(description="first day")
    last: Day = Field(description="last day")
    set_by: str = Field(min_length=1, description="who set it")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.last < self.first:
            raise ValueError(f"last = {self.last} must not be before first = {self.first}")
        return self


class HandMeter(_Part):
    """A permeate conductivity by hand beside what the loop read at that moment, for one unit."""

    on: Day = Field(description="day of the comparison")
    unit: int = Field(description="number of the RO unit")
    hand_us_cm: float = Field(gt=0, description="hand meter, compensated to 25 degC like the loop")
    loop_us_cm: float = Field(ge=0, description="the loop at that moment")


class DoseCheck(_Part):
    """Antiscalant used against the feed it went into, both read by hand over the same days."""

    on: Day = Field(description="day of the reading that ends it")
    used_l: float = Field(gt=0, le=10000, description="drawn from the tank since the reading before, L")
    feed_m3: float = Field(gt=0, le=1e7, description="that the feed's totaliser moved on meanwhile, m3")
    dose_ml_per_m3: float = Field(gt=0, le=1000, description="that is set: mL of what is in the tank, per m3")


class Done(_Part):
    """When something was done by hand that no log shows."""

    prefilter_changed: Day | None = Field(None, description="last change of the cartridges")
    protections_proved: Day | None = Field(
        None, description="last proof test of E-stop, floats, leak and pressure switches, watchdog"
    )


class Table(_Part):
    """All of the file."""

    title: str = Field(min_length=1, max_length=120, description="plant, for the head of the report")
    units: list[int] = Field([1], min_length=1, max_length=UNITS_MAX, description="numbers of the RO units")
    log: Log
    columns: dict[str, Column]
    water: Water = Water()
    law: Law = Law()
    baseline: Baseline | None = None
    done: Done = Done()
    hand_meter: list[HandMeter] = Field([], description="one for each comparison")
    dose_check: list[DoseCheck] = Field([], description="one for each reading")

    @model_validator(mode="after")
    def _columns_known(self) -> Self:
        if len(set(self.units)) != len(self.units) or not all(1 <= unit <= 999 for unit in self.units):
            raise ValueError("units: must be different numbers from 1 to 999")
        stranger = next((one.unit for one in self.hand_meter if one.unit not in self.units), None)
        if stranger is not None:
            raise ValueError(f"hand_meter.unit = {stranger}: must be one of units")
        for name, column in self.columns.items():
            if name not in QUANTITIES:
                raise ValueError(f"columns.{name}: not known; there are {', '.join(QUANTITIES)}")
            _check_unit(name, column)
        missing = [name for name in NEEDED if name not in self.columns]
        if missing:
            raise ValueError(f"columns.{missing[0]} is missing: {QUANTITIES[missing[0]].words}")
        if "concentrate_flow" not in self.columns and "feed_flow" not in self.columns:
            raise ValueError(
                "columns: concentrate_flow or feed_flow must be there, else recovery is not known"
            )
        for name in ("feed_pressure", "permeate_flow"):
            if self.columns[name].column is None:
                raise ValueError(f"columns.{name}: must be a column of the log, a constant tells nothing")
        several = len(self.units) > 1
        if several and "{unit}" not in (self.columns["permeate_flow"].column or ""):
            raise ValueError("columns.permeate_flow: several units need {unit} in the name of the column")
        return self

    def mgl_per_us(self, name: str) -> float:
        """The conversion that belongs to a quantity; 1 where there is none."""
        if name == "feed_salt":
            return self.water.feed_mgl_per_us
        return self.water.permeate_mgl_per_us if name == "permeate_salt" else 1.0


def _check_unit(name: str, column: Column) -> None:
    known = QUANTITIES[name].scales
    if name in FLAGS:
        if column.unit or column.column is None:
            raise ValueError(f"columns.{name}: must be a column of 0 and 1 (or off and on) without a unit")
    elif not column.unit:
        raise ValueError(f"columns.{name}: its unit is missing; one of {', '.join(known)}")
    elif column.unit not in known:
        raise ValueError(f"columns.{name}: unit {column.unit!r} is not one of {', '.join(known)}")


def read_table(path: Path) -> Table:
    """The table; InputError with one line when something in it is wrong."""
    data: dict[str, Any] = read_toml(path)
    try:
        return Table.model_validate(data)
    except ValidationError as error:
        raise InputError(explain(path.name, error, Table)) from error
