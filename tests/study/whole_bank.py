"""The whole bank of a study: its plant under the firmware, scan by scan, and how often something came on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from controller.firmware import Controller
from controller.signals import Command
from sim_plant.plant import Plant
from sim_plant.study.points import Order
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

SCAN_MS = 200  # the longest that a site may ask for; the firmware locks units out at 500
HOUR_SCANS = 3_600_000 // SCAN_MS


class WholeBank:
    """Cold, with so much in the tank."""

    def __init__(self, order: Order, tank_pct: float) -> None:
        self.plant = Plant(order.units, order.plant, order.seed)
        self.plant.set_tank_pct(tank_pct)
        self.scans = 0
        self._controller = Controller(order.units, order.setpoints, None)

    def scan(self, commands: Sequence[Command] = ()) -> None:
        """One scan."""
        inputs = self.plant.inputs(tuple(commands))
        self.plant.step(self._controller.scan(inputs, self.scans * SCAN_MS), SCAN_MS)
        self.scans += 1

    def tank_pct(self) -> float:
        """Level."""
        return float(self.plant.bank_truth[BANK_TRUTH.index("tank_pct")])


class Rises:
    """How often a truth of a unit between 0 and 1 came above a half, all units together."""

    def __init__(self, plant: Plant, name: str) -> None:
        self._plant, self._column = plant, UNIT_TRUTH.index(name)
        self.on, self.count = self._now(), 0

    def look(self) -> None:
        """After each scan."""
        now = self._now()
        self.count += int((now & ~self.on).sum())
        self.on = now

    def _now(self) -> NDArray[np.bool_]:
        return np.asarray(self._plant.unit_truth[:, self._column] > 0.5)
