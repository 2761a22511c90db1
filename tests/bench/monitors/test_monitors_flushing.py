"""SR-02, 03, 17, 18, 19: flushes with the pump off, and the slots."""

from __future__ import annotations

import pytest
from hand_traces import AT_DESK, DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.monitors import Context
from sim_plant.bench.verdicts import Verdict


@pytest.mark.parametrize(
    ("flushed_s", "settled_s", "verdict"),
    [
        (117.6, 5.0, Verdict.PASS),  # 120 s less 2 % and one scan is 117.5 s
        (117.4, 5.0, Verdict.FAIL),
        (120.0, 4.5, Verdict.PASS),  # 5 s less 0.5 s and one scan is 4.4 s
        (120.0, 4.3, Verdict.FAIL),
    ],
)
def test_sr_02_a_start_is_flushed_and_settled(flushed_s: float, settled_s: float, verdict: Verdict) -> None:
    story = Story(300).produce(10, 200, unit=1, flushed_s=flushed_s, settled_s=settled_s)

    assert story.verdict("SR-02") is verdict


def test_sr_02_a_pump_started_without_any_flush_fails() -> None:
    story = Story(300).during(100, 200, "feed_valve", True, 1).during(110, 190, "pump", True, 1)

    assert story.verdict("SR-02") is Verdict.FAIL


def test_sr_02_two_part_flushes_are_not_one_whole() -> None:
    story = Story(300).produce(10, 200, unit=1).during(70, 70.1, "feed_valve", False, 1)

    assert story.verdict("SR-02") is Verdict.FAIL


def test_sr_02_the_flush_of_the_run_before_does_not_count() -> None:
    story = Story(500).produce(10, 200, unit=1)
    story.during(300, 400, "feed_valve", True, 1).during(310, 390, "pump", True, 1)

    assert story.verdict("SR-02") is Verdict.FAIL


def test_sr_02_the_flush_before_a_power_loss_does_not_count() -> None:
    story = Story(400).produce(10, 300, unit=1).during(133, 300, "pump", False, 1)
    story.lose_power(133, 133.1).during(150, 200, "feed_valve", True, 1).during(160, 200, "pump", True, 1)

    assert story.verdict("SR-02") is Verdict.FAIL


