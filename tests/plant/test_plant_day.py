"""A whole day of a bank, with purges, stops, faults and dead hours: nothing is lost on the way."""

from __future__ import annotations

import pytest

from sim_plant.faults import Fault
from sim_plant.process.parameters import PlantParameters, Source, Tank

STEP_MS = 500
HOUR_S = 3600
STRIKES = {  # hour: what is broken for the hour
    3: Fault("product_header", "shut"),
    5: Fault("drain", "blocked", 0, 0.2),
    7: Fault("source", "tds", 0, 7000.0),
    9: Fault("pump", "worn", 2, 0.6),
    10: Fault("feed_header", "dip", 0, 0.4),
    11: Fault("flush_valve", "leak", 1, 0.8),
    13: Fault("restrictor", "plugged", 3, 1.0),
    14: Fault("dosing", "siphoning", 0, 150.0),
    15: Fault("supply", "interrupted", 0, 120.0),
    16: Fault("antiscalant", "empty"),
    18: Fault("membrane", "torn_oring", 1, 10.0),
    19: Fault("tank", "demand_surge", 0, 20.0),
    20: Fault("source", "dry"),
    21: Fault("supply", "control_lost"),
}
BALANCES = ("water_balance_m3", "salt_balance_kg", "antiscalant_balance_kg")


def hour_of_work(rig, idle_unit):
    """Start flush, ten minutes of production and a purge four times over, stop flush, rest."""
    rig.at_unit.clear()
    rig.set_unit(idle_unit, "idle")
    rig.hold("flush", 120, STEP_MS).hold("settle", 5, STEP_MS)
    for _ in range(4):
        rig.hold("produce", 600, STEP_MS).hold("purge", 20, STEP_MS)
    rig.hold("settle", 2, STEP_MS).hold("flush", 75, STEP_MS)
    rig.hold("idle", HOUR_S - 120 - 5 - 4 * 620 - 2 - 75, STEP_MS)


@pytest.fixture(scope="module")
def whole_day():
    return {}


def day(make_rig):
    parameters = PlantParameters(
        source=Source(
            tds_profile_h_mgl=((6, 3000), (18, 3600)), temperature_profile_h_degc=((4, 18), (16, 26))
        ),
        tank=Tank(demand_profile_h_m3h=((5, 0.5), (9, 6), (17, 3))),
    )
    rig = make_rig(3, parameters, regulated=False)
    before = {name: getattr(rig.plant, name)() for name in BALANCES}
    for hour in range(24):
        if hour in STRIKES:
            rig.plant.inject(STRIKES[hour])
        hour_of_work(rig, 1 + hour % 3)
        if hour in STRIKES:
            rig.plant.clear(STRIKES[hour])
    after = {name: getattr(rig.plant, name)() for name in BALANCES}
    return rig, before, after


@pytest.mark.parametrize("name", BALANCES)
def test_over_a_day_what_came_in_has_left_or_is_still_there(make_rig, whole_day, name):
    """in - out - change of stored within 1e-9 of what came in."""
    if not whole_day:
        whole_day["run"] = day(make_rig)
    _rig, before, after = whole_day["run"]
    came, left, kept = (b - a for a, b in zip(before[name], after[name], strict=True))
    assert came > 0.05
    assert abs(came - left - kept) < 1e-9 * came


def test_the_day_was_an_eventful_one(make_rig, whole_day):
    """The balance of a day on which nothing happened would prove little."""
    if not whole_day:
        whole_day["run"] = day(make_rig)
    rig, _before, after = whole_day["run"]
    water, salt = after["water_balance_m3"], after["salt_balance_kg"]
    assert rig.t_ms == 24 * HOUR_S * 1000
    assert water[0] > 60
    assert salt[0] > 200
    assert rig.true("spilled_m3", 0) > 0.1
    assert after["antiscalant_balance_kg"][0] > 0.3
    assert min(rig.true("prefilter_total_m3", unit) for unit in (1, 2, 3)) > 15
