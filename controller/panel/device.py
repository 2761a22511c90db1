"""The Modbus device that a panel talks to. Shows the newest sheet; says so when that is too old."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.modbus.pdu import AddressError, DeviceFailedError
from controller.panel.map import Sheet
from controller.panel.orders import WAIT_MS, Orders
from controller.tables import Table

UNIT_IDS = (1, 255)
"""1 is what most panels are set to; 255 is what the guide of Modbus TCP tells of a device without a gateway
(MODBUS Messaging on TCP/IP Implementation Guide V1.0b, from memory)."""


class StatusDevice:
    """A ``controller.modbus.pdu.Registers`` for the server's thread; ``show`` belongs to the scanning one.

    When no scan has come for ``WAIT_MS`` every request is answered with exception 04: values that have
    stopped must not pass for values that are steady.
    """

    def __init__(self, orders: Orders, now_ms: Callable[[], int]) -> None:
        self._orders, self._now_ms = orders, now_ms
        self._newest: tuple[Sheet, int] | None = None

    def show(self, sheet: Sheet) -> None:
        """This is the newest."""
        self._newest = sheet, self._now_ms()

    def read(self, table: Table, address: int, count: int) -> Sequence[int]:
        """Status in input registers, the last command in holding registers."""
        sheet = self._living_sheet()
        if table is Table.INPUT:
            return sheet.read(address, count)
        if table is Table.HOLDING:
            return self._orders.read(address, count)
        raise AddressError

    def write(self, table: Table, address: int, values: Sequence[int], writer: str) -> None:
        """A command; AddressError for anything else."""
        self._living_sheet()
        if table is not Table.HOLDING:
            raise AddressError
        self._orders.write(address, values, writer, self._now_ms())

    def _living_sheet(self) -> Sheet:
        if self._newest is None or self._now_ms() - self._newest[1] > WAIT_MS:
            raise DeviceFailedError
        return self._newest[0]
