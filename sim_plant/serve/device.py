"""One I/O device of the simulated plant: its registers, what it drives, and what may go wrong with it.

A device holds its outputs as long as somebody writes to it. When nobody has for ``LOSS_MS``, they fall to
their loss state (narrative 2.3). Where it has a ``heartbeat``, a write that does not change it keeps nothing
alive, and wakes nothing: a master whose program has stopped may well go on writing its last image.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from controller.modbus.pdu import AddressError, NoAnswerError, ValueRefusedError
from controller.tables import Table
from controller.wiring import Asker, Device, Direction, Point, RawType, Use, Wiring, decode, encode
from controller.wiring.blocks import limit_of
from controller.wiring.codec import limits_of
from controller.wiring.model import direction_of

LOSS_MS = 2_000
Values = Mapping[str, bool | float]
"""By the names of points."""

_SHOWN = (Use.FIELD_INPUT, Use.COMMAND)


class Writer(NamedTuple):
    """Who wrote last: the peer's address or the line, and the owner number, None where there is none."""

    peer: str
    owner: int | None


class IoDevice:
    """A device of the wiring, as ``controller.modbus.pdu.Registers``; every call is safe from any thread.

    It answers for the addresses that a point names and for those in between that the wiring's ``gap`` lets a
    read run over, and for no more at once than the wiring says. What a controller writes may be written and
    read back, nothing else may be written. A value of 32 bits is written whole or not at all. A float that
    is no number is refused.
    """

    def __init__(self, wiring: Wiring, name: str, now_ms: Callable[[], int]) -> None:
        self.wired = wiring.device(name)
        points = tuple(wiring.points_of(name))
        self._points = {point.name: point for point in points}
        self._inputs = tuple(point for point in points if point.use in _SHOWN)
        self._outputs = tuple(point for point in points if point.use is Use.FIELD_OUTPUT)
        self._now_ms, self._lock = now_ms, threading.Lock()
        self._cells = {table: dict.fromkeys(_readable(self.wired, table, points), 0) for table in Table}
        self._whole = {table: _written_together(table, points) for table in Table}
        self._driving = {table: _places(table, self._outputs) for table in Table}
        self._life, self._identity = 0, _expected(self.wired.identity)
        self._stands_still = self._holds = self._boots = False
        self._silent_until_ms = 0
        self._counted_ms: int | None = None  # the last write that counted
        self._fallen = True  # the outputs are at their loss state, because nobody writes
        self._driven: Values | None = None  # what the output cells say, once it has been asked for
        self._peer = ""
        self._start()

    # --- the side of the controller: any thread of a server ----------------------------------------------

    def read(self, table: Table, address: int, count: int) -> Sequence[int]:
        """The cells as they stand. NoAnswerError while the device is silent."""
        with self._lock:
            self._look()
            self._demand_at_most(count, table, Direction.READ)
            cells = self._cells[table]
            try:
                return [cells[at] for at in range(address, address + count)]
            except KeyError:
                raise AddressError from None

    def write(self, table: Table, address: int, values: Sequence[int], writer: str) -> None:
        """Take all values or none. NoAnswerError while the device is silent."""
        with self._lock:
            now_ms = self._look()
            self._demand_at_most(len(values), table, Direction.WRITE)
            self._demand_whole(table, address, address + len(values))
            new = dict(zip(range(address, address + len(values)), map(int, values), strict=True))
            self._demand_numbers(table, new)
            if self._is_sign_of_life(table, new):
                self._counted_ms, self._peer, self._fallen = now_ms, writer, False
            elif self._fallen:
                new = {at: word for at, word in new.items() if at not in self._driving[table]}
            self._cells[table] |= new
            self._show_marks()
            self._driven = None

    # --- the side of the plant ---------------------------------------------------------------------------

    def publish(self, values: Values, age_ms: int) -> None:
        """A new image of its inputs, ``values`` by name: its ``life`` goes on by one.

        Nothing changes while the device boots or stands still, or when the image has an age, which says that
        the plant's own module does not deliver.
        """
        shown = self._encoded((point, values.get(point.name, point.loss)) for point in self._inputs)
        with self._lock:
            if self._boots and self._now_ms() >= self._silent_until_ms:
                self._boots = False
            elif self._boots or self._stands_still or age_ms > 0:
                return
            self._put(shown)
            self._count_life()

    def driven(self) -> Values:
        """What its outputs drive now, by name."""
        with self._lock:
            self._fall_when_due(self._now_ms())
            if self._driven is None:
                self._driven = {point.name: self._value(point) for point in self._outputs}
            return self._driven

    def value(self, name: str) -> bool | float:
        """What stands at one of its points; KeyError when it has no such."""
        with self._lock:
            self._fall_when_due(self._now_ms())
            return self._value(self._points[name])

    def alive(self) -> bool:
        """Somebody has written within ``LOSS_MS``, in a way that counts; or there is nothing to write."""
        with self._lock:
            return not any(self._whole.values()) or not self._is_lost(self._now_ms())

    def writer(self) -> Writer | None:
        """Who wrote last; None when nobody has within ``LOSS_MS``."""
        with self._lock:
            if self._is_lost(self._now_ms()):
                return None
            owner = self.wired.owner
            return Writer(self._peer, None if owner is None else int(self._value(owner)))

    # --- what may go wrong -------------------------------------------------------------------------------

    def reboot(self, silent_ms: int) -> None:
        """Silent for so long, then alive with its next image: life from 0, no owner, outputs at loss.

        Outputs that are held (``hold_outputs``) stay as they are.
        """
        with self._lock:
            self._silent_until_ms, self._boots = self._now_ms() + silent_ms, True
            self._start()

    def silence(self, for_ms: int) -> None:
        """No answer for so long; its program runs on."""
        with self._lock:
            self._silent_until_ms = self._now_ms() + for_ms

    def hold_outputs(self, on: bool) -> None:
        """Keep the outputs when nobody writes, and over a reboot, in place of the loss state (F75)."""
        with self._lock:
            self._holds = on

    def show_identity(self, value: float | None) -> None:
        """Show another identity, None for its own (F76); ValueError when it has no such point."""
        point = self.wired.identity
        if point is None:
            raise ValueError(f"{self.wired.name} has no identity")
        with self._lock:
            self._identity = _expected(point) if value is None else value
            self._show_own()

    def stand_still(self, on: bool) -> None:
        """Answer, with life and image standing still (F68); what is written still arrives."""
        with self._lock:
            self._stands_still = on

    # --- inside, with the lock held ----------------------------------------------------------------------

    def _start(self) -> None:
        """As after power on; the outputs fall unless they are held."""
        self._counted_ms, self._peer, self._life = None, "", 0
        self._put(self._encoded((point, point.loss) for point in self._inputs))
        marks = (self.wired.heartbeat, self.wired.owner)
        self._put(self._encoded((point, 0) for point in marks if point is not None))
        self._show_marks()
        self._show_own()
        if not self._holds:
            self._fall()

    def _look(self) -> int:
        """Every request begins here; the moment."""
        now_ms = self._now_ms()
        if self._boots or now_ms < self._silent_until_ms:
            raise NoAnswerError
        self._fall_when_due(now_ms)
        return now_ms

    def _is_lost(self, now_ms: int) -> bool:
        return self._counted_ms is None or now_ms - self._counted_ms >= LOSS_MS

    def _fall_when_due(self, now_ms: int) -> None:
        if self._is_lost(now_ms) and not self._fallen and not self._holds:
            self._fall()

    def _fall(self) -> None:
        self._put(self._encoded((point, point.loss) for point in self._outputs))
        self._fallen, self._driven = True, None

    def _is_sign_of_life(self, table: Table, new: Mapping[int, int]) -> bool:
        beat = self.wired.heartbeat
        if beat is None:
            return True
        cells = self._cells[table]
        places = range(beat.address, beat.end) if beat.table is table else ()
        return any(at in new and new[at] != cells[at] for at in places)

    def _demand_at_most(self, count: int, table: Table, direction: Direction) -> None:
        if count > limit_of(self.wired, table, direction):
            raise ValueRefusedError

    def _demand_whole(self, table: Table, first: int, end: int) -> None:
        """Every address is one that may be written, and no value is cut in two."""
        whole = self._whole[table]
        for at in range(first, end):
            span = whole.get(at)
            if span is None or span.start < first or span.stop > end:
                raise AddressError

    def _demand_numbers(self, table: Table, new: Mapping[int, int]) -> None:
        for point in self._outputs:
            if point.type is RawType.FLOAT32 and point.table is table and point.address in new:
                words = [new[at] for at in range(point.address, point.end)]
                if not math.isfinite(decode(point, words)):
                    raise ValueRefusedError

    def _show_marks(self) -> None:
        """Heartbeat and owner as the device has them."""
        pairs = (
            (self.wired.heartbeat_seen, self.wired.heartbeat),
            (self.wired.owner_seen, self.wired.owner),
        )
        self._put(self._encoded((seen, self._value(of)) for seen, of in pairs if seen and of))

    def _show_own(self) -> None:
        """Who it is, and the value that is known."""
        own = ((self.wired.identity, self._identity), (self.wired.known, _expected(self.wired.known)))
        self._put(self._encoded((point, value) for point, value in own if point and value is not None))

    def _count_life(self) -> None:
        """One scan more; a counter of its type runs over its end and begins at the other."""
        point = self.wired.life
        self._life += 1
        if point is not None:
            least, most = map(int, limits_of(point.type))
            self._put(self._encoded([(point, (self._life - least) % (most - least + 1) + least)]))

    def _value(self, point: Point) -> bool | float:
        cells = self._cells[point.table]
        return decode(point, [cells[at] for at in range(point.address, point.end)])

    def _put(self, cells: Mapping[Table, Mapping[int, int]]) -> None:
        for table, new in cells.items():
            self._cells[table] |= new

    @staticmethod
    def _encoded(values: Iterable[tuple[Point, bool | float]]) -> dict[Table, dict[int, int]]:
        """Cells for values; bits of one register are put together. Needs no lock."""
        cells: dict[Table, dict[int, int]] = {}
        for point, value in values:
            table = cells.setdefault(point.table, {})
            for at, word in enumerate(encode(point, value), point.address):
                table[at] = table.get(at, 0) | int(word)
        return cells


def _places(table: Table, points: Iterable[Point]) -> frozenset[int]:
    """Addresses that these points take up in a table."""
    return frozenset(at for p in points if p.table is table for at in range(p.address, p.end))


def _readable(device: Device, table: Table, points: Iterable[Point]) -> list[int]:
    """What a point names, and what lies between two of them when it is no more than ``gap``."""
    places = sorted(_places(table, points))
    gaps = [at for a, b in pairwise(places) if b - a - 1 <= device.gap for at in range(a + 1, b)]
    return places + gaps


def _written_together(table: Table, points: Iterable[Point]) -> dict[int, range]:
    """What may be written: each address with those that must be written with it."""
    return {
        at: range(point.address, point.end)
        for point in points
        if point.table is table and direction_of(point.use, Asker.CONTROLLER) is Direction.WRITE
        for at in range(point.address, point.end)
    }


def _expected(point: Point | None) -> float | None:
    return None if point is None else point.expected
