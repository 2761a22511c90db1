"""How long an exchange occupies a serial line, devices not counted.

Frames after MODBUS Application Protocol V1.1b3, section 6; silence of 3.5 characters between frames, 1.75 ms
above 19200 baud, after MODBUS over Serial Line V1.02, 2.5.1.1 (both from memory).
"""

from __future__ import annotations

from math import ceil

from controller.wiring.blocks import Block, Exchange
from controller.wiring.model import Parity, SerialLink

_AROUND = 3  # unit id and CRC
_FAST_BAUD, _FAST_SILENCE_MS = 19200, 1.75


def round_ms(link: SerialLink, exchange: Exchange) -> float:
    """Request and answer of one exchange with the silence after each, in ms."""
    bits = 1 + 8 + (link.parity is not Parity.NONE) + link.stop_bits
    character_ms = 1000.0 * bits / link.baud
    silence_ms = _FAST_SILENCE_MS if link.baud > _FAST_BAUD else 3.5 * character_ms
    return sum(frame_bytes(exchange)) * character_ms + 2 * silence_ms


def frame_bytes(exchange: Exchange) -> tuple[int, int]:
    """Bytes of the request and of the answer on a serial line."""
    read, write = exchange.read, exchange.write
    if read is not None and write is not None:  # FC23: two addresses, two counts, a byte count
        return _AROUND + 10 + _content(write), _AROUND + 2 + _content(read)
    if read is not None:
        return _AROUND + 5, _AROUND + 2 + _content(read)
    assert write is not None  # an exchange has a block
    return _AROUND + 6 + _content(write), _AROUND + 5


def _content(block: Block) -> int:
    return ceil(block.count / 8) if block.table.of_bits else 2 * block.count
