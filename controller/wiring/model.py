"""What a wiring is made of: links, devices, points. Frozen data that has been checked; nothing here acts.

A wiring does not say who asks and who answers. ``Asker`` says it for the one use at hand: a controller reads
the field's inputs and drives its outputs; the bench, in front of a PLC that is a server, does the opposite.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeVar

from controller.signals import Kind, Signal
from controller.tables import Table

ADDRESS_MAX = 65535
WORD_BITS = 16


class RawType(StrEnum):
    """How a value stands in its bit or registers."""

    BOOL = "bool"
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"

    @property
    def registers(self) -> int:
        """Addresses that it takes up."""
        return 2 if self.value.endswith("32") else 1


class WordOrder(StrEnum):
    """Which half of a 32-bit value has the lower address. Bytes within a register are never swapped."""

    HIGH_FIRST = "high_first"
    LOW_FIRST = "low_first"


class Parity(StrEnum):
    """Of a serial line."""

    EVEN = "even"
    ODD = "odd"
    NONE = "none"


class Asker(StrEnum):
    """Who sends the requests."""

    CONTROLLER = "controller"
    """Our firmware, or a PLC that polls the simulated plant as its remote I/O."""
    BENCH = "bench"
    """The bench, in front of a PLC that is a server."""


class Direction(StrEnum):
    """Of a value, seen from the side that asks."""

    READ = "read"
    WRITE = "write"


class Use(StrEnum):
    """What a point is there for."""

    FIELD_INPUT = "field input"
    FIELD_OUTPUT = "field output"
    STATE = "state"
    COMMAND = "command"
    IDENTITY = "identity"
    KNOWN = "known"
    LIFE = "life"
    HEARTBEAT = "heartbeat"
    HEARTBEAT_SEEN = "heartbeat_seen"
    OWNER = "owner"
    OWNER_SEEN = "owner_seen"


_FROM_CONTROLLER = frozenset({Use.FIELD_OUTPUT, Use.STATE})
_TO_CONTROLLER = frozenset({Use.FIELD_INPUT, Use.COMMAND})
_FROM_ASKER = frozenset({Use.HEARTBEAT, Use.OWNER})
OF_TARGET = frozenset({Use.STATE, Use.COMMAND})
"""For a controller under test; our own firmware has other ways for both and passes them over."""


def direction_of(use: Use, asker: Asker) -> Direction:
    """Whether the side that asks reads or writes such a point."""
    if use in _FROM_ASKER:
        return Direction.WRITE
    if use in _FROM_CONTROLLER:
        return Direction.WRITE if asker is Asker.CONTROLLER else Direction.READ
    if use in _TO_CONTROLLER:
        return Direction.READ if asker is Asker.CONTROLLER else Direction.WRITE
    return Direction.READ


@dataclass(frozen=True)
class TcpLink:
    """One TCP connection. ``timeout_ms`` is for one request, ``exchange_ms`` from one round to the next."""

    name: str
    host: str
    port: int
    timeout_ms: int
    exchange_ms: int


@dataclass(frozen=True)
class Rs485:
    """How the line driver is switched, where the port does it by RTS."""

    rts_on_send: bool = True
    rts_on_receive: bool = False
    delay_before_send_ms: float = 0.0
    delay_before_receive_ms: float = 0.0
    loopback: bool = False


@dataclass(frozen=True)
class SerialLink:
    """One serial line, RTU, eight data bits. ``port`` is a device name or a URL of pyserial."""

    name: str
    port: str
    baud: int
    parity: Parity
    stop_bits: int
    rs485: Rs485 | None
    timeout_ms: int
    exchange_ms: int


Link = TcpLink | SerialLink


@dataclass(frozen=True)
class Scale:
    """``raw_lo`` in the register means ``ma_lo``, ``raw_hi`` means ``ma_hi``; a straight line between."""

    raw_lo: float
    raw_hi: float
    ma_lo: float = 4.0
    ma_hi: float = 20.0


@dataclass(frozen=True)
class Point:
    """Where one value lives.

    ``name`` is unique: "unit3.suction_ma", "bank.header_ma", "unit3.state", "skid3.life". ``unit`` is 0 for
    the bank and for service points. ``bit`` counts from the lowest, 0 to 15. ``expected`` is the value of
    ``identity`` and ``known``. ``codes`` are the words of a state or command. ``source`` is the entry of
    wiring.toml.
    """

    name: str
    device: str
    use: Use
    table: Table
    address: int
    type: RawType
    bit: int | None = None
    word_order: WordOrder = WordOrder.HIGH_FIRST
    scale: Scale | None = None
    invert: bool = False
    signal: Signal | None = None
    unit: int = 0
    expected: float | None = None
    codes: tuple[tuple[int, str], ...] = ()
    source: str = field(default="", compare=False)

    @property
    def count(self) -> int:
        """Addresses that it takes up, from ``address`` on."""
        return self.type.registers

    @property
    def end(self) -> int:
        """The address after its last."""
        return self.address + self.count

    @property
    def tag(self) -> str:
        """Tag of the I/O list with the unit's number in it; empty when the point is no signal."""
        return self.signal.tag.replace("x", str(self.unit)) if self.signal else ""

    @property
    def loss(self) -> bool | float:
        """The value told when there is none: open, 0 mA for a loop that is read, 4 mA for one driven."""
        if self.type is RawType.BOOL:
            return False
        return 4.0 if self.signal is not None and self.signal.kind is Kind.AO else 0.0


