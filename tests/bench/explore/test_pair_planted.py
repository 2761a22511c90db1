"""Mistakes planted in the bank are found, at the requirement that names them, by a shortest sequence."""

from __future__ import annotations

from functools import cache

import pytest
from pair_planted import WHERE

from controller.settings import Setpoints
from sim_plant.bench.explore.pair_search import PairOrder, PairSearch, search_pair
from sim_plant.bench.explore.search import Bound, Violation

SOON = Bound(states=60_000)


def _order(name: str, changed: str = "") -> PairOrder:
    planted = WHERE[name]
    return PairOrder(Setpoints(), changed, planted.only, planted.slots)


@cache
def _found(name: str) -> PairSearch:
    return search_pair(_order(name, f"pair_planted:{name}"), SOON, until=WHERE[name].requirement)


def _broken(found: PairSearch, requirement: str) -> list[Violation]:
    return [violation for violation in found.violations.values() if violation.id == requirement]


@pytest.mark.parametrize("name", WHERE)
def test_a_mistake_in_the_bank_is_found_by_a_shortest_sequence(name: str) -> None:
    found, requirement = _found(name), WHERE[name].requirement
    violation = _broken(found, requirement)[0]

    played = found.play(violation)
    assert requirement in {one.id for one in played[-1].judged.broken}
    assert len(played) == violation.depth

    shorter = search_pair(found.order, Bound(depth=violation.depth - 1))
    assert _broken(shorter, requirement) == []


@pytest.mark.parametrize("name", WHERE)
def test_without_the_mistake_as_deep_a_search_breaks_nothing(name: str) -> None:
    requirement = WHERE[name].requirement
    depth = _broken(_found(name), requirement)[0].depth

    found = search_pair(_order(name), Bound(depth=depth))
    assert found.violations == {}
    assert requirement in {r.id for r, n in zip(found.required, found.counted, strict=True) if n}
