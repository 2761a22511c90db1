"""Both ends of a line for tests: a TCP client of raw bytes, a serial line made of pseudo terminals."""

from __future__ import annotations

import fcntl
import os
import select
import socket
import sys
import termios
import threading
import time
import tty
from typing import Self

DEADLINE_S = 10.0  # no test waits so long unless something is broken
SILENCE_S = 0.06  # three times the server's own


class TcpLine:
    """A client that sends what it is told and takes what it gets."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), DEADLINE_S)

    def send(self, data: bytes) -> None:
        self.socket.sendall(data)

    def receive(self, n_bytes: int) -> bytes:
        """Exactly so many bytes, or fewer when the server closed."""
        data = b""
        while len(data) < n_bytes and (more := self.socket.recv(n_bytes - len(data))):
            data += more
        return data

    def is_closed(self) -> bool:
        """Wait for the end of the connection; False when something else came first."""
        try:
            return self.socket.recv(1) == b""
        except ConnectionError:
            return True

    def close(self) -> None:
        self.socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self.close()


class SerialLine:
    """A pseudo terminal: ``name`` is the port for a server, and here is the other end."""

    def __init__(self) -> None:
        self.here, self._port = os.openpty()
        tty.setraw(self._port)
        self.name = os.ttyname(self._port)

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.here, data) :]

    def receive(self, n_bytes: int, within_s: float = DEADLINE_S) -> bytes:
        """Exactly so many bytes, or those that came within the time."""
        data, end_s = b"", time.monotonic() + within_s
        while len(data) < n_bytes and self._readable(end_s - time.monotonic()):
            data += os.read(self.here, n_bytes - len(data))
        return data

    def wait_for_arrival(self, n_bytes: int) -> None:
        """Until so many bytes that were sent stand at the port, unread; the kernel takes its time."""
        end_s = time.monotonic() + DEADLINE_S
        while self._standing() < n_bytes and time.monotonic() < end_s:
            time.sleep(0.001)

    def is_silent(self, for_s: float = SILENCE_S) -> bool:
        """Whether nothing comes for so long."""
        return not self._readable(for_s)

    def close(self) -> None:
        os.close(self.here)
        os.close(self._port)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self.close()

    def _standing(self) -> int:
        return int.from_bytes(fcntl.ioctl(self._port, termios.FIONREAD, bytes(4)), sys.byteorder)

    def _readable(self, for_s: float) -> bool:
        return bool(select.select([self.here], [], [], max(for_s, 0.0))[0])


class SerialCable:
    """Two ports joined to each other, ``names``, for two programs that want a port each. No baud timing."""

    def __init__(self) -> None:
        self._ends = (SerialLine(), SerialLine())
        self.names = tuple(end.name for end in self._ends)
        self._stop, self._stopped = os.pipe()
        self._thread = threading.Thread(target=self._carry, name="cable", daemon=True)
        self._thread.start()

    def close(self) -> None:
        os.close(self._stopped)
        self._thread.join(DEADLINE_S)
        os.close(self._stop)
        for end in self._ends:
            end.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self.close()

    def _carry(self) -> None:
        one, two = (end.here for end in self._ends)
        while True:
            ready = select.select([one, two, self._stop], [], [])[0]
            if self._stop in ready:
                return
            for end in ready:
                os.write(two if end == one else one, os.read(end, 4096))
