"""What is no fault in a wiring but should be known before somebody relies on it."""

from __future__ import annotations

from collections.abc import Iterator

from controller.signals import Kind
from controller.tables import Table
from controller.wiring.blocks import blocks_of, exchanges_of
from controller.wiring.codec import decode, encode
from controller.wiring.known import blind_spots
from controller.wiring.model import (
    OF_TARGET,
    Asker,
    Device,
    Direction,
    Parity,
    Point,
    SerialLink,
    Use,
    Wiring,
)
from controller.wiring.timing import round_ms

# NAMUR NE 43: at or below 3.6 mA and at or above 21 mA a loop tells a failure; to tell it a register must
# reach a little further
_BROKEN_MA, _ABOVE_MA = 3.5, 21.1
_REFERENCES = {Table.DISCRETE: 10001, Table.INPUT: 30001, Table.HOLDING: 40001}
_WHAT_FOR = {
    Use.IDENTITY: "whether it is the right device is not checked",
    Use.KNOWN: "word order and addresses are not checked",
    Use.LIFE: "whether its values are fresh cannot be seen",
    Use.HEARTBEAT_SEEN: "whether it takes what is written cannot be seen",
    Use.OWNER_SEEN: "a second master would not be noticed",
}
Note = tuple[str, str]
"""Whom it is about, and what."""


def notes_of(wiring: Wiring) -> tuple[str, ...]:
    """All notes, a line each; what holds for several points or devices is told once."""
    together: dict[str, list[str]] = {}
    for subject, text in _notes(wiring):
        together.setdefault(text, []).append(subject)
    return tuple(f"{_several(subjects)}: {text}" for text, subjects in together.items())


def _several(subjects: list[str]) -> str:
    return subjects[0] if len(subjects) == 1 else f"{subjects[0]} and {len(subjects) - 1} more"


def _notes(wiring: Wiring) -> Iterator[Note]:
    for name in wiring.left_out:
        yield name, "an option, not wired; it reads open, or drives nothing"
    for point in wiring.points:
        yield from _of_point(point, wiring.asker)
    for device in wiring.devices:
        yield from _of_services(device)
        yield from _of_known(device, wiring)
        yield from _of_blocks(device, wiring)
    for link in wiring.links:
        if isinstance(link, SerialLink):
            yield from _of_line(link, wiring)


def _of_point(point: Point, asker: Asker) -> Iterator[Note]:
    if point.use in OF_TARGET and asker is Asker.CONTROLLER:
        yield point.name, "for a controller under test; our firmware passes it over"
    if point.invert:
        loss = (
            "a cut wire reads closed" if point.use is Use.FIELD_INPUT else "a device that lets go drives it"
        )
        yield point.name, f"inverted; {loss}"
    first = _REFERENCES.get(point.table)
    if first is not None and first <= point.address < first + 9999:
        yield (
            point.name,
            f"address {point.address} looks like a reference counted from 1; addresses count from 0",
        )
    if point.signal is not None and point.signal.kind is Kind.AI:
        low, high = (decode(point, encode(point, current_ma)) for current_ma in (_BROKEN_MA, _ABOVE_MA))
        if low > 3.6:
            yield point.name, f"raw cannot go below {low:.4g} mA, so a broken loop looks like a measurement"
        if high < 21.0:
            yield point.name, f"raw cannot go above {high:.4g} mA, so a loop that is too high is not seen"


def _of_services(device: Device) -> Iterator[Note]:
    for use, without in _WHAT_FOR.items():
        if getattr(device, use) is None:
            yield device.name, f"no {use}: {without}"


def _of_known(device: Device, wiring: Wiring) -> Iterator[Note]:
    known = device.known
    if known is None:
        return
    for text in blind_spots(known):
        yield known.name, text
    wide = [point for point in wiring.points_of(device.name) if point.count == 2 and point is not known]
    if wide and known.count == 1:
        yield known.name, "one register proves no word order, and the device has values of two"
    if any(point.word_order is not known.word_order for point in wide) and known.count == 2:
        yield device.name, "has both word orders; known proves its own only"


def _of_blocks(device: Device, wiring: Wiring) -> Iterator[Note]:
    reads = blocks_of(wiring, device.name, Direction.READ)
    for block in reads:
        named = {address for point in block.points for address in range(point.address, point.end)}
        if block.count > len(named):
            run = f"{block.table} {block.address} to {block.end - 1}"
            yield device.name, f"the read of {run} runs over {block.count - len(named)} that no point names"
    if len(reads) > 1:
        yield device.name, f"is read in {len(reads)} requests, so its values are not of one moment"


def _of_line(link: SerialLink, wiring: Wiring) -> Iterator[Note]:
    if link.parity is Parity.NONE and link.stop_bits == 1:
        yield link.name, "without parity the standard asks for two stop bits; many devices do with one"
    devices = [device.name for device in wiring.devices if device.link == link.name]
    spent_ms = sum(round_ms(link, exchange) for name in devices for exchange in exchanges_of(wiring, name))
    if spent_ms > link.exchange_ms:
        yield (
            link.name,
            f"a round takes {spent_ms:.0f} ms on the line alone, more than exchange_ms = {link.exchange_ms}",
        )
