"""Trends: rows by the second, changes exactly, bounded, and nothing from after a moment gone back to."""

from __future__ import annotations

from itertools import pairwise

from desk_samples import deed, run_to, run_until, session

from sim_plant.desk.history import COARSE_ROWS, FINE_ROWS, History


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


def test_a_long_day_is_kept_by_the_second_and_before_that_by_ten() -> None:
    desk = session()
    run_to(desk, 5)
    picture = desk.picture()
    history = History(2)

    for second in range(100_000):
        history.add(picture._replace(t_ms=second * 1000))

    times = history.read(1, 0, 10**9, 4000)["t_s"]
    assert times[0] >= 100_000 - 10 * COARSE_ROWS
    fine = history.read(1, (100_000 - FINE_ROWS) * 1000, 10**9, 10_000)["t_s"]
    assert len(fine) == FINE_ROWS // 2  # what is handed out is bounded, too


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
