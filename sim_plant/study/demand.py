"""What is drawn from the product tank over a day: ``[demand]`` of study.toml."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from sim_plant.study.tables import Numbers, Table

HOURS = 24
MOST_M3H = 1000.0


class Demand(Table):
    """A day that repeats itself; where a key is left out, the site has the word."""

    profile_m3h: Numbers = Field(description="draw in each hour of the day, the first from 0 to 1 o'clock")
    margin: float = Field(1.0, ge=1, le=3, description="the profile is taken so many times")
    tank_m3: float | None = Field(
        None, gt=0, le=10000, description="content of the tank at 100 %; the site's when left out"
    )
    lowest_pct: float | None = Field(
        None, ge=0, lt=90, description="level that must stay in the tank; the low float's when left out"
    )

    @model_validator(mode="after")
    def _a_day(self) -> Self:
        count = len(self.profile_m3h)
        if count != HOURS:
            raise ValueError(f"profile_m3h: {count} numbers: must be {HOURS}, one for each hour of the day")
        if not all(0.0 <= flow <= MOST_M3H for flow in self.profile_m3h):
            raise ValueError(f"profile_m3h: each number must lie in 0 to {MOST_M3H:g} m3/h")
        if not any(self.profile_m3h):
            raise ValueError("profile_m3h: nothing is drawn in any hour")
        return self

    @property
    def hourly_m3h(self) -> tuple[float, ...]:
        """The draw of each hour with the margin in it."""
        return tuple(self.margin * flow for flow in self.profile_m3h)
