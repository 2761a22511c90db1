"""One serial line, Modbus RTU: a request goes out only after silence, a frame counts only with its checksum.

pymodbus builds and sends the request; receiving is ours (decision 24 says why).
Source of the frame: MODBUS over Serial Line V1.02, section 2.5.1.
"""

from __future__ import annotations

import time

import serial
import serial.rs485
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ConnectionException
from pymodbus.framer import FramerRTU

from controller.modbus.ask import send
from controller.modbus.bounded import Bounded
from controller.modbus.requests import Request
from controller.modbus.settings import SerialSettings, name_of
from controller.modbus.troubles import LinkError, foreign, garbled, not_connected, timed_out

OPEN_EVERY_S = 0.2
WRITE_S = 0.1  # the system takes a frame at once; when it does not for so long, the adapter is stuck
POLL_S = (
    0.000_5  # pyserial has no wait that works alike for ports and URLs, so the port is looked at so often
)
_AROUND_PDU = 3  # unit id before, checksum after
_EXCEPTION_BYTES = 2
_FRAME_MIN = 4
_UNITS = range(1, 248)  # 0 is a broadcast, which nobody answers; 248 and above are reserved


class SerialLine:
    """The port behind a link; see ``controller.modbus.link.Link``."""

    def __init__(self, settings: SerialSettings) -> None:
        self.name = name_of(settings)
        self.losses = 0
        self._is_open = False
        self._settings = settings
        self._sent = b""
        self._client = ModbusSerialClient(
            settings.port, retries=0, baudrate=settings.baud, trace_packet=self._remember
        )
        self._port = Bounded(self._open_port)
        self._tried_s = float("-inf")
        self._active_s = float("-inf")  # when the last byte was seen on the line
        self._sent_s = float("-inf")  # when the last request had gone out
        self._rest_until_s = float("-inf")

    def rest(self) -> None:
        """After a failure, wait until no late answer can come any more (``late_answer_s`` at most)."""
        time.sleep(max(self._rest_until_s - time.monotonic(), 0.0))

    def close(self) -> None:
        """Close; the next ``ask`` opens again."""
        self._port.drop()
        self.losses += self._is_open
        self._is_open = False
        self._client.close()  # type: ignore[no-untyped-call]  # pymodbus gives it no types

    def give_up(self) -> None:
        """After a failure the line must rest: whoever was asked may still answer."""
        self._rest_until_s = self._sent_s + self._settings.late_answer_s

    def ask(self, request: Request, end_s: float) -> bytes:
        """Send the request; the answer's PDU. LinkError at ``end_s`` (monotonic) at the latest."""
        if request.unit_id not in _UNITS:
            raise ValueError(f"unit id {request.unit_id} is not in 1..247")
        if self._client.socket is None:
            self._open(end_s)
        try:
            self._until_silent(end_s)
            send(self._client, request)
            self._sent_s = time.monotonic() + len(self._sent) * self._settings.character_s
            return self._receive(request, end_s)
        except (OSError, ConnectionException) as error:
            self.close()
            raise not_connected(f"{self.name} is gone ({error}): look at the adapter and its plug") from error

    def _remember(self, sending: bool, packet: bytes) -> bytes:
        if sending:
            self._sent = packet
        return packet

    # --- opening ------------------------------------------------------------------------------------------

    def _open(self, end_s: float) -> None:
        allowed_s = self._tried_s + OPEN_EVERY_S
        if allowed_s >= end_s:
            raise not_connected(
                f"{self.name} was just tried in vain; the next attempt is at most {OPEN_EVERY_S:g} s off"
            )
        time.sleep(max(allowed_s - time.monotonic(), 0.0))
        self._tried_s = self._active_s = time.monotonic()
        self._client.socket = self._opened(end_s)
        self._is_open = True

    def _opened(self, end_s: float) -> serial.Serial:
        """Opening has no time-out: a driver may hang, and pyserial gives the host of a URL five seconds."""
        try:
            port = self._port.get(end_s)
        # pyserial lets errors of the system's terminal layer through, which have no common class but this
        except Exception as error:
            raise not_connected(
                f"{self.name} cannot be opened ({str(error) or 'it hangs'}): look at its name, its rights "
                "and who else uses it"
            ) from error
        if self._settings.rs485 is not None:
            self._switch_to_rs485(port)
        return port

    def _open_port(self) -> serial.Serial:
        s = self._settings
        return serial.serial_for_url(
            s.port,
            baudrate=s.baud,
            bytesize=s.data_bits,
            parity=s.parity,
            stopbits=s.stop_bits,
            timeout=0,
            write_timeout=WRITE_S,
            exclusive=True,
        )

    def _switch_to_rs485(self, port: serial.Serial) -> None:
        r = self._settings.rs485
        assert r is not None
        try:
            port.rs485_mode = serial.rs485.RS485Settings(
                r.rts_level_for_tx, r.rts_level_for_rx, r.loopback, r.delay_before_tx_s, r.delay_before_rx_s
            )
        except (OSError, ValueError, NotImplementedError) as error:
            port.close()
            raise not_connected(
                f"{self.name} cannot switch RS-485 itself ({error}): leave rs485 out if the adapter does it"
            ) from error

    # --- receiving ----------------------------------------------------------------------------------------

    def _receive(self, request: Request, end_s: float) -> bytes:
        got = b""
        while more := self._bytes_until(end_s):
            got += more
            if len(got) < 2:
                continue
            ours = got[0] == request.unit_id and got[1] & 0x7F == request.function
            length = _AROUND_PDU + (_EXCEPTION_BYTES if got[1] & 0x80 else request.answer_bytes)
            if ours and len(got) < length:
                continue
            if ours and _sound(got[:length]):
                return got[1 : length - 2]  # what follows is taken away before the next request
            got += self._until_silent(end_s)
            raise self._other(request, got) or garbled(
                "the checksum is wrong: look at screen, terminators, baud, parity and double unit ids"
            )
        came = f"only {len(got)} bytes came back" if got else "nothing came back"
        raise self._other(request, got) or timed_out(
            f"{came} in time: look at supply, unit id, baud, parity and the wires of the device"
        )

    def _other(self, request: Request, got: bytes) -> LinkError | None:
        """The error when these bytes are a sound frame, but not the answer."""
        if got and got.startswith(self._sent):
            return garbled("the adapter echoes what is sent: switch its echo off")
        if not _sound(got):
            return None
        return foreign(
            f"unit {request.unit_id} function {request.function} was asked for {request.answer_bytes} bytes, "
            f"unit {got[0]} function {got[1]} gave {len(got) - _AROUND_PDU}: look for a second master, or a "
            "device slower than late_answer_s"
        )

    def _until_silent(self, end_s: float) -> bytes:
        """What comes until the line has been silent for the pause between frames; GARBLED if it never is."""
        got = b""
        while data := self._bytes_until(max(self._active_s + self._settings.frame_gap_s, time.monotonic())):
            got += data
            if self._active_s >= end_s:
                raise garbled("the line is never silent: look for a second master and at the bias resistors")
        return got

    def _bytes_until(self, moment_s: float) -> bytes:
        """The next bytes; nothing when none came by that moment."""
        port = self._client.socket
        if port is None:
            raise not_connected(f"{self.name} is closed")
        while not (waiting := port.in_waiting):
            rest_s = moment_s - time.monotonic()
            if rest_s <= 0.0:
                return b""
            time.sleep(min(rest_s, POLL_S))
        self._active_s = time.monotonic()
        return bytes(port.read(waiting))


def _sound(frame: bytes) -> bool:
    """Whether these bytes end in their own checksum."""
    checksum = int.from_bytes(frame[-2:], "big")
    return len(frame) >= _FRAME_MIN and FramerRTU.compute_CRC(frame[:-2]) == checksum
