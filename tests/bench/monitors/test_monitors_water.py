"""SR-27, 29, 30, 32, 34 to 40, 52, 53: what the units share."""

from __future__ import annotations

import pytest
from hand_traces import DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.verdicts import Verdict


def full_then_started(lowest_pct: float, start_pct: float) -> Story:
    """Full at 200 s, down to a level at 300 s, and a start at another level from 400 s on."""
    story = Story(700).produce(10, 200, unit=1).during(200, 300, "tank_level_ma", 95.0)
    story.during(300, 400, "tank_level_ma", lowest_pct).set(400, "tank_level_ma", start_pct)
    return story.produce(420, 690, unit=1)


@pytest.mark.parametrize(
    ("lowest_pct", "start_pct", "verdict"),
    [(84.9, 84.9, Verdict.PASS), (84.9, 86.0, Verdict.PASS), (85.1, 85.1, Verdict.FAIL)],
)
def test_sr_27_none_starts_before_the_tank_has_been_at_the_restart_level(
    lowest_pct: float, start_pct: float, verdict: Verdict
) -> None:
    assert full_then_started(lowest_pct, start_pct).verdict("SR-27") is verdict


def test_sr_27_a_first_start_above_the_restart_level_fails() -> None:
    assert Story(300).set(0, "tank_level_ma", 88.0).produce(10, 290, unit=1).verdict("SR-27") is Verdict.FAIL


def test_sr_27_follows_the_restart_level() -> None:
    story = full_then_started(84.9, 84.9)

    assert story.verdict("SR-27", Setpoints(tank_first_pct=80)) is Verdict.FAIL


@pytest.mark.parametrize(("begun_s", "verdict"), [(22.5, Verdict.NOT_EXERCISED), (22.7, Verdict.FAIL)])
def test_sr_29_no_start_is_begun_with_the_level_unknown(begun_s: float, verdict: Verdict) -> None:
    """Broken from 20 s on; BAD 2 s later. A start that was under way may go on."""
    story = Story(200).during(20, 300, "tank_level_ma", 0.0, raw=True)
    story.produce(begun_s - 1, 170, unit=1).set(60, "tank_level_ma", 50.0)
    story.during(60, 153, "tank_level_ma", 0.0, raw=True)

    assert story.verdict("SR-29") is verdict


def test_sr_30_the_other_units_run_on() -> None:
    def leaking() -> Story:
        story = Story(420, n_units=2).produce(10, 410, unit=1).produce(150, 410, unit=2)
        return story.set(300, "skid_dry", False, 1).cut(302.2, 1)

    assert leaking().verdict("SR-30") is Verdict.PASS
    assert leaking().cut(302.2, 2).verdict("SR-30") is Verdict.FAIL
    assert leaking().cut(302.2, 2).set(302, "selector_auto", False, 2).verdict("SR-30") is Verdict.PASS


@pytest.mark.parametrize(("closed_s", "verdict"), [(205.0, Verdict.PASS), (205.2, Verdict.FAIL)])
def test_sr_32_flush_valves_close_when_the_sump_is_high(closed_s: float, verdict: Verdict) -> None:
    story = Story(300).during(100, closed_s, "flush_valve", True, 1).set(200, "sump_ok", False)

    assert story.verdict("SR-32") is verdict


@pytest.mark.parametrize(("clear_s", "verdict"), [(58.7, Verdict.PASS), (58.6, Verdict.FAIL)])
def test_sr_32_no_flush_until_the_sump_has_been_clear(clear_s: float, verdict: Verdict) -> None:
    """A minute, less 2 % and one scan."""
    story = Story(400).during(100, 204, "flush_valve", True, 1).during(200, 250, "sump_ok", False)

    assert story.flush(250 + clear_s, 50, unit=1).verdict("SR-32") is verdict


def bad_feed(name: str, bad: float, good: float) -> Story:
    """All six units produce and are stopped at 1010 s; the water is bad from 1000 to 1050 s, then good."""
    story = Story(1500, n_units=6).during(1000, 1050, name, bad).set(1050, name, good)
    for unit in range(1, 7):
        story.during(500, 1010, "pump", True, unit).during(400, 1012, "feed_valve", True, unit)
    return story


