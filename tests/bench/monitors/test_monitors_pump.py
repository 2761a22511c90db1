"""SR-01, 10, 12, 13, 14: the pump and its feed, contactor and starts."""

from __future__ import annotations

import pytest
from hand_traces import DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.verdicts import Verdict


@pytest.mark.parametrize(
    ("early_s", "verdict"), [(0.0, Verdict.PASS), (0.1, Verdict.PASS), (0.2, Verdict.FAIL)]
)
def test_sr_01_the_feed_may_lead_the_pump_by_no_more_than_one_scan(early_s: float, verdict: Verdict) -> None:
    story = Story(300).produce(10, 200, unit=1).set(200 - early_s, "feed_valve", False, 1)

    assert story.verdict("SR-01") is verdict


def test_sr_01_a_pump_that_runs_on_without_feed_at_the_end_of_the_record_fails() -> None:
    story = Story(200).produce(10, 300, unit=1).set(199.8, "feed_valve", False, 1)

    assert story.verdict("SR-01") is Verdict.FAIL


@pytest.mark.parametrize(("closed_s", "verdict"), [(59.0, Verdict.PASS), (50.0, Verdict.FAIL)])
def test_sr_10_a_reset_counts_only_when_the_protector_has_been_closed_for_a_minute(
    closed_s: float, verdict: Verdict
) -> None:
    story = Story(600).produce(10, 200, unit=1).during(200, 300, "motor_healthy", False, 1)
    story.set(200, "feed_valve", False, 1).press_reset(300 + closed_s).produce(400, 700, unit=1)

    assert story.verdict("SR-10") is verdict


def welded(*, enable_off_s: float, alarm_s: float) -> Story:
    """The feedback stays for 20 s after the pump command has gone at 200 s."""
    story = Story(260).produce(10, 200, unit=1).during(200, 220, "pump_running", True, 1)
    return story.during(200, 200 + enable_off_s, "enable", True, 1).set(200 + alarm_s, "alarm_relay", False)


@pytest.mark.parametrize(
    ("enable_off_s", "alarm_s", "verdict"),
    [
        (0.0, 2.5, Verdict.PASS),
        (2.5, 2.5, Verdict.PASS),
        (2.7, 2.0, Verdict.FAIL),
        (0.0, 2.7, Verdict.FAIL),
        (0.0, 30.0, Verdict.FAIL),
    ],
)
def test_sr_12_a_welded_contactor_drops_the_enable_and_raises_an_alarm(
    enable_off_s: float, alarm_s: float, verdict: Verdict
) -> None:
    assert welded(enable_off_s=enable_off_s, alarm_s=alarm_s).verdict("SR-12") is verdict


def test_sr_12_the_enable_must_stay_off_while_the_contactor_is_welded() -> None:
    story = welded(enable_off_s=0.0, alarm_s=2.0).during(210, 212, "enable", True, 1)

    assert story.verdict("SR-12") is Verdict.FAIL


def test_sr_12_a_feedback_that_drops_out_in_time_is_no_trigger() -> None:
    story = Story(260).produce(10, 200, unit=1).during(200, 201.5, "pump_running", True, 1)

    assert story.verdict("SR-12") is Verdict.NOT_EXERCISED


def welded_then_stale(stale_from_s: float) -> Story:
    """The feedback stays for 20 s and nobody answers; from a moment on the image is an old one.

    Its last change is a second before that moment, because an image may be so old.
    """
    return welded(enable_off_s=20.0, alarm_s=20.0).freeze(stale_from_s - 1.1, 230, unit=1)


def test_sr_12_an_image_that_has_stopped_changing_says_nothing_of_the_feedback() -> None:
    """The unit's image is that of 199 s, with the pump on, until long after the stop."""
    story = Story(260).produce(10, 200, unit=1).during(200, 220, "pump_running", True, 1)

    assert story.freeze(199, 220, unit=1).verdict("SR-12") is Verdict.NOT_EXERCISED


def test_sr_12_the_other_unit_s_old_image_excuses_nobody() -> None:
    assert welded(enable_off_s=20.0, alarm_s=20.0).freeze(199, 220, 2).verdict("SR-12") is Verdict.FAIL


@pytest.mark.parametrize(("off_s", "verdict"), [(88.2, Verdict.PASS), (88.0, Verdict.FAIL)])
def test_sr_13_a_motor_rests_before_its_next_start(off_s: float, verdict: Verdict) -> None:
    """90 s, less 2 % and one scan."""
    story = Story(400).during(100, 150, "pump", True, 1).during(150 + off_s, 300, "pump", True, 1)

    assert story.verdict("SR-13") is verdict


@pytest.mark.parametrize(("apart_s", "verdict"), [(450, Verdict.PASS), (440, Verdict.FAIL)])
def test_sr_13_the_ninth_start_of_an_hour_fails(apart_s: float, verdict: Verdict) -> None:
    """Nine starts, first to ninth an hour apart (or 80 s less)."""
    story = Story(3800)
    for number in range(9):
        story.during(100 + number * apart_s, 200 + number * apart_s, "pump", True, 1)

    assert story.verdict("SR-13") is verdict


def test_sr_13_fewer_starts_an_hour_by_setpoint() -> None:
    story = Story(3800)
    for number in range(9):
        story.during(100 + number * 450, 200 + number * 450, "pump", True, 1)

    assert story.verdict("SR-13", Setpoints(max_starts_per_h=7)) is Verdict.FAIL


@pytest.mark.parametrize(("apart_s", "verdict"), [(9.8, Verdict.PASS), (9.7, Verdict.FAIL)])
def test_sr_14_two_pumps_start_apart(apart_s: float, verdict: Verdict) -> None:
    story = Story(300).during(100, 200, "pump", True, 1).during(100 + apart_s, 200, "pump", True, 2)

    assert story.verdict("SR-14") is verdict


def test_sr_14_the_spacing_follows_the_setpoint() -> None:
    story = Story(300).during(100, 200, "pump", True, 1).during(115, 200, "pump", True, 2)

    assert story.verdict("SR-14", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-14", Setpoints(stagger_s=20)) is Verdict.FAIL


def test_sr_14_starts_of_one_unit_are_not_judged() -> None:
    story = Story(300).during(100, 101, "pump", True, 1).during(104, 200, "pump", True, 1)

    assert story.verdict("SR-14") is Verdict.NOT_EXERCISED
