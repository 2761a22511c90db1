"""The server of Modbus RTU on a serial line.

A unit id that is not ours meets silence, for a neighbour answers. Unit 0 is the broadcast: writes are
carried out on every device, and nothing is answered.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future

import serial

from controller.modbus.desk import Counts, Desk, check_units
from controller.modbus.frames import BROADCAST, Request, RtuFrames, rtu_frame
from controller.modbus.pdu import Registers

READ_MAX = 4096
GAP_S = 0.02  # at least: adapters hand a frame over in pieces, 16 ms apart (common practice, no source)
GAP_CHARACTERS, BITS_PER_CHARACTER = 3.5, 11
WRITE_S = 1.0  # a line that does not take our answer for so long is opened anew
REOPEN_S = 1.0
STOP_S = 2.0


class SerialServer:
    """Answers on a serial line; made by ``serve_serial``.

    A thread does the waiting, since pyserial knows kinds of ports that an event loop cannot watch; the
    devices are called in the loop.
    """

    def __init__(
        self, devices: Mapping[int, Registers], open_port: Callable[[], serial.SerialBase], url: str
    ) -> None:
        self._desk = Desk(devices)
        self._open_port, self._url = open_port, url
        self._frames = RtuFrames(devices.keys())
        self._port = open_port()
        self._loop = asyncio.get_running_loop()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"modbus {url}", daemon=True)
        self._thread.start()

    @property
    def counts(self) -> Counts:
        """What it has seen so far."""
        return self._desk.counts

    async def close(self) -> None:
        """Stop answering and let go of the port."""
        self._ending.set()
        await asyncio.to_thread(self._thread.join, STOP_S)

    def _run(self) -> None:
        is_open = True
        while is_open:
            try:
                with self._port:
                    self._serve()
            except OSError as lost:  # pyserial's own errors are of this family
                self.counts.last_failure = f"{self._url}: {lost}"
            is_open = self._reopen()

    def _reopen(self) -> bool:
        """An adapter that was pulled out may come back. False when we end before."""
        while not self._ending.wait(REOPEN_S):
            with contextlib.suppress(OSError):
                self._port = self._open_port()
                self.counts.reopened += 1
                return True
        return False

    def _serve(self) -> None:
        """``read`` comes back empty when the line was silent for the port's time-out."""
        while not self._ending.is_set():
            data = self._port.read(min(self._port.in_waiting, READ_MAX) or 1)
            if data or self._frames.waiting:
                self._take(self._frames.feed(data) if data else self._frames.silence())
                self.counts.bad_frames = self._frames.bad

    def _take(self, frames: list[Request]) -> None:
        """Carry out what is ours; answer it only when no other frame has come behind it.

        A master asks again, or asks another, after it gave up waiting. An answer to what it gave up would
        be taken for the answer to its next request, or run into a neighbour's.
        """
        response = b""
        while frames and not self._ending.is_set():
            response = [self._in_loop(frame) for frame in frames][-1]
            n_behind = self._port.in_waiting
            frames = self._frames.feed(self._port.read(n_behind)) if n_behind else []
        if response:
            self._port.write(response)

    def _in_loop(self, frame: Request) -> bytes:
        answered: Future[bytes] = Future()
        self._loop.call_soon_threadsafe(lambda: answered.set_result(self._answer(frame)))
        return answered.result()

    def _answer(self, frame: Request) -> bytes:
        """The frame to send; empty for silence."""
        if frame.unit == BROADCAST:
            self._desk.broadcast(frame, self._url)
        elif frame.unit not in self._desk.devices:
            self._desk.counts.foreign += 1
        elif frame.pdu[0] & 0x80:
            pass  # a response: our own echoed, or that of a second device with our id
        else:
            pdu = self._desk.answer(frame, self._url)
            return rtu_frame(frame.unit, pdu) if pdu else b""
        return b""


async def serve_serial(
    devices: Mapping[int, Registers],
    url: str,
    baud: int = 19_200,
    *,
    parity: str = "E",
    stop_bits: float = 1,
    gap_s: float | None = None,
) -> SerialServer:
    """Answer for ``devices`` (unit id 1..247 to device) on a serial line in RTU mode.

    ``url`` is the name of a port or a URL that pyserial knows; ``parity`` is one of its letters. The
    defaults are those of the specification. ``gap_s`` is the silence that ends a frame which its length
    does not end: 3.5 characters, but no less than GAP_S, unless given. The adapter must not echo what it
    sends. A pseudo terminal may know no parity but "N".

    ValueError for a unit id out of range; OSError (pyserial's errors are of its family) when the port
    cannot be had.
    """
    check_units(devices, range(1, 248))
    silence_s = max(GAP_S, GAP_CHARACTERS * BITS_PER_CHARACTER / baud) if gap_s is None else gap_s

    def open_port() -> serial.SerialBase:
        try:
            return serial.serial_for_url(
                url,
                baud,
                parity=parity,
                stopbits=stop_bits,
                timeout=silence_s,
                write_timeout=WRITE_S,
                exclusive=True,
            )
        except (OSError, ValueError):
            raise
        except Exception as refused:  # termios.error is no OSError, and not every system has it
            raise OSError(f"{url} does not take {baud} {parity} {stop_bits:g}: {refused}") from refused

    return SerialServer(devices, open_port, url)
