"""SR-20 to 25: bad water, blanking, and loops near the ends of their range."""

from __future__ import annotations

import pytest
from hand_traces import DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.verdicts import Verdict

PUMP_S = 136.0
BLANKED_UNTIL_S = 256.0
BAD_US, VERY_BAD_US = 500.0, 700.0  # 250 and 350 mg/L


def bad_water(at_s: float = 300.0, us_cm: float = BAD_US, seconds: float = 440.0) -> Story:
    """Unit 1 produces from 136 s; its water is bad from ``at_s`` on; the alarm shows 30 s later."""
    story = Story(seconds).produce(10, seconds + 10, unit=1)
    return story.set(at_s, "permeate_cond_ma", us_cm, 1).set(at_s + 30, "beacon", True, 1)


@pytest.mark.parametrize(
    ("after_s", "verdict"), [(30.0, Verdict.PASS), (35.0, Verdict.PASS), (35.2, Verdict.FAIL)]
)
def test_sr_20_a_quality_flush_follows_the_alarm(after_s: float, verdict: Verdict) -> None:
    assert bad_water().purge(300 + after_s, 1, for_s=60).verdict("SR-20") is verdict


def test_sr_20_bad_water_without_an_answer_fails() -> None:
    assert bad_water().verdict("SR-20") is Verdict.FAIL


def test_sr_20_an_answer_without_an_alarm_fails() -> None:
    story = bad_water().purge(332, 1, for_s=60).set(0, "beacon", False, 1)

    finding = story.judge("SR-20")

    assert (finding.verdict, finding.detail) == (Verdict.FAIL, "no alarm shown")


@pytest.mark.parametrize(("after_s", "verdict"), [(4.9, Verdict.PASS), (5.3, Verdict.FAIL)])
def test_sr_20_the_flush_waits_for_a_slot_and_no_longer(after_s: float, verdict: Verdict) -> None:
    """The other unit holds the slot until 400 s."""
    story = bad_water().during(290, 400, "flush_valve", True, 2).purge(400 + after_s, 1, for_s=60)

    assert story.verdict("SR-20") is verdict


@pytest.mark.parametrize(("after_s", "verdict"), [(4.9, Verdict.PASS), (5.3, Verdict.FAIL)])
def test_sr_20_a_unit_that_has_flushed_holds_its_slot_until_its_pump_runs(
    after_s: float, verdict: Verdict
) -> None:
    """The other unit flushes until 400 s, settles, and its pump runs from 406 s on."""
    story = bad_water().during(290, 400, "flush_valve", True, 2).during(289, 700, "feed_valve", True, 2)
    story = story.during(406, 700, "pump", True, 2).purge(406 + after_s, 1, for_s=60)

    assert story.verdict("SR-20") is verdict


@pytest.mark.parametrize(("after_s", "verdict"), [(65.0, Verdict.PASS), (65.2, Verdict.FAIL)])
def test_sr_20_very_bad_water_stops_the_unit(after_s: float, verdict: Verdict) -> None:
    assert bad_water(us_cm=VERY_BAD_US).cut(300 + after_s, 1).verdict("SR-20") is verdict


def test_sr_20_the_stop_for_very_bad_water_needs_a_reset() -> None:
    story = bad_water(us_cm=VERY_BAD_US, seconds=800).cut(362, 1).set(362, "permeate_cond_ma", 200.0, 1)
    story.produce(500, 900, unit=1)

    assert story.verdict("SR-20") is Verdict.FAIL
    assert story.press_reset(480).verdict("SR-20") is Verdict.PASS


def test_sr_20_the_stop_flush_after_the_lockout_needs_no_reset() -> None:
    story = bad_water(us_cm=VERY_BAD_US, seconds=800).cut(362, 1).flush(366, 75, unit=1)

    assert story.verdict("SR-20") is Verdict.PASS
    assert story.flush(500, 75, unit=1).verdict("SR-20") is Verdict.FAIL


def test_sr_20_bad_water_shorter_than_its_time_asks_for_nothing() -> None:
    story = bad_water().set(325, "permeate_cond_ma", 200.0, 1)

    assert story.verdict("SR-20") is Verdict.NOT_EXERCISED


def test_sr_20_bad_water_while_blanked_is_not_judged() -> None:
    story = bad_water(at_s=140).set(BLANKED_UNTIL_S + 20, "permeate_cond_ma", 200.0, 1)

    assert story.verdict("SR-20") is Verdict.NOT_EXERCISED


