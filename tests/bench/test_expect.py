"""Expectations, judged on traces drawn by hand: every form passes, and fails when it should."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from bench_samples import NAMES, flat_trace, pump_on

from controller.parts.journal import Entry
from sim_plant.bench.alarms_seen import shown
from sim_plant.bench.cases import Expectation
from sim_plant.bench.expect import judge
from sim_plant.bench.trace import UNIT_AI, Mark, Trace
from sim_plant.bench.verdicts import Finding, Verdict

PASS, FAIL = Verdict.PASS, Verdict.FAIL


def judged(
    trace: Trace, anchors: dict[str, int] | None = None, uncertainty_ms: int = 0, **form: Any
) -> Finding:
    """The finding of one expectation on unit 1."""
    form = {"text": "what is seen", "signal": "pump", **form}
    return judge(Expectation.model_validate(form), trace, 1, anchors or {"": 0}, uncertainty_ms)


@pytest.mark.parametrize(("on_s", "verdict"), [(2.0, PASS), (3.0, PASS), (3.1, FAIL), (11.0, FAIL)])
def test_within_passes_when_it_becomes_so_in_time(on_s: float, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(), on_s, 10)
    assert judged(trace, **{"is": True, "within_s": 3}).verdict is verdict


def test_within_tells_how_much_was_left() -> None:
    found = judged(pump_on(flat_trace(), 2, 10), **{"is": True, "within_s": 3})
    assert (found.margin, found.margin_unit, found.at_ms) == (pytest.approx(1.0), "s", 2000)


@pytest.mark.parametrize(("on_s", "verdict"), [(2.0, PASS), (2.9, Verdict.INCONCLUSIVE), (3.1, FAIL)])
def test_within_is_inconclusive_where_the_clock_is_not_fine_enough(on_s: float, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(), on_s, 10)
    assert judged(trace, uncertainty_ms=200, **{"is": True, "within_s": 3}).verdict is verdict


def test_within_does_not_see_what_was_over_before_the_window() -> None:
    trace = pump_on(flat_trace(), 1, 2)
    assert judged(trace, **{"is": True, "from_s": 3, "within_s": 3}).verdict is FAIL


@pytest.mark.parametrize(("off_s", "verdict"), [(6.0, PASS), (5.1, PASS), (5.0, FAIL), (1.0, FAIL)])
def test_until_must_hold_to_its_end_and_no_further(off_s: float, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(), 0, off_s)
    assert judged(trace, **{"is": True, "until_s": 5}).verdict is verdict


def test_until_is_counted_from_the_anchor_like_from() -> None:
    trace = pump_on(flat_trace(), 4, 6)
    form = {"is": True, "after": "cut", "from_s": 1, "until_s": 2}
    assert judged(trace, {"": 0, "cut": 3000}, **form).verdict is PASS
    assert judged(trace, {"": 0, "cut": 1000}, **form).verdict is FAIL


@pytest.mark.parametrize(("off_s", "verdict"), [(10.0, PASS), (9.9, FAIL)])
def test_without_an_end_it_must_hold_to_the_end_of_the_run(off_s: float, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(), 2, off_s)
    assert judged(trace, **{"is": True, "from_s": 2}).verdict is verdict


@pytest.mark.parametrize(("until_s", "verdict"), [(10.0, PASS), (10.1, FAIL), (60.0, FAIL)])
def test_a_window_that_the_run_did_not_cover_is_not_passed(until_s: float, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(10), 0, 10)
    assert judged(trace, **{"is": True, "until_s": until_s}).verdict is verdict


def test_a_window_that_never_opened_fails() -> None:
    found = judged(flat_trace(10), **{"is": False, "from_s": 10})
    assert found.verdict is FAIL
    assert "before the window opened" in found.detail


@pytest.mark.parametrize(("on_s", "verdict"), [(7.0, PASS), (6.0, FAIL), (3.0, FAIL)])
def test_never_must_not_be_so_at_any_moment(on_s: float, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(), on_s, on_s + 0.1)
    found = judged(trace, **{"is": True, "never": True, "from_s": 2, "until_s": 6})
    assert (found.verdict, found.limit) == (verdict, "never")


def test_never_names_the_moment() -> None:
    found = judged(pump_on(flat_trace(), 3, 3.1), **{"is": True, "never": True})
    assert (found.at_ms, found.unit) == (3000, 1)


@pytest.mark.parametrize(("unit", "verdict"), [(1, PASS), (2, FAIL), (3, FAIL)])
def test_others_is_every_unit_but_the_one_under_test(unit: int, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(n_units=3), 3, 4, unit)
    found = judged(trace, **{"is": False, "unit": "others"})
    assert found.verdict is verdict
    assert found.unit == unit or verdict is PASS


def test_others_on_a_bank_of_one_unit_puts_nothing_to_the_test() -> None:
    found = judged(flat_trace(n_units=1), **{"is": False, "unit": "others"})
    assert found.verdict is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(("unit", "verdict"), [(2, FAIL), (1, PASS)])
def test_a_unit_that_is_named_is_the_one_that_is_judged(unit: int, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(), 0, 10, unit=1)
    assert judged(trace, **{"is": True, "unit": unit}).verdict is verdict


@pytest.mark.parametrize(("on_s", "verdict"), [(4.0, PASS), (6.1, FAIL)])
def test_after_counts_from_the_step_of_that_name(on_s: float, verdict: Verdict) -> None:
    trace = pump_on(flat_trace(), on_s, 10)
    form = {"is": True, "after": "cut", "within_s": 2}
    assert judged(trace, {"": 0, "cut": 4000}, **form).verdict is verdict


def test_after_a_step_that_was_never_done_fails() -> None:
    found = judged(flat_trace(), **{"is": False, "after": "cut"})
    assert found.verdict is FAIL
    assert "never done" in found.detail


@pytest.mark.parametrize(
    ("wanted", "verdict"), [("STANDBY", PASS), (["OFF", "STANDBY"], PASS), ("OFF", FAIL)]
)
def test_a_state_is_one_of_those_named(wanted: object, verdict: Verdict) -> None:
    assert judged(flat_trace(), **{"signal": "state", "is": wanted}).verdict is verdict


def test_a_state_is_inconclusive_where_the_target_tells_none() -> None:
    trace = flat_trace()
    trace.unit_state[:] = -1
    assert judged(trace, **{"signal": "state", "is": "STANDBY"}).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize(
    ("form", "verdict"),
    [
        ({"below_bar": 3.1}, PASS),
        ({"below_bar": 3.0}, FAIL),
        ({"above_bar": 2.9}, PASS),
        ({"above_bar": 3.0}, FAIL),
    ],
)
def test_a_quantity_is_compared_in_its_own_unit(form: dict[str, float], verdict: Verdict) -> None:
    trace = flat_trace()
    trace.unit_ai[:, 0, UNIT_AI.index("suction_ma")] = 12.0  # the middle of 0 to 6 bar
    assert judged(trace, signal="suction_ma", **form).verdict is verdict


def test_the_whole_list_of_states_is_known() -> None:
    for state in NAMES:
        Expectation.model_validate({"text": "x", "signal": "state", "is": state})


def with_alarm_lines(*lines: tuple[int, int, str]) -> Trace:
    trace = flat_trace()
    trace.journal = [Entry(t_ms, unit, "alarm", text) for t_ms, unit, text in lines]
    return trace


def test_an_alarm_is_shown_from_its_line_until_its_cause_and_its_latch_are_gone() -> None:
    trace = with_alarm_lines(
        (2000, 1, "low suction: NORM > UNACK"),
        (4000, 1, "low suction: UNACK > LATUN"),
        (6000, 1, "low suction: LATUN > RTNUN, by a reset"),
    )
    seen = shown(trace, "alarm.low suction", 1)
    assert [bool(seen[row]) for row in (19, 20, 40, 59, 60)] == [False, True, True, True, False]


def test_an_expectation_may_name_an_alarm_of_the_unit_or_of_the_bank() -> None:
    trace = with_alarm_lines((2000, 0, "feed too hot: NORM > UNACK"), (3000, 1, "low suction: NORM > UNACK"))
    form = {"is": True, "within_s": 2.5}
    assert judged(trace, signal="bank.alarm.feed too hot", **form).verdict is PASS
    assert judged(trace, signal="alarm.low suction", **form).verdict is FAIL


def test_an_alarm_of_another_unit_is_none_of_this_one() -> None:
    trace = with_alarm_lines((2000, 2, "low suction: NORM > UNACK"))
    assert judged(trace, signal="alarm.low suction", **{"is": True, "within_s": 5}).verdict is FAIL


def test_a_covered_alarm_is_not_shown_and_a_start_shows_none() -> None:
    trace = with_alarm_lines((2000, 1, "low suction: NORM > DSUPR, because of feed header lost"))
    assert not shown(trace, "alarm.low suction", 1).any()
    trace = with_alarm_lines((2000, 1, "low suction: NORM > UNACK"))
    trace.marks.append(Mark(5000, "power", 0, "off"))
    assert np.flatnonzero(shown(trace, "alarm.low suction", 1)).tolist() == list(range(20, 50))


def test_nothing_is_said_of_the_alarms_of_a_target_without_a_journal() -> None:
    assert judged(flat_trace(), signal="alarm.low suction", **{"is": False}).verdict is Verdict.INCONCLUSIVE


def test_an_alarm_that_is_not_in_the_list_is_refused_and_the_near_one_named() -> None:
    with pytest.raises(ValueError, match=r"near: .*alarm\.low suction"):
        Expectation.model_validate({"text": "shown", "signal": "alarm.low suktion", "is": True})
