"""Between loop and server: hands commands in before a scan, shows the picture after it."""

from __future__ import annotations

import traceback
from collections.abc import Callable

from controller.firmware import Controller
from controller.panel.device import StatusDevice
from controller.panel.map import Sheet
from controller.panel.orders import Orders
from controller.panel.shown import Facts
from controller.signals import Command

REFUSALS_EVERY_MS = 10_000  # one journal line at most in this time, so that a panel cannot flood the journal


class Panel:
    """A ``controller.runtime.Onlooker``. A defect in here ends the panel's view and stops no plant."""

    def __init__(
        self,
        controller: Controller,
        device: StatusDevice,
        orders: Orders,
        facts: Callable[[], Facts],
        record: Callable[[str, str], None],
    ) -> None:
        self._controller, self._device, self._orders = controller, device, orders
        self._facts, self._record = facts, record
        self._told_refused = 0
        self._told_ms: int | None = None
        self._broken = False

    def commands(self, now_ms: int) -> tuple[Command, ...]:
        """What the panel wants to enter this scan."""
        command = None if self._broken else self._orders.take(self._controller.states(), now_ms)
        return () if command is None else (command,)

    def scanned(self, now_ms: int) -> None:
        """The scan is over."""
        if self._broken:
            return
        try:
            self._look(now_ms)
        except Exception:  # whatever it is, the plant must be served
            self._broken = True
            self._record("panel", "it has failed, status is shown no more: " + traceback.format_exc())

    def _look(self, now_ms: int) -> None:
        line = self._orders.settle(self._controller.answers())
        if line:
            self._record("command", line)
        self._tell_refusals(now_ms)
        picture = self._controller.picture()
        if picture is not None:
            self._device.show(Sheet(self._facts(), picture))

    def _tell_refusals(self, now_ms: int) -> None:
        refused = self._orders.refused_writes
        waits = self._told_ms is not None and now_ms - self._told_ms < REFUSALS_EVERY_MS
        if refused == self._told_refused or waits:
            return
        more = refused - self._told_refused
        self._record("command", f"{more} writes refused, the last: {self._orders.last_refusal}")
        self._told_refused, self._told_ms = refused, now_ms
