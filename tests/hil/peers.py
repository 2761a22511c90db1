"""Peers that misbehave on purpose: plain sockets and pseudo-terminals, no Modbus library."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path


def registers(*values: int) -> bytes:
    """The PDU that answers a request for holding registers with these values."""
    return bytes([3, 2 * len(values)]) + b"".join(struct.pack(">H", value) for value in values)


def mbap(number: int, unit_id: int, pdu: bytes) -> bytes:
    """A Modbus TCP frame."""
    return struct.pack(">HHHB", number & 0xFFFF, 0, len(pdu) + 1, unit_id) + pdu


def rtu(unit_id: int, pdu: bytes) -> bytes:
    """A Modbus RTU frame; the checksum bit by bit, as MODBUS over Serial Line V1.02, 6.2.2 describes it."""
    frame = bytes([unit_id]) + pdu
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return frame + crc.to_bytes(2, "little")


class Asked:
    """One request as it arrived at a TCP peer: ``nth`` counts over all connections, from 0."""

    def __init__(self, connection: socket.socket, frame: bytes, nth: int, nth_connection: int) -> None:
        self.connection, self.frame, self.nth, self.nth_connection = connection, frame, nth, nth_connection
        self.number, self.unit_id, self.pdu = int.from_bytes(frame[:2], "big"), frame[6], frame[7:]

    def send(self, data: bytes) -> None:
        """Send these bytes, if anybody is there to take them."""
        with contextlib.suppress(OSError):
            self.connection.sendall(data)

    def answer(self, pdu: bytes) -> None:
        """Answer as one should."""
        self.send(mbap(self.number, self.unit_id, pdu))


class TcpPeer:
    """Listens on loopback and hands every request to ``react``."""

    def __init__(self, react: Callable[[Asked], None], port: int = 0) -> None:
        self._react = react
        self._listener = socket.create_server(("127.0.0.1", port))
        self.port: int = self._listener.getsockname()[1]
        self.asked: list[Asked] = []
        self.connected_s: list[float] = []
        self._connections: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def drop(self) -> None:
        """Close every connection from this side."""
        for connection in self._connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            connection.close()

    def close(self) -> None:
        """Stop listening and drop everybody."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes the thread that accepts
        self._listener.close()
        self.drop()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.connected_s.append(time.monotonic())
            self._connections.append(connection)
            nth = len(self.connected_s) - 1
            threading.Thread(target=self._serve, args=(connection, nth), daemon=True).start()

    def _serve(self, connection: socket.socket, nth_connection: int) -> None:
        with contextlib.suppress(OSError):
            while frame := connection.recv(300):
                asked = Asked(connection, frame, len(self.asked), nth_connection)
                self.asked.append(asked)
                self._react(asked)


@contextlib.contextmanager
def tcp_peer(react: Callable[[Asked], None], port: int = 0) -> Iterator[TcpPeer]:
    """A peer that is gone after the block."""
    peer = TcpPeer(react, port)
    try:
        yield peer
    finally:
        peer.close()


class SerialPeer:
    """The far end of a pseudo-terminal; hands every burst of bytes to ``react(peer, frame, nth)``."""

    def __init__(self, react: Callable[[SerialPeer, bytes, int], None], link: Path | None = None) -> None:
        self._react = react
        self._master, slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        if link is not None:
            link.unlink(missing_ok=True)
            link.symlink_to(self.port)
            self.port = str(link)
        self._slave = slave  # held open, so that the far end lives while nobody has the port
        self.asked: list[tuple[float, bytes]] = []
        self._over = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def send(self, data: bytes) -> None:
        """Put these bytes on the line."""
        if not self._over:
            os.write(self._master, data)

    def close(self) -> None:
        """Pull the plug."""
        self._over = True
        self._thread.join(5.0)
        os.close(self._master)
        os.close(self._slave)

    def _serve(self) -> None:
        while not self._over:
            if select.select([self._master], [], [], 0.01)[0]:
                frame = os.read(self._master, 300)
                self.asked.append((time.monotonic(), frame))
                self._react(self, frame, len(self.asked) - 1)


@contextlib.contextmanager
def serial_peer(
    react: Callable[[SerialPeer, bytes, int], None], link: Path | None = None
) -> Iterator[SerialPeer]:
    """A peer that is gone after the block."""
    peer = SerialPeer(react, link)
    try:
        yield peer
    finally:
        peer.close()
