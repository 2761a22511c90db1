"""SR-15, 16: purges come often enough, show themselves, and last as long as they should."""

from __future__ import annotations

import pytest
from hand_traces import DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.verdicts import Verdict

PUMP_S = 136.0  # a start begun at 10 s


def purged(at_s: list[float], seconds: float = 3000.0) -> Story:
    story = Story(seconds).produce(10, seconds + 10, unit=1)
    for start_s in at_s:
        story.purge(start_s, 1)
    return story


@pytest.mark.parametrize(("second_s", "verdict"), [(1944.5, Verdict.PASS), (1944.7, Verdict.FAIL)])
def test_sr_15_two_purges_are_no_more_than_two_intervals_apart(second_s: float, verdict: Verdict) -> None:
    """Ends 1220 s apart, with 2 % and one scan 1244.5 s; the first purge ends at 720 s."""
    assert purged([700, second_s], seconds=2200).verdict("SR-15") is verdict


def test_sr_15_a_unit_that_never_purges_fails() -> None:
    assert purged([]).verdict("SR-15") is Verdict.FAIL


def test_sr_15_a_unit_that_stops_instead_passes() -> None:
    assert purged([]).cut(PUMP_S + 1215, 1).verdict("SR-15") is Verdict.PASS


def test_sr_15_a_purge_without_effect_is_no_purge() -> None:
    story = purged([700, 1300, 1900])
    for start_s in (700, 1300, 1900):
        story.during(start_s, start_s + 20, "membrane_ma", 12.5, 1)
        story.during(start_s, start_s + 20, "concentrate_flow_ma", 0.93, 1)

    assert story.verdict("SR-15") is Verdict.FAIL


def test_sr_15_flow_alone_shows_a_purge() -> None:
    story = purged([700, 1300, 1900], seconds=2200)
    for start_s in (700, 1300, 1900):
        story.during(start_s, start_s + 20, "membrane_ma", 12.5, 1)

    assert story.verdict("SR-15") is Verdict.PASS


def test_sr_15_a_purge_cut_short_is_no_purge() -> None:
    story = Story(2200).produce(10, 2300, unit=1)
    for start_s in (700, 1300, 1900):
        story.purge(start_s, 1, for_s=10)

    assert story.verdict("SR-15") is Verdict.FAIL


def test_sr_15_a_run_shorter_than_an_interval_shows_nothing() -> None:
    assert purged([], seconds=600).verdict("SR-15") is Verdict.NOT_EXERCISED


def test_sr_15_follows_the_interval() -> None:
    story = purged([700, 1300, 1900], seconds=2200)

    assert story.verdict("SR-15", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-15", Setpoints(purge_interval_s=240)) is Verdict.FAIL


def one_flush(for_s: float) -> Story:
    return Story(500).produce(10, 490, unit=1).purge(200, 1, for_s=for_s)


@pytest.mark.parametrize(
    ("for_s", "verdict"),
    [
        (19.4, Verdict.PASS),
        (19.3, Verdict.FAIL),
        (20.6, Verdict.PASS),
        (20.7, Verdict.FAIL),
        (61.3, Verdict.PASS),  # a quality flush: 60 s, 2 % and one scan
        (61.4, Verdict.FAIL),
        (58.7, Verdict.PASS),
        (58.6, Verdict.FAIL),
    ],
)
def test_sr_16_a_running_flush_lasts_its_time(for_s: float, verdict: Verdict) -> None:
    assert one_flush(for_s).verdict("SR-16") is verdict


def test_sr_16_a_purge_that_the_pump_ends_is_not_judged() -> None:
    assert one_flush(10).cut(205, 1).verdict("SR-16") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(("for_s", "verdict"), [(5.0, Verdict.NOT_EXERCISED), (3.0, Verdict.FAIL)])
def test_sr_16_a_purge_without_effect_may_be_given_up(for_s: float, verdict: Verdict) -> None:
    story = one_flush(for_s).set(200, "membrane_ma", 12.5, 1).set(200, "concentrate_flow_ma", 0.93, 1)

    assert story.verdict("SR-16") is verdict


def test_sr_16_follows_its_setpoints() -> None:
    assert one_flush(20).verdict("SR-16", Setpoints(purge_s=15)) is Verdict.FAIL
    assert one_flush(60).verdict("SR-16", Setpoints(quality_flush_s=90)) is Verdict.FAIL
