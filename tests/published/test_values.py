"""Every value from outside is met by production code, or said to have no counterpart here."""

from __future__ import annotations

import doctest
import importlib

import pytest

from tests.published import ours_water, ours_works
from tests.published.reading import read_values
from tests.published.registry import OURS, PRODUCTION

VALUES = read_values()
HELD = [value for value in VALUES.values() if value.by]
MODULES = (
    "sim_plant.process.chemistry", "sim_plant.process.conductivity", "sim_plant.process.duty",
    "sim_plant.process.electrics", "sim_plant.process.hydraulics", "sim_plant.process.membrane",
    "sim_plant.process.motors", "sim_plant.process.network", "sim_plant.process.normalise",
    "sim_plant.process.packing", "sim_plant.process.pipes", "sim_plant.process.salt",
    "sim_plant.process.solutions", "sim_plant.process.sources", "sim_plant.process.water",
    "sim_plant.field.instruments", "controller.signals", "controller.parts.analogue",
)  # fmt: skip


@pytest.mark.parametrize("value", HELD, ids=lambda value: value.id)
def test_our_value_is_within_the_tolerance(value):
    ours = OURS[value.by](value.given)
    assert value.misses(ours) == "", f"{value.what} ({value.source})"


def test_two_hundred_values_are_met_or_not_applicable_and_none_is_both():
    assert all(bool(value.by) != bool(value.not_here) for value in VALUES.values())
    not_applicable = [value for value in VALUES.values() if value.not_here]
    assert len(HELD) + len(not_applicable) == len(VALUES) == 200


def test_at_least_thirty_of_those_met_are_published_or_from_a_library():
    """Values recalled from memory and mere arithmetic do not count."""
    assert sum(value.basis in ("published", "library") for value in HELD) >= 30


@pytest.mark.parametrize("value", VALUES.values(), ids=lambda value: value.id)
def test_a_value_says_where_it_is_from_and_how_near_ours_must_be(value):
    assert value.basis in ("published", "library", "arithmetic", "memory")
    assert value.status == ("from memory" if value.basis == "memory" else "confirmed")
    assert value.source
    assert value.why
    assert value.range or (value.within_rel is None) != (value.within_abs is None)


def test_a_value_outside_its_tolerance_is_told():
    value = VALUES["osm_nacl_2000mgl_25c"]
    assert value.misses(1.6125 * 1.049) == ""
    assert "instead of" in value.misses(1.6125 * 1.051)
    assert "instead of" in value.misses(float("nan"))
    assert "is not in" in VALUES["tds_factor_range"].misses([0.6, 0.71])


def test_every_function_that_gives_our_values_is_used():
    assert all(OURS[name].__module__ in (ours_water.__name__, ours_works.__name__) for name in OURS)
    assert {value.by for value in HELD} == set(OURS)


@pytest.mark.parametrize("name", OURS)
def test_our_value_comes_from_the_production_functions_that_are_named(name):
    """The named ones exist, and the code of the maker or of its helper in that file refers to them."""
    homes = {module.rpartition(".")[2]: importlib.import_module(module) for module in MODULES}
    helpers = importlib.import_module(OURS[name].__module__)
    code = OURS[name].__code__
    called = set(code.co_names)
    for helper in code.co_names:
        inner = getattr(getattr(helpers, helper, None), "__wrapped__", getattr(helpers, helper, None))
        called |= set(getattr(getattr(inner, "__code__", None), "co_names", ()))
    for inner in code.co_consts:
        called |= set(getattr(inner, "co_names", ()))
    for production in PRODUCTION[name]:
        module, _, function = production.partition(".")
        assert hasattr(homes[module], function), production
        assert function in called, production


@pytest.mark.parametrize(
    "name", ["chemistry", "conductivity", "duty", "motors", "normalise", "pipes", "solutions"]
)
def test_the_examples_in_the_docstrings_hold(name):
    result = doctest.testmod(importlib.import_module(f"sim_plant.process.{name}"))
    assert result.attempted > 0
    assert result.failed == 0
