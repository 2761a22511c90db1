"""The answering side of Modbus: TCP and serial RTU servers for the devices of one link, and a thread to run
them in.

A server answers for the unit ids that it was given and for no other. All devices of all servers started in
one event loop are called in that loop's thread, one request at a time; what else touches their tables must
lock them.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Coroutine
from typing import Any, Protocol, Self, TypeVar

from controller.modbus.desk import Counts
from controller.modbus.serial_server import SerialServer, serve_serial
from controller.modbus.tcp_server import TcpServer, serve_tcp

__all__ = ["Counts", "SerialServer", "Server", "ServerThread", "TcpServer", "serve_serial", "serve_tcp"]

CALL_S = 5.0  # so long a start or a close may take


class Server(Protocol):
    """What both kinds have in common."""

    @property
    def counts(self) -> Counts:
        """What it has seen so far."""

    async def close(self) -> None:
        """Stop answering."""


_S = TypeVar("_S", bound=Server)
_T = TypeVar("_T")


class ServerThread:
    """A thread with an event loop for servers, for a program whose main loop is none.

    >>> with ServerThread() as thread:
    ...     thread.start(serve_tcp({})).counts.requests
    0
    """

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._servers: list[Server] = []
        self._thread = threading.Thread(target=self._loop.run_forever, name="modbus servers", daemon=True)
        self._thread.start()

    def start(self, serving: Coroutine[Any, Any, _S]) -> _S:
        """Start ``serve_tcp(...)`` or ``serve_serial(...)`` here; raises what that raises."""
        server = self._wait_for(serving)
        self._servers.append(server)
        return server

    def close(self) -> None:
        """Close the servers and end the thread. TimeoutError when a device does not return."""
        while self._servers:
            self._wait_for(self._servers.pop().close())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self.close()

    def _wait_for(self, work: Coroutine[Any, Any, _T]) -> _T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(CALL_S)
