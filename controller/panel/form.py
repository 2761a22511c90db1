"""How a row of the status map stands in registers. High word first; bytes as Modbus has them."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeVar

NONE = 65_535
"""In a uint16: more than fits, or, where the row says so, that there is none."""
_UINT32_MAX = 2**32 - 1


class Form(StrEnum):
    """How a value stands in its registers."""

    UINT16 = "uint16"
    UINT32 = "uint32"
    FLOAT32 = "float32"
    BITS = "bits"

    @property
    def registers(self) -> int:
        """Addresses that it takes up."""
        return 2 if self.value.endswith("32") else 1


_S = TypeVar("_S")


@dataclass(frozen=True)
class Row(Generic[_S]):
    """One value of the map.

    ``address`` counts from the first of its block. ``get`` takes it out of what is shown. ``bits`` says what
    each bit of a register means, the lowest first.
    """

    address: int
    name: str
    form: Form
    text: str
    get: Callable[[_S], float]
    bits: tuple[str, ...] = ()

    @property
    def end(self) -> int:
        """The address after its last."""
        return self.address + self.form.registers


def words(form: Form, value: float) -> tuple[int, ...]:
    """The registers of a value: whole numbers rounded down and held inside their limits, high word first.

    >>> words(Form.UINT16, 70_000), words(Form.UINT16, 2.9), words(Form.UINT32, 65_537)
    ((65535,), (2,), (1, 1))
    >>> [hex(word) for word in words(Form.FLOAT32, 1234.5)]
    ['0x449a', '0x5000']
    """
    if form is Form.FLOAT32:
        return _halves(struct.unpack(">I", _float32(value))[0])
    whole = 0 if math.isnan(value) else math.floor(min(max(value, 0), _UINT32_MAX))
    return _halves(whole) if form is Form.UINT32 else (min(whole, NONE),)


def _halves(number: int) -> tuple[int, int]:
    return number >> 16, number & 0xFFFF


def _float32(value: float) -> bytes:
    """Four bytes; what does not fit is not a number."""
    try:
        return struct.pack(">f", value)
    except OverflowError:
        return struct.pack(">f", math.nan)


def bits_of(contacts: Sequence[bool | float]) -> int:
    """Contacts as bits, the first the lowest.

    >>> bits_of((True, False, True))
    5
    """
    return sum(bool(closed) << place for place, closed in enumerate(contacts))
