"""Opens the port on which status is shown, and closes it."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Self

from controller.files import InputError
from controller.firmware import Controller
from controller.journal import Journal
from controller.modbus.server import ServerThread, serve_tcp
from controller.panel.device import UNIT_IDS, StatusDevice
from controller.panel.orders import Orders
from controller.panel.service import Panel
from controller.panel.shown import Facts
from controller.runtime import Loop


@dataclass(frozen=True)
class StatusOptions:
    """Where status is shown, and whether commands are taken there. Port 0 takes a free one."""

    port: int
    host: str = "127.0.0.1"
    accept_commands: bool = False


def _now_ms() -> int:
    return time.monotonic_ns() // 1_000_000


class StatusPort:
    """The open port. InputError when it cannot be had; ``attach`` once there is a loop to look at."""

    def __init__(self, options: StatusOptions, session: int, n_units: int) -> None:
        self._options, self._session = options, session
        self._orders = Orders(session, n_units, options.accept_commands)
        self._device = StatusDevice(self._orders, _now_ms)
        self._thread = ServerThread()
        devices = dict.fromkeys(UNIT_IDS, self._device)
        try:
            # naming another host is saying that it is meant
            serving = serve_tcp(devices, options.host, options.port, beyond_loopback=True)
            self._server = self._thread.start(serving)
        except OSError as error:
            self._thread.close()
            why = error.strerror or str(error)
            raise InputError(f"--status-port {options.port} on {options.host}: {why}") from error

    def words(self) -> str:
        """Where it is and what it takes, in one line."""
        taken = "commands are taken" if self._options.accept_commands else "no commands are taken"
        return f"on {self._options.host}:{self._server.port}, session {self._session}, {taken}"

    def attach(self, controller: Controller, loop: Loop, journal: Journal) -> None:
        """Show this loop from its next scan on."""
        began_ns = loop.clock.now_ns()

        def facts() -> Facts:
            return Facts(
                session=self._session,
                scans=loop.scans + 1,  # this one is over
                skipped=loop.overruns,
                uptime_s=(loop.clock.now_ns() - began_ns) / 1e9,
                journal=journal.last_id,
                receipt=self._orders.receipt,
            )

        loop.onlooker = Panel(controller, self._device, self._orders, facts, loop.record)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self._thread.close()
