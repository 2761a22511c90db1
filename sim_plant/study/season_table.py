"""How units fail and are serviced over a season: ``[season]`` of study.toml."""

from __future__ import annotations

from pydantic import Field

from sim_plant.study.tables import Table


class Season(Table):
    """Defaults are own choices, to be replaced by what the plant's own log shows."""

    days: int = Field(120, ge=7, le=400, description="length of the season")
    between_failures_days: float = Field(
        60, ge=1, le=10000, description="mean time in which a unit that is ready does not fail"
    )
    repair_h: float = Field(
        24, ge=0, le=2000, description="mean time until it is ready again; 0: never fails"
    )
    service_every_days: float = Field(30, ge=0, le=1000, description="planned service of each unit; 0: none")
    service_h: float = Field(4, ge=0, le=200, description="how long it takes")
    seasons: int = Field(200, ge=20, le=2000, description="so many are simulated")
    seed: int = Field(1, ge=0, le=2**31, description="of the random numbers")
