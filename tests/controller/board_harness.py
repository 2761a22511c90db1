"""The alarm board on memories and images that a test gives, without bank, sequence or field behind it."""

from __future__ import annotations

from typing import Self

from bank_harness import BankRig
from harness import Values, unit_inputs

from controller.alarms.board import AlarmView, Board
from controller.bank.memory import BankMemory
from controller.firmware import _NO_REQUEST
from controller.parts.analogue import Quality
from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.signals import Command, Inputs, UnitOutputs, Verb
from controller.unit.memory import UnitMemory
from controller.unit.states import Event, UnitState

DRIVEN = UnitOutputs(True, False, True, True, True, False)
START_MS = 50_000_000


class BoardRig:
    """A board of producing units whose loops are all believed; what a test changes stays so."""

    def __init__(self, n_units: int = 2, setpoints: Setpoints | None = None) -> None:
        self.board = Board(n_units, setpoints or Setpoints())
        self.now_ms = START_MS
        self.bank = BankMemory(n_units, io_seen=True)
        self.units = [
            UnitMemory(
                state=UnitState.PRODUCE,
                feed_ms=-600_000,
                pump_ms=-600_000,
                flush_owed=False,
                purge_from_ms=START_MS,
            )
            for _ in range(n_units)
        ]
        for memory in (self.bank, *self.units):
            for loop in memory.loops:
                loop.quality = Quality.GOOD
        self.shared: Values = {}
        self.field: list[Values] = [{} for _ in range(n_units)]
        self.bank_age_ms = 0
        self.age_ms = [0] * n_units
        self.pumping = [True] * n_units
        self.header_bar: float | None = 3.0

    def inputs(self, *commands: Command) -> Inputs:
        """The image of this scan."""
        rig = BankRig(1)
        rig.bank |= self.shared
        units = tuple(unit_inputs(DRIVEN, **values) for values in self.field)
        return Inputs(rig.bank_inputs(), units, tuple(self.age_ms), self.bank_age_ms, commands)

    def scan(self, after_ms: int = 500, *commands: Command) -> Self:
        """One scan, so long after the last."""
        self.now_ms += after_ms
        requests = tuple(_NO_REQUEST._replace(pumping=pumping) for pumping in self.pumping)
        self.board.scan(self.bank, self.units, self.inputs(*commands), requests, self.header_bar, self.now_ms)
        return self

    def tell(self, verb: Verb, name: str = "", unit: int = 1, by: str = "Ada", **more: object) -> Self:
        """A scan with a command about alarms."""
        return self.scan(100, Command(verb, unit, by, alarm=name, **more))  # type: ignore[arg-type]  # fields of Command

    def come(self, event: Event, unit: int = 1) -> Self:
        """An event of a unit begins to stand; a scan."""
        self.units[unit - 1].active |= 1 << event
        return self.scan(100)

    def go(self, event: Event, unit: int = 1) -> Self:
        """It no longer stands; a scan."""
        self.units[unit - 1].active &= ~(1 << event)
        return self.scan(100)

    def view(self, name: str, unit: int = 1) -> AlarmView | None:
        """The alarm as shown; None while it is NORM."""
        return next((a for a in self.board.views() if (a.unit, a.id) == (unit, name)), None)

    def state(self, name: str, unit: int = 1) -> str:
        shown = self.view(name, unit)
        return shown.state.value if shown else "NORM"

    def shown(self) -> set[tuple[int, str, str]]:
        """Unit, name and state of all that is not NORM."""
        return {(a.unit, a.id, a.state.value) for a in self.board.views()}

    def lines(self) -> list[Entry]:
        """Journal lines since the last call."""
        return self.board.take_events()
