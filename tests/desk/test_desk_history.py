"""Trends: rows by the second, changes exactly, bounded, and nothing from after a moment gone back to."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from desk_samples import deed, run_to, run_until, session
from hypothesis import given
from hypothesis import strategies as st

from sim_plant.desk import history as history_module
from sim_plant.desk.history import ROWS_MAX, History
from sim_plant.desk.thin import thinned


def test_there_is_one_row_for_each_second() -> None:
    desk = session()
    run_to(desk, 20)

    times = desk.history.read(1, 0, 10**9, 1000)["t_s"]

    assert len(times) == 20
    assert {round(b - a, 3) for a, b in pairwise(times)} == {1.0}


def test_a_reading_that_is_not_believed_is_null() -> None:
    desk = session()
    run_to(desk, 20)
    desk.do(deed(unit=1, inject={"target": "suction", "kind": "open_circuit"}))
    run_to(desk, 40)

    rows = desk.history.read(1, 0, 10**9, 1000)

    assert rows["unit"]["suction_ma"][-1] is None
    assert rows["unit"]["membrane_ma"][-1] is not None


def test_a_strip_begins_with_the_state_before_its_window() -> None:
    desk = session()
    run_until(desk, 1, "PRODUCE")
    now_ms = desk.now_ms
    run_to(desk, now_ms / 1000 + 30)

    changes = desk.history.read(1, now_ms + 5_000, now_ms + 10_000, 100)["changes"]

    first = next(change for change in changes if change.unit == 1)
    assert first.t_ms <= now_ms
    assert desk.rig.target.state_names[first.code] == "PRODUCE"


def test_no_more_rows_are_handed_out_than_were_asked_for_and_the_newest_is_among_them() -> None:
    desk = session()
    run_to(desk, 100)

    times = desk.history.read(1, 0, 10**9, 10)["t_s"]

    assert len(times) <= 10
    assert times[-1] == 99.9


def test_a_day_is_kept_by_the_second_and_no_more() -> None:
    desk = session()
    run_to(desk, 5)
    picture = desk.picture()
    history = History(2)

    for second in range(ROWS_MAX + 1000):
        history.add(picture._replace(t_ms=second * 1000))

    oldest = history.read(1, 0, 1_010_000, 4000)["t_s"]
    assert oldest == [float(second) for second in range(1000, 1011)]
    whole = history.read(1, 0, 10**9, 10**9)["t_s"]
    assert (whole[0], whole[-1], len(whole)) == (
        1000.0,
        ROWS_MAX + 999.0,
        3999,
    )  # what is handed out is bounded


def test_time_wound_back_across_the_seam_of_the_ring_leaves_what_was_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(history_module, "ROWS_MAX", 10)
    history = History(1)
    for second in range(13):
        history.add_values(second * 1000, [float(second)] * history._values.shape[1])

    history.forget_from(8_000)
    history.add_values(8_000, [80.0] * history._values.shape[1])

    rows = history.read(1, 0, 10**9, 100)
    assert rows["t_s"] == [3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
    assert rows["unit"]["suction_ma"] == [3.0, 4.0, 5.0, 6.0, 7.0, 80.0]


VALUES = st.one_of(st.floats(-1e6, 1e6, width=32), st.just(float("nan")))


@given(rows=st.lists(st.tuples(VALUES, VALUES), min_size=1, max_size=200), points=st.integers(3, 60))
def test_thinned_rows_keep_every_extreme_every_gap_and_the_newest_time(
    rows: list[tuple[float, float]], points: int
) -> None:
    values, t_ms = np.array(rows), np.arange(len(rows)) * 1000

    few_ms, few = thinned(t_ms, values, points)

    assert len(few_ms) == len(few) <= max(points, 3)
    assert (few_ms[0], few_ms[-1]) == (t_ms[0], t_ms[-1])
    assert (np.diff(few_ms) >= 0).all()
    for column, kept in zip(values.T, few.T, strict=True):
        known = column[~np.isnan(column)]
        assert np.isnan(kept).any() == np.isnan(column).any()
        assert set(kept[~np.isnan(kept)]) <= set(known)
        if len(known):
            assert (np.nanmin(kept), np.nanmax(kept)) == (known.min(), known.max())


def test_a_spike_up_then_down_stays_in_the_order_in_which_it_came() -> None:
    values = np.full((300, 1), 5.0)
    values[100], values[101] = 9.0, 1.0

    _, few = thinned(np.arange(300), values, 30)

    assert [v for v in few[:, 0] if v != 5.0] == [9.0, 1.0]


def test_what_was_done_stands_in_it_at_its_moment_and_goes_with_going_back() -> None:
    desk = session()
    run_to(desk, 20)
    desk.do(deed(tank_pct=50))
    desk.do(deed(10, unit=2, inject={"target": "suction", "kind": "open_circuit"}))
    run_to(desk, 40)
    done = desk.history.read(1, 0, 10**9, 100)["marks"]

    desk.back(25_000)

    assert [(mark.t_ms, mark.words) for mark in done] == [
        (20_000, "tank_pct 50.0"),
        (30_000, "suction open_circuit"),
    ]
    assert [mark.t_ms for mark in desk.history.read(1, 0, 10**9, 100)["marks"]] == [20_000]
