"""One unit on the plant's kernel, driven as the sequence drives it: flushes, production, purge, standstill.

Header pressure is held at its setpoint by an integral controller of our own, as by the firmware's. The bank
that the unit stands for is looked after by the parameters: a product line that all units load equally.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.settings import Setpoints
from controller.signals import SAFE_BANK_OUTPUTS, SAFE_UNIT_OUTPUTS, BankOutputs, Outputs, UnitOutputs
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

STEP_MS = 500
HZ_EACH_BAR = 0.8  # of each step; settles in some 5 s without overshoot
FULL_MA = 16.0
J_PER_KWH, PA_BAR = 3.6e6, 1e5

FLUSH = UnitOutputs(True, True, False, False, False, False)
FILLED = UnitOutputs(True, False, False, False, False, False)
ENABLED = UnitOutputs(True, False, False, True, False, False)
PRODUCE = UnitOutputs(True, False, True, True, True, False)
PURGE = UnitOutputs(True, True, True, True, False, False)
_WATCHED = (
    "suction_bar",
    "membrane_bar",
    "feed_m3h",
    "permeate_m3h",
    "concentrate_m3h",
    "permeate_tds_mgl",
    "tail_tds_mgl",
    "flushed_l",
)
_COLUMNS = [UNIT_TRUTH.index(name) for name in _WATCHED]
_HEADER, _FEED = BANK_TRUTH.index("header_bar"), BANK_TRUTH.index("feed_m3h")


@dataclass(frozen=True)
class Phase:
    """What was true in a stretch of time, one row for each step."""

    rows: NDArray[np.float64]

    def of(self, name: str) -> NDArray[np.float64]:
        """One quantity, by its name in ``truth.UNIT_TRUTH``."""
        return self.rows[:, _WATCHED.index(name)]

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return len(self.rows) * STEP_MS / 1000.0

    def m3(self, name: str) -> float:
        """Volume of a flow."""
        return float(self.of(name).sum()) * STEP_MS / 3.6e6

    def from_s(self, seconds: float) -> Phase:
        """What is left of it after so long."""
        return Phase(self.rows[round(seconds * 1000.0 / STEP_MS) :])

    def first_s(self, holds: NDArray[np.bool_]) -> float | None:
        """When it began to hold for good; None when it does not at the end."""
        broken = np.flatnonzero(~holds)
        if len(broken) == 0:
            return 0.0
        return None if broken[-1] == len(holds) - 1 else float(broken[-1] + 1) * STEP_MS / 1000.0


class UnitRun:
    """The unit; it starts at rest, with salt even on both sides of its membranes."""

    def __init__(self, plant: PlantParameters, setpoints: Setpoints, seed: int) -> None:
        self.plant, self.setpoints = Plant(1, plant, seed), setpoints
        self.hz = setpoints.booster_min_hz
        self._beat = False

    def drive(self, unit: UnitOutputs, seconds: float) -> Phase:
        """So long with these outputs."""
        steps = max(round(seconds * 1000.0 / STEP_MS), 1)
        return Phase(np.array(list(self._rows(unit, steps))))

    def _rows(self, unit: UnitOutputs, steps: int) -> Iterator[NDArray[np.float64]]:
        for _ in range(steps):
            self.plant.step(Outputs(self._bank(), (unit,)), STEP_MS)
            yield self.plant.unit_truth[0, _COLUMNS].copy()

    def _bank(self) -> BankOutputs:
        truth, s = self.plant.bank_truth, self.setpoints
        away_bar = s.header_bar - float(truth[_HEADER])
        self.hz = min(max(self.hz + HZ_EACH_BAR * away_bar, s.booster_min_hz), s.booster_max_hz)
        self._beat = not self._beat
        dose = min(float(truth[_FEED]) * s.dosing_ml_m3 / s.dosing_full_ml_h, 1.0)
        speed_ma, dose_ma = 4.0 + FULL_MA * self.hz / 50.0, 4.0 + FULL_MA * dose
        return BankOutputs(True, True, False, self._beat, False, speed_ma, dose_ma)

    def stand(self, seconds: float) -> None:
        """At rest, with nothing driven."""
        for _ in range(round(seconds * 1000.0 / STEP_MS)):
            self.plant.step(Outputs(SAFE_BANK_OUTPUTS, (SAFE_UNIT_OUTPUTS,)), STEP_MS)

    def fill_header(self) -> None:
        """The booster brings the header to its setpoint; the unit stays shut."""
        self.drive(SAFE_UNIT_OUTPUTS, self.setpoints.header_ready_s + 20.0)

    def start(self) -> Phase:
        """From rest into production; the first moments of the pump are in what is returned."""
        s = self.setpoints
        self.fill_header()
        self.drive(FLUSH, s.start_flush_s)
        self.drive(FILLED, s.settle_s)
        self.drive(ENABLED, 1.0)
        return self.drive(PRODUCE, s.purge_interval_s)
