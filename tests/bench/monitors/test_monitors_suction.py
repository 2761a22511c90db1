"""SR-04, 06, 07: dips that must be ridden through, waits before retries, whole flushes for them."""

from __future__ import annotations

import pytest
from hand_traces import DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.verdicts import Verdict

START_S = 126.0  # from the opening of the flush valve to the pump


def dipped(for_s: float, bar: float = 0.6) -> Story:
    return Story(300).produce(10, 290, unit=1).during(200, 200 + for_s, "suction_ma", bar, 1)


def test_sr_04_a_dip_of_four_seconds_is_ridden_through() -> None:
    finding = dipped(4.0).judge("SR-04")

    assert (finding.verdict, finding.triggers) == (Verdict.PASS, 1)


@pytest.mark.parametrize(("stopped_after_s", "verdict"), [(4.3, Verdict.FAIL), (4.6, Verdict.PASS)])
def test_sr_04_a_pump_stopped_before_the_trip_time_fails(stopped_after_s: float, verdict: Verdict) -> None:
    """5 s less 0.5 s."""
    assert dipped(60.0).cut(200 + stopped_after_s, 1).verdict("SR-04") is verdict


def test_sr_04_a_pump_stopped_just_after_a_dip_fails() -> None:
    assert dipped(4.0).cut(204.3, 1).verdict("SR-04") is Verdict.FAIL


@pytest.mark.parametrize("name", ["discharge_ok", "selector_auto", "motor_healthy"])
def test_sr_04_a_stop_in_a_dip_with_another_cause_is_not_the_dips(name: str) -> None:
    story = dipped(4.0).cut(202, 1).set(201.9, name, False, 1)

    assert story.verdict("SR-04") is Verdict.NOT_EXERCISED


def test_sr_04_the_quality_peak_of_a_start_excuses_no_stop() -> None:
    story = dipped(4.0).cut(202, 1).set(100, "permeate_cond_ma", 900.0, 1)

    assert story.verdict("SR-04") is Verdict.FAIL


def test_sr_04_a_stop_command_in_a_dip_is_not_the_dips() -> None:
    assert dipped(4.0).cut(202, 1).command(202, "stop", 1).verdict("SR-04") is Verdict.NOT_EXERCISED


def test_sr_04_a_pump_that_is_off_for_one_scan_of_a_dip_has_stopped() -> None:
    assert dipped(4.0).during(202, 202.1, "pump", False, 1).verdict("SR-04") is Verdict.FAIL


def test_sr_04_a_pump_that_blinks_in_its_answer_has_not_stopped() -> None:
    assert dipped(60.0).during(205, 205.1, "pump", False, 1).verdict("SR-04") is Verdict.FAIL


def test_sr_04_a_deep_dip_may_stop_the_pump() -> None:
    assert dipped(3.0, bar=0.1).cut(201.2, 1).verdict("SR-04") is Verdict.NOT_EXERCISED


def failing_suction(waits_s: list[float], seconds: float = 2400.0, flushed_s: float = 120.0) -> Story:
    """Low suction 60 s into each run, pump off 5.2 s later; then the waits until the feed opens again."""
    story = Story(seconds)
    begin_s = 10.0
    for wait_s in [*waits_s, None]:
        low_s = begin_s + 1 + flushed_s + 5 + 60
        stop_s = round(low_s + 5.2, 1)
        story.produce(begin_s, stop_s, unit=1, flushed_s=flushed_s)
        story.during(low_s, stop_s + 20, "suction_ma", 0.6, 1)
        if wait_s is not None:
            begin_s = round(stop_s + wait_s - 1, 1)  # the feed valve opens 1 s after the flush valve
    return story


@pytest.mark.parametrize(
    ("waits_s", "verdict"),
    [
        ([58.8], Verdict.PASS),  # 60 s less 2 % and one scan is 58.7 s
        ([58.6], Verdict.FAIL),
        ([60, 117.6], Verdict.PASS),
        ([60, 117.4], Verdict.FAIL),
        ([60, 120, 294], Verdict.PASS),
        ([60, 120, 293.8], Verdict.FAIL),
        ([200, 200, 200], Verdict.FAIL),
    ],
)
def test_sr_06_retries_wait_longer_and_longer(waits_s: list[float], verdict: Verdict) -> None:
    assert failing_suction(waits_s).verdict("SR-06") is verdict


def test_sr_06_the_fourth_failure_is_final() -> None:
    four_failures = [60.0, 120.0, 300.0]

    assert failing_suction(four_failures).verdict("SR-06") is Verdict.PASS
    assert failing_suction([*four_failures, 400.0]).verdict("SR-06") is Verdict.FAIL


def test_sr_06_after_the_last_failure_a_reset_lets_it_start_again() -> None:
    story = failing_suction([60.0, 120.0, 300.0, 400.0])
    fourth_stop_s = 10 - 1 + 4 * (1 + 120 + 5 + 60 + 5.2) + (60 + 120 + 300) - 3 + 1

    assert story.press_reset(fourth_stop_s + 100).verdict("SR-06") is Verdict.PASS


def test_sr_06_a_reset_during_a_wait_clears_no_count() -> None:
    story = failing_suction([60.0, 120.0, 300.0, 400.0]).press_reset(240)

    assert story.verdict("SR-06") is Verdict.FAIL


def test_sr_06_a_wait_that_a_person_ends_is_not_judged() -> None:
    story = failing_suction([30.0]).command(205, "stop", 1)

    assert story.verdict("SR-06") is Verdict.NOT_EXERCISED


def test_sr_06_a_retry_that_fails_in_its_flush_counts() -> None:
    """Suction still low: the feed of the retry, open at 261.2 s, closes after blanking and trip time."""
    story = failing_suction([60.0], seconds=700).set(196, "suction_ma", 0.6, 1).cut(276.4, 1)
    story.during(376.4, 391.6, "feed_valve", True, 1)

    finding = story.judge("SR-06")

    assert finding.verdict is Verdict.FAIL  # the second wait is 120 s
    assert "wait 2" in finding.detail


def test_sr_06_follows_its_setpoints() -> None:
    story = failing_suction([60.0, 120.0])

    assert story.verdict("SR-06", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-06", Setpoints(suction_retry_1_s=70)) is Verdict.FAIL
    assert story.verdict("SR-06", Setpoints(suction_retries=1)) is Verdict.FAIL


def test_sr_06_one_low_suction_without_a_retry_shows_nothing() -> None:
    assert failing_suction([], seconds=240).verdict("SR-06") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(("flushed_s", "verdict"), [(117.6, Verdict.PASS), (117.4, Verdict.FAIL)])
def test_sr_07_a_retry_passes_a_whole_start_flush(flushed_s: float, verdict: Verdict) -> None:
    assert failing_suction([60.0], flushed_s=flushed_s).verdict("SR-07") is verdict


def test_sr_07_a_start_that_is_no_retry_is_not_judged() -> None:
    story = Story(600).produce(10, 200, unit=1).produce(300, 500, unit=1, flushed_s=30)

    assert story.verdict("SR-07") is Verdict.NOT_EXERCISED
