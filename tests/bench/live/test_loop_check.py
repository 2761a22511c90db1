"""The loop check: what it looks at, what it refuses, and what it measures."""

from __future__ import annotations

import pytest
from live_samples import SEED, DeskField, FastClock, live_site

from controller.signals import Outputs, safe_outputs
from sim_plant.bench.live.field import LostError
from sim_plant.bench.live.loop_check import Checked, Measured, check_loops, driven, not_at_rest
from sim_plant.bench.live.target import Pace
from sim_plant.plant import Plant


def check(field: DeskField) -> tuple[Measured, list[Checked]]:
    site, clock, told = live_site(), FastClock(), list[Checked]()
    plant = Plant(site.units, site.file.plant, SEED)
    return check_loops(field, plant, Pace(100, clock, clock.sleep), 100, told.append), told


def forced(**unit1: bool) -> Outputs:
    safe = safe_outputs(2)
    return safe._replace(units=(safe.units[0]._replace(**unit1), safe.units[1]))


def test_a_line_that_is_right_is_told_point_by_point_and_measured() -> None:
    measured, told = check(DeskField(live_site()))
    assert [one.fault for one in told] == [""] * len(told)
    assert len(told) == 7
    # one scan of the rig and two rounds of 20 ms
    assert measured.uncertainty_ms == 140


def referred(**references: float) -> Outputs:
    safe = safe_outputs(2)
    return safe._replace(bank=safe.bank._replace(**references))


@pytest.mark.parametrize(
    ("attribute", "value", "told"),
    [
        ("wrong", "nobody writes to skid1", "nobody writes to skid1"),
        ("missing", ["unit1.pump"], "every point is exchanged: never asked for or written: unit1.pump"),
        ("otherwise", ["unit2.suction_ma"], "read back otherwise: unit2.suction_ma"),
        ("forced", forced(pump=True), "with the E-stop open nothing is driven: on: unit1.pump"),
        ("forced", referred(booster_speed_cmd_ma=0.0), "not at 4 mA: bank.booster_speed_cmd_ma = 0 mA"),
        ("forced", referred(dosing_rate_cmd_ma=6.3e-44), "not at 4 mA: bank.dosing_rate_cmd_ma = 6.3e-44 mA"),
    ],
)
def test_a_line_that_is_not_right_ends_it_with_what_to_look_at(
    attribute: str, value: object, told: str
) -> None:
    field = DeskField(live_site())
    setattr(field, attribute, value)
    with pytest.raises(LostError, match=told):
        check(field)


def test_of_many_missing_points_some_are_named_and_the_rest_counted() -> None:
    field = DeskField(live_site())
    field.missing = [f"unit{n}.pump" for n in range(1, 12)]
    with pytest.raises(LostError, match=r"unit8\.pump and 3 more"):
        check(field)


def test_a_reference_that_a_coarse_register_rounds_is_at_rest() -> None:
    assert not_at_rest(referred(booster_speed_cmd_ma=4.04, dosing_rate_cmd_ma=3.96)) == []


def test_lamps_and_horns_are_not_what_moves() -> None:
    assert driven(forced(beacon=True)) == []
    assert driven(forced(feed_valve=True, enable=True)) == ["unit1.feed_valve", "unit1.enable"]
    assert driven(safe_outputs(1)._replace(bank=safe_outputs(1).bank._replace(booster_run=True))) == [
        "bank.booster_run"
    ]
