"""Mistakes planted in the bank are found, at the requirement that names them, by a shortest sequence."""

from __future__ import annotations

import pytest
from pair_planted import WHERE

from controller.settings import Setpoints
from sim_plant.bench.explore.pair_search import PairOrder, search_pair
from sim_plant.bench.explore.search import Bound

SOON = Bound(states=60_000)


def _order(name: str, changed: str = "") -> PairOrder:
    planted = WHERE[name]
    return PairOrder(Setpoints(), changed, planted.only, planted.slots)


@pytest.mark.parametrize("name", WHERE)
def test_a_mistake_in_the_bank_is_found_by_a_shortest_sequence(name: str) -> None:
    order = _order(name, f"pair_planted:{name}")
    requirement = WHERE[name].requirement
    found = search_pair(order, SOON, until=requirement)
    violation = next(v for v in found.violations.values() if v.id == requirement)

    played = found.play(violation)
    assert requirement in {one.id for one in played[-1].judged.broken}
    assert len(played) == violation.depth

    shorter = search_pair(order, Bound(depth=violation.depth - 1))
    assert requirement not in {v.id for v in shorter.violations.values()}


@pytest.mark.parametrize("name", WHERE)
def test_without_the_mistake_as_deep_a_search_breaks_nothing(name: str) -> None:
    requirement = WHERE[name].requirement
    wrong = search_pair(_order(name, f"pair_planted:{name}"), SOON, until=requirement)
    depth = next(v.depth for v in wrong.violations.values() if v.id == requirement)

    found = search_pair(_order(name), Bound(depth=depth))
    assert found.violations == {}
    assert any(times for r, times in zip(found.required, found.counted, strict=True) if r.id == requirement)
