"""SR-33, 42, 43, 49, 50, 51, 54, 58: people at the panel, and power."""

from __future__ import annotations

import pytest
from hand_traces import DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.verdicts import Verdict


def stopped_by_estop(seconds: float = 600.0) -> Story:
    """E-stop at 200 s, everything off in the same scan, released at 250 s."""
    story = Story(seconds).produce(10, 200, unit=1).during(200, 250, "estop_healthy", False)
    return story.cut(200, 1).set(200, "booster_run", False)


@pytest.mark.parametrize("name", ["pump", "enable", "feed_valve", "flush_valve"])
def test_sr_33_every_output_goes_off(name: str) -> None:
    story = stopped_by_estop(300).during(190, 200.7, name, True, 2)

    finding = story.judge("SR-33")

    assert (finding.verdict, finding.unit) == (Verdict.FAIL, 2)
    assert name in finding.detail


def test_sr_33_the_release_alone_starts_nothing() -> None:
    assert stopped_by_estop().verdict("SR-33") is Verdict.PASS
    assert stopped_by_estop().flush(260, 75, unit=2).verdict("SR-33") is Verdict.FAIL
    assert stopped_by_estop().set(260, "booster_run", True).verdict("SR-33") is Verdict.FAIL


def test_sr_33_a_reset_before_the_release_does_not_count() -> None:
    assert stopped_by_estop().press_reset(240).flush(260, 75, unit=2).verdict("SR-33") is Verdict.FAIL


def test_sr_33_after_the_release_and_a_reset_a_start_is_allowed() -> None:
    assert stopped_by_estop().press_reset(255).flush(260, 75, unit=2).verdict("SR-33") is Verdict.PASS


def put_away_in_estop(auto_s: float, off_s: float = 100.0) -> Story:
    """Unit 1 is stopped at 200 s by an E-stop of 50 s; unit 2 rests, its selector OFF until ``auto_s``."""
    story = stopped_by_estop().during(off_s, auto_s, "selector_auto", False, 2)
    return story.set(260, "booster_run", True).flush(270, 75, unit=2)


@pytest.mark.parametrize(
    ("auto_s", "off_s", "verdict"),
    [
        (250.0, 100.0, Verdict.PASS),
        (260.0, 199.9, Verdict.PASS),
        (249.9, 100.0, Verdict.FAIL),
        (260.0, 200.1, Verdict.FAIL),
        (600.0, 100.0, Verdict.FAIL),
    ],
    ids=["turned to AUTO at the release", "OFF just before", "AUTO too early", "OFF too late", "never AUTO"],
)
def test_sr_33_a_unit_that_was_off_all_the_time_is_freed_by_its_selector(
    auto_s: float, off_s: float, verdict: Verdict
) -> None:
    assert put_away_in_estop(auto_s, off_s).verdict("SR-33") is verdict


def test_sr_33_a_selector_off_frees_no_unit_that_the_estop_stopped() -> None:
    story = stopped_by_estop().during(199, 260, "selector_auto", False, 1)

    assert story.flush(270, 75, unit=1).verdict("SR-33") is Verdict.FAIL


def test_sr_33_no_unit_is_freed_by_the_selector_of_another() -> None:
    assert put_away_in_estop(260.0).flush(300, 75, unit=1).verdict("SR-33") is Verdict.FAIL


def test_sr_33_a_unit_in_maintenance_is_freed_by_its_return_and_its_selector() -> None:
    def returned() -> Story:
        story = stopped_by_estop().command(50, "maintain", 2).command(260, "return_to_service", 2)
        return story.set(265, "booster_run", True).flush(270, 75, unit=2)

    assert returned().during(255, 262, "selector_auto", False, 2).verdict("SR-33") is Verdict.PASS
    assert returned().verdict("SR-33") is Verdict.FAIL


def test_sr_33_the_booster_may_run_for_one_unit_that_was_reset() -> None:
    story = stopped_by_estop().command(255, "reset", 2).set(260, "booster_run", True)

    assert story.flush(270, 75, unit=2).verdict("SR-33") is Verdict.PASS