BAD_FEED = pytest.mark.parametrize(
    ("requirement", "name", "bad", "good"),
    [("SR-34", "chlorine_ma", 0.2, 0.04), ("SR-35", "feed_temp_ma", 43.0, 39.0)],
)


@BAD_FEED
@pytest.mark.parametrize(("shut_s", "verdict"), [(1017.5, Verdict.PASS), (1017.7, Verdict.FAIL)])
def test_sr_34_35_the_last_feed_valve_shuts_in_time(
    requirement: str, name: str, bad: float, good: float, shut_s: float, verdict: Verdict
) -> None:
    """12.5 s, one second for each of five further units, and one scan."""
    story = bad_feed(name, bad, good).during(400, shut_s, "feed_valve", True, 1)

    assert story.verdict(requirement) is verdict


@BAD_FEED
@pytest.mark.parametrize(("good_for_s", "verdict"), [(58.7, Verdict.PASS), (58.6, Verdict.FAIL)])
def test_sr_34_35_feed_opens_after_a_reset_in_water_that_has_been_good(
    requirement: str, name: str, bad: float, good: float, good_for_s: float, verdict: Verdict
) -> None:
    story = bad_feed(name, bad, good).press_reset(1050 + good_for_s).flush(1200, 75, unit=1)

    assert story.verdict(requirement) is verdict


@BAD_FEED
def test_sr_34_35_no_flush_with_bad_water_nor_without_a_reset(
    requirement: str, name: str, bad: float, good: float
) -> None:
    assert bad_feed(name, bad, good).flush(1020, 75, unit=1).verdict(requirement) is Verdict.FAIL
    assert bad_feed(name, bad, good).flush(1300, 75, unit=1).verdict(requirement) is Verdict.FAIL


