"""A short storm in every run of the tests; the long ones are ``python -m tests.hil.storms``."""

from __future__ import annotations

import random

from controller.signals import BankInputs, Inputs, Outputs, UnitInputs, safe_outputs
from tests.hil.proxy import Mischief
from tests.hil.storm_rules import LAG_MS, FieldRules
from tests.hil.storm_troubles import HOWS, draw
from tests.hil.storms import carry_out

SAFE = safe_outputs(2)
PUMPING = SAFE._replace(
    units=(SAFE.units[0]._replace(pump=True, feed_valve=True, enable=True), SAFE.units[1])
)
HEALTHY = Inputs(
    BankInputs(*[True] * 15, *[12.0] * 8),
    (UnitInputs(*[True] * 11, *[8.0] * 5), UnitInputs(*[True] * 11, *[9.0] * 5)),
    (0, 0),
)


def test_a_short_storm_finds_nothing_wrong() -> None:
    report = carry_out(n_banks=3, first=0, minutes=4.5, seed=3)
    assert report.storms == 3
    assert sum(report.faults.values()) > 20
    assert report.struck[Mischief.SWAP.value] + report.struck[Mischief.EXCEPTION.value] > 0
    assert report.images > 100
    assert report.violations == []


def test_a_storm_follows_from_its_seed() -> None:
    assert draw(random.Random(5), 60_000) == draw(random.Random(5), 60_000)


def test_storms_hold_every_fault_in_every_way() -> None:
    drawn = {(t.fault_id, t.how) for seed in range(60) for t in draw(random.Random(seed), 60_000)}
    assert drawn == {(fault_id, how) for fault_id, hows in HOWS.items() for how in hows}


# --- the rules can fail -------------------------------------------------------------------------------------


def found(rules: FieldRules) -> list[tuple[str, int]]:
    return [(one.rule, one.unit) for one in rules.found]


def look(rules: FieldRules, at_ms: int, outputs: Outputs, inputs: Inputs = HEALTHY) -> None:
    rules.look(at_ms, 100, inputs, outputs)


def test_a_pump_without_its_feed_valve_is_found_in_the_same_scan() -> None:
    rules = FieldRules(2)
    look(rules, 0, SAFE._replace(units=(SAFE.units[0]._replace(pump=True), SAFE.units[1])))
    assert found(rules) == [("SR-01", 1)]


def test_a_device_that_is_cut_off_must_be_at_rest_after_the_lag_and_not_before() -> None:
    rules = FieldRules(2)
    rules.cut_off("silence", (1,), 0)
    look(rules, LAG_MS, PUMPING)
    assert found(rules) == []
    look(rules, LAG_MS + 1, PUMPING)
    assert found(rules) == [("SR-45", 1)]


def test_after_an_estop_nothing_comes_on_before_a_reset() -> None:
    rules = FieldRules(2)
    opened = HEALTHY._replace(bank=HEALTHY.bank._replace(estop_healthy=False))
    look(rules, 0, PUMPING, opened)
    look(rules, LAG_MS + 1, SAFE)
    assert found(rules) == []
    look(rules, LAG_MS + 100, PUMPING)
    assert set(found(rules)) == {("SR-33", 1)}


def test_after_an_estop_and_a_reset_outputs_may_come_on() -> None:
    rules = FieldRules(2)
    look(rules, 0, SAFE, HEALTHY._replace(bank=HEALTHY.bank._replace(estop_healthy=False)))
    look(rules, 5_000, SAFE)
    rules.reset_given(5_100)
    look(rules, 60_000, PUMPING)
    assert found(rules) == []


def test_an_open_float_stops_the_pumps() -> None:
    rules = FieldRules(2)
    opened = HEALTHY._replace(bank=HEALTHY.bank._replace(tank_not_overfull=False))
    look(rules, 0, PUMPING, opened)
    look(rules, LAG_MS + 1, PUMPING, opened)
    assert found(rules) == [("SR-28", 1)]


def test_the_image_of_another_device_is_found() -> None:
    rules = FieldRules(2)
    rules.shown(HEALTHY, 0)
    rules.taken(HEALTHY, 100)
    assert found(rules) == []
    one, two = HEALTHY.units
    rules.taken(HEALTHY._replace(units=(two, one)), 100)
    assert found(rules) == [("SR-46", 1), ("SR-46", 2)]


def test_an_old_image_that_is_called_fresh_is_found_and_one_that_is_called_old_is_none() -> None:
    rules = FieldRules(2)
    rules.shown(HEALTHY, 0)
    rules.taken(HEALTHY._replace(unit_age_ms=(3_000, 3_000), bank_age_ms=3_000), 3_000)
    assert found(rules) == []
    rules.taken(HEALTHY, 3_000)
    assert found(rules) == [("SR-46", 0), ("SR-46", 1), ("SR-46", 2)]
