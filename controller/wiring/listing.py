"""A wiring as rows for a person: the point list, and the requests that one round with every device takes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from controller.tables import Table
from controller.wiring.blocks import Block, exchanges_of
from controller.wiring.model import Point, RawType, SerialLink, Wiring
from controller.wiring.timing import round_ms

_REFERENCE_DIGIT = {Table.COIL: 0, Table.DISCRETE: 1, Table.INPUT: 3, Table.HOLDING: 4}


class PointRow(NamedTuple):
    """One point. ``address`` is what travels; ``reference`` counts from 1 behind the digit of the table."""

    tag: str
    signal: str
    text: str
    device: str
    unit_id: str
    table: str
    address: str
    hex: str
    reference: str
    bit: str
    type: str
    scaling: str
    range: str
    on_loss: str
    request: str


class RequestRow(NamedTuple):
    """One block of one round. Blocks of one FC23 have the same ``number``."""

    device: str
    unit_id: str
    number: str
    function_code: str
    does: str
    table: str
    addresses: str
    length: str
    points: str


def reference(table: Table, address: int) -> str:
    """The address as many manuals write it, in five digits or, where those do not do, in six.

    >>> reference(Table.INPUT, 0), reference(Table.HOLDING, 9999)
    ('30001', '410000')
    """
    digits = 4 if address < 9999 else 5
    return f"{_REFERENCE_DIGIT[table]}{address + 1:0{digits}d}"


def point_rows(wiring: Wiring) -> Iterator[PointRow]:
    """Signals in the order of the I/O list, then the service points of each device."""
    requests = {
        point.name: f"{number} {_does(block, write)}"
        for number, _code, block, write in _all_blocks(wiring)
        for point in block.points
    }
    services = [point for device in wiring.devices for point in device.service_points]
    for point in (*wiring.points, *services):
        yield _row(point, wiring, requests.get(point.name, "-"))


def request_rows(wiring: Wiring) -> Iterator[RequestRow]:
    """Every block of every device, in the order in which they are asked."""
    for number, code, block, write in _all_blocks(wiring):
        yield RequestRow(
            block.device,
            str(wiring.device(block.device).unit_id),
            number,
            f"{code:02d}",
            "write" if write else "read",
            block.table.value,
            f"{block.address}..{block.end - 1}",
            str(block.count),
            str(len(block.points)),
        )


def summary_lines(wiring: Wiring) -> Iterator[str]:
    """One line for each link: where it goes, and how many requests one round takes."""
    for link in wiring.links:
        devices = [device.name for device in wiring.devices if device.link == link.name]
        exchanges = [exchange for name in devices for exchange in exchanges_of(wiring, name)]
        where = (
            f"{link.port}, {link.baud} baud" if isinstance(link, SerialLink) else f"{link.host}:{link.port}"
        )
        text = (
            f"link {link.name} ({where}): {_count(len(devices), 'device')}, "
            f"{_count(len(exchanges), 'request')} every {link.exchange_ms} ms"
        )
        if isinstance(link, SerialLink):
            text += f", {sum(round_ms(link, exchange) for exchange in exchanges):.0f} ms of it on the line"
        yield text


def _all_blocks(wiring: Wiring) -> Iterator[tuple[str, int, Block, bool]]:
    """Number within the device, function code, block, and whether it is written."""
    for device in wiring.devices:
        for number, exchange in enumerate(exchanges_of(wiring, device.name), 1):
            for block, write in ((exchange.read, False), (exchange.write, True)):
                if block is not None:
                    yield str(number), exchange.function_code, block, write


def _row(point: Point, wiring: Wiring, request: str) -> PointRow:
    device, signal = wiring.device(point.device), point.signal
    return PointRow(
        tag=point.tag,
        signal=point.name,
        text=signal.text if signal else point.use.value,
        device=device.name,
        unit_id=str(device.unit_id),
        table=point.table.value,
        address=str(point.address),
        hex=f"0x{point.address:04X}",
        reference=reference(point.table, point.address),
        bit="" if point.bit is None else str(point.bit),
        type=f"{point.type} {point.word_order}" if point.count == 2 else point.type.value,
        scaling=_scaling(point),
        range=f"{signal.lo:g}..{signal.hi:g} {signal.unit}"
        if signal and point.type is not RawType.BOOL
        else "",
        on_loss=signal.on_loss if signal else "",
        request=request,
    )


def _scaling(point: Point) -> str:
    if point.scale is not None:
        scale = point.scale
        return f"{scale.raw_lo:.10g}..{scale.raw_hi:.10g} = {scale.ma_lo:g}..{scale.ma_hi:g} mA"
    if point.expected is not None:
        return f"= {point.expected:.10g}"
    if point.codes:
        return " ".join(f"{code}={word}" for code, word in point.codes)
    return "inverted" if point.invert else ""


def _does(block: Block, write: bool) -> str:
    return f"{'write' if write else 'read'} {block.table} {block.address}..{block.end - 1}"


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