def test_sr_34_follows_its_setpoints() -> None:
    story = bad_feed("chlorine_ma", 0.2, 0.04).press_reset(1115).flush(1200, 75, unit=1)

    assert story.verdict("SR-34", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-34", Setpoints(water_good_s=90)) is Verdict.FAIL
    assert story.verdict("SR-34", Setpoints(chlorine_clear_mgl=0.03)) is Verdict.FAIL


GRACE = Setpoints(antiscalant_grace_min=1)


def antiscalant_low(stop_s: float | None = None, alarm_s: float = 201.0) -> Story:
    story = Story(400).produce(10, 500, unit=1).set(200, "antiscalant_ok", False)
    story.set(alarm_s, "alarm_relay", False)
    return story if stop_s is None else story.cut(stop_s, 1)


@pytest.mark.parametrize(
    ("stop_s", "verdict"), [(320.0, Verdict.PASS), (320.2, Verdict.FAIL), (None, Verdict.FAIL)]
)
def test_sr_36_units_stop_after_the_grace(stop_s: float | None, verdict: Verdict) -> None:
    """One minute of grace by setpoint, and 60 s."""
    assert antiscalant_low(stop_s).verdict("SR-36", GRACE) is verdict


@pytest.mark.parametrize(("alarm_s", "verdict"), [(205.0, Verdict.PASS), (205.2, Verdict.FAIL)])
def test_sr_36_an_alarm_shows(alarm_s: float, verdict: Verdict) -> None:
    assert antiscalant_low(300.0, alarm_s).verdict("SR-36", GRACE) is verdict


def test_sr_36_no_start_is_begun_with_the_antiscalant_low() -> None:
    story = antiscalant_low(300.0).produce(206, 390, unit=2)

    assert story.verdict("SR-36", DEFAULTS) is Verdict.FAIL


def dosing_lost(stop_s: float | None) -> Story:
    """Strokes every 2 s until the last one at 199 s."""
    story = Story(400).produce(10, 500, unit=1).during(200, 400, "dosing_pulse", False)
    return story if stop_s is None else story.cut(stop_s, 1)


@pytest.mark.parametrize(
    ("stop_s", "verdict"), [(263.2, Verdict.PASS), (263.4, Verdict.FAIL), (None, Verdict.FAIL)]
)
def test_sr_37_units_stop_without_dosing_strokes(stop_s: float | None, verdict: Verdict) -> None:
    """62 s after the scan of the last stroke, one usual stroke of 2 s, and one scan."""
    assert dosing_lost(stop_s).verdict("SR-37") is verdict


def test_sr_37_no_dosing_is_owed_without_feed_flow() -> None:
    assert dosing_lost(None).set(190, "feed_flow_ma", 0.1).verdict("SR-37") is Verdict.NOT_EXERCISED


def test_sr_37_follows_its_setpoint() -> None:
    assert dosing_lost(262).verdict("SR-37", Setpoints(dosing_lost_s=50)) is Verdict.FAIL


@pytest.mark.parametrize(("for_s", "verdict"), [(5.1, Verdict.PASS), (5.2, Verdict.FAIL)])
def test_sr_38_no_dose_into_still_water(for_s: float, verdict: Verdict) -> None:
    story = Story(300).produce(10, 200, unit=1).set(200, "feed_flow_ma", 0.1)
    story.set(200 + for_s, "dosing_run", False)

    assert story.verdict("SR-38") is verdict


@pytest.mark.parametrize(("for_s", "verdict"), [(20.0, Verdict.PASS), (30.0, Verdict.FAIL)])
def test_sr_38_ten_proving_strokes_are_allowed(for_s: float, verdict: Verdict) -> None:
    """One stroke every 2 s, before any feed valve opens."""
    story = Story(300).set(0, "feed_flow_ma", 0.0).set(6 + for_s, "dosing_run", False)

    assert story.verdict("SR-38") is verdict


def test_sr_38_dosing_that_blinks_has_not_stopped() -> None:
    story = Story(300).produce(10, 200, unit=1).set(200, "feed_flow_ma", 0.1)
    story.during(204, 204.1, "dosing_run", False).set(208, "dosing_run", False)

    assert story.verdict("SR-38") is Verdict.FAIL


def test_sr_38_dosing_into_flow_is_no_trigger() -> None:
    assert Story(300).produce(10, 200, unit=1).verdict("SR-38") is Verdict.NOT_EXERCISED


def bank_started(ready_s: float, stroke_s: float = 10.0) -> Story:
    """The booster starts at 6 s; a unit's feed opens at 40 s and its pump starts later."""
    story = Story(300).during(0, ready_s, "header_ma", 1.5).during(0, 300, "dosing_pulse", False)
    return story.during(stroke_s, stroke_s + 0.5, "dosing_pulse", True).produce(39, 290, unit=1)


@pytest.mark.parametrize(("ready_s", "verdict"), [(30.6, Verdict.PASS), (30.8, Verdict.FAIL)])
def test_sr_39_feed_waits_for_the_header(ready_s: float, verdict: Verdict) -> None:
    """10 s less half a second and one scan before 40 s."""
    assert bank_started(ready_s).verdict("SR-39") is verdict


@pytest.mark.parametrize(("stroke_s", "verdict"), [(40.0, Verdict.PASS), (40.2, Verdict.FAIL)])
def test_sr_39_a_start_waits_for_a_stroke(stroke_s: float, verdict: Verdict) -> None:
    assert bank_started(20, stroke_s).verdict("SR-39") is verdict


def test_sr_39_a_mere_flush_needs_no_stroke() -> None:
    story = Story(200).during(0, 200, "dosing_pulse", False).flush(30, 75, unit=1)

    assert story.verdict("SR-39") is Verdict.PASS


def test_sr_39_follows_its_setpoints() -> None:
    assert bank_started(29).verdict("SR-39", Setpoints(header_ready_s=20)) is Verdict.FAIL
    assert bank_started(29).verdict("SR-39", Setpoints(header_ready_bar=1.2)) is Verdict.PASS
    assert bank_started(35).verdict("SR-39", Setpoints(header_ready_bar=1.2)) is Verdict.PASS


def test_sr_40_the_booster_stops_too() -> None:
    story = Story(300).produce(10, 290, unit=1).set(200, "source_wet", False).cut(200, 1)

    assert story.verdict("SR-40") is Verdict.FAIL
    assert story.set(201, "booster_run", False).verdict("SR-40") is Verdict.PASS


@pytest.mark.parametrize(
    ("apart_s", "verdict"), [(0.8, Verdict.PASS), (0.7, Verdict.FAIL), (0.0, Verdict.FAIL)]
)
def test_sr_52_feed_valves_close_one_after_another(apart_s: float, verdict: Verdict) -> None:
    story = Story(300).during(100, 200, "feed_valve", True, 1)

    assert story.during(100, 200 + apart_s, "feed_valve", True, 2).verdict("SR-52") is verdict


@pytest.mark.parametrize("name", ["estop_healthy", "floor_dry"])
def test_sr_52_all_may_close_at_once_when_all_is_cut(name: str) -> None:
    story = Story(300).during(100, 200, "feed_valve", True, 1).during(100, 200, "feed_valve", True, 2)

    assert story.set(199.8, name, False).verdict("SR-52") is Verdict.NOT_EXERCISED


def closing(*at_s: float) -> Story:
    """The feed valves of the units 1, 2, ... are open from 100 s until these times."""
    story = Story(300, n_units=len(at_s))
    for unit, shut_s in enumerate(at_s, start=1):
        story.during(100, shut_s, "feed_valve", True, unit)
    return story


@pytest.mark.parametrize(
    ("shut_s", "verdict"),
    [
        ((202, 203, 204, 205, 205, 205), Verdict.PASS),
        ((202, 203, 204, 204.1, 204.1, 204.1), Verdict.FAIL),
        ((202, 203, 203.1), Verdict.FAIL),
        ((202, 203, 204, 204.7), Verdict.FAIL),
        ((202.1, 203.1, 204.1, 204.7), Verdict.PASS),
        ((204.1, 204.1), Verdict.NOT_EXERCISED),
        ((204.0, 204.0), Verdict.FAIL),
    ],
    ids=str,
)
def test_sr_52_selectors_off_together_close_together_only_as_far_as_5_s_force_it(
    shut_s: tuple[float, ...], verdict: Verdict
) -> None:
    """All selectors OFF at 200 s: who could have waited a whole second until 205 s must have waited."""
    story = closing(*shut_s)
    for unit in range(1, len(shut_s) + 1):
        story.set(200, "selector_auto", False, unit)

    assert story.verdict("SR-52") is verdict


def test_sr_52_a_selector_off_excuses_no_other_unit() -> None:
    """Unit 1 had to close at 205 s; unit 2 could have waited."""
    story = closing(205, 205.3).set(200, "selector_auto", False, 1)

    assert story.verdict("SR-52") is Verdict.FAIL
    assert closing(204.6, 205).set(200, "selector_auto", False, 2).verdict("SR-52") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(("open_s", "verdict"), [(239.1, Verdict.NOT_EXERCISED), (239.0, Verdict.FAIL)])
def test_sr_52_flushes_close_together_only_as_far_as_their_longest_time_forces_it(
    open_s: float, verdict: Verdict
) -> None:
    """Two flushes of one beginning; 240 s is the longest, the valves close together."""
    story = Story(400)
    for unit in (1, 2):
        story.during(100, 100 + open_s, "feed_valve", True, unit)
        story.during(100, 100 + open_s, "flush_valve", True, unit)

    assert story.verdict("SR-52") is verdict


@pytest.mark.parametrize(
    ("shut_s", "verdict"),
    [(201.1, Verdict.NOT_EXERCISED), (201.0, Verdict.FAIL)],
)
def test_sr_52_an_image_that_grew_too_old_cuts_its_unit(shut_s: float, verdict: Verdict) -> None:
    assert closing(shut_s, shut_s).freeze(200, 260, unit=1).verdict("SR-52") is verdict


@pytest.mark.parametrize(
    ("shut_s", "verdict"),
    [
        (202.0, Verdict.NOT_EXERCISED),
        (202.6, Verdict.NOT_EXERCISED),
        (201.0, Verdict.FAIL),
        (203.0, Verdict.FAIL),
    ],
)
def test_sr_52_a_contactor_believed_welded_cuts_its_unit_when_its_time_is_over(
    shut_s: float, verdict: Verdict
) -> None:
    assert closing(shut_s, shut_s).set(200, "pump_running", True, 1).verdict("SR-52") is verdict


@pytest.mark.parametrize(
    ("shut_s", "verdict"),
    [(202.5, Verdict.NOT_EXERCISED), (201.0, Verdict.FAIL), (203.0, Verdict.FAIL)],
)
def test_sr_52_a_halted_program_is_cut(shut_s: float, verdict: Verdict) -> None:
    assert closing(shut_s, shut_s).set(200, "watchdog", 0).verdict("SR-52") is verdict


def test_sr_52_a_cut_between_two_closures_does_not_part_them() -> None:
    """Unit 2 is isolated between the closures of 1 and 3, which are too near to each other."""
    story = closing(200, 200.3, 200.5).set(200.2, "isolator_on", False, 2)

    assert story.verdict("SR-52") is Verdict.FAIL


def around_a_forced_one(before_s: float, after_s: float) -> Story:
    """Unit 1 has been OFF since 200 s and must close at 205 s, because unit 3 closed just before."""
    return closing(205, after_s, before_s).set(200, "selector_auto", False, 1)


@pytest.mark.parametrize(("after_s", "verdict"), [(205.8, Verdict.PASS), (205.7, Verdict.FAIL)])
def test_sr_52_who_has_no_deadline_waits_for_the_gap_after_a_forced_closure(
    after_s: float, verdict: Verdict
) -> None:
    assert around_a_forced_one(204.6, after_s).verdict("SR-52") is verdict


@pytest.mark.parametrize(("before_s", "verdict"), [(204.2, Verdict.PASS), (204.3, Verdict.FAIL)])
def test_sr_52_a_forced_closure_in_the_same_scan_hides_no_closure_a_little_before(
    before_s: float, verdict: Verdict
) -> None:
    assert around_a_forced_one(before_s, 205).verdict("SR-52") is verdict


def test_sr_52_follows_its_setpoint() -> None:
    story = Story(300).during(100, 200, "feed_valve", True, 1).during(100, 202, "feed_valve", True, 2)

    assert story.verdict("SR-52", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-52", Setpoints(feed_close_gap_s=3)) is Verdict.FAIL


@pytest.mark.parametrize(
    ("for_s", "verdict"), [(0.0, Verdict.PASS), (5.1, Verdict.PASS), (5.2, Verdict.FAIL)]
)
def test_sr_53_the_booster_stops_after_the_last_feed(for_s: float, verdict: Verdict) -> None:
    story = Story(300).produce(10, 200, unit=1).set(202 + for_s, "booster_run", False)

    assert story.verdict("SR-53") is verdict


def booster_blinks(after_s: float) -> Story:
    """The last feed valve closes at 202 s; the booster is off for one scan and then runs on for a while."""
    story = Story(300).produce(10, 200, unit=1).set(280, "booster_run", False)
    return story.during(202 + after_s, 202.1 + after_s, "booster_run", False)


@pytest.mark.parametrize(("after_s", "verdict"), [(5.1, Verdict.PASS), (5.2, Verdict.FAIL)])
def test_sr_53_a_booster_that_starts_again_at_once_had_stopped(after_s: float, verdict: Verdict) -> None:
    assert booster_blinks(after_s).verdict("SR-53") is verdict


def booster_started(for_s: float) -> Story:
    """The booster starts at 20 s and stops so much later; no feed valve opens."""
    return Story(200).set(0, "booster_run", False).during(20, 20 + for_s, "booster_run", True)


@pytest.mark.parametrize(("for_s", "verdict"), [(120.1, Verdict.PASS), (120.2, Verdict.FAIL)])
def test_sr_53_a_booster_that_nobody_draws_from_stops_when_a_start_has_had_its_time(
    for_s: float, verdict: Verdict
) -> None:
    assert booster_started(for_s).verdict("SR-53") is verdict


def test_sr_53_a_booster_that_still_runs_against_shut_valves_at_the_end_fails() -> None:
    assert booster_started(180).verdict("SR-53") is Verdict.FAIL


def test_sr_53_the_time_of_a_start_ends_with_the_first_feed_valve() -> None:
    story = booster_started(180).during(100, 200, "feed_valve", True, 1)

    assert story.verdict("SR-53") is Verdict.PASS


def test_sr_53_the_time_of_a_start_follows_its_setpoints() -> None:
    for shorter in (
        {"header_rise_max_s": 59},
        {"header_ready_s": 9},
        {"dosing_proof_s": 9},
        {"io_back_s": 29},
    ):
        assert booster_started(120).verdict("SR-53", Setpoints(**shorter)) is Verdict.FAIL


def ramped(bar_s: float, drive_hz_s: float = 1.0, from_hz: float = 25.0) -> Story:
    """The booster is told 1 Hz/s more from 10 s on; the header rises in steps of a scan."""
    story = Story(60).during(0, 10, "booster_speed_cmd_ma", 25.0).during(0, 10, "header_bar", 1.0)
    story.during(0, 10, "booster_hz", from_hz)
    for step in range(100):
        at_s = 10 + step / 10
        story.during(at_s, at_s + 0.1, "booster_speed_cmd_ma", 25.0 + step / 10)
        story.during(at_s, at_s + 0.1, "booster_hz", from_hz + drive_hz_s * step / 10)
        story.during(at_s, at_s + 0.1, "header_bar", 1.0 + bar_s * step / 10)
    story.set(20, "booster_speed_cmd_ma", 35.0).set(20, "booster_hz", from_hz + 10 * drive_hz_s)
    return story.set(20, "header_bar", 1.0 + 10 * bar_s)


@pytest.mark.parametrize(("bar_s", "verdict"), [(0.239, Verdict.PASS), (0.241, Verdict.FAIL)])
def test_sr_53_the_header_rises_gently(bar_s: float, verdict: Verdict) -> None:
    assert ramped(bar_s).verdict("SR-53") is verdict


@pytest.mark.parametrize(("drive_hz_s", "verdict"), [(1.4, Verdict.FAIL), (3.0, Verdict.PASS)])
def test_sr_53_a_drive_that_gains_more_speed_than_it_was_told_hunts(
    drive_hz_s: float, verdict: Verdict
) -> None:
    """The bound is 1 Hz more than told in the 2 s over which the slope is taken."""
    assert ramped(0.4, drive_hz_s).verdict("SR-53") is verdict


def test_sr_53_below_the_least_speed_a_drive_runs_up_in_its_own_time() -> None:
    assert ramped(0.4, from_hz=10.0).verdict("SR-53") is Verdict.NOT_EXERCISED


def told_at_once(bar_s: float) -> Story:
    """The booster is told 45 Hz when it starts at 6 s; its drive takes 1 Hz in 0.1 s, 25 Hz until 8.5 s."""
    story = Story(60).during(0, 6, "header_bar", 0.0)
    for step in range(45):
        at_s = 6 + step / 10
        risen_bar = 0.5 * min(step, 25) / 10 + bar_s * max(step - 25, 0) / 10
        story.during(at_s, at_s + 0.1, "booster_hz", float(step))
        story.during(at_s, at_s + 0.1, "header_bar", risen_bar)
    return story.set(10.5, "booster_hz", 45.0).set(10.5, "header_bar", 1.25 + 2 * bar_s)


@pytest.mark.parametrize(("bar_s", "verdict"), [(0.239, Verdict.PASS), (0.241, Verdict.FAIL)])
def test_sr_53_a_reference_told_at_once_counts_from_the_least_speed_on(
    bar_s: float, verdict: Verdict
) -> None:
    assert told_at_once(bar_s).verdict("SR-53") is verdict


def test_sr_53_a_drive_that_has_arrived_and_hunts_is_not_running_up() -> None:
    story = told_at_once(0.2)
    for step in range(40):
        at_s = 30 + step / 10
        story.during(at_s, at_s + 0.1, "booster_hz", 40.0)
        story.during(at_s, at_s + 0.1, "header_bar", 2.0 + 0.03 * step)

    assert story.verdict("SR-53") is Verdict.PASS


def test_sr_53_follows_its_setpoint() -> None:
    assert ramped(0.2).verdict("SR-53", Setpoints(header_ramp_bar_s=0.1)) is Verdict.FAIL


def test_sr_53_a_header_at_steady_speed_is_no_trigger() -> None:
    assert Story(60).verdict("SR-53") is Verdict.NOT_EXERCISED