def selector_off(feed_until_s: float, seconds: float = 600.0) -> Story:
    story = Story(seconds).produce(10, 200, unit=1).set(200, "selector_auto", False, 1)
    return story.during(200, feed_until_s, "feed_valve", True, 1).set(feed_until_s, "feed_valve", False, 1)


@pytest.mark.parametrize(("feed_until_s", "verdict"), [(205.0, Verdict.PASS), (205.2, Verdict.FAIL)])
def test_sr_50_the_feed_shuts_after_the_selector(feed_until_s: float, verdict: Verdict) -> None:
    assert selector_off(feed_until_s).verdict("SR-50") is verdict


@pytest.mark.parametrize("name", ["pump", "feed_valve", "flush_valve"])
def test_sr_50_nothing_opens_while_the_selector_is_off(name: str) -> None:
    assert selector_off(202).during(400, 401, name, True, 1).verdict("SR-50") is Verdict.FAIL


def test_sr_50_a_reboot_does_not_start_a_unit_whose_selector_is_off() -> None:
    story = selector_off(202).lose_power(250, 255)

    assert story.verdict("SR-50") is Verdict.PASS
    assert story.flush(300, 75, unit=1).verdict("SR-50") is Verdict.FAIL


def test_sr_50_back_in_auto_a_start_is_allowed() -> None:
    story = selector_off(202).set(300, "selector_auto", True, 1).flush(310, 75, unit=1)

    assert story.verdict("SR-50") is Verdict.PASS


@pytest.mark.parametrize(
    ("name", "unit"), [("motor_healthy", 1), ("discharge_ok", 1), ("skid_dry", 1), ("estop_healthy", 0)]
)
def test_sr_51_a_reset_with_the_cause_present_brings_nothing_on(name: str, unit: int) -> None:
    story = Story(300).set(100, name, False, unit).press_reset(150)

    assert story.verdict("SR-51") is Verdict.PASS
    assert story.set(151, "feed_valve", True, 1).verdict("SR-51") is Verdict.FAIL


def test_sr_51_a_reset_command_counts_like_the_button() -> None:
    story = Story(300).set(100, "motor_healthy", False, 1).command(150, "reset", 1)

    assert story.verdict("SR-51") is Verdict.PASS
    assert story.set(150, "enable", True, 1).verdict("SR-51") is Verdict.FAIL


def held_button(for_s: float) -> Story:
    """Pressed at 150 s with the protector open; it closes at 152 s; the unit starts a flush at 170 s."""
    story = Story(300).during(100, 152, "motor_healthy", False, 1)
    return story.press_reset(150, for_s=for_s).flush(170, 75, unit=1)


@pytest.mark.parametrize(("for_s", "verdict"), [(60.0, Verdict.FAIL), (3.2, Verdict.FAIL)])
def test_sr_51_a_held_button_resets_nothing(for_s: float, verdict: Verdict) -> None:
    assert held_button(for_s).verdict("SR-51") is verdict


def test_sr_51_after_a_held_button_a_fresh_press_counts() -> None:
    assert held_button(10).press_reset(165).verdict("SR-51") is Verdict.PASS


def test_sr_51_a_reset_without_a_cause_is_no_trigger() -> None:
    assert Story(300).press_reset(150).flush(151, 75, unit=1).verdict("SR-51") is Verdict.NOT_EXERCISED


def test_sr_51_the_other_unit_is_not_judged_by_this_units_cause() -> None:
    story = Story(300).set(100, "motor_healthy", False, 1).press_reset(150).flush(150, 75, unit=2)

    assert story.verdict("SR-51") is Verdict.PASS


@pytest.mark.parametrize(("first_s", "verdict"), [(4.4, Verdict.PASS), (4.3, Verdict.FAIL)])
@pytest.mark.parametrize(
    ("name", "unit"), [("feed_valve", 1), ("enable", 2), ("booster_run", 0), ("dosing_run", 0)]
)
def test_sr_42_all_is_quiet_after_power_up(name: str, unit: int, first_s: float, verdict: Verdict) -> None:
    """5 s, less half a second and one scan."""
    assert Story(60).during(first_s, 50, name, True, unit).verdict("SR-42") is verdict


