"""One request, and what alone counts as its answer. No network, no clock.

Source of codes, limits and layouts: MODBUS Application Protocol V1.1b3, sections 6.1 to 6.17.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.modbus.troubles import foreign, garbled, refused
from controller.tables import Table

ADDRESSES = 0x10000

READ_COILS, READ_DISCRETE_INPUTS, READ_HOLDING, READ_INPUT = 1, 2, 3, 4
WRITE_COILS, WRITE_HOLDING, WRITE_AND_READ = 15, 16, 23
_BITS = (READ_COILS, READ_DISCRETE_INPUTS)
_WRITES = (WRITE_COILS, WRITE_HOLDING)
_READ_OF = {
    Table.COIL: READ_COILS,
    Table.DISCRETE: READ_DISCRETE_INPUTS,
    Table.HOLDING: READ_HOLDING,
    Table.INPUT: READ_INPUT,
}
_WRITE_OF = {Table.COIL: WRITE_COILS, Table.HOLDING: WRITE_HOLDING}
_COUNT_MAX = {
    READ_COILS: 2000,
    READ_DISCRETE_INPUTS: 2000,
    READ_HOLDING: 125,
    READ_INPUT: 125,
    WRITE_COILS: 1968,
    WRITE_HOLDING: 123,
    WRITE_AND_READ: 125,
}
_COUNT_MAX_WRITTEN_WITH_READ = 121

Write = tuple[str, int, Sequence[int]]
"""Table, first address, values."""
Read = tuple[str, int, int]
"""Table, first address, count."""


@dataclass(frozen=True, slots=True)
class Request:
    """One request; ``address`` and ``count`` are those of the answer (what is read, if anything is)."""

    unit_id: int
    function: int
    address: int
    count: int
    written: tuple[int, ...] = ()
    write_address: int = 0  # of WRITE_AND_READ

    @property
    def answer_bytes(self) -> int:
        """Length of the one good answer, from the function code to the last value."""
        if self.function in _WRITES:
            return 5
        return 2 + ((self.count + 7) // 8 if self.function in _BITS else 2 * self.count)


def requests_for(unit_id: int, write: Write | None, read: Read | None, fc23: bool) -> tuple[Request, ...]:
    """The requests of one exchange, the write first; ValueError for what no device could be asked.

    ``fc23`` puts both into one request, for holding registers only.
    """
    if fc23:
        if write is None or read is None:
            raise ValueError("function 23 needs something to write and something to read")
        if {Table(write[0]), Table(read[0])} != {Table.HOLDING}:
            raise ValueError("function 23 is for holding registers")
        _check(WRITE_AND_READ, write[1], len(write[2]), _COUNT_MAX_WRITTEN_WITH_READ)
        _check_values(write[2], 0xFFFF)
        return (_checked(Request(unit_id, WRITE_AND_READ, read[1], read[2], tuple(write[2]), write[1])),)
    requests = []
    if write is not None:
        if Table(write[0]) not in _WRITE_OF:
            raise ValueError(f"table {write[0]} cannot be written")
        function = _WRITE_OF[Table(write[0])]
        _check_values(write[2], 1 if function == WRITE_COILS else 0xFFFF)
        requests.append(_checked(Request(unit_id, function, write[1], len(write[2]), tuple(write[2]))))
    if read is not None:
        requests.append(_checked(Request(unit_id, _READ_OF[Table(read[0])], read[1], read[2])))
    return tuple(requests)


def answer_of(request: Request, pdu: bytes) -> list[int]:
    """The values in this answer (bits as 0 and 1; none for a write); LinkError for all that does not fit."""
    if not pdu:
        raise garbled("an answer without a function code came: look at the device or the gateway")
    if pdu[0] == request.function | 0x80 and len(pdu) == 2:
        raise refused(pdu[1])
    if pdu[0] != request.function:
        raise foreign(
            f"function {request.function} was asked, {pdu[0]} answered: look for a second master on this link"
        )
    if len(pdu) != request.answer_bytes:
        raise garbled(
            f"{request.answer_bytes} bytes must answer, {len(pdu)} came: look at the length of the block"
        )
    if request.function in _WRITES:
        _check_echo(request, pdu)
        return []
    data = pdu[2:]
    if pdu[1] != len(data):
        raise garbled(f"the answer says {pdu[1]} bytes and has {len(data)}: look at the device")
    if request.function in _BITS:
        return [data[i // 8] >> i % 8 & 1 for i in range(request.count)]
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


def _check_echo(request: Request, pdu: bytes) -> None:
    echo = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    if echo != (request.address, request.count):
        raise foreign(
            f"{request.count} values from address {request.address} were written, the answer names {echo[1]} "
            f"from {echo[0]}: look for a second master on this link"
        )


def _checked(request: Request) -> Request:
    if not 0 <= request.unit_id <= 255:
        raise ValueError(f"unit id {request.unit_id} is not in 0..255")
    _check(request.function, request.address, request.count, _COUNT_MAX[request.function])
    return request


def _check(function: int, address: int, count: int, count_max: int) -> None:
    if not 1 <= count <= count_max:
        raise ValueError(f"function {function} takes 1..{count_max} values, not {count}")
    if address < 0 or address + count > ADDRESSES:
        raise ValueError(f"addresses {address}..{address + count - 1} are not all in 0..{ADDRESSES - 1}")


def _check_values(values: Sequence[int], value_max: int) -> None:
    for value in values:
        if not 0 <= value <= value_max:
            raise ValueError(f"{value} does not fit into 0..{value_max}")
