"""Whether the points of a wiring fit together and fit the site. The first thing that does not is refused."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from controller.files import InputError
from controller.tables import Table
from controller.wiring.blocks import limit_of
from controller.wiring.model import (
    Asker,
    Device,
    Direction,
    Point,
    TcpLink,
    Use,
    Wiring,
    direction_of,
)
from controller.wiring.names import all_signals

_SEEN = {Use.HEARTBEAT_SEEN: Use.HEARTBEAT, Use.OWNER_SEEN: Use.OWNER}
_WHO_WRITES = {
    Asker.CONTROLLER: "the controller asks and must write it",
    Asker.BENCH: "the bench asks and must write it",
}


def check(wiring: Wiring, source: str) -> None:
    """InputError, which names ``source``, when the wiring cannot be used by the side that asks."""
    for text in _faults(wiring):
        raise InputError(f"{source}: {text}")


def _faults(wiring: Wiring) -> Iterator[str]:
    yield from _same_place(wiring)
    yield from _unused(wiring)
    yield from _not_wired_once(wiring)
    for device in wiring.devices:
        points = list(wiring.points_of(device.name))
        yield from _read_only(points, wiring.asker)
        yield from _overlaps(points)
        yield from _written_and_read(points, wiring.asker)
        yield from _too_wide(device, points, wiring.asker)
        yield from _own_mark(device)


def _same_place(wiring: Wiring) -> Iterator[str]:
    """Two links to one port would hinder each other; two devices of one id are one."""
    ports: dict[tuple[str, int], str] = {}
    for link in wiring.links:
        place = (link.host.lower(), link.port) if isinstance(link, TcpLink) else (link.port, 0)
        if place in ports:
            where = f"{link.host}:{link.port}" if isinstance(link, TcpLink) else link.port
            yield f'links "{ports[place]}" and "{link.name}" both go to {where}'
        ports[place] = link.name
    ids: dict[tuple[str, int], str] = {}
    for device in wiring.devices:
        key = (device.link, device.unit_id)
        if key in ids:
            yield f'devices "{ids[key]}" and "{device.name}" both have unit_id {key[1]} on link "{key[0]}"'
        ids[key] = device.name


def _unused(wiring: Wiring) -> Iterator[str]:
    """What nothing uses is most often a slip in a name."""
    for link in wiring.links:
        if not any(device.link == link.name for device in wiring.devices):
            yield f'link "{link.name}" has no device'
    for device in wiring.devices:
        if not any(wiring.points_of(device.name)):
            yield f'device "{device.name}" has no point'


def _not_wired_once(wiring: Wiring) -> Iterator[str]:
    first: dict[str, str] = {}
    for point in wiring.points:
        if point.name in first:
            yield f"{point.source}: {point.name} is wired already, by {first[point.name]}"
        first[point.name] = point.source
    signals = {what.name: what.signal for what in all_signals(wiring.n_units)}
    missing = [name for name in wiring.left_out if (signal := signals[name]) and not signal.is_option]
    if missing:
        more = f" (and {len(missing) - 1} more)" if len(missing) > 1 else ""
        yield f"{missing[0]} is not wired; only options may be left out{more}"


def _read_only(points: list[Point], asker: Asker) -> Iterator[str]:
    for point in points:
        if direction_of(point.use, asker) is Direction.WRITE and not point.table.writable:
            yield (
                f"{point.source}: {point.name} is in table = {point.table}, which nobody can write; "
                f"{_WHO_WRITES[asker]}: coil or holding"
            )


def _overlaps(points: list[Point]) -> Iterator[str]:
    """Two points on one bit, or on one register that is more than bits."""
    taken: dict[tuple[Table, int], list[Point]] = defaultdict(list)
    for point in points:
        for address in range(point.address, point.end):
            for other in taken[point.table, address]:
                apart = point.bit is not None and other.bit is not None and point.bit != other.bit
                if not apart and not _shows(other, point) and not _shows(point, other):
                    yield (
                        f"{point.source}: {point.name} and {other.name} ({other.source}) are both in "
                        f"{_place(point, address)} of {point.device}"
                    )
            taken[point.table, address].append(point)


def _shows(seen: Point, written: Point) -> bool:
    """``seen`` reads back what stands where ``written`` was put."""
    same = (seen.address, seen.type, seen.word_order) == (written.address, written.type, written.word_order)
    return same and _SEEN.get(seen.use) is written.use


def _written_and_read(points: list[Point], asker: Asker) -> Iterator[str]:
    """A register is written whole; bits in it that the other side sets would be overwritten."""
    written = {
        (point.table, point.address): point
        for point in points
        if point.bit is not None and direction_of(point.use, asker) is Direction.WRITE
    }
    for point in points:
        other = written.get((point.table, point.address))
        if point.bit is not None and other and direction_of(point.use, asker) is Direction.READ:
            yield (
                f"{point.source}: {point.name} is read and {other.name} is written in one register, "
                f"{point.table} {point.address} of {point.device}; a register is written whole"
            )


def _too_wide(device: Device, points: list[Point], asker: Asker) -> Iterator[str]:
    for point in points:
        direction = direction_of(point.use, asker)
        limit = limit_of(device, point.table, direction)
        if point.count > limit:
            yield f"{point.source}: {point.name} takes {point.count} registers; max_{direction} = {limit}"


def _own_mark(device: Device) -> Iterator[str]:
    """FC23 writes before it reads, so a mark read from where it is written is always our own."""
    if device.fc23 and device.owner and device.owner_seen and _shows(device.owner_seen, device.owner):
        yield (
            f"{device.owner_seen.source}: owner_seen is where owner is; with fc23 that always shows our own "
            "number, never a second master's"
        )


def _place(point: Point, address: int) -> str:
    """Where a point is, in words: "holding register 12, bit 3"."""
    kind = {Table.COIL: "coil", Table.DISCRETE: "discrete input", Table.HOLDING: "holding register"}
    bit = "" if point.bit is None else f", bit {point.bit}"
    return f"{kind.get(point.table, 'input register')} {address}{bit}"
