"""The server of Modbus TCP.

A unit id that is not ours is answered with exception 0B, gateway target device failed to respond. Section 7
of the MODBUS Application Protocol V1.1b3 gives it to a server in front of several devices whose target is
not there, and the Messaging on TCP/IP Implementation Guide V1.0b routes by unit id only through such
gateways. Silence would cost the client its time-out, and on TCP there is no neighbour that might answer
instead. (Both from memory.)
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
from collections.abc import Mapping

from controller.modbus.desk import Counts, Desk, check_units
from controller.modbus.frames import FrameError, Request, TcpFrames, tcp_frame
from controller.modbus.pdu import Code, Registers, refusal

CONNECTIONS = 16
IDLE_S = 60.0
READ_MAX = 4096  # bytes taken at once, which bounds the answers made before we see that nobody reads them
WRITE_HIGH, WRITE_LOW = 16_384, 4_096  # unsent bytes: stop reading above, go on below
KEEPALIVE_IDLE_S, KEEPALIVE_EVERY_S, KEEPALIVE_PROBES = 10, 5, 3  # a peer whose power went is gone after 25 s


class TcpServer:
    """Answers on a TCP port; made by ``serve_tcp``."""

    def __init__(self, devices: Mapping[int, Registers], connections: int, idle_s: float) -> None:
        self._desk = Desk(devices)
        self._most, self.idle_s = connections, idle_s
        self._open: set[_Connection] = set()
        self._server: asyncio.Server | None = None
        self._closed = False

    @property
    def counts(self) -> Counts:
        """What it has seen so far."""
        return self._desk.counts

    @property
    def port(self) -> int:
        """The port that it listens on."""
        assert self._server is not None, "not started"
        return int(self._server.sockets[0].getsockname()[1])

    async def start(self, host: str, port: int) -> None:
        """Listen. OSError when the address cannot be had."""
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Connection(self, self._desk), host, port)

    async def close(self) -> None:
        """Listen no more, and close every connection without waiting for peers that do not read."""
        self._closed = True
        if self._server is not None:
            self._server.close()
        for connection in tuple(self._open):
            connection.drop()
        while self._open:  # each is told of its end in the next turn of the loop
            await asyncio.sleep(0)

    def joined(self, connection: _Connection) -> None:
        """Take a new connection in; too many cost the one that has longest asked for nothing.

        One that never asked goes before any that did, so that a port scan cannot push out a master.
        """
        self.counts.accepted += 1
        if len(self._open) >= self._most:
            oldest = min(self._open, key=lambda other: (other.has_asked, other.active_s))
            oldest.drop()
            self._open.discard(oldest)
            self.counts.dropped += 1
        self._open.add(connection)
        self.counts.connections = len(self._open)
        if self._closed:  # accepted in the turn in which we closed
            connection.drop()

    def left(self, connection: _Connection) -> None:
        """The connection is closed."""
        self._open.discard(connection)
        self.counts.connections = len(self._open)


class _Connection(asyncio.BufferedProtocol):
    """One connection. Memory is bounded: a fixed space to read into, and no reading while we cannot send."""

    def __init__(self, server: TcpServer, desk: Desk) -> None:
        self._server, self._desk = server, desk
        self._frames = TcpFrames()
        self._space = bytearray(READ_MAX)
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport
        self._peer = ""
        self.active_s, self.has_asked = self._loop.time(), False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.set_write_buffer_limits(WRITE_HIGH, WRITE_LOW)
        with contextlib.suppress(OSError):  # a peer that is gone already
            _keep_alive(transport.get_extra_info("socket"))
        host, port = transport.get_extra_info("peername")[:2]
        self._peer = f"{host}:{port}"
        self._timer = self._loop.call_later(self._server.idle_s, self._look)
        self._server.joined(self)

    def connection_lost(self, _exc: Exception | None) -> None:
        self._timer.cancel()
        self._server.left(self)

    def get_buffer(self, _sizehint: int) -> bytearray:
        return self._space

    def buffer_updated(self, nbytes: int) -> None:
        answers = []
        try:
            for request in self._frames.feed(bytes(self._space[:nbytes])):
                if pdu := self._answer(request):
                    answers.append(tcp_frame(request, pdu))
        except FrameError:
            self._desk.counts.bad_frames += 1
            self._transport.write(b"".join(answers))
            self._transport.close()
            return
        self._transport.write(b"".join(answers))

    def pause_writing(self) -> None:
        self._transport.pause_reading()

    def resume_writing(self) -> None:
        self._transport.resume_reading()

    def drop(self) -> None:
        """Close at once, whatever is unsent."""
        self._transport.abort()

    def _answer(self, request: Request) -> bytes:
        self.active_s, self.has_asked = self._loop.time(), True
        if request.unit in self._desk.devices:
            return self._desk.answer(request, self._peer)
        self._desk.counts.foreign += 1
        return refusal(request.pdu[0], Code.GATEWAY_TARGET_FAILED_TO_RESPOND)

    def _look(self) -> None:
        """Bytes are no activity, only whole requests are: a peer may dribble, or ask and never read."""
        rest_s = self.active_s + self._server.idle_s - self._loop.time()
        if rest_s > 0:
            self._timer = self._loop.call_later(rest_s, self._look)
        else:
            self._server.counts.dropped += 1
            self.drop()


def _keep_alive(line: socket.socket) -> None:
    """Let the operating system notice a peer that is gone without a word, where it can be told how."""
    line.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (
        ("TCP_KEEPIDLE", KEEPALIVE_IDLE_S),
        ("TCP_KEEPINTVL", KEEPALIVE_EVERY_S),
        ("TCP_KEEPCNT", KEEPALIVE_PROBES),
    ):
        if hasattr(socket, name):  # not every system has all three
            line.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


async def serve_tcp(
    devices: Mapping[int, Registers],
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    beyond_loopback: bool = False,
    connections: int = CONNECTIONS,
    idle_s: float = IDLE_S,
) -> TcpServer:
    """Answer for ``devices`` (unit id 0..255 to device) on a TCP port; port 0 takes a free one.

    Modbus has no password: whoever reaches the port may write. An address that is not loopback is therefore
    refused unless ``beyond_loopback`` says that it is meant. ValueError for that, and for a unit id out of
    range; OSError when the address cannot be had.
    """
    check_units(devices, range(256))
    if connections < 1:
        raise ValueError(f"{connections} connections")
    if not (beyond_loopback or _is_loopback(host)):
        raise ValueError(
            f"{host or 'every address'} can be reached from outside; say beyond_loopback if you mean it"
        )
    server = TcpServer(devices, connections, idle_s)
    await server.start(host, port)
    return server


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return False
