"""A controller that polls: our plant stands in for its remote I/O."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack

from controller.modbus.pdu import Registers
from controller.modbus.server import ServerThread, serve_serial, serve_tcp
from controller.signals import Inputs, Outputs
from controller.tables import Table
from controller.wiring import Asker, Direction, Point, TcpLink, Use, Wiring
from controller.wiring import Link as WiredLink
from controller.wiring.model import direction_of
from sim_plant.bench.live.field import Commands, Rounds, StateWords
from sim_plant.serve.remote_io import RemoteIo


def _monotonic_ms() -> int:
    return time.monotonic_ns() // 1_000_000


class PolledField:
    """Serves every link of the wiring until it is closed.

    OSError when a port cannot be had, ValueError when a link may not be served (see ``serve_tcp``).
    """

    def __init__(
        self, wiring: Wiring, beyond_loopback: bool = False, now_ms: Callable[[], int] = _monotonic_ms
    ) -> None:
        self.rounds = Rounds()
        self._wiring, self._now_ms = wiring, now_ms
        self._io = RemoteIo(wiring, now_ms)
        self._commands, self._words = Commands(wiring), StateWords(wiring)
        self._state_points = [(p.device, p.name) for p in wiring.points if p.use is Use.STATE]
        self._heard = {device.name: _Heard(now_ms, self._took) for device in wiring.devices}
        self._inputs = [
            [p for p in wiring.points if p.use is Use.FIELD_INPUT and p.unit == unit]
            for unit in range(wiring.n_units + 1)
        ]
        places: list[str] = []
        with ExitStack() as stack:
            thread = stack.enter_context(ServerThread())
            places = [self._serve(thread, link, beyond_loopback) for link in wiring.links]
            self._stack = stack.pop_all()
        self.name = f"controller that polls {', '.join(places)}"

    def _serve(self, thread: ServerThread, link: WiredLink, beyond_loopback: bool) -> str:
        devices = {
            device.unit_id: self._heard[device.name].listening_to(self._io.on_link(link.name)[device.unit_id])
            for device in self._wiring.devices
            if device.link == link.name
        }
        if isinstance(link, TcpLink):
            server = thread.start(serve_tcp(devices, link.host, link.port, beyond_loopback=beyond_loopback))
            return f"{link.host}:{server.port}"
        parity, stop_bits = link.parity.value[0].upper(), link.stop_bits
        thread.start(serve_serial(devices, link.port, link.baud, parity=parity, stop_bits=stop_bits))
        return link.port

    def _took(self, ms: float) -> None:
        self.rounds.add(ms)

    def publish(self, inputs: Inputs) -> None:
        """Into the registers, from where the controller fetches it."""
        now_ms = self._now_ms()
        self._commands.take(inputs.commands, now_ms)
        self._io.publish(inputs, self._commands.values(now_ms))

    def outputs(self) -> Outputs:
        """What has been written; the loss state of a device that nobody writes to."""
        return self._io.drive()

    def states(self) -> tuple[int, ...]:
        """What the controller has written of its states."""
        return self._words.codes({name: self._io.value(device, name) for device, name in self._state_points})

    def ages_ms(self) -> tuple[int, ...]:
        """Since the controller last fetched them whole."""
        return tuple(
            max((self._heard[point.device].age_ms(point) for point in points), default=0)
            for points in self._inputs
        )

    def trouble(self) -> str:
        """Which device nobody writes to."""
        lost = self._io.lost_devices()
        if not lost:
            return ""
        others = f" and {len(lost) - 1} more" if len(lost) > 1 else ""
        return (
            f"nobody writes to {lost[0]}{others}: does the controller run, does it poll this address and "
            "unit id, and does its heartbeat change?"
        )

    def unheard(self) -> list[str]:
        """Points that have not been read or written since the start, each in its direction."""
        return [
            point.name
            for device in self._wiring.devices
            for point in self._wiring.points_of(device.name)
            if not self._heard[device.name].knows(point)
        ]

    def misread(self) -> list[str]:
        """None: what a controller made of what it read cannot be seen here."""
        return []

    def close(self) -> None:
        """Stop serving; the controller loses its I/O."""
        self._stack.close()


class _Heard:
    """When the addresses of a device were last read and written, and how long from one write to the next."""

    def __init__(self, now_ms: Callable[[], int], took_ms: Callable[[float], None]) -> None:
        self._now_ms, self._took_ms = now_ms, took_ms
        self._read: dict[tuple[Table, int], int] = {}
        self._written: set[tuple[Table, int]] = set()
        self._last_s: dict[tuple[Table, int], float] = {}
        self._lock = threading.Lock()

    def knows(self, point: Point) -> bool:
        """Whether all of it has been exchanged, in its direction."""
        driven = direction_of(point.use, Asker.CONTROLLER) is Direction.WRITE
        with self._lock:
            return _cells(point) <= (self._written if driven else self._read.keys())

    def age_ms(self, point: Point) -> int:
        """Since all of it was last read; 0 when it never was."""
        with self._lock:
            read_ms = min(self._read.get(cell, 0) for cell in _cells(point))
        return self._now_ms() - read_ms if read_ms else 0

    def listening_to(self, device: Registers) -> Registers:
        """The device, overheard."""
        return _Overheard(device, self)

    def read(self, table: Table, address: int, count: int) -> None:
        """Somebody has read."""
        now_ms = self._now_ms()
        with self._lock:
            self._read |= {(table, at): now_ms for at in range(address, address + count)}

    def wrote(self, table: Table, address: int, count: int) -> None:
        """Somebody has written."""
        now_s = time.monotonic()
        with self._lock:
            self._written |= {(table, at) for at in range(address, address + count)}
            last_s = self._last_s.get((table, address))
            self._last_s[table, address] = now_s
        if last_s is not None:
            self._took_ms(1000.0 * (now_s - last_s))


def _cells(point: Point) -> set[tuple[Table, int]]:
    return {(point.table, at) for at in range(point.address, point.end)}


class _Overheard:
    def __init__(self, device: Registers, heard: _Heard) -> None:
        self._device, self._heard = device, heard

    def read(self, table: Table, address: int, count: int) -> Sequence[int]:
        values = self._device.read(table, address, count)
        self._heard.read(table, address, count)
        return values

    def write(self, table: Table, address: int, values: Sequence[int], writer: str) -> None:
        self._device.write(table, address, values, writer)
        self._heard.wrote(table, address, len(values))
