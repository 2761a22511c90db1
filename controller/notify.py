"""Tells a service manager that the program is ready and alive.

The protocol of sd_notify(3): a datagram of "KEY=value" lines to the Unix socket that the environment names in
``NOTIFY_SOCKET``; ``WATCHDOG_USEC`` says within which time a ``WATCHDOG=1`` is awaited.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


class Notifier:
    """Sends to the service manager named by the environment; without one it does nothing.

    A message that cannot be sent is let go: a scan must not wait for, or fail by, a service manager.
    """

    def __init__(self, environment: Mapping[str, str], pid: int) -> None:
        name = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + name[1:] if name.startswith("@") else name
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) if name else None
        if self._socket is not None:
            self._socket.setblocking(False)
        self._every_ns = (
            _watchdog_ns(environment, pid) // 2
        )  # half the limit, as sd_watchdog_enabled(3) advises
        self._last_ns: int | None = None

    def send(self, message: str) -> None:
        """One message."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.sendto(message.encode(), self._address)

    def alive(self, now_ns: int) -> None:
        """Called once a scan; pets the watchdog as often as it needs."""
        if self._every_ns and (self._last_ns is None or now_ns - self._last_ns >= self._every_ns):
            self._last_ns = now_ns
            self.send("WATCHDOG=1")

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()


def _watchdog_ns(environment: Mapping[str, str], pid: int) -> int:
    """The limit, 0 when no watchdog is set or it is meant for another process."""
    limit_us = environment.get("WATCHDOG_USEC", "")
    if not limit_us.isdecimal() or environment.get("WATCHDOG_PID", str(pid)) != str(pid):
        return 0
    return int(limit_us) * 1_000


def from_environment() -> Notifier:
    """The notifier of this process."""
    return Notifier(os.environ, os.getpid())
