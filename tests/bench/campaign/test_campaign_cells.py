"""The plan of a campaign: which cells there are, and why the others are none."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.files import InputError
from controller.unit.states import UnitState
from sim_plant.bench.campaign.cells import SEVERITIES, Choice, Plan, make_plan, struck_units
from sim_plant.bench.campaign.papers import case_toml
from sim_plant.bench.cases import load_case
from sim_plant.catalogue import CATALOGUE
from sim_plant.faults import faults_of
from sim_plant.site import demo_folder, load_site

ONE = {"states": (UnitState.PRODUCE,), "moments_s": (2.0,)}


def keys(plan: Plan) -> list[str]:
    return [cell.key for cell in plan.cells]


def test_a_key_is_the_six_words_of_the_cell() -> None:
    plan = make_plan(Choice(lines=("F47",), severities=("severe",), **ONE), 6, {})
    assert keys(plan) == ["F47/way1/severe/PRODUCE/2s/unit3"]
    assert plan.cells[0].run_id == "F47-way1-severe-PRODUCE-2s-unit3"


def test_the_whole_plan_has_every_line_of_the_plant_in_every_state() -> None:
    plan = make_plan(Choice(), 6, {})
    assert len(set(keys(plan))) == len(plan.cells)
    ours = {name for name, line in CATALOGUE.items() if line.ways} - {"F55"}  # as F17, at the instruments
    assert {cell.line for cell in plan.cells} == ours
    assert {cell.state for cell in plan.cells} == set(UnitState)


@settings(deadline=None)
@given(
    lines=st.lists(st.sampled_from(sorted(CATALOGUE)), min_size=1, max_size=8, unique=True),
    states=st.lists(st.sampled_from(list(UnitState)), min_size=1, max_size=3, unique=True),
    severities=st.lists(st.sampled_from(sorted(SEVERITIES)), min_size=1, unique=True),
    moments=st.lists(st.sampled_from([0.0, 2.0, 20.0]), min_size=1, unique=True),
    units=st.integers(1, 3),
    sample=st.integers(1, 7),
    lasts_s=st.floats(0.0, 40.0),
)
def test_every_combination_is_a_cell_or_is_counted_under_a_reason(
    lines: list[str],
    states: list[UnitState],
    severities: list[str],
    moments: list[float],
    units: int,
    sample: int,
    lasts_s: float,
) -> None:
    choice = Choice(tuple(lines), tuple(states), tuple(severities), tuple(moments), units, sample, seed=units)
    lasts = {(unit, states[0]): lasts_s for unit in struck_units(6, units)}

    plan = make_plan(choice, 6, lasts)

    ways = sum(max(1, len(CATALOGUE[line].ways)) for line in lines)
    grid = ways * len(states) * len(severities) * len(moments) * units
    assert len(plan.cells) + sum(plan.skipped.values()) == grid
    assert len({(c.faults(), c.state, c.moment_s, c.unit) for c in plan.cells}) == len(plan.cells)
    assert keys(make_plan(choice, 6, lasts)) == keys(plan)


def test_a_line_that_is_not_the_plants_is_left_out() -> None:
    plan = make_plan(Choice(lines=("F68", "F87"), **ONE), 6, {})
    assert plan.cells == ()
    assert plan.skipped == {
        "not the plant's: the Modbus link": 3,
        "not the plant's: people: a step of a case": 3,
    }


def test_a_fault_without_a_range_has_one_severity() -> None:
    plan = make_plan(Choice(lines=("F01", "F02"), **ONE), 6, {})
    assert keys(plan) == ["F01/way1/fixed/PRODUCE/2s/unit3", "F02/way1/fixed/PRODUCE/2s/unit3"]
    assert plan.skipped == {"the fault has no other severity": 4}


def test_severities_are_those_of_the_catalogue() -> None:
    plan = make_plan(Choice(lines=("F41",), **ONE), 6, {})
    assert [cell.faults() for cell in plan.cells] == [faults_of("F41", 3, s) for s in (0.0, 0.5, 1.0)]


def test_a_fault_of_the_bank_strikes_once_and_one_of_a_unit_every_unit() -> None:
    plan = make_plan(Choice(lines=("F01", "F64"), units=3, severities=("mild",), **ONE), 6, {})
    assert [(cell.line, cell.unit) for cell in plan.cells] == [("F01", 1), ("F01", 3), ("F01", 5), ("F64", 1)]
    assert plan.skipped == {"a fault of the bank has no other unit": 2}


def test_the_same_faults_are_tried_once() -> None:
    plan = make_plan(Choice(lines=("F17", "F55"), severities=("mild",), **ONE), 6, {})
    assert keys(plan) == ["F17/way1/fixed/PRODUCE/2s/unit3"]
    assert plan.skipped == {"the same faults with the same values are in another cell": 1}


@pytest.mark.parametrize(
    ("lasts_s", "moments"), [(2.0, []), (2.1, [2.0]), (20.0, [2.0]), (20.1, [2.0, 20.0])]
)
def test_a_moment_after_the_end_of_its_state_is_left_out(lasts_s: float, moments: list[float]) -> None:
    choice = Choice(lines=("F01",), states=(UnitState.PURGE,), severities=("mild",))
    plan = make_plan(choice, 6, {(3, UnitState.PURGE): lasts_s})
    assert [cell.moment_s for cell in plan.cells] == moments
    assert all("PURGE of unit 3 is over before" in reason for reason in plan.skipped)


def test_a_sample_is_drawn_by_the_seed_alone() -> None:
    whole = keys(make_plan(Choice(**ONE), 6, {}))
    drawn = [keys(make_plan(Choice(sample=10, seed=seed, **ONE), 6, {})) for seed in (1, 1, 2)]
    assert drawn[0] == drawn[1] != drawn[2]
    assert len(drawn[0]) == math.ceil(len(whole) / 10)
    assert [key for key in whole if key in drawn[0]] == drawn[0]


@pytest.mark.parametrize(
    ("n_units", "how_many", "units"),
    [(1, 1, (1,)), (2, 1, (1,)), (6, 1, (3,)), (6, 2, (2, 5)), (6, 6, (1, 2, 3, 4, 5, 6)), (64, 1, (32,))],
)
def test_struck_units_are_spread_over_the_bank(n_units: int, how_many: int, units: tuple[int, ...]) -> None:
    assert struck_units(n_units, how_many) == units


@pytest.mark.parametrize("how_many", [0, 7])
def test_more_units_than_there_are_cannot_be_struck(how_many: int) -> None:
    with pytest.raises(InputError, match="1 to 6, the units of the site"):
        struck_units(6, how_many)


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"lines": ("F95",)}, "--line F95: not in the fault catalogue"),
        ({"severities": ("bad",)}, "--severity bad: must be one of mild, middle, severe"),
        ({"moments_s": (-1.0,)}, "--moment -1: must lie in 0 to 3600"),
        ({"moments_s": (math.nan,)}, "--moment nan: must lie in 0 to 3600"),
        ({"for_s": math.nan}, "--for nan: must lie in 1 to 86400 s"),
    ],
)
def test_what_nobody_knows_is_refused(wrong: dict[str, Any], told: str) -> None:
    with pytest.raises(InputError, match=told):
        Choice(**wrong)


def test_every_cell_is_a_case_file(tmp_path: Path) -> None:
    site = load_site(demo_folder())
    plan = make_plan(Choice(severities=("mild", "severe"), **ONE), site.units, {})
    assert len(plan.cells) > 100
    for cell in plan.cells:
        path = tmp_path / f"{cell.run_id}.case.toml"
        path.write_text(case_toml(cell.case(30.0)), encoding="utf-8")
        (run,) = load_case(path, site)
        assert run.case == cell.run(30.0).case
        assert tuple(s.inject.fault(3, 6) for s in run.case.step if s.inject) == cell.faults()