def test_sr_42_the_first_pump_start_is_flushed() -> None:
    assert Story(300).produce(10, 290, unit=1, flushed_s=117.6).verdict("SR-42") is Verdict.PASS
    assert Story(300).produce(10, 290, unit=1, flushed_s=117.4).verdict("SR-42") is Verdict.FAIL


@pytest.mark.parametrize("name", ["header_ma", "dosing_pulse"])
def test_sr_42_the_first_pump_start_has_had_the_pre_start(name: str) -> None:
    story = Story(300).produce(10, 290, unit=1).during(0, 136.2, name, 0.0)

    assert story.verdict("SR-42") is Verdict.FAIL


def test_sr_42_a_record_shorter_than_the_boot_shows_nothing() -> None:
    assert Story(4).verdict("SR-42") is Verdict.NOT_EXERCISED


def test_sr_42_follows_its_setpoint() -> None:
    assert Story(60).verdict("SR-42", Setpoints(boot_s=10)) is Verdict.FAIL  # the booster starts at 6 s


def dipped(for_s: float) -> Story:
    """Supply lost at 200 s while unit 1 produces; the booster starts again well after the return."""
    story = Story(700).produce(10, 200, unit=1).cut(200, 1).lose_power(200, 200 + for_s)
    return story.during(200, 250, "booster_run", False).during(200, 250, "dosing_run", False)


@pytest.mark.parametrize("for_s", [0.1, 1.0, 10.0])
def test_sr_54_after_a_dip_each_unit_flushes_again(for_s: float) -> None:
    assert dipped(for_s).produce(300, 690, unit=1).verdict("SR-54") is Verdict.PASS
    assert dipped(for_s).produce(300, 690, unit=1, flushed_s=117.4).verdict("SR-54") is Verdict.FAIL
    assert dipped(for_s).produce(300, 690, unit=1, flushed_s=117.6).verdict("SR-54") is Verdict.PASS


def test_sr_54_a_pump_that_runs_on_after_a_dip_fails() -> None:
    story = Story(300).produce(10, 290, unit=1).lose_power(200, 200.5)

    assert story.verdict("SR-54") is Verdict.FAIL


@pytest.mark.parametrize(("quiet_s", "verdict"), [(4.4, Verdict.PASS), (4.3, Verdict.FAIL)])
def test_sr_54_outputs_stay_off_after_a_dip(quiet_s: float, verdict: Verdict) -> None:
    assert dipped(1.0).flush(201 + quiet_s, 30, unit=2).verdict("SR-54") is verdict


def test_sr_54_without_a_dip_there_is_nothing_to_judge() -> None:
    assert Story(300).produce(10, 290, unit=1).verdict("SR-54") is Verdict.NOT_EXERCISED


