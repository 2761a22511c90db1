"""What a known value says about a map: nothing when it is right, else which slip explains what was read."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import product

from controller.wiring.codec import encode, raw_of, read_raw
from controller.wiring.model import Point, RawType, WordOrder

_SHIFTS = {-1: "the address is given one too high", 1: "the address is given one too low", 0: ""}
_POWERS = (1, -1, 2, -2, 3, -3, 4, -4)
_TOLERANCE = 1e-6  # relative; a device may keep the value in half as many digits


def what_is_wrong(point: Point, around: Mapping[int, int]) -> str:
    """One sentence, empty when the known value stands where and as it should.

    ``around`` holds registers of the point's table by their zero-based address: those of the point, and the
    one below and the two above where the device gives them. ValueError when those of the point itself are
    missing or the point has no value to expect.
    """
    registers = _registers(around, point.address, point.count)
    if registers is None or point.expected is None:
        raise ValueError(f"{point.name}: needs its own registers and a value to expect")
    wanted = raw_of(point, point.expected)
    read = read_raw(point.type, registers, point.word_order)
    if _close(read, wanted):
        return ""
    reasons = _misread(point, around, wanted) or list(_misscaled(point, read, wanted))
    if not reasons and not any(registers):
        reasons = ["nothing but 0 is there, perhaps another device or a table that is not filled yet"]
    known = " or ".join(reasons) or "no simple slip explains it; is it the right device?"
    return f"{point.name} reads {read:.7g} where {wanted:.7g} must stand: {known}"


def blind_spots(point: Point) -> Iterator[str]:
    """What a known value cannot show because it would read the same."""
    wanted = raw_of(point, point.expected or 0.0)
    if wanted == 0:
        yield "0 proves nothing, it also stands where nothing is"
        return
    words = [int(word) for word in encode(point, point.expected or 0.0)]
    if len(words) == 2 and words[0] == words[1]:
        yield "reads the same with its words swapped"
    if [_swapped(word) for word in words] == words:
        yield "reads the same with its bytes swapped"


def _misread(point: Point, around: Mapping[int, int], wanted: float) -> list[str]:
    """Other ways to read the same registers, or those beside, that give the value; the fewest slips only."""
    found: dict[str, int] = {}
    for shift, kind, order, swap in product(_SHIFTS, _types(point, wanted), WordOrder, (False, True)):
        registers = _registers(around, point.address + shift, kind.registers)
        if registers is None or (kind.registers == 1 and order is not point.word_order):
            continue
        words = [_swapped(word) for word in registers] if swap else registers
        if _close(read_raw(kind, words, order), wanted):
            slips = _slips(point, shift, kind, order, swap)
            found.setdefault(" and ".join(slips), len(slips))
    fewest = min(found.values(), default=0)
    return [text for text, slips in found.items() if slips == fewest]


def _types(point: Point, wanted: float) -> list[RawType]:
    """The type that was given, and others that would not read the same with or without a sign."""
    whole = (RawType.UINT16, RawType.UINT32) if wanted >= 0 else (RawType.INT16, RawType.INT32)
    if point.type is RawType.FLOAT32:
        return [point.type, *whole]
    return [point.type, *(kind for kind in whole if kind.registers != point.type.registers), RawType.FLOAT32]


def _slips(point: Point, shift: int, kind: RawType, order: WordOrder, swap: bool) -> tuple[str, ...]:
    other_order = f"words swapped, word_order = {order} fits" if order is not point.word_order else ""
    texts = (
        _SHIFTS[shift],
        f"type = {kind} fits" if kind is not point.type else "",
        other_order,
        "the bytes of each register are swapped" if swap else "",
    )
    return tuple(text for text in texts if text)


def _misscaled(point: Point, read: float, wanted: float) -> Iterator[str]:
    for power in _POWERS:
        factor = 10.0**power
        cut = point.type is not RawType.FLOAT32 and power < 0 and abs(read) >= 10  # digits that did not fit
        if _close(read, wanted * factor) or (cut and abs(read - wanted * factor) < 1):
            yield f"scaling off by {10 ** abs(power)}, it reads too {'large' if power > 0 else 'small'}"
    if _close(read, -wanted):
        yield "the sign is turned"


def _registers(around: Mapping[int, int], first: int, count: int) -> list[int] | None:
    addresses = range(first, first + count)
    return [around[address] for address in addresses] if all(a in around for a in addresses) else None


def _swapped(word: int) -> int:
    return (word & 0xFF) << 8 | word >> 8


def _close(read: float, wanted: float) -> bool:
    return math.isclose(read, wanted, rel_tol=_TOLERANCE, abs_tol=0.0)
