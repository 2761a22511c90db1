"""A rig that holds the plant's outputs by hand: no controller, no case, only valves and pumps."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from controller.signals import (
    BANK_SIGNALS,
    UNIT_SIGNALS,
    BankOutputs,
    Outputs,
    UnitOutputs,
    from_ma,
    signal_named,
)
from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

IDLE = UnitOutputs(False, False, False, False, True, False)
FLUSH = IDLE._replace(feed_valve=True, flush_valve=True)
SETTLE = IDLE._replace(feed_valve=True)
PRODUCE = SETTLE._replace(pump=True, enable=True)
PURGE = PRODUCE._replace(flush_valve=True)
COMMANDS = {"idle": IDLE, "flush": FLUSH, "settle": SETTLE, "produce": PRODUCE, "purge": PURGE}


class Rig:
    """A plant, its clock and a hand on the outputs; the watchdog output toggles as a live one does."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.t_ms = 0
        self.hz = 50.0
        self.dosing_pct = 25.0
        self.dosing = True
        self.booster = True
        self.watchdog_alive = True
        self.at_unit: dict[int, UnitOutputs] = {}

    def outputs(self, all_units: UnitOutputs) -> Outputs:
        """The image: ``all_units`` for every unit but those set in ``at_unit``."""
        toggle = self.watchdog_alive and (self.t_ms // 500) % 2 == 1
        bank = BankOutputs(
            self.booster, self.dosing, True, toggle, False, 4 + 16 * self.hz / 60, 4 + 0.16 * self.dosing_pct
        )
        units = tuple(self.at_unit.get(i + 1, all_units) for i in range(self.plant.n_units))
        return Outputs(bank, units)

    def set_unit(self, unit: int, what: str) -> None:
        """Hold another command on this unit from now on."""
        self.at_unit[unit] = COMMANDS[what]

    def hold(self, what: str, seconds: float, dt_ms: int = 100) -> Rig:
        """Hold one command on every unit for a time."""
        for _ in range(round(seconds * 1000 / dt_ms)):
            self.plant.step(self.outputs(COMMANDS[what]), dt_ms)
            self.t_ms += dt_ms
        return self

    def until(self, what: str, done: Callable[[], bool], limit_s: float) -> float:
        """Hold until ``done``; the seconds it took. Fails the test at the limit."""
        for k in range(round(limit_s * 10)):
            if done():
                return k / 10
            self.hold(what, 0.1)
        pytest.fail(f"not done within {limit_s:g} s")

    def true(self, name: str, unit: int = 1) -> float:
        """A true quantity of a unit, or of the bank."""
        if name in UNIT_TRUTH and unit:
            return float(self.plant.unit_truth[unit - 1, UNIT_TRUTH.index(name)])
        return float(self.plant.bank_truth[BANK_TRUTH.index(name)])

    def reads(self, name: str, unit: int = 1) -> float:
        """What an instrument says in its own unit, or 1.0/0.0 for a contact."""
        inputs = self.plant.inputs()
        image, table = (inputs.units[unit - 1], UNIT_SIGNALS) if unit else (inputs.bank, BANK_SIGNALS)
        value = getattr(image, name)
        return float(from_ma(signal_named(table, name), value)) if name.endswith("_ma") else float(value)


@pytest.fixture
def make_rig() -> Callable[..., Rig]:
    """Builds a rig; the header is held at 3.0 bar unless ``regulated`` is False."""

    def build(
        n_units: int = 1, parameters: PlantParameters | None = None, seed: int = 1, regulated: bool = True
    ) -> Rig:
        plant = Plant(n_units, parameters or PlantParameters(), seed)
        if regulated:
            plant.inject(Fault("feed_header", "dip", 0, 3.0))
        return Rig(plant)

    return build


@pytest.fixture
def producing(make_rig: Callable[..., Rig]) -> Rig:
    """One unit, started and in steady production with its header at 3.0 bar."""
    return make_rig().hold("idle", 5).hold("flush", 120).hold("settle", 5).hold("produce", 900)
