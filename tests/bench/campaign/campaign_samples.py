"""A bank of two units for campaigns, a controller that kills its process, hands that lose what they get."""

from __future__ import annotations

import os
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from controller.firmware import Controller
from controller.signals import Inputs, Outputs
from controller.unit.states import UnitState
from sim_plant.bench.campaign.cells import Cell
from sim_plant.bench.campaign.work import Order, Work, failed
from sim_plant.bench.prove import Job
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.site import Site, SiteFile

SEED = 5


def pair() -> Site:
    """Two units with every setting at its default."""
    table = {"name": "pair", "title": "Two units", "units": 2}
    return Site(Path("pair"), SiteFile.model_validate({"site": table}))


def order(for_s: float = 5.0, controller: str = OUR_FIRMWARE) -> Order:
    return Order(Job(pair(), controller, SEED, Path("nowhere")), for_s)


def cell(line: str, state: UnitState = UnitState.BOOT, severity: str = "fixed", way: int = 0) -> Cell:
    """One second after the entry into the state, unit 1."""
    return Cell(line, way, severity, state, 1.0, 1)


class Deadly(Controller):
    """Ends its process, as a crash in a compiled library would, when unit 1 loses its suction loop."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        if inputs.units[0].suction_ma < 1.0:
            os._exit(13)
        return super().scan(inputs, now_ms)


class NeverFlushes(Controller):
    """Its flush valves never open, so no unit comes to produce."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        outputs = super().scan(inputs, now_ms)
        units = tuple(unit._replace(flush_valve=False) for unit in outputs.units)
        return outputs._replace(units=units)


class Crashes(Controller):
    """Divides by zero when unit 1 loses its suction loop."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        if inputs.units[0].suction_ma < 1.0:
            raise ZeroDivisionError("no pressure, no recovery")
        return super().scan(inputs, now_ms)


class WorkerGoneError(RuntimeError):
    """A worker is gone."""


class LosingHands:
    """Lose every lot that holds one of these lines, so many times; notes the lots in their order."""

    lost: tuple[type[BaseException], ...] = (WorkerGoneError,)

    def __init__(self, lines: dict[str, int], lot: int = 3) -> None:
        self.lot, self._lines = lot, dict(lines)
        self.lots: list[tuple[Cell, ...]] = []

    def window(self) -> int:
        return 2

    def submit(self, _do: Work[Any], order: Order, cells: tuple[Cell, ...]) -> Future[list[Any]]:
        self.lots.append(cells)
        future: Future[list[Any]] = Future()
        culprit = next((c.line for c in cells if self._lines.get(c.line, 0) > 0), None)
        if culprit is None:
            future.set_result([failed(c, f"done for {order.for_s:g} s") for c in cells])
        else:
            self._lines[culprit] -= 1
            future.set_exception(WorkerGoneError())
        return future
