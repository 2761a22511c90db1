"""A bank of units in a healthy field, scanned by hand, with a panel before it and no network."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from controller.drivers.memory import MemoryDriver
from controller.firmware import Controller
from controller.panel.codes import STATE_CODES, VERB_CODES
from controller.panel.device import StatusDevice
from controller.panel.form import Form, Row
from controller.panel.map import BANK_MAP, BLOCK, UNIT_MAP
from controller.panel.orders import Orders
from controller.panel.service import Panel
from controller.panel.shown import Facts
from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.signals import Command, Verb
from controller.tables import Table
from controller.unit.states import UnitState

SESSION = 4711
SCAN_MS = 100
PEER = "192.0.2.7:50123"
ROWS = {"bank": {row.name: row for row in BANK_MAP}, "unit": {row.name: row for row in UNIT_MAP}}


class Desk:
    """``scan`` is what the loop does: commands before, the picture after."""

    def __init__(self, n_units: int = 2, accepts: bool = True, setpoints: Setpoints | None = None) -> None:
        self.now_ms = 1_000_000
        self.driver = MemoryDriver(n_units)
        self.controller = Controller(n_units, setpoints or Setpoints())
        self.orders = Orders(SESSION, n_units, accepts)
        self.device = StatusDevice(self.orders, lambda: self.now_ms)
        self.lines: list[tuple[str, str]] = []
        self.events: list[Entry] = []
        self.entered: list[Command] = []
        self.scans = 0
        self.panel = Panel(
            self.controller, self.device, self.orders, self.facts, lambda *line: self.lines.append(line)
        )

    def facts(self) -> Facts:
        return Facts(SESSION, self.scans, 3, 65_540.9, 70_000, self.orders.receipt)

    def scan(self, times: int = 1) -> None:
        for _ in range(times):
            self.now_ms += SCAN_MS
            self.scans += 1
            commands = self.panel.commands(self.now_ms)
            self.entered.extend(commands)
            inputs = self.driver.read()._replace(commands=commands)
            self.driver.write(self.controller.scan(inputs, self.now_ms))
            self.events.extend(self.controller.take_events())
            self.panel.scanned(self.now_ms)

    def until(self, state: UnitState, unit: int = 1) -> None:
        """Scan until a unit is there; fails after ten minutes of its time."""
        for _ in range(6_000):
            if self.controller.states()[unit - 1] is state:
                return
            self.scan()
        raise AssertionError(f"unit {unit} is in {self.controller.states()[unit - 1]}")

    # --- the panel's side ------------------------------------------------------------------------------

    def value(self, name: str, unit: int = 0) -> float:
        """What a row shows, read as a panel reads it."""
        row: Row = ROWS["unit" if unit else "bank"][name]
        return value_of(row, self.device.read(Table.INPUT, unit * BLOCK + row.address, row.form.registers))

    def give(
        self,
        verb: Verb | int,
        unit: int = 1,
        against: UnitState | int = 0,
        sequence: int | None = None,
        session: int = SESSION,
    ) -> None:
        """Write a command block with the number that is due."""
        due = self.orders.receipt.next if sequence is None else sequence
        verb_code = VERB_CODES[verb] if isinstance(verb, Verb) else verb
        state_code = STATE_CODES[against] if isinstance(against, UnitState) else against
        self.device.write(Table.HOLDING, 0, (session, due, verb_code, unit, state_code), PEER)

    def outcome(self) -> tuple[int, int]:
        """Number and outcome in the acknowledge block."""
        return int(self.value("sequence")), int(self.value("outcome"))

    def commands_told(self) -> list[str]:
        """Journal lines of commands."""
        return [text for kind, text in self.lines if kind == "command"]


def value_of(row: Row, registers: Sequence[int]) -> float:
    """Registers as a panel reads them, high word first."""
    raw = b"".join(word.to_bytes(2, "big") for word in registers)
    if row.form is Form.FLOAT32:
        return float(struct.unpack(">f", raw)[0])
    return int.from_bytes(raw, "big")
