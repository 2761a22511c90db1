"""The abstraction: runs that are not cut down never leave what was explored.

A small world here; ``python -m tests.bench.explore.whole`` does the same with everything that can come in.
"""

from __future__ import annotations

from tests.bench.explore.random_runs import outside_in_full_time, outside_in_ticks
from tests.bench.explore.small import SMALL, explored

RUNS, SCANS, MINUTES = 60, 60, 15.0


def test_runs_in_ticks_with_any_scene_stay_inside() -> None:
    assert [told for seed in range(RUNS) if (told := outside_in_ticks(explored(), seed, SCANS))] == []


def test_runs_in_full_time_have_regions_that_were_explored() -> None:
    assert [
        told for seed in range(RUNS // 2) if (told := outside_in_full_time(explored(), seed, MINUTES))
    ] == []


def test_a_run_outside_is_told() -> None:
    from sim_plant.bench.explore.search import Bound, search

    little = search(SMALL, bound=Bound(depth=3))
    assert any(outside_in_ticks(little, seed, SCANS) for seed in range(5))
    assert any(outside_in_full_time(little, seed, MINUTES) for seed in range(5))
