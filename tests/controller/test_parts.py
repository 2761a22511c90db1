"""Timers and the belief in 4..20 mA loops: NE 43 limits, 2 s to doubt, 10 s to trust again."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.parts.analogue import Loop, Quality
from controller.parts.timing import NEVER, held_s, recent, since


def good_loop() -> tuple[Loop, int]:
    """A loop that has been GOOD for a while, and the present moment."""
    loop = Loop()
    for now_ms in range(0, 20_000, 100):
        loop.judge(12.0, now_ms)
    assert loop.quality is Quality.GOOD
    return loop, 20_000


def feed(loop: Loop, current_ma: float, from_ms: int, seconds: float) -> int:
    """Readings at 100 ms, the last one ``seconds`` after the first; returns the moment of the last."""
    last_ms = from_ms + round(seconds * 1000)
    for now_ms in range(from_ms, last_ms + 1, 100):
        loop.judge(current_ma, now_ms)
    return last_ms


def test_since_keeps_the_first_moment_and_forgets_it_when_the_condition_breaks() -> None:
    assert since(True, NEVER, 500) == 500
    assert since(True, 500, 900) == 500
    assert since(False, 500, 900) == NEVER


def test_a_timer_that_does_not_run_meets_no_limit_not_even_zero() -> None:
    assert held_s(NEVER, 10_000) == -1.0
    assert held_s(10_000, 10_000) == 0.0


def test_a_moment_exactly_one_window_old_has_left_the_window() -> None:
    assert recent([1_000, 1_001, 5_000], 61_000, 60.0) == [1_001, 5_000]


@given(
    moments=st.lists(st.integers(0, 100_000), max_size=20),
    now_ms=st.integers(100_000, 200_000),
    window_s=st.integers(1, 100),
)
def test_recent_keeps_exactly_what_is_younger_than_the_window(
    moments: list[int], now_ms: int, window_s: int
) -> None:
    kept = recent(sorted(moments), now_ms, window_s)

    assert kept == [ms for ms in sorted(moments) if now_ms - ms < window_s * 1000]


@pytest.mark.parametrize(
    ("current_ma", "quality"),
    [
        (0.0, Quality.BAD),
        (3.59, Quality.BAD),
        (3.6, Quality.UNCERTAIN),
        (3.79, Quality.UNCERTAIN),
        (3.8, Quality.GOOD),
        (20.5, Quality.GOOD),
        (20.51, Quality.UNCERTAIN),
        (21.0, Quality.UNCERTAIN),
        (21.01, Quality.BAD),
        (math.nan, Quality.BAD),
        (math.inf, Quality.BAD),
    ],
)
def test_after_two_seconds_a_current_has_the_quality_of_ne_43(current_ma: float, quality: Quality) -> None:
    loop, now_ms = good_loop()

    feed(loop, current_ma, now_ms, 2.0)

    assert loop.quality is quality


@pytest.mark.parametrize("current_ma", [3.59, 21.01, math.nan, 3.7, 20.8])
def test_before_two_seconds_the_loop_is_still_called_good(current_ma: float) -> None:
    loop, now_ms = good_loop()

    feed(loop, current_ma, now_ms, 1.9)

    assert loop.quality is Quality.GOOD


@pytest.mark.parametrize(
    ("current_ma", "usable"), [(3.59, False), (math.nan, False), (3.7, True), (21.0, True)]
)
def test_a_broken_current_is_no_measurement_from_its_first_scan_on(current_ma: float, usable: bool) -> None:
    loop, now_ms = good_loop()

    assert loop.judge(current_ma, now_ms) is usable


def test_a_bad_loop_is_good_again_after_ten_seconds_inside_and_not_before() -> None:
    loop, now_ms = good_loop()
    now_ms = feed(loop, 0.0, now_ms, 3.0)

    now_ms = feed(loop, 12.0, now_ms + 100, 9.9)
    assert loop.quality is Quality.BAD
    assert not loop.judge(12.0, now_ms)

    assert loop.judge(12.0, now_ms + 100)
    assert loop.quality is Quality.GOOD


def test_one_scan_outside_starts_the_ten_seconds_anew() -> None:
    loop, now_ms = good_loop()
    now_ms = feed(loop, 0.0, now_ms, 3.0)
    now_ms = feed(loop, 12.0, now_ms + 100, 9.0)

    loop.judge(3.7, now_ms + 100)
    now_ms = feed(loop, 12.0, now_ms + 200, 9.9)

    assert loop.quality is Quality.BAD


def test_a_bad_loop_in_the_uncertain_band_stays_bad() -> None:
    loop, now_ms = good_loop()
    now_ms = feed(loop, 0.0, now_ms, 3.0)

    feed(loop, 3.7, now_ms + 100, 60.0)

    assert loop.quality is Quality.BAD


def test_chatter_across_the_failure_limit_is_uncertain_but_never_bad() -> None:
    loop, now_ms = good_loop()

    seen = set()
    for index in range(300):
        loop.judge(3.59 if index % 2 else 3.61, now_ms + 100 * index)
        seen.add(loop.quality)

    assert seen == {Quality.GOOD, Quality.UNCERTAIN}


def test_for_five_seconds_after_power_up_a_loop_is_init_and_gives_no_measurement() -> None:
    loop = Loop()

    usable = [loop.judge(12.0, now_ms) for now_ms in range(1_000, 6_000, 100)]

    assert not any(usable)
    assert loop.quality is Quality.INIT
    assert loop.judge(12.0, 6_000)


def test_a_wire_broken_at_power_up_is_bad_as_soon_as_init_ends() -> None:
    loop = Loop()

    feed(loop, 0.0, 1_000, 5.0)

    assert loop.quality is Quality.BAD


def test_the_moment_of_going_bad_is_kept_while_it_lasts() -> None:
    loop, now_ms = good_loop()

    feed(loop, 0.0, now_ms, 30.0)
    assert loop.bad_ms == now_ms + 2_000

    feed(loop, 12.0, now_ms + 30_100, 10.0)
    assert loop.bad_ms == NEVER


@given(st.lists(st.sampled_from([0.0, 3.59, 3.6, 3.7, 3.8, 12.0, 20.5, 21.0, 22.0, math.nan]), max_size=60))
def test_nothing_outside_the_failure_limits_is_ever_used(currents: list[float]) -> None:
    loop, now_ms = good_loop()

    for index, current_ma in enumerate(currents):
        if loop.judge(current_ma, now_ms + 500 * index):
            assert 3.6 <= current_ma <= 21.0