def test_sr_54_follows_its_setpoints() -> None:
    story = dipped(1.0).produce(300, 690, unit=1)

    assert story.verdict("SR-54", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-54", Setpoints(start_flush_s=130)) is Verdict.FAIL


def halted(off_after_s: float, relay_after_s: float = 0.0) -> Story:
    """The watchdog pulse changes for the last time at 200 s."""
    story = Story(300).produce(10, 290, unit=1).set(200, "watchdog", 0)
    return story.cut(200 + off_after_s, 1).set(200 + relay_after_s, "alarm_relay", False)


@pytest.mark.parametrize(
    ("off_s", "relay_s", "verdict"),
    [
        (2.5, 0.0, Verdict.PASS),
        (2.7, 0.0, Verdict.FAIL),
        (0.0, 2.7, Verdict.FAIL),
        (90.0, 90.0, Verdict.FAIL),
    ],
)
def test_sr_43_a_halted_program_lets_go(off_s: float, relay_s: float, verdict: Verdict) -> None:
    story = halted(off_s, relay_s).set(199.9, "watchdog", 1).set(200, "watchdog", 0)

    assert story.verdict("SR-43") is verdict


def test_sr_43_a_power_loss_is_no_halt() -> None:
    story = Story(300).produce(10, 200, unit=1).cut(200, 1).lose_power(200, 210)

    assert story.verdict("SR-43") is Verdict.NOT_EXERCISED


def maintained(seconds: float = 600.0) -> Story:
    """Unit 1, at rest, is taken into maintenance at 100 s and returned at 400 s."""
    return Story(seconds).command(100, "maintain", 1).command(400, "return to service", 1)


@pytest.mark.parametrize("name", ["pump", "enable", "feed_valve", "flush_valve"])
@pytest.mark.parametrize(("at_s", "verdict"), [(399.9, Verdict.FAIL), (400.0, Verdict.PASS)])
def test_sr_49_a_unit_in_maintenance_is_dead_until_its_return(
    name: str, at_s: float, verdict: Verdict
) -> None:
    assert maintained().during(at_s, 500, name, True, 1).verdict("SR-49") is verdict


def test_sr_49_neither_a_reset_nor_a_power_cycle_wakes_it() -> None:
    story = maintained().press_reset(150).lose_power(200, 210).command(250, "start", 1)

    assert story.verdict("SR-49") is Verdict.PASS
    assert story.flush(300, 50, unit=1).verdict("SR-49") is Verdict.FAIL


def test_sr_49_a_running_unit_flushes_first() -> None:
    def asked_while_running() -> Story:
        story = Story(700).produce(10, 200, unit=1).command(200, "maintain", 1)
        return story.flush(260, 75, unit=1)  # the slot is given a minute later

    assert asked_while_running().verdict("SR-49") is Verdict.PASS
    assert asked_while_running().flush(400, 20, unit=1).verdict("SR-49") is Verdict.FAIL


def test_sr_49_a_request_that_may_be_refused_is_not_judged() -> None:
    story = Story(600).command(100, "maintain", 1).command(120, "maintain", 2).flush(200, 75, unit=2)

    assert story.judge("SR-49").triggers == 1  # that of unit 1
    assert story.verdict("SR-49", Setpoints(max_in_maintenance=2)) is Verdict.FAIL


def chattering(seconds: float = 300.0) -> Story:
    """The selector of unit 1 changes with every scan from 200 s to 202 s."""
    story = Story(seconds)
    for step in range(20):
        story.during(200 + step / 10, 200.1 + step / 10, "selector_auto", step % 2 == 0, 1)
    return story


@pytest.mark.parametrize(("again_s", "verdict"), [(201.4, Verdict.PASS), (201.3, Verdict.FAIL)])
def test_sr_58_a_valve_changes_at_most_once_a_second_in_chatter(again_s: float, verdict: Verdict) -> None:
    story = chattering().during(100, 200.5, "feed_valve", True, 1).during(again_s, 290, "feed_valve", True, 1)

    assert story.verdict("SR-58") is verdict


def test_sr_58_a_stop_wins_in_chatter() -> None:
    story = chattering().produce(10, 200.8, unit=1).command(200.5, "stop", 1)

    assert story.verdict("SR-58") is Verdict.PASS
    assert story.during(200, 290, "pump", True, 1).verdict("SR-58") is Verdict.FAIL


def test_sr_58_mashed_commands_are_chatter_too() -> None:
    story = Story(300)
    for step in range(10):
        story.command(200 + step / 10, "start" if step % 2 else "stop", 1)
        story.during(200 + step / 10, 200.1 + step / 10, "flush_valve", step % 2 == 1, 1)

    assert story.verdict("SR-58") is Verdict.FAIL


def test_sr_58_a_few_changes_are_no_chatter() -> None:
    story = Story(300)
    for at_s in (200.0, 200.2, 200.4):
        story.during(at_s, at_s + 0.1, "selector_auto", False, 1)
        story.during(at_s, at_s + 0.1, "flush_valve", True, 1)

    assert story.verdict("SR-58") is Verdict.NOT_EXERCISED
