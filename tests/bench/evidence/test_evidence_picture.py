"""A picture shows what happened, where it went wrong, and stays true to the samples."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from evidence_samples import STATES, make_result, make_trace
from hypothesis import given
from hypothesis import strategies as st

from controller.settings import Setpoints
from sim_plant.bench.evidence import draw_run
from sim_plant.bench.evidence.curves import Span, band_path, line_path, ticks, time_ticks_s, window_ms
from sim_plant.bench.evidence.panels import LEFT, RIGHT
from sim_plant.bench.evidence.picture import focus_unit
from sim_plant.bench.evidence.strips import STATE_ORDER, look_of, on_times, unit_strip
from sim_plant.bench.trace import UNIT_AI, UNIT_DO, Mark, Trace
from sim_plant.bench.verdicts import Finding, RunResult, Verdict

SETPOINTS = Setpoints().model_dump()
SVG = "{http://www.w3.org/2000/svg}"


def drawn(trace: Trace, result: RunResult | None = None) -> ET.Element:
    return ET.fromstring(draw_run(trace, result or make_result(), SETPOINTS))


def words(picture: ET.Element) -> list[str]:
    return [element.text or "" for element in picture.iter(f"{SVG}text")]


def titles(picture: ET.Element) -> list[str]:
    return [element.text or "" for element in picture.iter(f"{SVG}title")]


def test_the_title_names_the_run_and_its_verdict() -> None:
    first = titles(drawn(make_trace(rows=900), make_result(verdict=Verdict.FAIL)))[0]
    assert first == ("The feed header dips while a unit produces (PRODUCE, dip to 0.12, 12 s, unit 2): fail")


def test_each_state_is_told_in_words_with_its_times() -> None:
    trace = make_trace(rows=6000)
    told = titles(drawn(trace))
    assert "unit 2: retry wait, 6:51.0 to 7:51.0" in told
    assert "unit 1: start flush, 0:15.0 to 2:15.0" in told


def test_the_failure_is_marked_at_its_moment() -> None:
    trace = make_trace(rows=6000)
    picture = drawn(trace, make_result(verdict=Verdict.FAIL, margin=-3.5))
    (line,) = (e for e in picture.iter(f"{SVG}line") if e.get("class") == "fail")
    want = LEFT + (RIGHT - LEFT) * 405_500 / float(trace.t_ms[-1])
    assert float(line.get("x1", "0")) == pytest.approx(want, abs=0.1)
    assert "FAIL 6:45.5 SR-04" in words(picture)


def test_a_passing_run_has_no_failure_mark() -> None:
    picture = drawn(make_trace(rows=6000))
    assert not [e for e in picture.iter(f"{SVG}line") if e.get("class") in ("fail", "open")]


def test_what_the_bench_did_is_written_at_its_line() -> None:
    told = words(drawn(make_trace(rows=6000)))
    assert {"inject feed_header dip 0.12", "clear feed_header", "operate unit 2 selector off"} <= set(told)


def test_a_mashed_button_has_a_line_each_but_words_once() -> None:
    trace = replace(make_trace(rows=900), marks=[Mark(t, "operate", 1, "start") for t in range(0, 3000, 100)])
    picture = drawn(trace)
    assert sum(e.get("class") == "mark" for e in picture.iter(f"{SVG}line")) == 30
    assert words(picture).count("operate unit 1 start") == 1


def test_marks_without_room_are_counted_not_hidden() -> None:
    marks = [Mark(40_000 + 100 * i, "inject", 1, f"fault number {i} of a long list") for i in range(40)]
    told = words(drawn(replace(make_trace(rows=900), marks=marks)))
    labelled = sum(text.startswith("inject unit 1 fault") for text in told)
    assert f"{40 - labelled} more marks have a line but no room for words; the record holds them" in told


def test_a_reading_is_drawn_only_where_it_departs_from_the_truth() -> None:
    trace = make_trace(rows=6000)
    assert "header as read" in words(drawn(trace))
    assert "suction as read" not in words(drawn(trace))


def test_a_reading_that_only_lags_is_not_called_wrong() -> None:
    trace = make_trace(rows=3000, dip_s=150.0)
    trace.unit_ai[10:] = trace.unit_ai[:-10].copy()
    assert not {"suction as read", "membrane as read"} & set(words(drawn(trace)))


def test_a_spike_of_one_sample_in_a_reading_is_drawn() -> None:
    trace = make_trace(rows=900, dip_s=None)
    trace.unit_ai[500, 1, UNIT_AI.index("membrane_ma")] = 19.0
    assert "membrane as read" in words(drawn(trace))


def test_a_known_setpoint_is_a_line_with_its_value_and_an_unknown_one_is_left_out() -> None:
    trace = make_trace(rows=900)
    assert "trip 16" in words(drawn(trace))
    assert not any(
        text.startswith("trip") for text in words(ET.fromstring(draw_run(trace, make_result(), {})))
    )


def test_a_target_without_states_is_told_from_its_outputs() -> None:
    picture = drawn(make_trace(rows=6000, tells_state=False))
    assert {"Seen from the outputs", "flushing", "producing", "purge", "resting", "settling"} <= set(
        words(picture)
    )
    assert "unit 1: flushing, 0:15.0 to 2:15.0" in titles(picture)


def test_a_pump_without_feed_stands_out_in_a_strip_from_outputs() -> None:
    trace = make_trace(rows=900, tells_state=False)
    trace.unit_do[:, 0, :] = False
    trace.unit_do[300:400, 0, UNIT_DO.index("pump")] = True
    odd = [s for s in unit_strip(trace, 1, slice(0, 900)) if s.look.fill == "alarm"]
    assert [(s.first, s.end, s.look.word) for s in odd] == [(300, 400, "pump on, feed shut")]


def test_every_state_of_the_firmware_has_its_own_two_letters() -> None:
    codes = [look_of(state).code for state in STATE_ORDER]
    assert len(set(codes)) == 16
    assert all(len(code) == 2 for code in codes)


def test_only_abnormal_states_have_a_colour() -> None:
    coloured = {state for state in STATE_ORDER if look_of(state).fill in ("warn", "alarm", "stop", "quality")}
    assert coloured == {"RETRY_WAIT", "LOCKOUT", "ESTOP", "QUALITY_FLUSH"}


def test_states_of_a_strangers_program_are_drawn_with_their_initials() -> None:
    trace = replace(make_trace(rows=900), state_names=tuple(f"STEP_{name}" for name in STATES))
    assert "step standby" in words(drawn(trace))


def test_a_row_without_a_state_among_others_says_so() -> None:
    trace = make_trace(rows=900)
    trace.unit_state[200:300, 0] = -1
    assert "unit 1: no state reported, 0:20.0 to 0:30.0" in titles(drawn(trace))


@pytest.mark.parametrize("rows", [0, 1])
def test_a_run_without_samples_says_so(rows: int) -> None:
    trace = make_trace(rows=10)
    empty = replace(trace, **{k: v[:rows] for k, v in vars(trace).items() if isinstance(v, np.ndarray)})
    assert words(drawn(empty)) == ["Nothing was recorded."]


def test_texts_from_outside_cannot_break_the_picture() -> None:
    nasty = "</svg><script>alert(1)</script> {x} & \"'"
    trace = replace(make_trace(rows=900), marks=[Mark(1000, "inject", 1, nasty[:30])])
    picture = drawn(trace, make_result(case=nasty, verdict=Verdict.FAIL))
    assert not list(picture.iter(f"{SVG}script"))
    assert nasty in titles(picture)[0]


def test_a_single_unit_has_no_area_of_others() -> None:
    assert "other units" not in words(drawn(make_trace(rows=900, n_units=1), make_result(unit=1)))
    assert "other units" in words(drawn(make_trace(rows=900, n_units=2)))


def test_values_that_are_no_numbers_do_not_stop_the_drawing() -> None:
    trace = make_trace(rows=900)
    trace.unit_truth[100:200] = np.nan
    trace.bank_truth[:] = np.nan
    assert "membrane 2" in words(drawn(trace))


def test_a_peak_beyond_the_axis_is_told_in_words() -> None:
    assert "peak 699 mg/L" in words(drawn(make_trace(rows=6000, dip_s=None)))


def test_a_run_of_the_bank_is_about_the_unit_of_its_failure() -> None:
    failure = Finding("SR-17", Verdict.FAIL, 1, unit=4)
    assert focus_unit(make_result(unit=0, requirements=[failure]), 6) == 4
    assert focus_unit(make_result(unit=0, requirements=[]), 6) == 1
    assert focus_unit(make_result(unit=3, requirements=[failure]), 6) == 3


def test_a_long_run_is_shown_from_a_minute_before_the_fault() -> None:
    picture = drawn(make_trace(rows=15_000, dip_s=1000.0))
    assert "The run began at 0:00.0; the record holds all of it." in words(picture)
    strips = [title for title in titles(picture) if title.startswith("unit 1: produce")]
    assert strips[0].startswith("unit 1: produce, 15:40.0")


def test_the_window_keeps_an_earlier_failure() -> None:
    t_ms = np.arange(0, 2_000_000, 100)
    assert window_ms(t_ms, 1_000_000, []) == (940_000, 1_999_900)
    assert window_ms(t_ms, 1_000_000, [500_000]) == (470_000, 1_999_900)
    assert window_ms(t_ms, None, []) == (0, 1_999_900)
    assert window_ms(t_ms[:3000], 200_000, []) == (0, 299_900)


def points(path: str) -> list[tuple[int, int]]:
    """Corners of a path in absolute tenths."""
    start, _, rest = path.removesuffix("z").partition("l")
    x, y = map(int, start[1:].split())
    numbers = [int(n) for n in rest.split()]
    corners = [(x, y)]
    for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
        x, y = x + dx, y + dy
        corners.append((x, y))
    return corners


@given(st.integers(0, 9999), st.integers(-800, 800))
def test_a_spike_of_one_sample_survives_the_thinning(at: int, height: int) -> None:
    x = Span(0, 9999, 0, 580).tenths(np.arange(10_000.0))
    y = np.full(10_000, 100)
    y[at] += height
    corners = points(line_path(x, y))
    reached = max(abs(b - 100) for _, b in corners)
    assert reached == abs(height) or abs(height) <= 3
    assert all(abs(a - x[at]) <= 20 for a, b in corners if abs(b - 100) > 3)


@given(st.integers(0, 10**6))
def test_a_thinned_curve_stays_within_a_stroke_of_the_samples(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.arange(0, 5800, 7)
    y = np.rint(np.cumsum(rng.standard_normal(len(x))) * rng.choice([0.2, 2, 20])).astype(np.int64)
    corners = np.array(points(line_path(x, y)))
    assert np.abs(np.interp(x, corners[:, 0], corners[:, 1]) - y).max() <= 12


def test_a_steady_line_is_two_points() -> None:
    assert line_path(np.arange(0, 5800, 2), np.full(2900, 5)) == "M0 5l5798 0"


def test_the_area_holds_every_sample() -> None:
    rng = np.random.default_rng(3)
    x, low = np.arange(0, 1000, 2), rng.integers(0, 300, 500)
    corners = np.array(points(band_path(x, low, low + 200)))
    assert (corners[:, 1].min(), corners[:, 1].max()) == (low.min(), low.max() + 200)


@given(st.floats(0.01, 1e5), st.integers(2, 8))
def test_ticks_are_few_round_and_inside(hi: float, most: int) -> None:
    marks = ticks(0.0, hi, most)
    assert 1 <= len(marks) <= most + 1
    assert all(0 <= mark <= hi * (1 + 1e-6) for mark in marks)


@given(st.floats(0, 1e5), st.floats(0.2, 1e5))
def test_time_ticks_are_few_and_inside(lo: float, length: float) -> None:
    marks = time_ticks_s(lo, lo + length, 10)
    assert len(marks) <= 11
    assert all(lo - 1e-3 <= mark <= lo + length + 1e-3 for mark in marks)


@given(st.lists(st.booleans(), max_size=40), st.integers(0, 5))
def test_on_times_rebuild_the_contact(contact: list[bool], skip: int) -> None:
    seen = [False] * len(contact)
    rows = slice(min(skip, len(contact)), len(contact))
    for first, end in on_times(np.array(contact, bool), rows):
        seen[first:end] = [True] * (end - first)
    assert seen == [False] * rows.start + contact[rows]


def test_two_pictures_of_one_page_share_no_name() -> None:
    trace = make_trace(rows=900)
    ids = [set(re.findall(r' id="([^"]+)"', draw_run(trace, make_result(name), SETPOINTS))) for name in "ab"]
    assert ids[0]
    assert not ids[0] & ids[1]