def test_sr_20_follows_its_setpoints() -> None:
    story = bad_water().purge(334, 1, for_s=60)

    assert story.verdict("SR-20", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-20", Setpoints(tds_alarm_s=20)) is Verdict.FAIL
    assert story.verdict("SR-20", Setpoints(tds_alarm_mgl=260)) is Verdict.NOT_EXERCISED
    assert story.verdict("SR-20", Setpoints(tds_per_us=0.7)) is not Verdict.PASS  # now above the lockout


@pytest.mark.parametrize(("stop_s", "verdict"), [(200.0, Verdict.FAIL), (255.9, Verdict.FAIL)])
def test_sr_21_bad_water_stops_nothing_while_blanked(stop_s: float, verdict: Verdict) -> None:
    assert bad_water(at_s=140).cut(stop_s, 1).verdict("SR-21") is verdict


def test_sr_21_a_stop_in_the_very_scan_of_the_reading_fails_too() -> None:
    assert bad_water(at_s=200).cut(200, 1).verdict("SR-21") is Verdict.FAIL


def test_sr_21_a_unit_that_runs_through_the_blanking_passes() -> None:
    """It stops in the first scan that is judged."""
    assert bad_water(at_s=140).cut(BLANKED_UNTIL_S + 0.1, 1).verdict("SR-21") is Verdict.PASS


@pytest.mark.parametrize(("stop_s", "verdict"), [(449.8, Verdict.FAIL), (450.1, Verdict.PASS)])
def test_sr_21_a_purge_blanks_for_a_while(stop_s: float, verdict: Verdict) -> None:
    """The purge ends at 420 s; the water is bad from 421 s on."""
    story = bad_water(at_s=421, seconds=600).purge(400, 1).cut(stop_s, 1)

    assert story.verdict("SR-21") is verdict


@pytest.mark.parametrize("name", ["permeate_ok", "selector_auto"])
def test_sr_21_a_stop_with_another_cause_is_not_the_waters(name: str) -> None:
    story = bad_water(at_s=140).cut(200, 1).set(199.9, name, False, 1)

    assert story.verdict("SR-21") is Verdict.NOT_EXERCISED


def test_sr_21_a_booster_that_does_not_show_that_it_runs_stops_the_unit_for_that() -> None:
    """In the very scan in which its contact opens; the booster is let go in the same one."""
    story = bad_water(at_s=140).cut(200, 1).set(200, "booster_run", False)
    assert story.verdict("SR-21") is Verdict.FAIL

    assert story.set(200, "booster_running", False).verdict("SR-21") is Verdict.NOT_EXERCISED


def test_sr_21_strokes_of_a_faulty_dosing_pump_keep_no_unit_running() -> None:
    story = bad_water(at_s=140).cut(200, 1)
    for second in range(60, 500, 2):
        story.during(second, second + 0.3, "dosing_pulse", True)
    assert story.verdict("SR-21") is Verdict.FAIL

    assert story.set(138, "dosing_healthy", False).verdict("SR-21") is Verdict.NOT_EXERCISED


def test_sr_21_a_pump_that_makes_no_pressure_stops_for_that() -> None:
    story = bad_water(at_s=140).cut(151, 1).set(PUMP_S, "membrane_ma", 4.0, 1)

    assert story.verdict("SR-21") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(
    ("back_s", "broken_s", "verdict"),
    [(148.0, 20.0, Verdict.NOT_EXERCISED), (138.0, 20.0, Verdict.FAIL), (148.0, 1.5, Verdict.FAIL)],
)
def test_sr_21_a_pressure_loop_that_was_broken_until_just_now_proves_no_start(
    back_s: float, broken_s: float, verdict: Verdict
) -> None:
    """The unit stops 15 s after its pump start. 13 s of good pressure would have proven it, 3 s do not."""
    story = bad_water(at_s=140).cut(151, 1).during(back_s - broken_s, back_s, "membrane_ma", -6.25, 1)

    assert story.verdict("SR-21") is verdict


def test_sr_21_a_flush_valve_that_stays_open_stops_the_unit_for_that() -> None:
    story = bad_water(at_s=421, seconds=600).purge(400, 1).cut(425.1, 1).set(420, "membrane_ma", 5.5, 1)

    assert story.verdict("SR-21") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(("for_s", "verdict"), [(2.5, Verdict.NOT_EXERCISED), (0.9, Verdict.FAIL)])
def test_sr_21_a_unit_whose_image_is_lost_on_the_line_stops_for_that(for_s: float, verdict: Verdict) -> None:
    """Without a mark of the bench. An image that was late, and not lost, explains nothing."""
    story = bad_water(at_s=140).cut(200, 1).freeze(200 - for_s, 200.1, unit=1)

    assert story.verdict("SR-21") is verdict


def test_sr_21_the_lost_image_of_another_unit_explains_nothing() -> None:
    assert bad_water(at_s=140).cut(200, 1).freeze(197.5, 230, unit=2).verdict("SR-21") is Verdict.FAIL


def test_sr_21_good_water_is_no_trigger() -> None:
    assert Story(400).produce(10, 390, unit=1).verdict("SR-21") is Verdict.NOT_EXERCISED


def test_sr_21_follows_its_setpoints() -> None:
    story = bad_water(at_s=140).cut(BLANKED_UNTIL_S + 0.1, 1)

    assert story.verdict("SR-21", Setpoints(tds_blank_start_s=180)) is Verdict.FAIL


@pytest.mark.parametrize(("after_s", "verdict"), [(155.6, Verdict.PASS), (155.7, Verdict.FAIL)])
def test_sr_22_bad_water_is_not_run_on_beyond_blanking_and_alarm(after_s: float, verdict: Verdict) -> None:
    """120 s and 35 s, half a second and one scan."""
    assert bad_water(at_s=PUMP_S).cut(PUMP_S + after_s, 1).verdict("SR-22") is verdict


def test_sr_22_purging_more_often_hides_nothing() -> None:
    """A purge every 50 s blanks for good, unless its blanking ends by time."""
    story = bad_water(at_s=PUMP_S, seconds=1500)
    for start_s in range(260, 1450, 50):
        story.purge(start_s, 1, for_s=19)
    story.set(700, "membrane_ma", 12.5, 1)
    story.during(700, 1500, "flush_valve", False, 1)

    assert story.verdict("SR-22") is Verdict.FAIL


@pytest.mark.parametrize(("after_s", "verdict"), [(182.6, Verdict.PASS), (182.7, Verdict.FAIL)])
def test_sr_22_counts_what_is_left_of_a_flush_and_the_time_of_the_lockout(
    after_s: float, verdict: Verdict
) -> None:
    """Very bad 3 s into a flush of 60 s: 57 s and 30 s blanked, 60 s and 5 s judged, 30 s of a start."""
    story = bad_water(at_s=403, us_cm=VERY_BAD_US, seconds=900).purge(400, 1, for_s=60)

    assert story.cut(403 + after_s, 1).verdict("SR-22", Setpoints(tds_blank_start_s=30)) is verdict


@pytest.mark.parametrize(("third_s", "verdict"), [(3930.0, Verdict.PASS), (3900.0, Verdict.FAIL)])
def test_sr_22_a_third_quality_flush_does_not_come_within_the_hour(third_s: float, verdict: Verdict) -> None:
    """The first begins at 400 s; an hour less 2 % later is 3928 s."""
    story = Story(4200).produce(10, 4300, unit=1)
    for start_s in (400.0, 600.0, third_s):
        story.purge(start_s, 1, for_s=60)

    assert story.verdict("SR-22") is verdict


def test_sr_22_follows_the_budget() -> None:
    story = Story(4200).produce(10, 4300, unit=1)
    for start_s in (400, 600, 800):
        story.purge(start_s, 1, for_s=60)

    assert story.verdict("SR-22", Setpoints(quality_flush_budget=3)) is Verdict.NOT_EXERCISED
    assert story.verdict("SR-22", DEFAULTS) is Verdict.FAIL


def off_spec(for_s: float, flow_m3h: float = 1.4, shown: bool = True) -> Story:
    """The water of a start is bad from the pump start on for a while, and no alarm comes."""
    story = Story(500).produce(10, 490, unit=1).set(PUMP_S, "permeate_m3h", flow_m3h, 1)
    if shown:
        story.during(PUMP_S, PUMP_S + for_s, "permeate_cond_ma", BAD_US, 1)
    return story.during(PUMP_S, PUMP_S + for_s, "permeate_tds_mgl", 260.0, 1)


@pytest.mark.parametrize(("for_s", "verdict"), [(158.0, Verdict.PASS), (158.2, Verdict.FAIL)])
def test_sr_23_a_start_sends_no_more_off_spec_water_than_blanking_and_alarm_allow(
    for_s: float, verdict: Verdict
) -> None:
    """1.4 m3/h for 120 + 30 + 5 s and 2 %, which is 3.1 s of flow."""
    assert off_spec(for_s).verdict("SR-23") is verdict


@pytest.mark.parametrize("signal", ["beacon", "flush_valve"])
def test_sr_23_an_alarm_or_a_flush_ends_the_count(signal: str) -> None:
    assert off_spec(200).during(PUMP_S + 150, 480, signal, True, 1).verdict("SR-23") is Verdict.PASS


def test_sr_23_the_end_of_the_pump_ends_the_count() -> None:
    assert off_spec(200).cut(PUMP_S + 150, 1).verdict("SR-23") is Verdict.PASS


def test_sr_23_what_flows_beyond_the_design_is_not_the_sequences_doing() -> None:
    assert off_spec(150, flow_m3h=2.4).verdict("SR-23") is Verdict.PASS
    assert off_spec(160, flow_m3h=2.4).verdict("SR-23") is Verdict.FAIL


def test_sr_23_water_that_the_instrument_calls_good_does_not_count() -> None:
    assert off_spec(200, shown=False).verdict("SR-23") is Verdict.NOT_EXERCISED


def test_sr_23_follows_its_setpoints() -> None:
    assert off_spec(150).verdict("SR-23", Setpoints(tds_blank_start_s=90)) is Verdict.FAIL
    assert off_spec(150).verdict("SR-23", Setpoints(tds_blank_start_s=120)) is Verdict.PASS


def test_sr_23_good_water_is_no_trigger() -> None:
    assert off_spec(0).verdict("SR-23") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(
    ("divert_s", "good_from_s", "verdict"),
    [
        (117.6, 0, Verdict.PASS),
        (117.4, 0, Verdict.FAIL),
        (150, 140.6, Verdict.PASS),
        (150, 140.7, Verdict.FAIL),
    ],
)
def test_sr_23_a_diverter_waits_for_blanking_and_for_good_water(
    divert_s: float, good_from_s: float, verdict: Verdict
) -> None:
    """10 s of good water, less half a second and one scan."""
    story = Story(400).produce(10, 390, unit=1).during(PUMP_S + divert_s, 390, "divert", True, 1)
    story.during(0, PUMP_S + good_from_s, "permeate_cond_ma", 345.0, 1)

    assert story.verdict("SR-23") is verdict


def test_sr_23_a_diverter_left_open_with_the_pump_off_fails() -> None:
    story = Story(400).produce(10, 300, unit=1).during(PUMP_S + 130, 350, "divert", True, 1)

    assert story.verdict("SR-23") is Verdict.FAIL


@pytest.mark.parametrize("current_ma", [3.7, 20.8])
def test_sr_25_an_uncertain_loop_stops_no_pump(current_ma: float) -> None:
    story = Story(400).produce(10, 390, unit=1)
    story.during(200, 300, "permeate_flow_ma", current_ma, 1, raw=True)

    assert story.verdict("SR-25") is Verdict.PASS
    assert story.cut(202.5, 1).verdict("SR-25") is Verdict.FAIL


def test_sr_25_a_stop_in_the_very_scan_fails_too() -> None:
    story = Story(400).produce(10, 390, unit=1).cut(200, 1)
    story.during(200, 300, "permeate_flow_ma", 3.7, 1, raw=True)

    assert story.verdict("SR-25") is Verdict.FAIL


def test_sr_25_a_stop_for_one_scan_fails_too() -> None:
    story = Story(400).produce(10, 390, unit=1).during(202, 202.1, "pump", False, 1)
    story.during(200, 300, "permeate_flow_ma", 3.7, 1, raw=True)

    assert story.verdict("SR-25") is Verdict.FAIL


def test_sr_25_a_loop_whose_value_is_a_cause_may_stop_the_pump() -> None:
    """3.7 mA of suction is less than no pressure."""
    story = Story(400).produce(10, 390, unit=1).cut(201.2, 1)
    story.during(200, 300, "suction_ma", 3.7, 1, raw=True)

    assert story.verdict("SR-25") is Verdict.NOT_EXERCISED


def test_sr_25_a_loop_inside_its_range_is_no_trigger() -> None:
    story = Story(400).produce(10, 390, unit=1).cut(210, 1)
    story.during(200, 300, "permeate_flow_ma", 3.9, 1, raw=True)

    assert story.verdict("SR-25") is Verdict.NOT_EXERCISED
