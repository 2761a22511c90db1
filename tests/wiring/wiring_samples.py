"""A small wiring to type mistakes into, and points to encode."""

from __future__ import annotations

import tomllib
from typing import Any

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, signal_named
from controller.wiring import Asker, Point, RawType, Table, Use, Wiring, WordOrder, wiring_from
from controller.wiring.model import Scale

PAIR = """\
[[link]]
name = "io"
host = "127.0.0.1"
port = 1502

[[device]]
name = "bank"
link = "io"
unit_id = 100
life = { table = "input", address = 100 }

[[device]]
name = "skid*"
link = "io"
unit_id = "*"
life = { table = "input", address = 100 }
heartbeat = { table = "holding", address = 0 }

[[point]]
device = "bank"
table = "discrete"
address = 0
signals = [
    "bank.estop_healthy", "bank.supply_healthy", "bank.reset_button", "bank.bank_run", "bank.booster_running",
    "bank.drive_healthy", "bank.antiscalant_ok", "bank.dosing_running", "bank.dosing_pulse",
    "bank.dosing_healthy", "bank.tank_not_overfull", "bank.tank_above_low", "bank.source_wet",
    "bank.floor_dry", "bank.sump_ok",
]

[[point]]
device = "bank"
table = "input"
address = 0
type = "int16"
raw = [0, 27648]
signals = [
    "bank.header_ma", "bank.feed_flow_ma", "bank.feed_temp_ma", "bank.feed_cond_ma", "bank.chlorine_ma",
    "bank.booster_speed_ma", "bank.tank_level_ma", "bank.product_cond_ma",
]

[[point]]
device = "bank"
table = "coil"
address = 0
signals = ["bank.booster_run", "bank.dosing_run", "bank.alarm_relay", "bank.watchdog", "bank.horn"]

[[point]]
device = "bank"
table = "holding"
address = 10
type = "float32"
raw = [4, 20]
signals = ["bank.booster_speed_cmd_ma", "bank.dosing_rate_cmd_ma"]

[[point]]
device = "skid*"
table = "discrete"
address = 0
signals = [
    "unit*.selector_auto", "unit*.isolator_on", "unit*.pump_running", "unit*.enable_closed",
    "unit*.motor_healthy", "unit*.suction_ok", "unit*.discharge_ok", "unit*.permeate_ok", "unit*.skid_dry",
]

[[point]]
device = "skid*"
table = "input"
address = 0
type = "int16"
raw = [0, 27648]
signals = [
    "unit*.suction_ma", "unit*.membrane_ma", "unit*.permeate_cond_ma", "unit*.permeate_flow_ma",
    "unit*.concentrate_flow_ma",
]

[[point]]
device = "skid*"
table = "coil"
address = 0
signals = ["unit*.feed_valve", "unit*.flush_valve", "unit*.pump", "unit*.enable", "unit*.beacon"]
"""
"""Two units; options are left out."""

FOR_BENCH = PAIR.replace('table = "discrete"\naddress = 0', 'table = "coil"\naddress = 100').replace(
    'table = "input"\naddress = 0', 'table = "holding"\naddress = 200'
)
"""The same for a PLC that is a server: everything stands where anybody can write it."""

TARGET = """
[[point]]
device = "skid*"
signal = "unit*.state"
table = "holding"
address = 300
type = "uint16"
codes = { 0 = "BOOT", 10 = "STANDBY", 11 = "STANDBY", 20 = "PRODUCE" }

[[point]]
device = "skid*"
signal = "unit*.command"
table = "holding"
address = 301
type = "uint16"
codes = { 1 = "start", 2 = "stop" }
"""
"""What a controller under test has besides."""


def changed(text: str, *changes: tuple[str, str]) -> str:
    """The text with things changed, each once; a slip in a test must not pass for a refusal."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def typed(text: str) -> dict[str, Any]:
    """The data in a TOML text."""
    return tomllib.loads(text)


def wired(text: str = PAIR, n_units: int = 2, asker: Asker = Asker.CONTROLLER) -> Wiring:
    """The wiring in a TOML text."""
    return wiring_from(typed(text), n_units, asker, "wiring.toml")


def loop(
    kind: RawType = RawType.FLOAT32,
    raw: tuple[float, float] = (4.0, 20.0),
    order: WordOrder = WordOrder.HIGH_FIRST,
    ma: tuple[float, float] = (4.0, 20.0),
    address: int = 0,
) -> Point:
    """The suction loop of unit 1 in input registers."""
    return Point(
        "unit1.suction_ma",
        "skid1",
        Use.FIELD_INPUT,
        Table.INPUT,
        address,
        kind,
        word_order=order,
        scale=Scale(*raw, *ma),
        signal=signal_named(UNIT_SIGNALS, "suction_ma"),
        unit=1,
    )


def reference_loop(kind: RawType, raw: tuple[float, float]) -> Point:
    """The booster's speed reference: a loop that is driven."""
    return Point(
        "bank.booster_speed_cmd_ma",
        "bank",
        Use.FIELD_OUTPUT,
        Table.HOLDING,
        0,
        kind,
        scale=Scale(*raw),
        signal=signal_named(BANK_SIGNALS, "booster_speed_cmd_ma"),
    )


def contact(bit: int | None = None, invert: bool = False, address: int = 0) -> Point:
    """A contact of unit 1, in a discrete input or in a register."""
    return Point(
        "unit1.suction_ok",
        "skid1",
        Use.FIELD_INPUT,
        Table.DISCRETE if bit is None else Table.INPUT,
        address,
        RawType.BOOL,
        bit=bit,
        invert=invert,
        signal=signal_named(UNIT_SIGNALS, "suction_ok"),
        unit=1,
    )


def number(
    kind: RawType = RawType.UINT16,
    use: Use = Use.KNOWN,
    order: WordOrder = WordOrder.HIGH_FIRST,
    expected: float | None = None,
    address: int = 10,
) -> Point:
    """A service point, without scaling."""
    return Point(
        f"skid1.{use}", "skid1", use, Table.INPUT, address, kind, word_order=order, expected=expected
    )
