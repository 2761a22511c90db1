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
S = Setpoints(
    as_left_membrane_bar=12.5,
    as_left_concentrate_m3h=0.93,
    as_left_permeate_m3h=1.4,
    as_left_pump_bar=9.7,
    as_left_prefilter_bar=0.2,
)
"""As-left values are those of the producing unit below."""
NOW_MS = 50_000_000


def sight(
    header_bar: float | None = 3.0, field: dict[str, float | bool] | None = None, **memory: object
) -> UnitSight:
    """A producing unit with good loops, some of it changed."""
    m = UnitMemory(
        state=UnitState.PRODUCE,
        feed_ms=NOW_MS - 600_000,
        pump_ms=NOW_MS - 600_000,
        flush_owed=False,
        purge_from_ms=NOW_MS,
    )
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
    (
        "suction below the alarm limit",
        sight(field={"suction_bar": 0.0}),
        sight(field={"suction_bar": 0.0}, feed_ms=ago(9.9)),
    ),
    (
        "prefilter takes too little pressure",
        sight(field={"suction_bar": 2.89}),
        sight(field={"suction_bar": 2.87}),
    ),
    (
        "prefilter takes too little pressure",
        sight(field={"suction_bar": 2.89}),
        sight(None, {"suction_bar": 2.89}),
    ),
    (  # at 80 % of the feed as left, 80 % of its pressure loss is to be expected
        "prefilter takes too little pressure",
        sight(field={"suction_bar": 2.91, "permeate_m3h": 0.93}),
        sight(field={"suction_bar": 2.89, "permeate_m3h": 0.93}),
    ),
    (
        "pump pressure below 70 % of as-left",
        sight(field={"membrane_bar": 9.5}),
        sight(field={"membrane_bar": 9.7}),
    ),
    (
        "pump pressure below 70 % of as-left",
        sight(field={"membrane_bar": 9.5}),
        bad(0, sight(field={"membrane_bar": 9.5})),
    ),
    (
        "concentrate flow below 75 % of as-left, pressure up",
        sight(field={"concentrate_m3h": 0.69, "membrane_bar": 13.2}),
        sight(field={"concentrate_m3h": 0.71, "membrane_bar": 13.2}),
    ),
    (
        "concentrate flow below 75 % of as-left, pressure up",
        sight(field={"concentrate_m3h": 0.69, "membrane_bar": 13.2}),
        sight(field={"concentrate_m3h": 0.69, "membrane_bar": 13.0}),
    ),
    (
        "concentrate flow above 125 % of as-left, pressure down",
        sight(field={"concentrate_m3h": 1.17, "membrane_bar": 11.8}),
        sight(field={"concentrate_m3h": 1.15, "membrane_bar": 11.8}),
    ),
    (
        "concentrate flow above 125 % of as-left, pressure down",
        sight(field={"concentrate_m3h": 1.17, "membrane_bar": 11.8}),
        bad(1, sight(field={"concentrate_m3h": 1.17, "membrane_bar": 11.8})),
    ),
    (
        "concentrate flow or recovery 25 % off as-left",
        sight(field={"concentrate_m3h": 0.69}),
        sight(field={"concentrate_m3h": 0.71}),
    ),
    (  # recovery was 1.4 / 2.33 = 0.601; 0.75 / 1.68 = 0.446 is 74 % of it, 0.78 / 1.71 = 0.456 is 76 %
        "concentrate flow or recovery 25 % off as-left",
        sight(field={"permeate_m3h": 0.75}),
        sight(field={"permeate_m3h": 0.78}),
    ),
    (
        "concentrate flow or recovery 25 % off as-left",
        sight(field={"permeate_m3h": 0.75}),
        bad(3, sight(field={"permeate_m3h": 0.75})),
    ),
    (
        "concentrate flow or recovery 25 % off as-left",
        sight(field={"permeate_m3h": 0.75}),
        bad(4, sight(field={"permeate_m3h": 0.75})),
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


AS_LEFT = {
    "prefilter takes too little pressure": {"suction_bar": 2.95},
    "pump pressure below 70 % of as-left": {"membrane_bar": 9.0},
    "concentrate flow below 75 % of as-left, pressure up": {"concentrate_m3h": 0.6, "membrane_bar": 14.0},
    "concentrate flow above 125 % of as-left, pressure down": {"concentrate_m3h": 1.3, "membrane_bar": 11.0},
    "concentrate flow or recovery 25 % off as-left": {"concentrate_m3h": 0.6},
}


@pytest.mark.parametrize(
    "unsettled",
    [{"pump_ms": ago(119.9)}, {"flushed_on_ms": ago(29.9)}, {"state": UnitState.PURGE, "flush_ms": ago(5)}],
    ids=["just started", "just purged", "purging"],
)
@pytest.mark.parametrize("name", AS_LEFT)
def test_as_left_values_are_compared_only_with_settled_production(
    name: str, unsettled: dict[str, object]
) -> None:
    field: dict[str, float | bool] = dict(AS_LEFT[name])

    assert UNIT_CONDITIONS[name](sight(field=field))
    assert not UNIT_CONDITIONS[name](sight(3.0, field, **unsettled))


@pytest.mark.parametrize("name", AS_LEFT)
def test_what_was_not_entered_as_left_is_not_judged(name: str) -> None:
    v = sight(field=dict(AS_LEFT[name]))
    v.s = Setpoints()

    assert not UNIT_CONDITIONS[name](v)


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
        "dosing strokes while no dose is asked for",
        bank_sight(strays_ms=[ago(599.9), ago(10)]),
        bank_sight(strays_ms=[ago(600), ago(10)]),
    ),
    (
        "dosing strokes while no dose is asked for",
        bank_sight(strays_ms=[ago(599.9), ago(10)]),
        bank_sight(strays_ms=[ago(10)]),
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
