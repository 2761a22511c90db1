"""From [[point]] entries to points; what does not go together is refused with its place and the reason."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from controller.signals import Verb
from controller.unit.states import UnitState
from controller.wiring.codec import limits_of
from controller.wiring.form import PointEntry
from controller.wiring.model import (
    ADDRESS_MAX,
    WORD_BITS,
    Device,
    Point,
    RawType,
    Scale,
    Use,
    WordOrder,
)
from controller.wiring.names import ALL_UNITS, SPARE, Place, What, near, what_is

_MA_RANGES = ((4.0, 20.0), (0.0, 20.0))
_WORDS: dict[Use, tuple[str, ...]] = {Use.STATE: tuple(UnitState), Use.COMMAND: tuple(Verb)}


def points_of_entry(
    entry: PointEntry, place: Place, devices: Mapping[str, Device], n_units: int
) -> Iterator[Point]:
    """All points of one entry: each of its signals, for each unit that it stands for."""
    names = _names(entry, place)
    if entry.unit_step is not None and (
        "*" in entry.device or not any(n.startswith(ALL_UNITS) for n in names)
    ):
        raise place.at("unit_step").refuse('is for signals "unit*." of one device that carries all units')
    for position, name in enumerate(names):
        if name == SPARE:
            continue
        spot = place.at(f"signals[{position + 1}]" if entry.signals else "signal")
        _check_star(entry, name, n_units, spot)
        for what in what_is(name, n_units, spot):
            device = _device(entry, what, place, devices)
            yield _point(entry, what, position, device, spot)


def scale_of(raw: list[float] | None, ma: list[float] | None, kind: RawType, place: Place) -> Scale | None:
    """The straight line from register to mA, None when none was given."""
    if raw is None:
        if ma is not None:
            raise place.refuse("ma is there without raw")
        return None
    (low, high), ma_range = raw, tuple(ma or _MA_RANGES[0])
    least, most = limits_of(kind)
    if low >= high:
        raise place.refuse(f"raw = {raw}: the first must be the smaller; a loop cannot be inverted")
    if low < least or high > most:
        raise place.refuse(f"raw = {raw}: {kind} holds {least:.10g} to {most:.10g}")
    if ma_range not in _MA_RANGES:
        raise place.refuse(f"ma = {ma}: must be [4, 20] or [0, 20]")
    return Scale(low, high, *ma_range)


def check_address(address: int, kind: RawType, place: Place) -> None:
    """Refuse what reaches beyond the table's end."""
    last = address + kind.registers - 1
    if last > ADDRESS_MAX:
        raise place.refuse(f"would reach address {last}, at most {ADDRESS_MAX}")


def check_word_order(order: WordOrder | None, kind: RawType, place: Place) -> None:
    """Refuse an order of words for what is only one."""
    if order is not None and kind.registers == 1:
        raise place.refuse(f"word_order is for types of 32 bits, and this is {kind}")


def _names(entry: PointEntry, place: Place) -> list[str]:
    if (entry.signals is None) == (entry.signal is None):
        raise place.refuse("needs either signal or signals")
    names = [entry.signal] if entry.signal is not None else entry.signals or []
    if all(name == SPARE for name in names):
        raise place.refuse("names no signal")
    return names


def _check_star(entry: PointEntry, name: str, n_units: int, place: Place) -> None:
    """One device for each unit, or one step for each unit; else all units would share one address."""
    if "*" in entry.device and not name.startswith(ALL_UNITS):
        raise place.refuse(
            f'{name}: there is a device "{entry.device}" for each unit; start with "{ALL_UNITS}"'
        )
    if "*" not in entry.device and name.startswith(ALL_UNITS) and entry.unit_step is None and n_units > 1:
        raise place.refuse(f'{name}: all units would share one address; give unit_step, or a device with "*"')


def _device(entry: PointEntry, what: What, place: Place, devices: Mapping[str, Device]) -> Device:
    name = entry.device.replace("*", str(what.unit))
    if name not in devices:
        raise place.at("device").refuse(f'there is no device "{name}"{near(name, devices)}')
    return devices[name]


