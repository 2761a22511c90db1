"""What a Modbus server answers: one request in, one response out, no line and no clock.

Function codes 1 to 6, 15, 16 and 23 of the MODBUS Application Protocol Specification V1.1b3, section 6. The
order of the checks is the one of its state diagrams: function (exception 01), quantity, value and byte count
(03), address range (02), then the device itself (04). The numbers were written from memory of that document.

A request shorter or longer than its function says is answered with 03, whose text in section 7 names an
implied length that is incorrect.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from enum import IntEnum
from functools import partial
from typing import ClassVar, Protocol

from controller.tables import Table

PDU_MAX = 253
ADDRESSES = 65_536
READ_BITS_MAX, READ_REGISTERS_MAX = 2000, 125
WRITE_BITS_MAX, WRITE_REGISTERS_MAX = 1968, 123
READ_WRITE_MAX = 121  # registers written by function 23; it reads up to READ_REGISTERS_MAX
COIL_OFF, COIL_ON = 0x0000, 0xFF00

WRITES = frozenset({5, 6, 15, 16})
"""Function codes that only write: what may be broadcast."""


class Code(IntEnum):
    """Exception codes, section 7 of the specification."""

    ILLEGAL_FUNCTION = 0x01
    ILLEGAL_DATA_ADDRESS = 0x02
    ILLEGAL_DATA_VALUE = 0x03
    SERVER_DEVICE_FAILURE = 0x04
    SERVER_DEVICE_BUSY = 0x06
    GATEWAY_TARGET_FAILED_TO_RESPOND = 0x0B


class RefusedError(Exception):
    """A request that is answered with an exception; a device raises one of the kinds below."""

    code: ClassVar[Code]


class FunctionError(RefusedError):
    """The function is not served: exception 01."""

    code = Code.ILLEGAL_FUNCTION


class AddressError(RefusedError):
    """Not every address of the request exists in that table: exception 02."""

    code = Code.ILLEGAL_DATA_ADDRESS


class ValueRefusedError(RefusedError):
    """A value or a quantity that may not be: exception 03."""

    code = Code.ILLEGAL_DATA_VALUE


class DeviceFailedError(RefusedError):
    """The device cannot do now what it was rightly asked for: exception 04."""

    code = Code.SERVER_DEVICE_FAILURE


class DeviceBusyError(RefusedError):
    """The device is still at what it was asked for before, ask again: exception 06."""

    code = Code.SERVER_DEVICE_BUSY


class NoAnswerError(Exception):
    """The device is silent: nothing is to be answered, not even an exception."""


class Registers(Protocol):
    """A device as its tables; addresses count from zero.

    Both calls raise one of the RefusedError kinds, or NoAnswerError. They must return at once and must not
    call back into the server.
    """

    def read(self, table: Table, address: int, count: int) -> Sequence[int]:
        """Just ``count`` values, 0 or 1 of the bit tables and 0..65535 of the others. Changes nothing."""

    def write(self, table: Table, address: int, values: Sequence[int], writer: str) -> None:
        """Take all values or none; ``writer`` says who wrote: the peer's address, or the line."""


def answer(device: Registers, pdu: bytes, writer: str = "") -> bytes:
    """The response to a request PDU of at least one byte; an exception response where it is refused.

    What a device raises beside the RefusedError family goes through: NoAnswerError, or a mistake of its own.
    """
    serve = _FUNCTIONS.get(pdu[0])
    try:
        if serve is None:
            raise FunctionError
        return serve(device, pdu, writer)
    except RefusedError as refused:
        return refusal(pdu[0], refused.code)


def refusal(function: int, code: Code) -> bytes:
    """The exception response: the function with its highest bit set, then the code."""
    return bytes((function | 0x80, code))


def request_length(start: bytes) -> int | None:
    """Bytes of the request PDU that begins so; None when the function does not tell, or tells too many.

    Where the byte count has not arrived yet, the least that can come.
    """
    counted_at = _BYTE_COUNT_AT.get(start[0])
    if counted_at is None:
        return 5 if start[0] in _FUNCTIONS else None
    length = counted_at + 1 + (start[counted_at] if len(start) > counted_at else 1)
    return length if length <= PDU_MAX else None


def response_length(start: bytes) -> int | None:
    """Bytes of the response PDU that begins so (at least two bytes); None when that cannot be told."""
    if start[0] & 0x80:
        return 2
    if start[0] in WRITES:
        return 5
    length = 2 + start[1]
    return length if start[0] in _FUNCTIONS and length <= PDU_MAX else None


_ADDRESS_AND_WORD = struct.Struct(">xHH")
_WRITE_HEAD = struct.Struct(">xHHB")
_READ_WRITE_HEAD = struct.Struct(">xHHHHB")
_BYTE_COUNT_AT = {15: 5, 16: 5, 23: 9}


def _demand(what: bool) -> None:
    if not what:
        raise ValueRefusedError


def _demand_room(address: int, count: int) -> None:
    if address + count > ADDRESSES:
        raise AddressError