@dataclass(frozen=True)
class Device:
    """What answers on a link under one unit id, and what one request to it may hold.

    ``gap``: a read may run over so many addresses in a row that no point names. ``word_order`` is that of its
    points that say nothing else.
    """

    name: str
    link: str
    unit_id: int
    timeout_ms: int
    fc23: bool = False
    max_read: int = 125
    max_read_bits: int = 2000
    max_write: int = 123
    max_write_bits: int = 1968
    gap: int = 0
    word_order: WordOrder = WordOrder.HIGH_FIRST
    identity: Point | None = None
    known: Point | None = None
    life: Point | None = None
    heartbeat: Point | None = None
    heartbeat_seen: Point | None = None
    owner: Point | None = None
    owner_seen: Point | None = None

    @property
    def service_points(self) -> tuple[Point, ...]:
        """Those that it has."""
        all_of_them = (self.identity, self.known, self.life, self.heartbeat, self.heartbeat_seen, self.owner)
        return tuple(point for point in (*all_of_them, self.owner_seen) if point is not None)


@dataclass(frozen=True)
class Wiring:
    """A wiring that has been checked for the side that asks.

    ``points`` are the signals of the I/O list in its order, bank first, then what a tested controller has.
    ``left_out`` names options without a wire; ``notes`` is what a person should know, a line each.
    """

    n_units: int
    asker: Asker
    links: tuple[Link, ...]
    devices: tuple[Device, ...]
    points: tuple[Point, ...]
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=(), compare=False)

    def link(self, name: str) -> Link:
        """The link of that name; KeyError when there is none."""
        return _named(self.links, name)

    def device(self, name: str) -> Device:
        """The device of that name; KeyError when there is none."""
        return _named(self.devices, name)

    def point(self, name: str) -> Point:
        """The signal or service point of that name; KeyError when there is none."""
        return _named((*self.points, *(p for d in self.devices for p in d.service_points)), name)

    def points_of(self, device: str) -> Iterator[Point]:
        """All that lives on a device, its service points first."""
        yield from self.device(device).service_points
        yield from (point for point in self.points if point.device == device)


_Row = TypeVar("_Row", TcpLink | SerialLink, Device, Point)


def _named(rows: tuple[_Row, ...], name: str) -> _Row:
    for row in rows:
        if row.name == name:
            return row
    raise KeyError(name)