def test_sr_02_follows_its_setpoints() -> None:
    story = Story(400).produce(10, 200, unit=1)

    assert story.verdict("SR-02", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-02", Setpoints(start_flush_s=130)) is Verdict.FAIL
    assert story.verdict("SR-02", Setpoints(settle_s=6)) is Verdict.FAIL


def cut_flush(then_flushed_s: float) -> Story:
    """A start flush is cut after 40 s; the next start flushes for the given time."""
    return Story(500).flush(10, 40, unit=1).produce(200, 400, unit=1, flushed_s=then_flushed_s)


@pytest.mark.parametrize(("then_s", "verdict"), [(117.6, Verdict.PASS), (117.4, Verdict.FAIL)])
def test_sr_03_a_cut_flush_is_done_again_from_zero(then_s: float, verdict: Verdict) -> None:
    assert cut_flush(then_s).verdict("SR-03") is verdict


def test_sr_03_the_rest_of_a_cut_flush_is_not_enough() -> None:
    assert cut_flush(80).verdict("SR-03") is Verdict.FAIL


def test_sr_03_a_flush_cut_late_counts_when_something_cut_it() -> None:
    story = Story(500).flush(10, 110, unit=1).command(120.5, "stop", 1)
    story.produce(200, 400, unit=1, flushed_s=10)

    assert story.verdict("SR-03") is Verdict.FAIL


def test_sr_03_whole_flushes_are_no_trigger() -> None:
    story = Story(500).flush(10, 75, unit=1).produce(200, 400, unit=1)

    assert story.verdict("SR-03") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(
    ("overlap_s", "verdict"), [(0.0, Verdict.PASS), (0.1, Verdict.PASS), (0.2, Verdict.FAIL)]
)
def test_sr_17_one_slot_is_held_by_one_unit_at_a_time(overlap_s: float, verdict: Verdict) -> None:
    """The closing tail of unit 1 ends at 100 s."""
    story = Story(300, n_units=3).during(10, 100, "flush_valve", True, 1)
    story.during(100 - overlap_s, 200, "flush_valve", True, 2)

    assert story.verdict("SR-17") is verdict


def test_sr_17_follows_the_number_of_slots() -> None:
    story = Story(300, n_units=3).during(10, 100, "flush_valve", True, 1)
    story.during(50, 90, "flush_valve", True, 2)

    assert story.verdict("SR-17", context=Context(flush_slots=2)) is Verdict.PASS
    assert story.judge("SR-17", context=AT_DESK).margin == -1


@pytest.mark.parametrize(("open_s", "verdict"), [(243.5, Verdict.PASS), (243.7, Verdict.FAIL)])
def test_sr_18_a_flush_valve_closes_with_the_pump_off(open_s: float, verdict: Verdict) -> None:
    assert Story(400).during(10, 10 + open_s, "flush_valve", True, 1).verdict("SR-18") is verdict


@pytest.mark.parametrize(("open_s", "verdict"), [(65.0, Verdict.PASS), (65.2, Verdict.FAIL)])
def test_sr_18_a_flush_valve_closes_with_the_pump_on(open_s: float, verdict: Verdict) -> None:
    story = Story(400).produce(10, 390, unit=1).purge(200, 1, for_s=open_s)

    assert story.verdict("SR-18") is verdict


def test_sr_18_a_valve_that_never_closes_fails() -> None:
    assert Story(400).set(10, "flush_valve", True, 1).verdict("SR-18") is Verdict.FAIL


def test_sr_18_follows_its_setpoints() -> None:
    story = Story(400).during(10, 210, "flush_valve", True, 1)

    assert story.verdict("SR-18", Setpoints(start_flush_max_s=180)) is Verdict.FAIL


def stopped(seconds: float = 420.0) -> Story:
    """Unit 1 is told to stop at 200 s and stops its pump at once."""
    return Story(seconds).produce(10, 200, unit=1).command(200, "stop", 1)


@pytest.mark.parametrize(
    ("flush_at_s", "flush_s", "verdict"),
    [
        (203, 75, Verdict.PASS),
        (324, 75, Verdict.PASS),  # both valves open at 325.0 s
        (324.2, 75, Verdict.FAIL),
        (203, 73.4, Verdict.PASS),  # 75 s less 2 % and one scan
        (203, 73.3, Verdict.FAIL),
    ],
)
def test_sr_19_a_stop_flush_starts_in_time(flush_at_s: float, flush_s: float, verdict: Verdict) -> None:
    assert stopped().flush(flush_at_s, flush_s, unit=1).verdict("SR-19") is verdict


def test_sr_19_a_stop_without_a_flush_fails_when_a_slot_was_free() -> None:
    assert stopped().verdict("SR-19") is Verdict.FAIL


def stopped_beside_purges(seconds: float = 420.0) -> Story:
    """As ``stopped``, while unit 2 produces and purges 20 s every 100 s."""
    story = stopped(seconds).produce(10, seconds, unit=2)
    for at_s in range(190, int(seconds), 100):
        story.purge(at_s, unit=2)
    return story


def test_sr_19_a_stop_without_a_flush_fails_between_the_purges_of_others() -> None:
    assert stopped_beside_purges().verdict("SR-19") is Verdict.FAIL


def test_sr_19_a_start_flush_repays_no_stop_flush_that_could_have_been() -> None:
    story = stopped_beside_purges(700).produce(400, 650, unit=1)

    assert story.verdict("SR-19") is Verdict.FAIL


@pytest.mark.parametrize(("free_s", "verdict"), [(5.1, Verdict.NOT_EXERCISED), (5.2, Verdict.FAIL)])
def test_sr_19_a_slot_that_others_hand_on_at_once_was_never_free(free_s: float, verdict: Verdict) -> None:
    story = stopped(420).during(190, 260, "flush_valve", True, 2)

    assert story.during(260 + free_s, 400, "flush_valve", True, 2).verdict("SR-19") is verdict


def test_sr_19_a_start_of_another_unit_keeps_its_slot_until_its_pump_is_proven() -> None:
    """Unit 2 flushes from 190 s, waits for its pump from 311 s on; unit 3 flushes from 331 s."""
    story = Story(420, n_units=3).produce(10, 200, unit=1).command(200, "stop", 1)
    story.produce(190, 420, unit=2).during(331, 420, "flush_valve", True, 3)

    assert story.verdict("SR-19") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(("name", "value"), [("booster_run", False), ("header_ma", 1.9)])
def test_sr_19_a_slot_between_others_is_none_without_water(name: str, value: float | bool) -> None:
    story = stopped_beside_purges().during(202, 340, name, value)

    assert story.verdict("SR-19") is Verdict.NOT_EXERCISED


def test_sr_19_a_booster_that_stands_excuses_nobody_while_no_one_else_flushes() -> None:
    assert stopped().set(206, "booster_run", False).verdict("SR-19") is Verdict.FAIL


@pytest.mark.parametrize(("begun_s", "verdict"), [(1990, Verdict.PASS), (2040, Verdict.FAIL)])
def test_sr_19_a_unit_without_a_slot_repays_its_flush(begun_s: float, verdict: Verdict) -> None:
    """The other unit holds the slot until 330 s; 30 min after the stop is 2000 s, with 2 % 2036 s."""
    story = stopped(2300).during(190, 330, "flush_valve", True, 2).flush(begun_s, 75, unit=1)

    assert story.verdict("SR-19") is verdict


@pytest.mark.parametrize(("flushed_s", "verdict"), [(120, Verdict.PASS), (60, Verdict.FAIL)])
def test_sr_19_the_start_flush_of_the_next_start_repays_too(flushed_s: float, verdict: Verdict) -> None:
    story = stopped(700).during(190, 330, "flush_valve", True, 2)
    story.produce(400, 650, unit=1, flushed_s=flushed_s)

    assert story.verdict("SR-19") is verdict


def test_sr_19_a_flush_that_was_interrupted_is_still_owed() -> None:
    def interrupted(seconds: float) -> Story:
        return stopped(seconds).flush(203, 30, unit=1).command(230, "stop", 1)

    assert interrupted(900).verdict("SR-19") is Verdict.NOT_EXERCISED
    assert interrupted(2300).verdict("SR-19") is Verdict.FAIL
    assert interrupted(2300).flush(1500, 75, unit=1).verdict("SR-19") is Verdict.PASS


def cut_after_a_wait(shut_s: float, seconds: float = 420.0) -> Story:
    """As ``stopped``; unit 2 keeps the slot until 290 s, then unit 1 opens its shut feed valve at 294 s.

    Suction is low while the feed valve is shut and for 0.9 s after it opens. The flush ends at ``shut_s``.
    """
    story = stopped(seconds).during(190, 290, "flush_valve", True, 2).flush(293, shut_s - 294, unit=1)
    return story.during(202, 294.9, "suction_ma", 0.0, 1).during(202, 294.9, "suction_ok", False, 1)


def test_sr_19_a_flush_that_had_to_wait_is_judged_for_ending_short() -> None:
    assert cut_after_a_wait(334).verdict("SR-19") is Verdict.FAIL


@pytest.mark.parametrize(("low_until_s", "verdict"), [(304.0, Verdict.FAIL), (304.1, Verdict.NOT_EXERCISED)])
def test_sr_19_no_water_counts_when_the_feed_valve_has_been_open_for_its_blanking_time(
    low_until_s: float, verdict: Verdict
) -> None:
    """It opens at 294 s; the blanking takes 10 s."""
    story = cut_after_a_wait(334).during(294, low_until_s, "suction_ma", 0.0, 1)

    assert story.verdict("SR-19") is verdict


@pytest.mark.parametrize(
    ("name", "value"), [("suction_ma", 0.7), ("suction_ok", False)], ids=["transmitter", "switch"]
)
def test_sr_19_a_flush_that_ends_for_want_of_water_is_still_owed(name: str, value: float | bool) -> None:
    assert cut_after_a_wait(334).during(329, 340, name, value, 1).verdict("SR-19") is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(("cut_s", "verdict"), [(332.6, Verdict.NOT_EXERCISED), (332.7, Verdict.FAIL)])
def test_sr_19_a_broken_suction_loop_may_end_the_flush(cut_s: float, verdict: Verdict) -> None:
    """The flush ends at 334 s; a loop is called BAD after 2 s, less half a second and one scan."""
    story = cut_after_a_wait(334).during(cut_s, 340, "suction_ma", 0.0, 1, raw=True)

    assert story.verdict("SR-19") is verdict


@pytest.mark.parametrize(("seen_s", "verdict"), [(332.6, Verdict.NOT_EXERCISED), (332.7, Verdict.FAIL)])
def test_sr_19_a_welded_contactor_may_end_the_flush(seen_s: float, verdict: Verdict) -> None:
    """The flush ends at 334 s; run feedback may stay for 2 s, less half a second and one scan."""
    story = cut_after_a_wait(334).during(seen_s, 340, "pump_running", True, 1)

    assert story.verdict("SR-19") is verdict


@pytest.mark.parametrize(
    ("from_s", "to_s", "verdict"), [(320, 345, Verdict.NOT_EXERCISED), (336, 345, Verdict.FAIL)]
)
def test_sr_19_an_image_that_is_too_old_may_end_the_flush(
    from_s: float, to_s: float, verdict: Verdict
) -> None:
    """The flush ends at 334 s: an image lost on a line before it is a reason, one lost after it is none."""
    assert cut_after_a_wait(334).freeze(from_s, to_s, unit=1).verdict("SR-19") is verdict


def test_sr_19_a_full_tank_is_an_ordinary_stop() -> None:
    story = Story(420).produce(10, 200, unit=1).set(199.9, "tank_level_ma", 95.0)

    assert story.verdict("SR-19") is Verdict.FAIL
    assert story.flush(203, 75, unit=1).verdict("SR-19") is Verdict.PASS


def test_sr_19_the_bank_selector_is_an_ordinary_stop() -> None:
    story = Story(420).produce(10, 200, unit=1).set(199.9, "bank_run", False)

    assert story.verdict("SR-19") is Verdict.FAIL


@pytest.mark.parametrize(
    ("name", "value", "unit"),
    [("selector_auto", False, 1), ("discharge_ok", False, 1), ("estop_healthy", False, 0)],
)
def test_sr_19_a_trip_or_the_selector_owes_no_flush_at_once(name: str, value: bool, unit: int) -> None:
    assert stopped().set(199.9, name, value, unit).verdict("SR-19") is Verdict.NOT_EXERCISED


def test_sr_19_a_wait_still_open_at_the_end_of_the_record_is_not_counted() -> None:
    assert stopped(320).verdict("SR-19") is Verdict.NOT_EXERCISED


def test_sr_19_follows_its_setpoints() -> None:
    story = stopped(2300).flush(203, 75, unit=1)

    assert story.verdict("SR-19", DEFAULTS) is Verdict.PASS
    assert story.verdict("SR-19", Setpoints(stop_flush_s=90)) is Verdict.FAIL
