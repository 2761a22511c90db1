"""One Modbus TCP connection: opened, asked, closed at the first doubt.

pymodbus numbers, builds and sends the request; receiving is ours (decision 24 says why).
Source of the frame: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3.
"""

from __future__ import annotations

import socket
import time
from collections import deque
from typing import Any

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ConnectionException

from controller.modbus.ask import send
from controller.modbus.bounded import Bounded
from controller.modbus.requests import Request
from controller.modbus.settings import TcpSettings, name_of
from controller.modbus.troubles import LinkError, foreign, garbled, not_connected, timed_out

OPEN_EVERY_S = 0.2  # attempts to connect begin no closer than this
_HEADER_BYTES = 7
_LENGTHS = range(3, 255)  # what the header's length field may say: unit, function, one byte .. a full frame
_CHUNK_BYTES = 4096
_REMEMBERED = 16  # numbers of requests that have been answered, to know a duplicate by


class TcpLine:
    """The connection behind a link; see ``controller.modbus.link.Link``."""

    def __init__(self, settings: TcpSettings) -> None:
        self.name = name_of(settings)
        self.losses = 0
        self._is_open = False
        self._settings = settings
        self._sent = b""
        self._client = ModbusTcpClient(
            settings.host, port=settings.port, retries=0, trace_packet=self._remember
        )
        self._name = Bounded(lambda: self._look_up(0))
        self._tried_s = float("-inf")
        self._buffer = b""  # received, not yet a whole frame
        self._answered: deque[int] = deque(maxlen=_REMEMBERED)

    def rest(self) -> None:
        """Nothing to wait for: a late answer ends with its connection."""

    def close(self) -> None:
        """Close; the next ``ask`` opens again."""
        self.losses += self._is_open
        self._is_open = False
        self._client.close()  # type: ignore[no-untyped-call]  # pymodbus gives it no types
        self._buffer = b""
        self._answered.clear()

    give_up = close
    """After a failure there is no telling what else will come: nobody must be there to take it."""

    def ask(self, request: Request, end_s: float) -> bytes:
        """Send the request; the answer's PDU. LinkError at ``end_s`` (monotonic) at the latest."""
        if self._client.socket is None:
            self._open(end_s)
        else:
            self._look_at_what_came_unasked(end_s)
        connection = self._connection()
        connection.settimeout(max(end_s - time.monotonic(), 0.001))
        try:
            send(self._client, request)
        except ConnectionException as error:
            raise not_connected(f"{self.name} took no request: look at the device and the network") from error
        number = int.from_bytes(self._sent[:2], "big")
        pdu = self._receive(number, request.unit_id, end_s)
        self._answered.append(number)
        return pdu

    def _remember(self, sending: bool, packet: bytes) -> bytes:
        if sending:
            self._sent = packet
        return packet

    def _connection(self) -> socket.socket:
        if self._client.socket is None:
            raise not_connected(f"{self.name} is closed")
        return self._client.socket

    # --- opening ------------------------------------------------------------------------------------------

    def _open(self, end_s: float) -> None:
        allowed_s = self._tried_s + OPEN_EVERY_S
        if allowed_s >= end_s:
            raise not_connected(
                f"{self.name} was just tried in vain; the next attempt is at most {OPEN_EVERY_S:g} s off"
            )
        time.sleep(max(allowed_s - time.monotonic(), 0.0))
        self._tried_s = time.monotonic()
        self._client.socket = self._connect(end_s)
        self._is_open = True

    def _addresses(self, end_s: float) -> list[Any]:
        """What the system knows of the host; its look-up of a name has no time-out, an address needs none."""
        try:
            return self._look_up(socket.AI_NUMERICHOST)
        except OSError:
            pass
        try:
            return self._name.get(end_s)
        except OSError as error:  # a TimeoutError, too
            host = self._settings.host
            raise not_connected(f"the name {host} is not known: look at it and at the name server") from error

    def _look_up(self, flags: int) -> list[Any]:
        s = self._settings
        return socket.getaddrinfo(s.host, s.port, type=socket.SOCK_STREAM, flags=flags)

    def _connect(self, end_s: float) -> socket.socket:
        addresses = self._addresses(end_s)
        why = ""
        for i, (family, kind, protocol, _, address) in enumerate(addresses):
            limit_s = (end_s - time.monotonic()) / (len(addresses) - i)
            if limit_s <= 0.0:
                break
            connection = socket.socket(family, kind, protocol)
            try:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connection.settimeout(limit_s)
                connection.connect(address)
            except OSError as error:
                connection.close()
                why = (error.strerror or str(error)).lower()
            else:
                return connection
        raise not_connected(
            f"{self.name} cannot be reached ({why or 'no time left'}): "
            "look at address, port, network and supply of the device"
        )

    # --- receiving ----------------------------------------------------------------------------------------

    def _look_at_what_came_unasked(self, end_s: float) -> None:
        """Before a request nothing may wait but duplicates; a connection that was closed is noticed here.

        It is not opened again behind the caller's back: he may want to know who answers before he writes.
        """
        try:
            self._connection().setblocking(False)
            while True:
                while frame := self._frame():
                    if frame[0] not in self._answered:
                        raise foreign(f"{self.name} answers without being asked: look for a second master")
                if time.monotonic() >= end_s:
                    raise garbled(f"{self.name} never stops sending: look at the device")
                data = self._connection().recv(_CHUNK_BYTES)
                if not data:
                    raise self._closed()
                self._buffer += data
        except BlockingIOError:
            return  # all has been looked at
        except OSError as error:
            raise self._closed() from error

    def _receive(self, number: int, unit_id: int, end_s: float) -> bytes:
        while True:
            frame = self._frame()
            if frame is None:
                self._read_more(end_s)
                continue
            if frame[0] in self._answered:
                continue  # a duplicate of an answer that has been taken
            if frame[0] != number:
                raise foreign(
                    f"request {number} was sent, {frame[0]} answered: look at a gateway that mixes up clients"
                )
            if frame[1] != unit_id:
                raise foreign(f"unit {unit_id} was asked, {frame[1]} answered: look at the unit ids")
            return frame[2]

    def _frame(self) -> tuple[int, int, bytes] | None:
        """The next whole frame: request number, unit id, PDU; None while there is none."""
        if len(self._buffer) < _HEADER_BYTES:
            return None
        number, protocol, length = (int.from_bytes(self._buffer[i : i + 2], "big") for i in (0, 2, 4))
        if protocol != 0 or length not in _LENGTHS:
            raise garbled(f"{self.name} sends what is not Modbus TCP: look at host and port")
        end = 6 + length
        if len(self._buffer) < end:
            return None
        unit_id, pdu = self._buffer[6], self._buffer[_HEADER_BYTES:end]
        self._buffer = self._buffer[end:]
        return number, unit_id, pdu

    def _read_more(self, end_s: float) -> None:
        rest_s = end_s - time.monotonic()
        try:
            if rest_s <= 0.0:
                raise TimeoutError
            self._connection().settimeout(rest_s)
            data = self._connection().recv(_CHUNK_BYTES)
        except TimeoutError:
            came = f"only {len(self._buffer)} bytes came back" if self._buffer else "nothing came back"
            raise timed_out(f"{came} in time: look at supply, program and unit id of the device") from None
        except OSError as error:
            raise self._closed() from error
        if not data:
            raise self._closed()
        self._buffer += data

    def _closed(self) -> LinkError:
        return not_connected(
            f"{self.name} closed the connection: look at the device and its number of clients"
        )
