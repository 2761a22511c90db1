"""The four tables of a Modbus device: one word for the wiring and for both sides of a link."""

from __future__ import annotations

from enum import StrEnum


class Table(StrEnum):
    """The four tables of a Modbus device (MODBUS Application Protocol V1.1b3, 4.3)."""

    COIL = "coil"
    DISCRETE = "discrete"
    HOLDING = "holding"
    INPUT = "input"

    @property
    def of_bits(self) -> bool:
        """One address holds a bit, not a register."""
        return self in (Table.COIL, Table.DISCRETE)

    @property
    def writable(self) -> bool:
        """A client may write here."""
        return self in (Table.COIL, Table.HOLDING)
