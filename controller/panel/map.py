"""The status map: which register shows what, and the registers of one moment.

All of it stands in input registers. The bank has the addresses from 0, unit n those from n * 1000, so the map
of a unit does not depend on how many there are. docs/status-map.md is written from these tables.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any, TypeVar

from controller.modbus.pdu import AddressError
from controller.panel.bank_rows import BANK_ROWS, PROGRAM_ROWS
from controller.panel.codes import ALARM_CODES, STAGE_CODES, STATE_CODES, VERB_CODES
from controller.panel.form import Form, Row, words
from controller.panel.orders import ORDER_WORDS
from controller.panel.shown import BankShown, Facts, UnitShown
from controller.panel.unit_rows import UNIT_ROWS
from controller.parts.answers import Outcome
from controller.picture import Picture

BLOCK = 1_000
"""Addresses from one block to the next; unit n begins at n * BLOCK."""


def _own_sum(_: BankShown) -> float:
    return map_sum()


BANK_MAP: tuple[Row[BankShown], ...] = (
    Row(0, "map", Form.UINT16, "checksum of this map; another number means another map", _own_sum),
    *PROGRAM_ROWS,
    *BANK_ROWS,
)
UNIT_MAP: tuple[Row[UnitShown], ...] = UNIT_ROWS


def _meaning(rows: Iterable[Row[Any]]) -> list[tuple[object, ...]]:
    return [(row.address, row.name, row.form, row.bits) for row in rows]


@cache
def map_sum() -> int:
    """CRC-32 over the whole meaning of the map, folded into a register."""
    parts = (
        _meaning(BANK_MAP),
        _meaning(UNIT_MAP),
        *(list(codes.items()) for codes in (STATE_CODES, STAGE_CODES, ALARM_CODES, VERB_CODES)),
        [(outcome.name, outcome.value) for outcome in Outcome],
        ORDER_WORDS,
    )
    crc = zlib.crc32("\n".join(str(part) for part in parts).encode())
    return crc >> 16 ^ crc & 0xFFFF


_S = TypeVar("_S")


class Sheet:
    """The registers of one picture. Blocks are filled in when they are first asked for; for one thread."""

    def __init__(self, facts: Facts, picture: Picture) -> None:
        self._facts, self._picture = facts, picture
        self._blocks: dict[int, list[int]] = {}

    def read(self, address: int, count: int) -> Sequence[int]:
        """AddressError for what lies beyond a block. Between its rows, a block reads 0."""
        number, first = divmod(address, BLOCK)
        block = self._block(number)
        if first + count > len(block):
            raise AddressError
        return block[first : first + count]

    def _block(self, number: int) -> list[int]:
        if number > len(self._picture.units):
            raise AddressError
        if number not in self._blocks:
            self._blocks[number] = self._filled(number)
        return self._blocks[number]

    def _filled(self, number: int) -> list[int]:
        if number == 0:
            return registers(BANK_MAP, BankShown(self._facts, self._picture))
        return registers(UNIT_MAP, UnitShown(self._facts, number, self._picture.units[number - 1]))


def registers(rows: tuple[Row[_S], ...], shown: _S) -> list[int]:
    """A whole block."""
    block = [0] * max(row.end for row in rows)
    for row in rows:
        block[row.address : row.end] = words(row.form, row.get(shown))
    return block
