"""What an alarm is raised on: a value exactly on its limit raises nothing, nor does one that is not known."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pytest
from test_alarms_conditions import NOW_MS, ago, bank_sight, sight

from controller.alarms.evidence import (
    BAD_BIT,
    BANK_CONDITIONS,
    CONDITION_BIT,
    FROZEN_BIT,
    UNCERTAIN_BIT,
    UNIT_CONDITIONS,
    BankSight,
    UnitSight,
    bank_events,
    bank_held,
    sample_bank,
    sample_unit,
)
from controller.bank.memory import BankMemory
from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.unit.memory import UnitMemory
from controller.unit.states import Event, UnitState

E = Event


class OnLimit(NamedTuple):
    """A producing unit with one value on a limit, and the same just beyond. Exact in binary."""

    name: str
    setpoints: dict[str, float]
    on: dict[str, float]
    beyond: dict[str, float]
    header_bar: float = 3.375


# recovery as left 2/3 or 8/15; concentrate as left where only the recovery is off
FEW = {"as_left_permeate_m3h": 1.25, "as_left_concentrate_m3h": 0.625}
MANY = {"as_left_permeate_m3h": 0.625 / 0.875, "as_left_concentrate_m3h": 0.625}
BLOCKED = {"as_left_concentrate_m3h": 1.25 / 0.75, "as_left_membrane_bar": 12.5 / 1.05}
OPEN = {"as_left_concentrate_m3h": 1.25 / 1.25, "as_left_membrane_bar": 12.5 / 0.95}

ON_LIMIT = [
    OnLimit(
        "suction below the alarm limit",
        {"suction_alarm_bar": 1.5},
        {"suction_bar": 1.5},
        {"suction_bar": 1.49},
    ),
    OnLimit(
        "membrane pressure above the alarm limit",
        {"discharge_alarm_bar": 12.5},
        {"membrane_bar": 12.5},
        {"membrane_bar": 12.51},
    ),
    OnLimit(
        "prefilter takes too much pressure",
        {"prefilter_alarm_bar": 0.375},
        {"suction_bar": 3.0},
        {"suction_bar": 2.99},
    ),
    OnLimit(  # 0.6 of 0.625 bar
        "prefilter takes too little pressure",
        {"as_left_prefilter_bar": 0.625},
        {"suction_bar": 3.0},
        {"suction_bar": 3.01},
    ),
    OnLimit(  # half the feed as left, half that
        "prefilter takes too little pressure",
        {"as_left_prefilter_bar": 0.625, "as_left_permeate_m3h": 1.25, "as_left_concentrate_m3h": 1.25},
        {"suction_bar": 3.0, "permeate_m3h": 0.625, "concentrate_m3h": 0.625},
        {"suction_bar": 3.01, "permeate_m3h": 0.625, "concentrate_m3h": 0.625},
        header_bar=3.1875,
    ),
    OnLimit(  # more feed than as left asks for no more
        "prefilter takes too little pressure",
        {"as_left_prefilter_bar": 0.625, "as_left_permeate_m3h": 0.5, "as_left_concentrate_m3h": 0.5},
        {"suction_bar": 3.0},
        {"suction_bar": 3.01},
    ),
    OnLimit(
        "pump pressure below 70 % of as-left",
        {"as_left_pump_bar": 9.5 / 0.7},
        {"membrane_bar": 12.5, "suction_bar": 3.0},
        {"membrane_bar": 12.5, "suction_bar": 3.01},
    ),
    OnLimit(
        "concentrate flow below 75 % of as-left, pressure up",
        BLOCKED,
        {"concentrate_m3h": 1.25, "membrane_bar": 12.6},
        {"concentrate_m3h": 1.24, "membrane_bar": 12.6},
    ),
    OnLimit(
        "concentrate flow below 75 % of as-left, pressure up",
        BLOCKED,
        {"concentrate_m3h": 1.24, "membrane_bar": 12.5},
        {"concentrate_m3h": 1.24, "membrane_bar": 12.51},
    ),
    OnLimit(
        "concentrate flow above 125 % of as-left, pressure down",
        OPEN,
        {"concentrate_m3h": 1.25, "membrane_bar": 12.4},
        {"concentrate_m3h": 1.26, "membrane_bar": 12.4},
    ),
    OnLimit(
        "concentrate flow above 125 % of as-left, pressure down",
        OPEN,
        {"concentrate_m3h": 1.26, "membrane_bar": 12.5},
        {"concentrate_m3h": 1.26, "membrane_bar": 12.49},
    ),
    OnLimit(
        "concentrate flow or recovery 25 % off as-left",
        {"as_left_concentrate_m3h": 1.25 / 1.25},
        {"concentrate_m3h": 1.25},
        {"concentrate_m3h": 1.26},
    ),
    OnLimit(
        "concentrate flow or recovery 25 % off as-left",
        {"as_left_concentrate_m3h": 1.25 / 0.75},
        {"concentrate_m3h": 1.25},
        {"concentrate_m3h": 1.24},
    ),
    OnLimit(
        "concentrate flow or recovery 25 % off as-left",
        FEW,
        {"permeate_m3h": 0.625, "concentrate_m3h": 0.625},
        {"permeate_m3h": 0.62, "concentrate_m3h": 0.625},
    ),
    OnLimit(
        "concentrate flow or recovery 25 % off as-left",
        MANY,
        {"permeate_m3h": 1.25, "concentrate_m3h": 0.625},
        {"permeate_m3h": 1.26, "concentrate_m3h": 0.625},
    ),
]


def unit(setpoints: dict[str, float], field: dict[str, float], header_bar: float | None = 3.375) -> UnitSight:
    """A producing unit with these setpoints and loops."""
    v = sight(header_bar, dict(field))
    v.s = Setpoints(**setpoints)  # type: ignore[arg-type]  # fields of Setpoints
    return v


@pytest.mark.parametrize("case", ON_LIMIT, ids=lambda case: case.name)
def test_a_value_exactly_on_its_limit_is_still_good(case: OnLimit) -> None:
    condition = UNIT_CONDITIONS[case.name]

    assert not condition(unit(case.setpoints, case.on, case.header_bar))
    assert condition(unit(case.setpoints, case.beyond, case.header_bar))


# --- what is not known --------------------------------------------------------------------------------

LOOPS = ("suction_bar", "membrane_bar", "permeate_us", "permeate_m3h", "concentrate_m3h")
AS_LEFT = {
    "as_left_membrane_bar": 12.5,
    "as_left_concentrate_m3h": 1.0,
    "as_left_permeate_m3h": 1.4,
    "as_left_pump_bar": 9.5,
    "as_left_prefilter_bar": 0.5,
}
NEEDS: dict[str, tuple[dict[str, float], set[str]]] = {
    "suction below the alarm limit": ({"suction_bar": 1.0}, {"suction_bar"}),
    "membrane pressure above the alarm limit": ({"membrane_bar": 15.0}, {"membrane_bar"}),
    "prefilter takes too much pressure": ({"suction_bar": 2.0}, {"suction_bar"}),
    "prefilter takes too little pressure": ({"suction_bar": 3.3}, {"suction_bar"}),
    "pump pressure below 70 % of as-left": ({"membrane_bar": 6.0}, {"suction_bar", "membrane_bar"}),
    "concentrate flow below 75 % of as-left, pressure up": (
        {"concentrate_m3h": 0.5, "membrane_bar": 14.0},
        {"concentrate_m3h", "membrane_bar"},
    ),
    "concentrate flow above 125 % of as-left, pressure down": (
        {"concentrate_m3h": 1.5, "membrane_bar": 10.0},
        {"concentrate_m3h", "membrane_bar"},
    ),
    "concentrate flow or recovery 25 % off as-left": ({"concentrate_m3h": 0.2}, {"concentrate_m3h"}),
    "conductivity below 2 uS/cm while producing": ({"permeate_us": 0.0}, {"permeate_us"}),
}
"""By condition: a field in which it holds, and the loops without which it is not known to hold."""


@pytest.mark.parametrize("name", NEEDS)
def test_a_condition_of_a_unit_is_judged_on_its_own_loops_and_only_while_they_are_believed(name: str) -> None:
    field, needs = NEEDS[name]
    held_without = set()
    for place, loop in enumerate(LOOPS):
        v = unit(AS_LEFT, field)
        v.m.loops[place].quality = Quality.BAD
        if UNIT_CONDITIONS[name](v):
            held_without.add(loop)

    assert UNIT_CONDITIONS[name](unit(AS_LEFT, field))
    assert held_without == set(LOOPS) - needs


@pytest.mark.parametrize("missing", ["as_left_permeate_m3h", "as_left_concentrate_m3h"])
def test_a_prefilter_is_judged_as_at_the_feed_left_when_that_feed_was_not_entered(missing: str) -> None:
    few = {"permeate_m3h": 0.1, "concentrate_m3h": 0.1}  # next to no feed, so little loss, if it counted
    as_left = AS_LEFT | {missing: 0.0}

    assert UNIT_CONDITIONS["prefilter takes too little pressure"](unit(as_left, few | {"suction_bar": 3.08}))
    assert not UNIT_CONDITIONS["prefilter takes too little pressure"](
        unit(AS_LEFT, few | {"suction_bar": 3.08})
    )


@pytest.mark.parametrize("loop", [3, 4])
def test_a_prefilter_is_judged_as_at_the_feed_left_while_a_flow_is_not_known(loop: int) -> None:
    v = unit(AS_LEFT, {"permeate_m3h": 0.1, "concentrate_m3h": 0.1, "suction_bar": 3.08})
    v.m.loops[loop].quality = Quality.BAD

    assert UNIT_CONDITIONS["prefilter takes too little pressure"](v)


def test_recovery_is_not_judged_while_a_value_for_it_is_missing() -> None:
    name, field = (
        "concentrate flow or recovery 25 % off as-left",
        {"permeate_m3h": 0.3, "concentrate_m3h": 1.0},
    )
    without = unit(AS_LEFT | {"as_left_permeate_m3h": 0.0}, field)
    no_flow = unit(AS_LEFT, {"permeate_m3h": 0.0, "concentrate_m3h": 0.0})
    no_flow.m.loops[4].quality = Quality.BAD

    assert UNIT_CONDITIONS[name](unit(AS_LEFT, field))
    assert not UNIT_CONDITIONS[name](without)
    assert not UNIT_CONDITIONS[name](no_flow)


def test_with_no_flow_at_all_the_concentrate_is_off_and_recovery_has_no_say() -> None:
    v = unit(AS_LEFT, {"permeate_m3h": 0.0, "concentrate_m3h": 0.0})

    assert UNIT_CONDITIONS["concentrate flow or recovery 25 % off as-left"](v)


def test_flows_that_add_up_to_nothing_say_nothing_of_recovery() -> None:
    field = {"permeate_flow_ma": 3.875, "concentrate_flow_ma": 4.0625}  # a zero off by as much as flows
    v = unit({"as_left_permeate_m3h": 1.4, "as_left_concentrate_m3h": 0.01953125}, field)

    assert v.value(3) == -0.01953125
    assert v.value(4) == 0.01953125
    assert not UNIT_CONDITIONS["concentrate flow or recovery 25 % off as-left"](v)


@pytest.mark.parametrize(
    "name",
    [
        "concentrate flow below 75 % of as-left, pressure up",
        "concentrate flow above 125 % of as-left, pressure down",
    ],
)
def test_a_restrictor_is_not_judged_without_the_membrane_pressure_as_left(name: str) -> None:
    as_left = AS_LEFT | {"as_left_membrane_bar": 0.0, "as_left_pump_bar": 0.0}

    assert not UNIT_CONDITIONS[name](unit(as_left, NEEDS[name][0]))


@pytest.mark.parametrize(
    ("quality", "broken_ms", "believed"),
    [
        (Quality.GOOD, None, True),
        (Quality.UNCERTAIN, None, True),
        (Quality.BAD, None, False),
        (Quality.INIT, None, False),
        (Quality.GOOD, NOW_MS, False),  # broken in this scan, BAD only in 2 s
    ],
)
def test_no_alarm_is_raised_on_the_value_of_a_broken_loop(
    quality: Quality, broken_ms: int | None, believed: bool
) -> None:
    v, w = unit({}, {"membrane_bar": 15.0}), bank_sight({"feed_degc": 40.0})
    for loop in (v.m.loops[1], w.m.loops[2]):
        loop.quality = quality
        if broken_ms is not None:
            loop.broken_ms = broken_ms

    assert UNIT_CONDITIONS["membrane pressure above the alarm limit"](v) is believed
    assert BANK_CONDITIONS["feed temperature above the alarm limit"](w) is believed


# --- the bank -----------------------------------------------------------------------------------------

BANK_FIELD = {
    "feed temperature above the alarm limit": ({"temp_alarm_degc": 38}, "feed_degc", 38.0, 38.1, 2),
    "free chlorine above the alarm limit": (
        {"chlorine_alarm_mgl": 0.0625},
        "chlorine_mgl",
        0.0625,
        0.0626,
        4,
    ),
    "blended product too poor": ({"product_tds_mgl": 250}, "product_us", 500.0, 500.1, 7),
}
"""By condition: setpoint, quantity, its limit, just beyond, place of the loop."""


@pytest.mark.parametrize("name", BANK_FIELD)
def test_shared_water_exactly_on_its_limit_is_still_good(name: str) -> None:
    setpoints, quantity, limit, beyond, _ = BANK_FIELD[name]
    on, over = bank_sight({quantity: limit}), bank_sight({quantity: beyond})
    on.s = over.s = Setpoints(**setpoints)  # type: ignore[arg-type]  # fields of Setpoints

    assert not BANK_CONDITIONS[name](on)
    assert BANK_CONDITIONS[name](over)


@pytest.mark.parametrize("name", BANK_FIELD)
def test_a_condition_of_the_bank_is_judged_on_its_own_loop_and_only_while_it_is_believed(name: str) -> None:
    _, quantity, _, beyond, own = BANK_FIELD[name]
    for place in range(8):
        v = bank_sight({quantity: 1.1 * beyond})
        v.m.loops[place].quality = Quality.BAD

        assert BANK_CONDITIONS[name](v) is (place != own)


@pytest.mark.parametrize("event", [E.FEED_HOT, E.BOOSTER_FAULT])
def test_a_shared_cause_stands_while_it_is_latched_and_has_not_gone(event: Event) -> None:
    m = BankMemory(1, latched=[event, E.SUMP_HIGH])

    assert bank_events(m, False, Setpoints(), NOW_MS) == 1 << event | 1 << E.SUMP_HIGH
    m.gone_ms[event] = NOW_MS
    assert bank_events(m, False, Setpoints(), NOW_MS) == 1 << E.SUMP_HIGH
    assert bank_held(m, []) == 1 << event | 1 << E.SUMP_HIGH


@pytest.mark.parametrize(
    ("memory", "s", "event"),
    [
        ("header_low_ms", 5.0, E.HEADER_LOST),
        ("stale_ms", 4.0, E.COORDINATOR_LOST),  # 5 s since the image last changed, 1 s of it until stale
    ],
)
def test_a_lost_header_and_lost_values_stand_from_their_time_on(memory: str, s: float, event: Event) -> None:
    m = BankMemory(1)
    setattr(m, memory, ago(s))
    assert bank_events(m, False, Setpoints(), NOW_MS) == 1 << event

    setattr(m, memory, ago(s) + 1)
    assert bank_events(m, False, Setpoints(), NOW_MS) == 0


def test_the_e_stop_stands_while_its_chain_is_open_and_is_held_while_a_unit_waits_for_its_reset() -> None:
    waiting, other = UnitMemory(state=UnitState.ESTOP), UnitMemory(state=UnitState.STANDBY)

    assert bank_events(BankMemory(1), True, Setpoints(), NOW_MS) == 1 << E.ESTOP
    assert bank_held(BankMemory(2), [other, waiting]) == 1 << E.ESTOP
    assert bank_held(BankMemory(2), [other, other]) == 0
    assert bank_held(BankMemory(2, latched=[E.SUMP_HIGH]), [waiting]) == 1 << E.ESTOP | 1 << E.SUMP_HIGH


def test_shared_causes_stand_beside_each_other() -> None:
    m = BankMemory(1, latched=[E.OXIDANT], header_low_ms=ago(60), stale_ms=ago(60))

    causes = (E.OXIDANT, E.ESTOP, E.HEADER_LOST, E.COORDINATOR_LOST)
    assert bank_events(m, True, Setpoints(), NOW_MS) == sum(1 << cause for cause in causes)


# --- as bits ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n_loops", [5, 8], ids=["unit", "bank"])
def test_every_loop_has_a_bit_for_bad_and_one_for_uncertain(n_loops: int) -> None:
    for place in range(n_loops):
        for quality, first in ((Quality.BAD, BAD_BIT), (Quality.UNCERTAIN, UNCERTAIN_BIT)):
            v: UnitSight | BankSight = sight() if n_loops == 5 else bank_sight()
            v.m.loops[place].quality = quality
            bits = sample_unit(v) if isinstance(v, UnitSight) else sample_bank(v)

            assert bits == 1 << first + place


def test_two_loops_at_fault_are_both_told() -> None:
    v = bank_sight()
    v.m.loops[1].quality, v.m.loops[2].quality, v.m.loops[3].quality = (
        Quality.BAD,
        Quality.UNCERTAIN,
        Quality.BAD,
    )

    assert sample_bank(v) == 0b1010 << BAD_BIT | 0b100 << UNCERTAIN_BIT


def test_conditions_that_hold_have_their_bits_beside_those_of_the_loops() -> None:
    v, w = sight(quality_alarm=True, lost_memory=True), bank_sight({"tank_above_low": False})
    v.m.loops[3].quality = w.m.loops[5].quality = Quality.BAD

    def bit(conditions: dict[str, Callable[..., bool]], name: str) -> int:
        return 1 << CONDITION_BIT + list(conditions).index(name)

    unit_bits = bit(UNIT_CONDITIONS, "quality alarm of the sequence") | bit(
        UNIT_CONDITIONS, "retained data lost"
    )
    assert sample_unit(v) == unit_bits | 1 << BAD_BIT + 3
    assert sample_bank(w) == bit(BANK_CONDITIONS, "low float open") | 1 << BAD_BIT + 5


def test_the_bits_of_events_conditions_and_loops_do_not_overlap() -> None:
    assert max(Event) < CONDITION_BIT
    assert CONDITION_BIT + max(len(UNIT_CONDITIONS), len(BANK_CONDITIONS)) <= BAD_BIT
    assert BAD_BIT + 8 <= UNCERTAIN_BIT <= FROZEN_BIT - 8
