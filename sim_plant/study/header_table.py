"""The geometry of the three headers: ``[headers]`` of study.toml."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from sim_plant.study.tables import Table

ROUGHEST = 0.05  # of the bore; beyond it the law of friction does not hold


class Pipe(Table):
    """One header."""

    bore_mm: float = Field(ge=5, le=1000, description="inner diameter")
    lead_m: float = Field(10, ge=0, le=2000, description="pipe before the first branch; own choice")
    velocity_most_m_s: float = Field(2.0, gt=0, le=10, description="limit; common practice, no source")
    loss_most_bar: float = Field(0.2, gt=0, le=10, description="limit, to the last unit; own choice")


class Headers(Table):
    """The three headers; the bores must be given, the rest has defaults, which are own choices."""

    feed: Pipe
    product: Pipe
    drain: Pipe
    spacing_m: float = Field(1.5, gt=0, le=50, description="pipe between the branches of two units")
    roughness_mm: float = Field(0.01, ge=0, le=5, description="inside of the pipe; plastic, own choice")
    lead_k: float = Field(2.0, ge=0, le=200, description="loss coefficient of bends and valves in the lead")
    branch_k: float = Field(0.5, ge=0, le=20, description="loss coefficient of each branch that is passed")

    @model_validator(mode="after")
    def _smooth_enough(self) -> Self:
        for name in self.names():
            bore = self.pipe(name).bore_mm
            if self.roughness_mm > ROUGHEST * bore:
                rough = f"roughness_mm = {self.roughness_mm:g}"
                raise ValueError(f"{rough} is more than {ROUGHEST:g} of {name}.bore_mm = {bore:g}")
        return self

    @staticmethod
    def names() -> tuple[str, ...]:
        """In the order in which they are shown."""
        return "feed", "product", "drain"

    def pipe(self, name: str) -> Pipe:
        """One of the three."""
        return {"feed": self.feed, "product": self.product, "drain": self.drain}[name]
