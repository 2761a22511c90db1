"""Where every signal lives on Modbus: ``wiring.toml`` read, checked, gathered into requests; values coded.

No network, no clock. The side that asks and the side that answers both stand on this.
"""

from controller.tables import Table
from controller.wiring.blocks import Block, Exchange, blocks_of, exchanges_of, pack, unpack
from controller.wiring.codec import decode, encode
from controller.wiring.known import what_is_wrong
from controller.wiring.model import (
    Asker,
    Device,
    Direction,
    Link,
    Parity,
    Point,
    RawType,
    Rs485,
    Scale,
    SerialLink,
    TcpLink,
    Use,
    Wiring,
    WordOrder,
)
from controller.wiring.reading import WIRING_FILE, load_wiring, wiring_from
from controller.wiring.standard import default_wiring

__all__ = [
    "WIRING_FILE",
    "Asker",
    "Block",
    "Device",
    "Direction",
    "Exchange",
    "Link",
    "Parity",
    "Point",
    "RawType",
    "Rs485",
    "Scale",
    "SerialLink",
    "Table",
    "TcpLink",
    "Use",
    "Wiring",
    "WordOrder",
    "blocks_of",
    "decode",
    "default_wiring",
    "encode",
    "exchanges_of",
    "load_wiring",
    "pack",
    "unpack",
    "what_is_wrong",
    "wiring_from",
]
