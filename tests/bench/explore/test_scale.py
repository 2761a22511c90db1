"""The scale: what races keeps its order, and nothing stays scaled."""

from __future__ import annotations

import importlib
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.settings import Setpoints
from controller.unit import outputs, protections, sequencer
from controller.unit.protections import CLEAR_S
from sim_plant.bench.explore.scale import (
    CONSTANTS,
    LEAST,
    LONG_WAITS,
    RACES,
    TICK_S,
    real_s,
    scaled,
    scaled_constants,
    ticks,
)

TIMES = sorted({name for race in RACES.values() for name in race if name not in CONSTANTS})


def _bounds(name: str) -> tuple[float, float]:
    meta = Setpoints.model_fields[name].metadata
    low = next(m.ge for m in meta if hasattr(m, "ge"))
    high = next(m.le for m in meta if hasattr(m, "le"))
    return float(low), float(high)


@st.composite
def sites(draw: st.DrawFn) -> Setpoints:
    """Any times inside their ranges, whether they agree with one another or not."""
    chosen = {
        name: float(draw(st.integers(*map(round, _bounds(name))))) for name in TIMES if _bounds(name)[1] >= 1
    }
    return Setpoints.model_construct(**(Setpoints().model_dump() | chosen))


@given(sites())
@settings(max_examples=200, deadline=None)
def test_of_two_timers_that_race_the_longer_stays_the_longer(site: Setpoints) -> None:
    found = ticks(site)
    for race in RACES.values():
        for a, b in combinations([name for name in race if name not in LONG_WAITS[1:]], 2):
            a_s, b_s = real_s(a, site), real_s(b, site)
            assert (a_s < b_s) == (found[a] < found[b]), (a, b)
            assert (a_s == b_s) == (found[a] == found[b]), (a, b)


@given(sites())
@settings(max_examples=50, deadline=None)
def test_every_timer_has_its_least_ticks(site: Setpoints) -> None:
    found = ticks(site)
    assert all(found[name] >= LEAST.get(name, 1) for name in found)


def test_constants_are_in_ticks_inside_and_as_before_outside() -> None:
    site = Setpoints()
    before = {name: getattr(importlib.import_module(module), name) for name, module in CONSTANTS.items()}
    clear_s = dict(CLEAR_S)
    with scaled_constants(site):
        assert ticks(site)["SELECTOR_DEAD_S"] * TICK_S == outputs.SELECTOR_DEAD_S
        assert all(value in (0.0, TICK_S) for value in CLEAR_S.values())
        assert ticks(site) == ticks(Setpoints())  # the scale itself does not move
    after = {name: getattr(importlib.import_module(module), name) for name, module in CONSTANTS.items()}
    assert (after, CLEAR_S) == (before, clear_s)


def test_every_time_of_the_units_logic_that_is_no_setpoint_is_scaled() -> None:
    named = {
        name
        for module in (outputs, protections, sequencer)
        for name in vars(module)
        if name.endswith("_S") and isinstance(getattr(module, name), float)
    }
    assert named == set(CONSTANTS) | (named & {"HOUR_S"})


@pytest.mark.parametrize("name", TIMES)
def test_a_scaled_setpoint_is_its_ticks(name: str) -> None:
    site = Setpoints()
    assert getattr(scaled(site), name) == ticks(site)[name] * TICK_S
