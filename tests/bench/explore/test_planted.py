"""Mistakes planted in the logic are found, at the requirement that names them, by a shortest sequence."""

from __future__ import annotations

import pytest
from planted import WHERE

from controller.settings import Setpoints
from sim_plant.bench.explore.search import Bound, Order, search

SOON = Bound(states=20_000)


@pytest.mark.parametrize("name", WHERE)
def test_a_planted_mistake_is_found_by_a_shortest_sequence(name: str) -> None:
    planted = WHERE[name]
    order = Order(Setpoints(), f"planted:{name}", planted.only)
    found = search(order, bound=SOON, until=planted.requirement)
    assert planted.requirement in found.violations
    violation = found.violations[planted.requirement]

    played = found.play(violation)
    assert [one.id for one in played[-1].broken if one.id == planted.requirement]
    assert len(played) == violation.depth

    shorter = search(order, bound=Bound(depth=violation.depth - 1))
    assert planted.requirement not in shorter.violations


@pytest.mark.parametrize("name", WHERE)
def test_without_the_mistake_the_same_places_break_nothing(name: str) -> None:
    found = search(Order(Setpoints(), only=WHERE[name].only), bound=SOON)
    assert found.violations == {}
    assert found.closed