def _point(entry: PointEntry, what: What, position: int, device: Device, place: Place) -> Point:
    source, place = place.key, place.of(what.name)
    kind = _type(entry, what, place)
    for refused in (_wrong_place(entry, kind), _wrong_keys(entry, what, kind)):
        if refused:
            raise place.refuse(refused)
    check_word_order(entry.word_order, kind, place)
    address, bit = _where(entry, kind, position, what.unit)
    check_address(address, kind, place)
    return Point(
        name=what.name,
        device=device.name,
        use=what.use,
        table=entry.table,
        address=address,
        type=kind,
        bit=bit,
        word_order=entry.word_order or (device.word_order if kind.registers == 2 else WordOrder.HIGH_FIRST),
        scale=scale_of(entry.raw, entry.ma, kind, place),
        invert=entry.invert,
        signal=what.signal,
        unit=what.unit,
        codes=_codes(entry, what.use, kind, place),
        source=source,
    )


def _where(entry: PointEntry, kind: RawType, position: int, unit: int) -> tuple[int, int | None]:
    """Address and bit; bits are counted on into the next register."""
    first = entry.address + max(unit - 1, 0) * (entry.unit_step or 0)
    if entry.bit is None:
        return first + position * kind.registers, None
    registers, bit = divmod(entry.bit + position, WORD_BITS)
    return first + registers, bit


def _type(entry: PointEntry, what: What, place: Place) -> RawType:
    if what.is_contact:
        if entry.type not in (None, RawType.BOOL):
            raise place.refuse(f"is a contact; type = {entry.type} does not fit")
        return RawType.BOOL
    if entry.type is None:
        raise place.refuse(f"type is missing; a number is {', '.join(list(RawType)[1:])}")
    if entry.type is RawType.BOOL:
        raise place.refuse("is a number; type = bool does not fit")
    return entry.type


def _wrong_place(entry: PointEntry, kind: RawType) -> str:
    """Why such a type cannot stand in such a place; empty when it can."""
    contact, of_bits = kind is RawType.BOOL, entry.table.of_bits
    if of_bits and not contact:
        return f"type = {kind} does not fit into table = {entry.table}, which holds bits"
    if of_bits and entry.bit is not None:
        return f"bit is for a contact in a register, and table = {entry.table} holds bits"
    if contact and not of_bits and entry.bit is None:
        return f"a contact in table = {entry.table} needs bit, 0 to {WORD_BITS - 1}"
    if not contact and entry.bit is not None:
        return "bit is for a contact, and this is a number"
    return ""


def _wrong_keys(entry: PointEntry, what: What, kind: RawType) -> str:
    """Why a key is not for this kind of point, or is missing; empty when all is well."""
    loop = what.signal is not None and not what.is_contact
    if entry.invert and not what.is_contact:
        return "invert is for a contact, and this is a number"
    if loop and entry.raw is None:
        return "raw is missing: what stands in the register at 4 mA and at 20 mA"
    if not loop and (entry.raw is not None or entry.ma is not None):
        return "raw and ma are for loops"
    if what.signal is not None and entry.codes is not None:
        return "codes is for state and command"
    if what.signal is None and kind is RawType.FLOAT32:
        return f"codes are whole numbers; type = {kind} does not fit"
    return ""


def _codes(entry: PointEntry, use: Use, kind: RawType, place: Place) -> tuple[tuple[int, str], ...]:
    """The words of a state or a command by their numbers."""
    if use not in _WORDS:
        return ()
    if not entry.codes:
        raise place.refuse(f'codes is missing, for example codes = {{ 1 = "{_WORDS[use][0]}" }}')
    found = {_code(text, kind, place): word for text, word in entry.codes.items()}
    for word in found.values():
        if word not in _WORDS[use]:
            raise place.refuse(f'codes: "{word}" is no {use}{near(word, _WORDS[use])}')
    if use is Use.COMMAND and 0 in found:
        raise place.refuse("codes: 0 is for no command at all")
    if len(found) < len(entry.codes) or (use is Use.COMMAND and len(set(found.values())) < len(found)):
        raise place.refuse("codes: a number is there twice, or a command has two numbers")
    return tuple(sorted(found.items()))


def _code(text: str, kind: RawType, place: Place) -> int:
    least, most = limits_of(kind)
    digits = text.removeprefix("-")
    if not (digits.isascii() and digits.isdigit() and len(digits) < 12 and least <= int(text) <= most):
        raise place.refuse(f"codes: {text} must be a whole number, {least:.10g} to {most:.10g} in {kind}")
    return int(text)