def _address_and_word(pdu: bytes) -> tuple[int, int]:
    _demand(len(pdu) == _ADDRESS_AND_WORD.size)
    address, word = _ADDRESS_AND_WORD.unpack(pdu)
    return address, word


def _read(device: Registers, table: Table, address: int, count: int) -> Sequence[int]:
    values = device.read(table, address, count)
    if len(values) != count:
        raise ValueError(f"{len(values)} values for {count} of {table} {address}")
    return values


def _with_byte_count(function: int, data: bytes) -> bytes:
    return bytes((function, len(data))) + data


def _bits_to_bytes(bits: Sequence[int]) -> bytes:
    """The first bit is the lowest of the first byte; what is left of the last byte is zero."""
    digits = "".join("1" if bit else "0" for bit in reversed(bits))
    return int(digits, 2).to_bytes((len(bits) + 7) // 8, "little")


def _bytes_to_bits(data: bytes, count: int) -> list[int]:
    digits = f"{int.from_bytes(data, 'little'):0{8 * len(data)}b}"
    return [int(digit) for digit in digits[::-1][:count]]


def _words_to_bytes(words: Sequence[int]) -> bytes:
    return struct.pack(f">{len(words)}H", *words)


def _bytes_to_words(data: bytes) -> tuple[int, ...]:
    return struct.unpack(f">{len(data) // 2}H", data)


def _read_bits(table: Table, device: Registers, pdu: bytes, _writer: str) -> bytes:
    address, count = _address_and_word(pdu)
    _demand(1 <= count <= READ_BITS_MAX)
    _demand_room(address, count)
    return _with_byte_count(pdu[0], _bits_to_bytes(_read(device, table, address, count)))


def _read_registers(table: Table, device: Registers, pdu: bytes, _writer: str) -> bytes:
    address, count = _address_and_word(pdu)
    _demand(1 <= count <= READ_REGISTERS_MAX)
    _demand_room(address, count)
    return _with_byte_count(pdu[0], _words_to_bytes(_read(device, table, address, count)))


def _write_coil(device: Registers, pdu: bytes, writer: str) -> bytes:
    address, word = _address_and_word(pdu)
    _demand(word in (COIL_OFF, COIL_ON))
    device.write(Table.COIL, address, (int(word == COIL_ON),), writer)
    return pdu


def _write_register(device: Registers, pdu: bytes, writer: str) -> bytes:
    address, word = _address_and_word(pdu)
    device.write(Table.HOLDING, address, (word,), writer)
    return pdu


def _write_coils(device: Registers, pdu: bytes, writer: str) -> bytes:
    _demand(len(pdu) >= _WRITE_HEAD.size)
    address, count, n_bytes = _WRITE_HEAD.unpack_from(pdu)
    data = pdu[_WRITE_HEAD.size :]
    _demand(1 <= count <= WRITE_BITS_MAX and n_bytes == (count + 7) // 8 == len(data))
    _demand_room(address, count)
    device.write(Table.COIL, address, _bytes_to_bits(data, count), writer)
    return pdu[:5]


def _write_registers(device: Registers, pdu: bytes, writer: str) -> bytes:
    _demand(len(pdu) >= _WRITE_HEAD.size)
    address, count, n_bytes = _WRITE_HEAD.unpack_from(pdu)
    data = pdu[_WRITE_HEAD.size :]
    _demand(1 <= count <= WRITE_REGISTERS_MAX and n_bytes == 2 * count == len(data))
    _demand_room(address, count)
    device.write(Table.HOLDING, address, _bytes_to_words(data), writer)
    return pdu[:5]


def _read_write_registers(device: Registers, pdu: bytes, writer: str) -> bytes:
    """Writes, then reads. A read that would be refused must refuse the write too, so it is tried before."""
    _demand(len(pdu) >= _READ_WRITE_HEAD.size)
    read_at, n_read, write_at, n_written, n_bytes = _READ_WRITE_HEAD.unpack_from(pdu)
    data = pdu[_READ_WRITE_HEAD.size :]
    _demand(1 <= n_read <= READ_REGISTERS_MAX and 1 <= n_written <= READ_WRITE_MAX)
    _demand(n_bytes == 2 * n_written == len(data))
    _demand_room(read_at, n_read)
    _demand_room(write_at, n_written)
    _read(device, Table.HOLDING, read_at, n_read)
    device.write(Table.HOLDING, write_at, _bytes_to_words(data), writer)
    return _with_byte_count(pdu[0], _words_to_bytes(_read(device, Table.HOLDING, read_at, n_read)))


_FUNCTIONS: dict[int, Callable[[Registers, bytes, str], bytes]] = {
    1: partial(_read_bits, Table.COIL),
    2: partial(_read_bits, Table.DISCRETE),
    3: partial(_read_registers, Table.HOLDING),
    4: partial(_read_registers, Table.INPUT),
    5: _write_coil,
    6: _write_register,
    15: _write_coils,
    16: _write_registers,
    23: _read_write_registers,
}
