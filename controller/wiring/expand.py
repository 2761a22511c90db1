"""From entries of wiring.toml to links, devices and points: every ``*`` becomes the numbers of the units."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from controller.wiring.blocks import FC23_WRITE_MAX
from controller.wiring.form import DeviceEntry, LinkEntry, WiringFile, number_for
from controller.wiring.model import (
    Asker,
    Device,
    Link,
    Rs485,
    SerialLink,
    TcpLink,
    Wiring,
)
from controller.wiring.names import Place, all_signals, near
from controller.wiring.points import points_of_entry
from controller.wiring.service import service_points

FC16_WRITE_MAX = 123
_Row = TypeVar("_Row", Link, Device)
_SERIAL_ONLY = ("baud", "parity", "stop_bits", "rs485")


def expand(file: WiringFile, source: str, n_units: int, asker: Asker) -> Wiring:
    """The wiring of a site, each entry sound in itself; whether they fit together is checked in checks.py."""
    links = _unique(
        (link, Place(source, f"link[{number}]"))
        for number, entry in enumerate(file.link, 1)
        for link in _links(entry, n_units, Place(source, f"link[{number}]"))
    )
    devices = _unique(
        (device, Place(source, f"device[{number}]"))
        for number, entry in enumerate(file.device, 1)
        for device in _devices(entry, links, n_units, Place(source, f"device[{number}]"))
    )
    points = [
        point
        for number, entry in enumerate(file.point, 1)
        for point in points_of_entry(entry, Place(source, f"point[{number}]"), devices, n_units)
    ]
    places = {what.name: place for place, what in enumerate(all_signals(n_units))}
    points.sort(key=lambda point: places.get(point.name, len(places)))
    wired = {point.name for point in points}
    left_out = tuple(name for name in places if name not in wired)
    return Wiring(n_units, asker, tuple(links.values()), tuple(devices.values()), tuple(points), left_out)


def _unique(rows: Iterable[tuple[_Row, Place]]) -> dict[str, _Row]:
    found: dict[str, _Row] = {}
    for row, place in rows:
        if row.name in found:
            raise place.at("name").refuse(f'"{row.name}" is there twice')
        found[row.name] = row
    return found


def _units(name: str, n_units: int) -> Iterable[int]:
    """The units that an entry stands for; 0 when it stands for itself."""
    return range(1, n_units + 1) if "*" in name else (0,)


def _number(value: int | str, unit: int, limits: tuple[int, int], place: Place) -> int:
    """A number as typed, for one unit, inside its limits."""
    if isinstance(value, str) and not unit:
        raise place.refuse(f'{value} stands for the number of a unit, and the name has no "*"')
    number = int(number_for(value, unit))
    if not limits[0] <= number <= limits[1]:
        raise place.refuse(f"{number} must be {limits[0]} to {limits[1]}")
    return number


def _links(entry: LinkEntry, n_units: int, place: Place) -> Iterator[Link]:
    if (entry.host is None) == (entry.serial is None):
        raise place.refuse("needs either host, for TCP, or serial")
    if entry.host is not None:
        _refuse_keys(entry, _SERIAL_ONLY, "serial lines", place)
        for unit in _units(entry.name, n_units):
            port = _number(entry.port, unit, (1, 65535), place.at("port"))
            host = _text(entry.host, unit, place.at("host"))
            yield TcpLink(_text(entry.name, unit, place), host, port, entry.timeout_ms, entry.exchange_ms)
    else:
        _refuse_keys(entry, ("port",), "TCP; the name of the serial port goes to serial", place)
        for unit in _units(entry.name, n_units):
            yield _serial_link(entry, entry.serial or "", unit, place)


def _serial_link(entry: LinkEntry, port: str, unit: int, place: Place) -> SerialLink:
    return SerialLink(
        name=_text(entry.name, unit, place),
        port=_text(port, unit, place.at("serial")),
        baud=entry.baud,
        parity=entry.parity,
        stop_bits=entry.stop_bits,
        rs485=None if entry.rs485 is None else Rs485(**entry.rs485.model_dump()),
        timeout_ms=entry.timeout_ms,
        exchange_ms=entry.exchange_ms,
    )


def _refuse_keys(entry: LinkEntry, keys: tuple[str, ...], what_for: str, place: Place) -> None:
    for key in keys:
        if key in entry.model_fields_set:
            raise place.at(key).refuse(f"is for {what_for}")


def _text(text: str, unit: int, place: Place) -> str:
    if "*" in text and not unit:
        raise place.refuse(f'"{text}": * stands for the number of a unit, and the name has none')
    return text.replace("*", str(unit))


def _devices(entry: DeviceEntry, links: dict[str, Link], n_units: int, place: Place) -> Iterator[Device]:
    most = FC23_WRITE_MAX if entry.fc23 else FC16_WRITE_MAX
    if entry.max_write is not None and entry.max_write > most:
        raise place.at("max_write").refuse(f"{entry.max_write} must be at most {most} with fc23")
    for unit in _units(entry.name, n_units):
        name = _text(entry.name, unit, place)
        link_name = _text(entry.link, unit, place.at("link"))
        if link_name not in links:
            raise place.at("link").refuse(f'there is no link "{link_name}"{near(link_name, links)}')
        link = links[link_name]
        ids = (1, 247) if isinstance(link, SerialLink) else (0, 255)
        yield Device(
            name=name,
            link=link.name,
            unit_id=_number(entry.unit_id, unit, ids, place.at("unit_id")),
            timeout_ms=entry.timeout_ms or link.timeout_ms,
            fc23=entry.fc23,
            max_read=entry.max_read,
            max_read_bits=entry.max_read_bits,
            max_write=entry.max_write or most,
            max_write_bits=entry.max_write_bits,
            gap=entry.gap,
            word_order=entry.word_order,
            **service_points(entry, name, unit, place),
        )
