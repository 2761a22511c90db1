"""``wiring.toml`` as it is typed: every key, its type, its range. What entries mean together: expand.py.

    [[link]]      name; host, port  or  serial, baud, parity, stop_bits, rs485; timeout_ms, exchange_ms
    [[device]]    name, link, unit_id; fc23, max_read, max_write, gap, ...; identity, known, life, ...
    [[point]]     signal or signals, device, table, address; bit; type, word_order, raw, ma; invert; codes

``*`` in a name stands for the number of a unit; such an entry is there once for each unit of the site.
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictBool

from controller.tables import Table
from controller.wiring.model import ADDRESS_MAX, WORD_BITS, Parity, RawType, WordOrder

_WITH_UNIT = re.compile(r"(?:(\d{1,9})\+)?\*")
_NAME = r"^[a-z][a-z0-9_-]*\*?$"


def _number_or_sum(value: object) -> object:
    """Refuse what is neither a number nor "*" or "100+*"; the range is checked where it is used."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return value
    if isinstance(value, str) and _WITH_UNIT.fullmatch(value):
        return value
    raise ValueError(f'{value!r} must be a number, or "*" or "100+*" with * for the number of the unit')


def _whole(value: object) -> object:
    if isinstance(value, float):
        raise ValueError(f"{value!r} must be a whole number")
    return _number_or_sum(value)


def number_for(value: float | str, unit: int) -> float:
    """A number as typed, for one unit.

    >>> number_for("100+*", 3)
    103
    """
    if not isinstance(value, str):
        return value
    found = _WITH_UNIT.fullmatch(value)
    assert found is not None  # checked when the entry was read
    return int(found[1] or 0) + unit


NumberOrSum = Annotated[int | str, BeforeValidator(_whole)]
ValueOrSum = Annotated[float | str, BeforeValidator(_number_or_sum)]
Address = Annotated[int, Field(ge=0, le=ADDRESS_MAX)]
Bit = Annotated[int, Field(ge=0, lt=WORD_BITS)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Range = Annotated[list[Finite], Field(min_length=2, max_length=2)]
# TOML has no enumerations, so their words are taken as text although all else is strict
TableWord = Annotated[Table, Field(strict=False)]
TypeWord = Annotated[RawType, Field(strict=False)]
OrderWord = Annotated[WordOrder, Field(strict=False)]
ParityWord = Annotated[Parity, Field(strict=False)]


class Entry(BaseModel):
    """What every entry has in common: nothing unknown, nothing changed later."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Rs485Entry(Entry):
    """How the driver of an RS-485 line is switched; delays as pyserial has them."""

    rts_on_send: StrictBool = True
    rts_on_receive: StrictBool = False
    delay_before_send_ms: float = Field(0.0, ge=0, le=100, allow_inf_nan=False)
    delay_before_receive_ms: float = Field(0.0, ge=0, le=100, allow_inf_nan=False)
    loopback: StrictBool = False


class LinkEntry(Entry):
    """A TCP connection or a serial line.

    ``exchange_ms`` is at most 500, half of the age at which the firmware gives an image up (narrative 2.3),
    so that one lost round is no loss of the I/O.
    """

    name: str = Field(pattern=_NAME, max_length=40)
    host: str | None = Field(None, min_length=1, max_length=253)
    port: NumberOrSum = 502
    serial: str | None = Field(None, min_length=1, max_length=253)
    baud: int = Field(19200, ge=300, le=1_000_000)
    parity: ParityWord = Parity.EVEN
    stop_bits: int = Field(1, ge=1, le=2)
    rs485: Rs485Entry | None = None
    timeout_ms: int = Field(200, ge=10, le=1000)
    exchange_ms: int = Field(100, ge=20, le=500)


class ServiceEntry(Entry):
    """A value that is no signal. ``value`` is for ``identity`` and ``known`` only."""

    table: TableWord
    address: Address
    type: TypeWord = RawType.UINT16
    word_order: OrderWord | None = None
    raw: Range | None = None
    ma: Range | None = None
    value: ValueOrSum | None = None


class DeviceEntry(Entry):
    """What answers under one unit id, and what it can take."""

    name: str = Field(pattern=_NAME, max_length=40)
    link: str = Field(min_length=1, max_length=40)
    unit_id: NumberOrSum
    timeout_ms: int | None = Field(None, ge=10, le=1000)
    fc23: StrictBool = False
    max_read: int = Field(125, ge=1, le=125)
    max_read_bits: int = Field(2000, ge=1, le=2000)
    max_write: int | None = Field(None, ge=1, le=123)
    max_write_bits: int = Field(1968, ge=1, le=1968)
    gap: int = Field(0, ge=0, le=124)
    word_order: OrderWord = WordOrder.HIGH_FIRST
    identity: ServiceEntry | None = None
    known: ServiceEntry | None = None
    life: ServiceEntry | None = None
    heartbeat: ServiceEntry | None = None
    heartbeat_seen: ServiceEntry | None = None
    owner: ServiceEntry | None = None
    owner_seen: ServiceEntry | None = None


class PointEntry(Entry):
    """One signal, or several at one address after another as on the channels of an I/O card.

    ``unit_step``: how far the address moves on from one unit to the next, where one device carries several.
    """

    signal: str | None = Field(None, min_length=1, max_length=60)
    signals: list[str] | None = Field(None, min_length=1, max_length=2000)
    device: str = Field(min_length=1, max_length=40)
    table: TableWord
    address: Address
    bit: Bit | None = None
    unit_step: int | None = Field(None, ge=1, le=ADDRESS_MAX)
    type: TypeWord | None = None
    word_order: OrderWord | None = None
    raw: Range | None = None
    ma: Range | None = None
    invert: StrictBool = False
    codes: dict[str, str] | None = None


class WiringFile(Entry):
    """All of wiring.toml."""

    link: list[LinkEntry] = Field(min_length=1)
    device: list[DeviceEntry] = Field(min_length=1)
    point: list[PointEntry] = Field(min_length=1)
