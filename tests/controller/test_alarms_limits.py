"""What an alarm is raised on: a value exactly on its limit raises nothing, nor does one that is not known."""

from __future__ import annotations

from typing import NamedTuple

import pytest
from test_alarms_conditions import NOW_MS, bank_sight, sight

from controller.alarms.evidence import (
    BANK_CONDITIONS,
    UNIT_CONDITIONS,
    UnitSight,
)
from controller.parts.analogue import Quality
from controller.settings import Setpoints


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
