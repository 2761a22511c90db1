"""Pictures as server-sent events: each viewer takes the latest one when it can.

A viewer that does not read makes its own answer wait, and nothing else; after a while it is let go.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable

from starlette.requests import ClientDisconnect
from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from sim_plant.desk.source import Latest

LOOK_S = 0.05
QUIET_S = 10.0  # then a comment shows that the line lives
STALLED_S = 20.0
VIEWERS_MAX = 16


def listen(host: str, port: int) -> socket.socket:
    """A socket whose connections are cut when nobody takes what they hold; OSError when there is none.

    A viewer that is let go while it does not read would otherwise keep its connection, and what it was sent,
    for as long as it pleases. Connections inherit the option; where the system does not know it, they stay.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.create_server((host, port), family=family)
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, round(STALLED_S * 1000))
    return listening


class Viewers:
    """How many look on."""

    def __init__(self, most: int = VIEWERS_MAX) -> None:
        self._most, self.now = most, 0

    @property
    def full(self) -> bool:
        """Whether there is no room for another one."""
        return self.now >= self._most


class PictureStream(StreamingResponse):
    """One viewer's answer, which has no end of its own."""

    def __init__(self, latest: Latest, viewers: Viewers, over: Callable[[], bool]) -> None:
        super().__init__(_events(latest, over), media_type="text/event-stream")
        self._viewers = viewers

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until the viewer goes, or takes nothing for too long."""

        async def send_in_time(message: dict[str, object]) -> None:
            await asyncio.wait_for(send(message), STALLED_S)

        self._viewers.now += 1
        try:
            await super().__call__(scope, receive, send_in_time)  # type: ignore[arg-type]  # a message is a mapping
        except (OSError, ClientDisconnect):  # gone, or stalled: TimeoutError is one of the first
            return
        finally:
            self._viewers.now -= 1


async def _events(latest: Latest, over: Callable[[], bool]) -> AsyncIterator[bytes]:
    seen, quiet_s = 0, 0.0
    yield b"retry: 1000\n\n"
    while not over():
        number, picture = latest.get()
        if number != seen:
            seen, quiet_s = number, 0.0
            yield b"id: %d\ndata: %b\n\n" % (number, picture)
            continue
        await asyncio.sleep(LOOK_S)
        quiet_s += LOOK_S
        if quiet_s >= QUIET_S:
            quiet_s = 0.0
            yield b": nothing new\n\n"
