"""Two units with their coordinator: closed or bounded, and each scan as the whole firmware makes it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from pair_runs import choose, left_by, outside, outside_in_full_time, scan_whole
from pair_small import ANY_ORDER, ONE_SLOT, TWO_SLOTS, explored

from controller.firmware import Controller
from controller.settings import Setpoints
from controller.signals import Outputs, safe_outputs
from controller.unit.states import UnitState
from sim_plant.bench.explore import scale
from sim_plant.bench.explore.base import Passed
from sim_plant.bench.explore.pair_bank import Asked
from sim_plant.bench.explore.pair_parts import PairNext
from sim_plant.bench.explore.pair_scale import BANK_RACES, pair_in_ticks
from sim_plant.bench.explore.pair_scene import TRIED, WAITS, bank_atoms, bank_base
from sim_plant.bench.explore.pair_search import PairOrder, PairSearch, search_pair
from sim_plant.bench.explore.search import Bound

RUNS, SCANS, HOURS = 4, 60, 1
MANY = PairOrder(
    Setpoints(),
    only=("demand", "tank full", "E-stop", "floor leak", "reset", "maintenance", "selector_auto", "lease"),
)


@pytest.mark.parametrize("order", [ONE_SLOT, TWO_SLOTS], ids=["one slot", "two slots"])
def test_a_small_world_closes_and_holds_every_requirement(order: PairOrder) -> None:
    found = explored(order)
    assert found.closed
    assert not found.stopped_by
    assert found.violations == {}
    asked = {r.id for r, times in zip(found.required, found.counted, strict=True) if times}
    assert asked >= {"SR-01", "SR-02", "SR-03", "SR-14", "SR-17", "SR-52", "SR-53"}
    both = {found.pair.states(code) for code in found.codes}
    assert (UnitState.PRODUCE, UnitState.PRODUCE) in both


def test_every_state_is_there_once_and_follows_from_the_one_before() -> None:
    found = explored(ONE_SLOT)
    assert len({found.pair.in_bytes(code) for code in found.codes}) == len(found.codes)
    with found.order.in_ticks():
        for place in range(1, len(found.codes), 97):
            edges = found.pair.edges(found.codes[found.parents[place]])
            assert edges[found.by_edge[place]].code == found.codes[place]


def test_a_bound_says_where_it_stopped_and_what_is_left() -> None:
    found = search_pair(ONE_SLOT, Bound(depth=5))
    assert not found.closed
    assert (found.stopped_by, found.depth) == ("depth 5", 5)
    assert found.left > 0
    assert search_pair(ONE_SLOT, Bound(states=50)).stopped_by == "50 states"


def test_two_searches_find_the_same() -> None:
    first, second = (search_pair(MANY, Bound(depth=3)) for _ in range(2))
    assert (first.codes, first.edges, first.counted) == (second.codes, second.edges, second.counted)


def test_an_edge_is_one_scan_of_the_whole_controller() -> None:
    found = search_pair(MANY, Bound(states=3000))
    compared = 0
    with found.order.in_ticks():
        for code in found.codes[::61]:
            for edge in found.pair.edges(code)[::7]:
                assert _as_the_firmware(found, code, edge)
                compared += 1
    assert compared > 100


def _as_the_firmware(found: PairSearch, code: int, edge: PairNext) -> bool:
    """Does the whole controller, put into the state and given the same, leave what the edge leads to?"""
    pair = found.pair
    *units, bank, seen = pair.parts(code)
    assert edge.bank is not None
    assert edge.one is not None
    assert edge.two is not None
    granted, passed, *unit_passed, _atoms = TRIED[edge.tried]
    scene = bank_base(pair.s, granted=granted)
    known = {atom.name: atom for atom in bank_atoms(pair.s)}
    for name in edge.bank.told:
        scene = known[name].on(scene) if name != WAITS else scene
    atoms = (edge.one.told, edge.two.told)
    snapshot = Controller(2, pair.s).snapshot()
    pair.bank.codec.decode(bank, snapshot.bank, passed)
    for seat, part, m, own in zip(pair.seats, units, snapshot.units, unit_passed, strict=True):
        seat.codec.decode(part.memory, m, own)
    requests = tuple(pair.bank.request(part.asked, passed, first=True) for part in units)
    was = Outputs(
        safe_outputs(2).bank._replace(booster_run=bool(seen.booster)), (units[0].outputs, units[1].outputs)
    )
    given = choose(pair, replace(snapshot, requests=requests), scene, atoms)
    outputs, after = scan_whole(pair, given, was, scene, atoms)
    left = left_by(pair, was, outputs, after)
    one, two, bank_after, seen_after = pair.parts(edge.code)
    return (
        left.memories == (one.memory, two.memory)
        and left.asked == (one.asked, two.asked)
        and left.bank == bank_after
        and left.outputs.units == (one.outputs, two.outputs)
        and left.outputs.bank.booster_run == bool(seen_after.booster)
    )


@pytest.mark.parametrize("order", [ONE_SLOT, TWO_SLOTS], ids=["one slot", "two slots"])
def test_runs_of_the_whole_controller_stay_inside(order: PairOrder) -> None:
    assert [told for seed in range(RUNS) if (told := outside(explored(order), seed, SCANS))] == []


def test_runs_in_full_time_have_regions_that_were_explored() -> None:
    found = explored(ANY_ORDER)
    assert found.closed
    assert found.violations == {}
    assert [told for seed in range(HOURS) if (told := outside_in_full_time(found, seed, 60.0))] == []


def test_a_run_outside_is_told() -> None:
    little, other = (search_pair(order, Bound(depth=6)) for order in (ONE_SLOT, ANY_ORDER))
    assert any(outside(little, seed, SCANS) for seed in range(3))
    assert outside_in_full_time(other, 0, 10.0)


def test_units_are_no_mirror_of_each_other() -> None:
    """Of two that want the same the coordinator takes one by its number: nothing may be folded."""
    found = explored(TWO_SLOTS)
    wants = Asked(wants_start=True, flushing=True, draws_water=True, wants_water=True)
    with found.order.in_ticks():
        bank = found.pair.bank
        scanned = bank.scan(bank.start(), (wants, wants), bank_base(found.pair.s, granted=True), Passed.TICK)
    assert [p.start_slot for p in scanned.permits] == [True, False]
    mirrored = {(two.memory, one.memory) for one, two, *_ in map(found.pair.parts, found.codes)}
    assert {(one.memory, two.memory) for one, two, *_ in map(found.pair.parts, found.codes)} != mirrored


def test_the_banks_races_count_inside_and_are_gone_outside() -> None:
    site = Setpoints()
    before = (dict(scale.RACES), dict(scale.CONSTANTS), scale.ticks(site))
    with pair_in_ticks(site):
        t = scale.ticks(site)
        for race in BANK_RACES.values():
            real = sorted(race, key=lambda name: scale.real_s(name, site))
            for shorter, longer in pairwise(real):
                equal = scale.real_s(shorter, site) == scale.real_s(longer, site)
                assert (t[shorter] < t[longer]) != equal
    assert (dict(scale.RACES), dict(scale.CONSTANTS), scale.ticks(site)) == before
