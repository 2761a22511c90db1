"""How a request is found in what arrives, and how a response is wrapped. Bytes in, requests out; no line,
no clock.

TCP: the MBAP header of the MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3.
Serial: RTU mode of the MODBUS over Serial Line Specification and Implementation Guide V1.02, section 2.5.1.
Both named from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator
from typing import NamedTuple

from controller.modbus.pdu import PDU_MAX, request_length, response_length

BROADCAST = 0
RTU_MAX = PDU_MAX + 3
_MBAP = struct.Struct(">HHH")  # transaction, protocol (0), number of bytes that follow: unit and PDU
_LENGTHS = range(2, PDU_MAX + 2)


class Request(NamedTuple):
    """A request and what its response must repeat; ``transaction`` is 0 on a serial line."""

    unit: int
    pdu: bytes
    transaction: int = 0


class FrameError(ValueError):
    """What came is no Modbus TCP, and nothing behind it can be trusted either: close the connection."""


class TcpFrames:
    """Finds the requests in the bytes of a connection, however they are split. Keeps 260 bytes at most."""

    def __init__(self) -> None:
        self._kept = bytearray()

    def feed(self, data: bytes) -> Iterator[Request]:
        """The requests that are now complete; FrameError behind them when a header is none."""
        self._kept += data
        while len(self._kept) >= _MBAP.size:
            transaction, protocol, length = _MBAP.unpack_from(self._kept)
            if protocol != 0 or length not in _LENGTHS:
                self._kept.clear()
                raise FrameError(f"protocol {protocol}, length {length}")
            end = _MBAP.size + length
            if len(self._kept) < end:
                return
            frame = bytes(self._kept[_MBAP.size : end])
            del self._kept[:end]
            yield Request(frame[0], frame[1:], transaction)


def tcp_frame(request: Request, pdu: bytes) -> bytes:
    """The response with its header: transaction and unit of the request."""
    return _MBAP.pack(request.transaction, 0, len(pdu) + 1) + bytes((request.unit,)) + pdu


def _crc_of_byte(byte: int) -> int:
    for _bit in range(8):
        byte = (byte >> 1) ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC = tuple(_crc_of_byte(byte) for byte in range(256))


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS; 0 over a frame that ends with its own CRC, low byte first.

    >>> hex(crc16(b"123456789"))  # the check value of the public catalogue of parametrised CRC algorithms
    '0x4b37'
    """
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC[(crc ^ byte) & 0xFF]
    return crc


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """Unit, PDU and CRC."""
    frame = bytes((unit,)) + pdu
    return frame + crc16(frame).to_bytes(2, "little")


class RtuFrames:
    """Finds the intact frames in the bytes of a serial line. Keeps 256 bytes at most.

    A frame at the head is taken as soon as it is complete, by the length that its function demands, so that
    an answer need not wait for silence. Neighbours' responses are measured too, since every device on the
    line hears them. Once the head is no frame, nothing is taken until the line falls silent; then the bytes
    since are one frame as a whole (a function that we do not know), or end with a request behind something
    spoilt, or are lost. The inside of a frame is never searched: what a neighbour is sent may look like a
    request.

    ``silence`` is for the caller to see. It need not be exact: a gap that went unseen only joins two pieces.
    """

    def __init__(self, units: Collection[int]) -> None:
        self._units = frozenset(units) | {BROADCAST}
        self._kept = bytearray()
        self._cut = False  # the head is lost, and with it where a frame begins
        self.bad = 0
        """Stretches between two silences in which something was no frame."""

    @property
    def waiting(self) -> bool:
        """Whether bytes are kept that only more of them, or silence, can explain."""
        return bool(self._kept)

    def feed(self, data: bytes) -> list[Request]:
        """The frames that are now complete, of any unit, in their order."""
        self._kept += data
        found = []
        while (frame := self._head()) is not None:
            found.append(frame)
        if len(self._kept) > RTU_MAX:
            self._cut = True
            del self._kept[:-RTU_MAX]
        return found

    def silence(self) -> list[Request]:
        """The line has been quiet: at most one frame that could not be told before. Nothing is kept."""
        data = bytes(self._kept)
        self._kept.clear()
        self._cut = False
        if len(data) > 3 and crc16(data) == 0:
            return [Request(data[0], data[1:-2])]
        self.bad += bool(data)
        tails = (data[at:] for at in range(len(data) - 3))
        return [Request(tail[0], tail[1:-2]) for tail in tails if _is_request(tail)][:1]

    def _head(self) -> Request | None:
        if self._cut or len(self._kept) < 4:
            return None
        for length in self._lengths():
            frame = bytes(self._kept[:length])
            if len(frame) == length and crc16(frame) == 0:
                del self._kept[:length]
                return Request(frame[0], frame[1:-2])
        return None

    def _lengths(self) -> list[int]:
        """How long the frame at the head may be, shortest first; empty when its function does not tell."""
        pdu = bytes(self._kept[1:])
        neighbour = self._kept[0] not in self._units
        lengths = (request_length(pdu), response_length(pdu) if neighbour else None)
        return sorted(length + 3 for length in lengths if length is not None)


def _is_request(frame: bytes) -> bool:
    """Whether that is one request, from its first byte to its last."""
    return request_length(frame[1:]) == len(frame) - 3 and crc16(frame) == 0
