"""SR-45: a unit's I/O that is lost and comes back."""

from __future__ import annotations

import pytest
from hand_traces import DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.verdicts import Verdict


def running(seconds: float = 900.0) -> Story:
    return Story(seconds).produce(10, seconds - 10, unit=1)


def lost(story: Story, *, at_s: float = 200.0, for_s: float = 20.0, off_after_s: float = 2.0) -> Story:
    """The link to unit 1 is lost for a while; its outputs go off some time after the loss."""
    text = "unit_io lost of unit 1"
    story.mark(at_s, "inject", text, 1).mark(at_s + for_s, "clear", text, 1)
    return story.cut(at_s + off_after_s, 1)


@pytest.mark.parametrize(("off_after_s", "verdict"), [(2.5, Verdict.PASS), (2.7, Verdict.FAIL)])
def test_sr_45_the_outputs_go_off(off_after_s: float, verdict: Verdict) -> None:
    assert lost(running(), off_after_s=off_after_s).verdict("SR-45") is verdict


@pytest.mark.parametrize(("opened_s", "verdict"), [(249.3, Verdict.PASS), (249.2, Verdict.FAIL)])
def test_sr_45_the_return_alone_starts_nothing(opened_s: float, verdict: Verdict) -> None:
    """30 s after the return at 220 s, less 2 % and one scan."""
    assert lost(running()).flush(opened_s - 1, 75, unit=1).verdict("SR-45") is verdict


def test_sr_45_a_short_loss_asks_for_nothing() -> None:
    assert lost(running(), for_s=1.5, off_after_s=600).verdict("SR-45") is Verdict.NOT_EXERCISED


def four_losses() -> Story:
    """Four losses within the hour, a flush after each."""
    story = running(1500)
    for number in range(4):
        lost(story, at_s=200 + 200 * number).flush(300 + 200 * number, 60, unit=1)
    return story


def test_sr_45_the_fourth_loss_needs_a_reset() -> None:
    assert four_losses().verdict("SR-45") is Verdict.FAIL
    assert four_losses().press_reset(890).verdict("SR-45") is Verdict.PASS


def test_sr_45_a_reset_lets_the_losses_count_anew() -> None:
    """Given three losses, a reset, and a fourth one: it is the first after the reset."""
    assert four_losses().press_reset(750).verdict("SR-45") is Verdict.PASS


def test_sr_45_a_reset_before_the_losses_frees_nothing() -> None:
    assert four_losses().press_reset(150).verdict("SR-45") is Verdict.FAIL


def test_sr_45_a_loss_of_power_lets_no_loss_be_forgotten() -> None:
    assert four_losses().lose_power(720, 730).verdict("SR-45") is Verdict.FAIL


def test_sr_45_follows_its_setpoints() -> None:
    def restarted() -> Story:
        return lost(running()).flush(260, 75, unit=1)

    assert restarted().verdict("SR-45", DEFAULTS) is Verdict.PASS
    assert restarted().verdict("SR-45", Setpoints(io_back_s=60)) is Verdict.FAIL
    assert restarted().verdict("SR-45", Setpoints(io_retries=0)) is Verdict.FAIL
    assert restarted().verdict("SR-45", Setpoints(io_lost_s=1)) is Verdict.FAIL
