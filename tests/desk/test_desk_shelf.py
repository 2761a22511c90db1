"""Copies to go back from are bounded, reach to the beginning, and are dense where it was just now."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from sim_plant.desk.shelf import Kept, Shelf

MOST, STEP_MS = 20, 10_000


def kept(t_ms: int) -> Kept:
    nothing: Any = None  # what is in a copy does not matter here
    return Kept(t_ms, nothing, (), ())


def after(n: int) -> Shelf:
    shelf = Shelf(MOST)
    for i in range(n):
        shelf.add(kept(i * STEP_MS))
    return shelf


def test_their_number_is_bounded_and_the_first_is_never_given_up() -> None:
    times = after(5_000).times_ms()

    assert len(times) == MOST
    assert times[0] == 0
    assert times[-1] == 4_999 * STEP_MS


def test_old_copies_stand_further_apart_than_new_ones() -> None:
    times = after(5_000).times_ms()

    gaps = [later - earlier for earlier, later in pairwise(times)]

    assert gaps[-1] == STEP_MS
    assert gaps[0] > 100 * gaps[-1]


def test_the_way_to_a_moment_starts_from_the_last_copy_before_it() -> None:
    shelf = after(10)

    assert shelf.before(35_000).t_ms == 30_000


def test_a_copy_of_the_very_moment_is_not_before_it() -> None:
    shelf = after(10)

    assert shelf.before(30_000).t_ms == 20_000


def test_later_copies_are_forgotten() -> None:
    shelf = after(10)

    shelf.before(35_000)

    assert shelf.times_ms() == [0, 10_000, 20_000, 30_000]
