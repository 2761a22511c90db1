"""What gives our value for each value from outside, always by production functions.

``OURS`` maps the ``by`` of a table to its maker; the decorator names the production functions that give
the value, and a test sees to it that they exist and are called. What stands in the ``ours_`` modules is
units, and plants put into the state that the value describes. Results are in the unit of the value.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sim_plant.process.parameters import PlantParameters

BAR = 1e5
L_MIN = 1e-3 / 60  # m3/s
L_MIN_M3H = 0.06
DEMO = PlantParameters()

Given = dict[str, Any]
Maker = Callable[[Given], float | list[float]]
OURS: dict[str, Maker] = {}
PRODUCTION: dict[str, tuple[str, ...]] = {}


def by(*production: str) -> Callable[[Maker], Maker]:
    """Register a maker under its own name, with the production functions that it calls."""

    def register(maker: Maker) -> Maker:
        OURS[maker.__name__] = maker
        PRODUCTION[maker.__name__] = production
        return maker

    return register


def solve(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function passes 0, by bisection."""
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if function(middle) > 0 else (middle, high)
    return 0.5 * (low + high)
