"""A device whose tables are four lists."""

from __future__ import annotations

from collections.abc import Sequence

from controller.modbus.pdu import AddressError
from controller.tables import Table


class Tables:
    """``size`` addresses in each table, all zero. Remembers who wrote. ``broken`` is raised by every call."""

    def __init__(self, size: int = 65_536) -> None:
        self.values: dict[Table, list[int]] = {table: [0] * size for table in Table}
        self.writers: list[str] = []
        self.broken: Exception | None = None  # NoAnswerError for a device that is silent

    def read(self, table: Table, address: int, count: int) -> Sequence[int]:
        self._demand(table, address, count)
        return self.values[table][address : address + count]

    def write(self, table: Table, address: int, values: Sequence[int], writer: str) -> None:
        self._demand(table, address, len(values))
        self.values[table][address : address + len(values)] = values
        self.writers.append(writer)

    def set(self, table: Table, address: int, values: Sequence[int]) -> None:
        """What the device itself puts into a table."""
        self.values[table][address : address + len(values)] = values

    def _demand(self, table: Table, address: int, count: int) -> None:
        if self.broken is not None:
            raise self.broken
        if address + count > len(self.values[table]):
            raise AddressError
