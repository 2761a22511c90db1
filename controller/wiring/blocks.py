"""Points gathered into requests: as few as the limits of a device allow, and the same every time.

A block is one request. A point is in exactly one block of its direction and never split over two, so a value
is never made of two answers. A read may run over addresses that no point names, up to the device's ``gap``;
a write never does, since it would change what is not ours.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from controller.tables import Table
from controller.wiring.codec import decode, encode
from controller.wiring.model import (
    OF_TARGET,
    Asker,
    Device,
    Direction,
    Point,
    Wiring,
    direction_of,
)

FC23_WRITE_MAX = 121
"""Registers that one FC23 may write (MODBUS Application Protocol V1.1b3, 6.17); FC16 may write 123."""

_READ_CODES = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}
_WRITE_CODES = {Table.COIL: 15, Table.HOLDING: 16}


@dataclass(frozen=True)
class Block:
    """One request: ``count`` bits or registers of a table from ``address`` on, and the points in them."""

    device: str
    table: Table
    address: int
    count: int
    points: tuple[Point, ...]

    @property
    def end(self) -> int:
        """The address after its last."""
        return self.address + self.count


@dataclass(frozen=True)
class Exchange:
    """One question and its answer on the line: a block that is read, one that is written, or both at once."""

    read: Block | None
    write: Block | None

    @property
    def function_code(self) -> int:
        """Of the request."""
        if self.read is None:
            assert self.write is not None  # an exchange has a block
            return _WRITE_CODES[self.write.table]
        return _READ_CODES[self.read.table] if self.write is None else 23


def blocks_of(wiring: Wiring, device: str, direction: Direction) -> tuple[Block, ...]:
    """All that is read from a device, or written to it, in one round; KeyError when there is no such device.

    Our firmware has no use for the state and command of a controller under test, so no request carries them
    when a controller asks.
    """
    found = wiring.device(device)
    points = [point for point in wiring.points_of(device) if carried(point, wiring.asker) is direction]
    return tuple(
        block
        for table in Table
        for block in _gather(found, direction, [point for point in points if point.table is table])
    )


def carried(point: Point, asker: Asker) -> Direction | None:
    """Whether requests read or write a point; None when they pass it over."""
    if asker is Asker.CONTROLLER and point.use in OF_TARGET:
        return None
    return direction_of(point.use, asker)


def exchanges_of(wiring: Wiring, device: str) -> tuple[Exchange, ...]:
    """One round with a device, in this order: what goes as FC23, then what is read, then what is written.

    FC23 writes before it reads. Otherwise reads go first, so that the mark of a second master is seen before
    our own is written over it.
    """
    reads = list(blocks_of(wiring, device, Direction.READ))
    writes = list(blocks_of(wiring, device, Direction.WRITE))
    both: list[Exchange] = []
    if wiring.device(device).fc23:
        pairs = zip(_registers(reads), _registers(writes), strict=False)  # what has no partner goes alone
        both = [Exchange(read, write) for read, write in pairs]
    paired = [block for pair in both for block in (pair.read, pair.write)]
    alone_read = [Exchange(block, None) for block in reads if block not in paired]
    alone_write = [Exchange(None, block) for block in writes if block not in paired]
    return (*both, *alone_read, *alone_write)


def pack(block: Block, values: Mapping[str, bool | float]) -> list[bool] | list[int]:
    """The content of a write block; ``values`` by the names of its points, KeyError when one is missing."""
    words = [0] * block.count
    for point in block.points:
        for place, word in enumerate(encode(point, values[point.name]), point.address - block.address):
            words[place] |= int(word)
    return [bool(word) for word in words] if block.table.of_bits else words


def unpack(block: Block, content: Sequence[bool] | Sequence[int]) -> dict[str, bool | float]:
    """The values in the answer to a read block, by the names of its points.

    ValueError when the answer holds fewer than was asked for; more is padding, as FC1 and FC2 answer whole
    bytes.
    """
    if len(content) < block.count:
        raise ValueError(f"{block.device}: {len(content)} of {block.count} asked for")
    first = block.address
    return {p.name: decode(p, content[p.address - first : p.end - first]) for p in block.points}


def limit_of(device: Device, table: Table, direction: Direction) -> int:
    """How many bits or registers of a table one request may hold."""
    if direction is Direction.READ:
        return device.max_read_bits if table.of_bits else device.max_read
    return device.max_write_bits if table.of_bits else device.max_write


def _registers(blocks: list[Block]) -> Iterator[Block]:
    return (block for block in blocks if block.table is Table.HOLDING)


def _gather(device: Device, direction: Direction, points: list[Point]) -> Iterator[Block]:
    """Take points in the order of their addresses into a block until one does not fit any more."""
    gap = device.gap if direction is Direction.READ else 0
    taken: list[Point] = []
    end = 0
    for point in sorted(points, key=lambda p: (p.address, p.bit or 0)):
        too_long = bool(taken) and point.end - taken[0].address > limit_of(device, point.table, direction)
        if taken and (too_long or point.address > end + gap):
            yield _block(device, taken, end)
            taken = []
        taken.append(point)
        end = max(end, point.end) if len(taken) > 1 else point.end
    if taken:
        yield _block(device, taken, end)


def _block(device: Device, points: list[Point], end: int) -> Block:
    first = points[0]
    return Block(device.name, first.table, first.address, end - first.address, tuple(points))
