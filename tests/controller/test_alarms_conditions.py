"""Every named condition of an alarm, on both sides of its limit."""

from __future__ import annotations

import pytest
from bank_harness import BankRig
from harness import unit_inputs

from controller.alarms.evidence import BANK_CONDITIONS, UNIT_CONDITIONS, BankSight, UnitSight
from controller.bank.memory import BankMemory
from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.signals import UnitOutputs
from controller.unit.memory import UnitMemory
from controller.unit.states import Event, UnitState

E = Event
S = Setpoints()
NOW_MS = 50_000_000


def sight(
    header_bar: float | None = 3.0, field: dict[str, float | bool] | None = None, **memory: object
) -> UnitSight:
    """A producing unit with good loops, some of it changed."""
    m = UnitMemory(state=UnitState.PRODUCE, feed_ms=NOW_MS - 600_000, flush_owed=False, purge_from_ms=NOW_MS)
    for loop in m.loops:
        loop.quality = Quality.GOOD
    for name, value in memory.items():
        setattr(m, name, value)
    driven = UnitOutputs(True, False, True, True, True, False)
    return UnitSight(S, m, unit_inputs(driven, **(field or {})), header_bar, NOW_MS)


def bad(loop: int, v: UnitSight) -> UnitSight:
    v.m.loops[loop].quality = Quality.BAD
    return v


def ago(seconds: float) -> int:
    return NOW_MS - round(1000 * seconds)


HOLDS: list[tuple[str, UnitSight, UnitSight]] = [
    ("feed valve shut or just opened", sight(feed_ms=ago(9.9)), sight(feed_ms=ago(10))),
    ("suction below the alarm limit", sight(field={"suction_bar": 1.19}), sight(field={"suction_bar": 1.21})),
    (
        "suction below the alarm limit",
        sight(field={"suction_bar": 1.0}),
        bad(0, sight(field={"suction_bar": 1.0})),
    ),
    (
        "membrane pressure above the alarm limit",
        sight(field={"membrane_bar": 14.6}),
        sight(field={"membrane_bar": 14.4}),
    ),
    (
        "prefilter takes too much pressure",
        sight(field={"suction_bar": 2.2}),
        sight(field={"suction_bar": 2.4}),
    ),
    (
        "prefilter takes too much pressure",
        sight(field={"suction_bar": 2.2}),
        sight(None, {"suction_bar": 2.2}),
    ),
    (
        "prefilter takes too much pressure",
        sight(field={"suction_bar": 2.2}),
        sight(3.0, {"suction_bar": 2.2}, state=UnitState.PURGE),
    ),
    ("quality alarm of the sequence", sight(quality_alarm=True), sight()),
    (
        "conductivity below 2 uS/cm while producing",
        sight(field={"permeate_us": 1.9}),
        sight(field={"permeate_us": 2.1}),
    ),
    (
        "conductivity below 2 uS/cm while producing",
        sight(field={"permeate_us": 0.0}),
        sight(3.0, {"permeate_us": 0.0}, state=UnitState.STANDBY),
    ),
    ("no purge for 1.5 intervals", sight(purge_from_ms=ago(900)), sight(purge_from_ms=ago(899.9))),
    ("flush by time, flow meter BAD", bad(4, sight(state=UnitState.STOP_FLUSH)), bad(4, sight())),
    (
        "flush by time, flow meter BAD",
        bad(4, sight(state=UnitState.START_FLUSH)),
        sight(state=UnitState.START_FLUSH),
    ),
    (
        "flush with the pump off not whole",
        sight(flush_owed=True, flush_not_before_ms=NOW_MS + 1),
        sight(flush_owed=True, flush_not_before_ms=NOW_MS),
    ),
    (
        "flush owed in OFF for long",
        sight(state=UnitState.OFF, flush_owed=True, owed_since_ms=ago(14_400), entered_ms=ago(14_400)),
        sight(state=UnitState.OFF, flush_owed=True, owed_since_ms=ago(14_400), entered_ms=ago(14_399)),
    ),
    (
        "flush owed in OFF for long",
        sight(state=UnitState.OFF, flush_owed=True, owed_since_ms=ago(14_400), entered_ms=0),
        sight(state=UnitState.OFF, owed_since_ms=ago(14_400), entered_ms=0),
    ),
    (
        "feed valve did not close, unit in OFF or MAINTENANCE",
        sight(state=UnitState.OFF, active=1 << E.FEED_NOT_CLOSED),
        sight(state=UnitState.STANDBY, active=1 << E.FEED_NOT_CLOSED),
    ),
    (
        "feed valve did not close, unit in OFF or MAINTENANCE",
        sight(state=UnitState.MAINTENANCE, active=1 << E.FEED_NOT_CLOSED),
        sight(state=UnitState.MAINTENANCE),
    ),
    ("retained data lost", sight(lost_memory=True), sight()),
]


@pytest.mark.parametrize(("name", "holds", "just_not"), HOLDS)
def test_a_condition_of_a_unit_holds_from_its_limit_on(
    name: str, holds: UnitSight, just_not: UnitSight
) -> None:
    assert UNIT_CONDITIONS[name](holds)
    assert not UNIT_CONDITIONS[name](just_not)


def test_every_condition_of_a_unit_is_tested() -> None:
    assert {name for name, _, _ in HOLDS} == set(UNIT_CONDITIONS)


def bank_sight(
    field: dict[str, float | bool] | None = None, *, pumping: bool = True, **memory: object
) -> BankSight:
    """A healthy bank, some of it changed."""
    m = BankMemory(1)
    for loop in m.loops:
        loop.quality = Quality.GOOD
    for name, value in memory.items():
        setattr(m, name, value)
    rig = BankRig(1)
    rig.bank |= field or {}
    return BankSight(S, m, rig.bank_inputs(), pumping, NOW_MS)


BANK_HOLDS: list[tuple[str, BankSight, BankSight]] = [
    ("antiscalant tank contact open", bank_sight({"antiscalant_ok": False}), bank_sight()),
    ("dosing pump not healthy", bank_sight({"dosing_healthy": False}), bank_sight()),
    (
        "no dosing stroke for half of its grace",
        bank_sight(unproven_ms=ago(30)),
        bank_sight(unproven_ms=ago(29.9)),
    ),
    (
        "feed temperature above the alarm limit",
        bank_sight({"feed_degc": 38.1}),
        bank_sight({"feed_degc": 37.9}),
    ),
    (
        "free chlorine above the alarm limit",
        bank_sight({"chlorine_mgl": 0.051}),
        bank_sight({"chlorine_mgl": 0.049}),
    ),
    ("blended product too poor", bank_sight({"product_us": 502.0}), bank_sight({"product_us": 498.0})),
    (
        "blended product too poor",
        bank_sight({"product_us": 502.0}),
        bank_sight({"product_us": 502.0}, pumping=False),
    ),
    ("low float open", bank_sight({"tank_above_low": False}), bank_sight()),
    ("reset button held down", bank_sight(pressed_ms=ago(3.1)), bank_sight(pressed_ms=ago(3.0))),
]


@pytest.mark.parametrize(("name", "holds", "just_not"), BANK_HOLDS)
def test_a_condition_of_the_bank_holds_from_its_limit_on(
    name: str, holds: BankSight, just_not: BankSight
) -> None:
    assert BANK_CONDITIONS[name](holds)
    assert not BANK_CONDITIONS[name](just_not)


def test_every_condition_of_the_bank_is_tested() -> None:
    assert {name for name, _, _ in BANK_HOLDS} == set(BANK_CONDITIONS)
