"""The points of a device that are no signals: who it is, whether it lives, who writes."""

from __future__ import annotations

from controller.wiring.codec import limits_of, raw_of
from controller.wiring.form import DeviceEntry, ServiceEntry, number_for
from controller.wiring.model import Point, RawType, Use, WordOrder
from controller.wiring.names import Place
from controller.wiring.points import check_address, check_word_order, scale_of

SERVICES = (
    Use.IDENTITY,
    Use.KNOWN,
    Use.LIFE,
    Use.HEARTBEAT,
    Use.HEARTBEAT_SEEN,
    Use.OWNER,
    Use.OWNER_SEEN,
)
"""Their words are the keys of a device entry and the attributes of a ``Device``."""

_WITH_VALUE = (Use.IDENTITY, Use.KNOWN)


def service_points(entry: DeviceEntry, device: str, unit: int, place: Place) -> dict[str, Point]:
    """The service points that a device has, by their use."""
    typed: dict[Use, ServiceEntry | None] = {use: getattr(entry, use) for use in SERVICES}
    points = {
        use.value: _point(service, use, device, entry.word_order, unit, place.at(use))
        for use, service in typed.items()
        if service is not None
    }
    for seen, of in ((Use.HEARTBEAT_SEEN, Use.HEARTBEAT), (Use.OWNER_SEEN, Use.OWNER)):
        if seen in points and of not in points:
            raise place.at(seen).refuse(f"shows {of} as the device has it, and the device has no {of}")
    return points


def _point(entry: ServiceEntry, use: Use, device: str, order: WordOrder, unit: int, place: Place) -> Point:
    if entry.table.of_bits or entry.type is RawType.BOOL:
        raise place.refuse(
            f"must be a number in a register, and this is {entry.type} in table = {entry.table}"
        )
    if entry.type is RawType.FLOAT32 and use is not Use.KNOWN:
        raise place.refuse("must be a whole number, and this is float32")
    if use is not Use.KNOWN and (entry.raw is not None or entry.ma is not None):
        raise place.refuse("raw and ma are for loops and for known")
    check_word_order(entry.word_order, entry.type, place)
    check_address(entry.address, entry.type, place)
    point = Point(
        name=f"{device}.{use}",
        device=device,
        use=use,
        table=entry.table,
        address=entry.address,
        type=entry.type,
        word_order=entry.word_order or (order if entry.type.registers == 2 else WordOrder.HIGH_FIRST),
        scale=scale_of(entry.raw, entry.ma, entry.type, place),
        expected=_expected(entry, use, unit, place),
        source=place.key,
    )
    _check_expected(point, place)
    return point


def _expected(entry: ServiceEntry, use: Use, unit: int, place: Place) -> float | None:
    if use not in _WITH_VALUE:
        if entry.value is not None:
            raise place.refuse("value is for identity and known")
        return None
    if entry.value is None:
        raise place.refuse("value is missing: what must stand there")
    if isinstance(entry.value, str) and not unit:
        raise place.refuse(f'value = {entry.value} stands for the number of a unit, and the name has no "*"')
    return float(number_for(entry.value, unit))


def _check_expected(point: Point, place: Place) -> None:
    """Refuse a value that cannot stand in its registers."""
    if point.expected is None or point.type is RawType.FLOAT32:
        return
    least, most = limits_of(point.type)
    raw = raw_of(point, point.expected)
    if point.scale is None and raw != point.expected:
        text = f"value = {point.expected:g}: {point.type} holds whole numbers, {least:.10g} to {most:.10g}"
        raise place.refuse(text)
    if point.scale is not None and raw in (least, most):
        raise place.refuse(f"value = {point.expected:g} mA is at the end of what {point.type} can hold")
