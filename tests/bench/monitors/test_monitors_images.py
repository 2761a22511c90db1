"""SR-46, 47: images that have stopped changing."""

from __future__ import annotations

import pytest
from hand_traces import DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.verdicts import Verdict


def producing(seconds: float = 700.0) -> Story:
    return Story(seconds).produce(10, seconds + 10, unit=1)


@pytest.mark.parametrize("name", ["pump", "enable", "feed_valve", "flush_valve"])
def test_sr_46_every_output_of_a_stale_unit_goes_off(name: str) -> None:
    story = producing().freeze(200, 260, unit=1).cut(201.1, 1)

    assert story.verdict("SR-46") is Verdict.PASS
    assert story.during(190, 205, name, True, 1).verdict("SR-46") is Verdict.FAIL


def test_sr_46_nothing_comes_on_by_a_stale_image() -> None:
    def rest() -> Story:
        return Story(300).freeze(100, 200, unit=1)

    assert rest().flush(150, 30, unit=1).verdict("SR-46") is Verdict.FAIL
    assert rest().flush(150, 30, unit=2).verdict("SR-46") is Verdict.NOT_EXERCISED


def test_sr_46_no_pump_starts_by_a_stale_shared_image_and_the_alarm_shows() -> None:
    def frozen() -> Story:
        return Story(300).freeze(100, 200)

    assert frozen().verdict("SR-46") is Verdict.FAIL  # no alarm
    assert frozen().set(101.2, "alarm_relay", False).verdict("SR-46") is Verdict.PASS
    started = frozen().set(101.2, "alarm_relay", False).produce(10, 290, unit=1)
    assert started.verdict("SR-46") is Verdict.FAIL


@pytest.mark.parametrize("for_s", [0.5, 1.1])
def test_sr_46_an_image_that_is_late_is_not_stale(for_s: float) -> None:
    assert producing().freeze(200, 200 + for_s, unit=1).verdict("SR-46") is Verdict.NOT_EXERCISED


def test_sr_46_follows_its_setpoint() -> None:
    story = producing().freeze(200, 260, unit=1).cut(201.4, 1)

    assert story.verdict("SR-46", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-46", Setpoints(io_stale_s=0.5)) is Verdict.FAIL


def heartless(until_s: float = 300.0) -> Story:
    return producing().freeze(200, until_s).cut(205.5, 1)


def test_sr_47_pumps_that_run_on_without_a_heartbeat_fail() -> None:
    assert producing().freeze(200, 300).verdict("SR-47") is Verdict.FAIL


@pytest.mark.parametrize("for_s", [4.0, 5.0])
def test_sr_47_a_short_loss_of_the_heartbeat_asks_for_nothing(for_s: float) -> None:
    assert producing().freeze(200, 200 + for_s).verdict("SR-47") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(("begun_s", "verdict"), [(328.3, Verdict.PASS), (328.2, Verdict.FAIL)])
def test_sr_47_no_start_is_begun_before_the_heartbeat_has_been_back(begun_s: float, verdict: Verdict) -> None:
    """Back at 300 s; 30 s less 2 % and one scan; the feed opens one second after the flush valve."""
    assert heartless().produce(begun_s, 690, unit=1).verdict("SR-47") is verdict


@pytest.mark.parametrize(("second_s", "verdict"), [(293.4, Verdict.PASS), (293.3, Verdict.FAIL)])
def test_sr_47_flushes_without_a_heartbeat_follow_each_other(second_s: float, verdict: Verdict) -> None:
    """75 s less 2 % and one scan after the first, which begins at 220 s."""
    story = heartless(until_s=500).flush(220, 70, unit=1).flush(second_s, 70, unit=2)

    assert story.verdict("SR-47") is verdict


def test_sr_47_follows_its_setpoint() -> None:
    story = heartless(until_s=500).flush(220, 70, unit=1).flush(294, 70, unit=2)

    assert story.verdict("SR-47", Setpoints(stop_flush_s=90)) is Verdict.FAIL
