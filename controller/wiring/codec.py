"""Values to bits and registers, and back.

What goes out is always a number: NaN goes out as the loss value of its point, and what is too large or too
small for the raw type stops at the type's limit. It never wraps, since a wrapped value looks like a
measurement. What comes in is told as it is: a NaN in a float register stays one, and the firmware takes it as
a broken loop.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from controller.wiring.model import Point, RawType, Scale, WordOrder

_FLOAT32_MAX = float(struct.unpack(">f", b"\x7f\x7f\xff\xff")[0])
_FORMATS = {
    RawType.INT16: ">h",
    RawType.UINT16: ">H",
    RawType.INT32: ">i",
    RawType.UINT32: ">I",
    RawType.FLOAT32: ">f",
}
_LIMITS = {
    RawType.INT16: (-(2.0**15), 2.0**15 - 1),
    RawType.UINT16: (0.0, 2.0**16 - 1),
    RawType.INT32: (-(2.0**31), 2.0**31 - 1),
    RawType.UINT32: (0.0, 2.0**32 - 1),
    RawType.FLOAT32: (-_FLOAT32_MAX, _FLOAT32_MAX),
}


def limits_of(kind: RawType) -> tuple[float, float]:
    """Smallest and largest number of a raw type; KeyError for ``BOOL``."""
    return _LIMITS[kind]


def encode(point: Point, value: bool | float) -> list[bool] | list[int]:
    """What to put at the addresses of a point: one bit, or one or two registers.

    ``value`` is a contact's state (true = closed), mA of a loop, or the number of a service point. A contact
    in a register gives that register with this one bit in it, to be OR-ed with those of its neighbours.
    """
    if point.type is RawType.BOOL:
        bit = (bool(value) if not math.isnan(value) else bool(point.loss)) is not point.invert
        return [bit] if point.bit is None else [int(bit) << point.bit]
    return _words(point, raw_of(point, value))


def decode(point: Point, registers: Sequence[bool] | Sequence[int]) -> bool | float:
    """The value that stands at the addresses of a point; the inverse of ``encode``.

    ``registers`` are the point's own: one bit, or as many registers (0 to 65535) as its type takes up.
    """
    if point.type is RawType.BOOL:
        word = int(registers[0])
        bit = bool(word if point.bit is None else word >> point.bit & 1)
        return bit is not point.invert
    raw = read_raw(point.type, registers, point.word_order)
    return raw if point.scale is None else _to_ma(point.scale, raw)


def raw_of(point: Point, value: float) -> float:
    """The number in the register for a value: whole for whole types, always inside the type's limits."""
    wanted = float(point.loss if math.isnan(value) else value)
    if point.scale is not None:
        wanted = _to_raw(point.scale, wanted)
    low, high = _LIMITS[point.type]
    held = min(max(wanted, low), high)
    return held if point.type is RawType.FLOAT32 else float(round(held))


def read_raw(kind: RawType, registers: Sequence[bool] | Sequence[int], order: WordOrder) -> float:
    """The number that registers hold when read as that type."""
    words = registers if order is WordOrder.HIGH_FIRST else registers[::-1]
    content = b"".join(int(word).to_bytes(2, "big") for word in words)
    return float(struct.unpack(_FORMATS[kind], content)[0])


def _words(point: Point, raw: float) -> list[int]:
    number = raw if point.type is RawType.FLOAT32 else int(raw)
    content = struct.pack(_FORMATS[point.type], number)
    words = [int.from_bytes(content[i : i + 2], "big") for i in range(0, len(content), 2)]
    return words if point.word_order is WordOrder.HIGH_FIRST else words[::-1]


def _to_raw(scale: Scale, current_ma: float) -> float:
    if _is_plain(scale):
        return current_ma
    share = (current_ma - scale.ma_lo) / (scale.ma_hi - scale.ma_lo)
    return scale.raw_lo + share * (scale.raw_hi - scale.raw_lo)


def _to_ma(scale: Scale, raw: float) -> float:
    if _is_plain(scale):
        return raw
    share = (raw - scale.raw_lo) / (scale.raw_hi - scale.raw_lo)
    return scale.ma_lo + share * (scale.ma_hi - scale.ma_lo)


def _is_plain(scale: Scale) -> bool:
    """The register holds mA; not to be put through arithmetic that rounds."""
    return (scale.raw_lo, scale.raw_hi) == (scale.ma_lo, scale.ma_hi)
