"""The temporal forms against their plain meaning, and the tally of verdicts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim_plant.bench.monitors import forms, tolerance
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.verdicts import Verdict

signals = st.lists(st.booleans(), min_size=1, max_size=60).map(lambda bits: np.array(bits, np.bool_))


def times(on: np.ndarray) -> np.ndarray:
    return np.arange(len(on), dtype=np.int64) * 100


@given(signals)
def test_spans_cover_exactly_the_rows_that_are_true(on: np.ndarray) -> None:
    covered = np.zeros(len(on), np.bool_)
    for start, end in forms.spans(on):
        assert not covered[start:end].any()
        covered[start:end] = True

    assert (covered == on).all()


@given(signals)
def test_the_age_counts_from_the_scan_that_became_true(on: np.ndarray) -> None:
    ages = forms.age_ms(times(on), on)

    expected, begun = [], None
    for row, value in enumerate(on):
        begun = (row if begun is None else begun) if value else None
        expected.append(-1 if begun is None else 100 * (row - begun))
    assert ages.tolist() == expected


@given(signals, st.integers(0, 60))
def test_since_counts_from_the_last_event(on: np.ndarray, row: int) -> None:
    row = min(row, len(on) - 1)
    rows = forms.rises(on)
    earlier = [event for event in rows.tolist() if event <= row]

    since = int(forms.since_ms(times(on), rows)[row])

    assert since == 100 * (row - earlier[-1]) if earlier else since > 10**12


@given(signals, st.integers(-1, 60))
def test_next_and_last_row_are_what_a_search_finds(on: np.ndarray, row: int) -> None:
    rows = forms.rises(on)

    assert forms.next_row(rows, row) == next((event for event in rows.tolist() if event > row), None)
    assert forms.last_row(rows, row) == next((event for event in rows.tolist()[::-1] if event <= row), None)


@given(signals, signals)
def test_an_episode_ends_where_the_output_falls_or_the_cause_goes(
    cause: np.ndarray, output: np.ndarray
) -> None:
    n = min(len(cause), len(output))
    cause, output = cause[:n], output[:n]

    for start, end, answered in forms.episodes(cause, output):
        assert cause[start]
        assert output[start] or output[start - 1]
        assert answered == (end < n and not output[end])
        assert answered or end == n or not cause[end]
        assert output[start:end].all()


@given(signals)
def test_only_an_off_of_one_scan_is_filled(on: np.ndarray) -> None:
    filled = forms.unblinked(on)

    for row in range(len(on)):
        between = 0 < row < len(on) - 1 and on[row - 1] and on[row + 1]
        assert filled[row] == (on[row] or between)


@given(st.lists(st.integers(0, 10**6), unique=True, max_size=12), st.integers(1, 4))
def test_tightest_is_the_least_distance_of_all(events: list[int], apart: int) -> None:
    ordered = np.array(sorted(events), np.int64)
    distances = [int(ordered[i + apart] - ordered[i]) for i in range(len(ordered) - apart)]

    found = forms.tightest(ordered, apart)

    assert (found is None) == (not distances)
    assert found is None or found[1] == min(distances)


@given(st.floats(0.1, 7200))
def test_a_timer_of_its_own_length_is_always_inside_its_tolerance(seconds: float) -> None:
    assert tolerance.shortest_ms(seconds, 100) < tolerance.ms(seconds) < tolerance.longest_ms(seconds, 100)


@given(st.integers(-1000, 1000), st.integers(0, 500))
def test_a_margin_smaller_than_the_uncertainty_decides_nothing(margin_ms: int, uncertainty_ms: int) -> None:
    tally = Tally("a limit", uncertainty_ms)

    tally.timed(0, 1, margin_ms, "seen")

    verdict = tally.finding("SR-00").verdict
    assert (verdict is Verdict.INCONCLUSIVE) == (abs(margin_ms) < uncertainty_ms)
    assert verdict is not Verdict.PASS or margin_ms >= 0
    assert verdict is not Verdict.FAIL or margin_ms < 0


def test_the_gravest_trigger_is_reported_with_its_place() -> None:
    tally = Tally("a limit", uncertainty_ms=150)
    tally.timed(1000, 1, 5000, "well inside")
    tally.timed(2000, 2, 100, "too near to say")
    tally.timed(3000, 3, -200, "beyond")
    tally.timed(4000, 4, -300, "further beyond")

    finding = tally.finding("SR-00")

    assert (finding.verdict, finding.unit, finding.at_ms) == (Verdict.FAIL, 4, 4000)
    assert (finding.margin, finding.margin_unit, finding.triggers) == (pytest.approx(-0.3), "s", 4)


def test_amounts_carry_no_timing_uncertainty() -> None:
    tally = Tally("a limit", uncertainty_ms=10_000)

    tally.counted(0, 1, -1, "units", "one too many")

    assert tally.finding("SR-00").verdict is Verdict.FAIL
