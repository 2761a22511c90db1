"""When a trigger is reached, when it cannot be told, when nothing is judged; slopes with their intervals."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from sim_plant.upkeep.advice import advise
from sim_plant.upkeep.findings import Findings, look_into
from sim_plant.upkeep.table import Done, DoseCheck, HandMeter
from sim_plant.upkeep.trend import Interval, change_pct, fit_line
from sim_plant.upkeep.triggers import LIMITS, Item, State, _state, judge_dates
from tests.upkeep.logs import TABLE, lines, steady, write

FLOW, SALT, LOSS = LIMITS


def look(folder: Path, rows: list[str], table: str = TABLE) -> Findings:
    log = write(folder, rows, table=table)
    return look_into(log, log.with_name("upkeep.toml"))


def item(found: Findings, key: str) -> Item:
    return next(one for one in found.items if one.key == key)


def worn(day: float, flow: float = 1.0, salt: float = 1.0, loss: float = 1.0, at: float = 20.0):
    """The unit changed from day ``at`` on."""
    late = day >= at
    return steady(
        water=0.2 * (flow if late else 1),
        salt=0.02 * (salt if late else 1),
        loss_bar=0.3 * (loss if late else 1),
    )


# --- states -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "state"),
    [
        (Interval(-16, -17, -15.0), State.REACHED),
        (Interval(-16, -18, -14.9), State.WARN),
        (Interval(-11, -12, -10.0), State.WARN),
        (Interval(-11, -13, -9.9), State.OPEN),
        (Interval(-9, -10.0, -8), State.OPEN),
        (Interval(-9, -9.9, -8), State.CLEAR),
        (Interval(20, 18, 22), State.CLEAR),
    ],
)
def test_a_fall_of_the_flow_counts_when_its_whole_interval_is_beyond(change, state):
    assert _state(FLOW, change) is state


@pytest.mark.parametrize(
    ("change", "state"),
    [
        (Interval(11, 10.0, 12), State.REACHED),
        (Interval(11, 9.9, 12), State.OPEN),
        (Interval(9, 8, 9.9), State.CLEAR),
        (Interval(-20, -21, -19), State.CLEAR),
    ],
)
def test_a_rise_of_the_salt_passage_counts_likewise(change, state):
    assert _state(SALT, change) is state


@pytest.mark.parametrize(
    ("wear", "key", "change", "state"),
    [
        ({"flow": 0.84}, "flow", -16.0, State.REACHED),
        ({"flow": 0.88}, "flow", -12.0, State.WARN),
        ({"flow": 0.91}, "flow", -9.0, State.CLEAR),
        ({"salt": 1.11}, "salt", 11.0, State.REACHED),
        ({"salt": 1.09}, "salt", 9.0, State.CLEAR),
        ({"loss": 1.16}, "loss", 16.0, State.REACHED),
        ({"loss": 1.14}, "loss", 14.0, State.CLEAR),
    ],
)
def test_a_step_of_wear_is_found_as_large_as_it_was(tmp_path, wear, key, change, state):
    found = item(look(tmp_path, lines(40, reading=lambda day: worn(day, **wear))), key)
    assert found.change.value == pytest.approx(change, abs=0.01)
    assert found.state is state


def test_a_flow_that_fell_alone_does_not_raise_the_normalised_salt_passage(tmp_path):
    found = look(tmp_path, lines(40, reading=lambda day: worn(day, flow=0.8)))
    assert item(found, "salt").change.value == pytest.approx(0.0, abs=1e-6)


def test_a_scatter_that_hides_the_trigger_cannot_be_told(tmp_path):
    noise = np.random.default_rng(1).normal(0.0, 0.06, 40)
    rows = lines(40, 2, lambda day: steady(water=0.2 * (0.91 if day > 20 else 1.0) * (1 + noise[int(day)])))
    found = look(tmp_path, rows)
    assert item(found, "flow").state is State.OPEN
    assert "cannot be told" in found.headline
    assert "the interval holds the trigger" in found.advice[0].seen


def test_a_loss_that_is_a_small_difference_of_two_pressures_proves_nothing(tmp_path):
    """0.3 bar becomes 0.36: 20 %, but half a percent of the feed pressure; 0.45 is more than one."""
    table = TABLE.replace("pressure_loss =", "concentrate_pressure =").replace('"loss"', '"pc"')
    for loss, state in ((1.2, State.OPEN), (1.5, State.REACHED)):
        rows = lines(40, reading=lambda day, loss=loss: worn(day, loss=loss))
        cells = [line.split(",") for line in rows]
        rows = [",".join([*c[:2], f"{float(c[1]) - float(c[2]):.6f}", *c[3:]]) for c in cells]
        log = write(tmp_path, rows, "time,pf,pc,pp,qp,qc,degc,cf,cp", table)
        found = look_into(log, log.with_name("upkeep.toml"))
        assert item(found, "loss").state is state
        assert any("1 % of the feed pressure is 38 % of it" in doubt for doubt in found.doubts)


# --- too little -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("days", "why"),
    [
        (10, "5 days with rows that count since the baseline, 7 are needed"),
        (18, "less than 14 days since the baseline"),
        (19, ""),
    ],
)
def test_with_too_few_days_nothing_is_judged_however_bad_it_looks(tmp_path, days, why):
    found = look(tmp_path, lines(days, reading=lambda day: worn(day, flow=0.7, at=5.0)))
    assert item(found, "flow").why == why
    assert (item(found, "flow").state is State.UNJUDGED) == bool(why)


def test_days_that_are_old_are_not_called_now(tmp_path):
    rows = lines(60)
    found = look(tmp_path, [*rows[: 30 * 4], rows[-1]])
    assert item(found, "flow").state is State.UNJUDGED
    assert "begin on 2026-01-2" in item(found, "flow").why


def test_a_gap_is_told_and_a_long_one_leaves_no_slope(tmp_path):
    rows = lines(60)
    found = look(tmp_path, [*rows[: 20 * 4], *rows[45 * 4 :]])
    assert "unit 1: 25 days without a row that counts, 2026-01-21 to 2026-02-14" in found.doubts
    assert item(found, "flow").per_month is None
    assert item(look(tmp_path, [*rows[: 20 * 4], *rows[35 * 4 :]]), "flow").per_month is not None


# --- slopes -----------------------------------------------------------------------------------------


def test_a_straight_line_has_its_slope_and_no_width():
    fit = fit_line(np.arange(30.0), 5.0 - 0.01 * np.arange(30.0))
    assert fit.per_day == pytest.approx((-0.01, -0.01, -0.01))
    assert fit.scatter == pytest.approx(0.0, abs=1e-12)


def test_one_wild_day_in_ten_does_not_move_the_slope():
    values = 5.0 - 0.01 * np.arange(50.0)
    values[::10] += 3.0
    assert fit_line(np.arange(50.0), values).per_day.value == pytest.approx(-0.01, abs=1e-3)


def test_the_interval_of_the_slope_holds_the_truth_about_as_often_as_it_says():
    """Independent days: 95 in 100; of 200 trials 182 to 198 lie within three standard deviations."""
    random, held = np.random.default_rng(7), 0
    for _ in range(200):
        _slope, lo, hi = fit_line(np.arange(40.0), random.normal(0.0, 1.0, 40)).per_day
        held += lo <= 0.0 <= hi
    assert held >= 182


@pytest.mark.parametrize("alike", [0.0, 0.5])
def test_the_interval_of_a_change_holds_the_truth_about_as_often_as_it_says(alike):
    """A fall of 10 % in 60 days with noise of 2 % a day, independent or half like the day before."""
    random, held = np.random.default_rng(7), 0
    for _ in range(200):
        noise = np.zeros(60)
        for k in range(60):
            noise[k] = (alike * noise[k - 1] if k else 0.0) + random.normal(0.0, 0.02)
        values = np.interp(np.arange(60.0), [4, 53], [1.0, 0.9]) + noise
        _change, lo, hi = change_pct(values[:5], values[-7:], fit_line(np.arange(60.0), values), 0.0)
        held += lo <= -10.0 <= hi
    assert held >= 178


def test_another_season_than_that_of_the_baseline_widens_the_interval():
    fit = fit_line(np.arange(9.0), np.ones(9))
    assert change_pct(np.ones(3), np.ones(7), fit, -10.0) == (0.0, -4.0, 4.0)


def test_days_that_resemble_their_neighbours_widen_the_interval():
    """Random walks have no trend; taken as independent, far more than half of them would seem to have one."""
    random, seen = np.random.default_rng(7), {"as they are": 0, "shuffled": 0}
    for _ in range(100):
        walk = np.zeros(60)
        for k in range(1, 60):
            walk[k] = 0.8 * walk[k - 1] + random.normal()
        for how, values in (("as they are", walk), ("shuffled", random.permutation(walk))):
            _slope, lo, hi = fit_line(np.arange(60.0), values).per_day
            seen[how] += not lo <= 0.0 <= hi
    assert seen["shuffled"] <= 12
    assert seen["as they are"] <= 25


def test_very_many_days_are_thinned_and_keep_their_slope():
    days = np.arange(5000.0)
    assert fit_line(days, 0.001 * days).per_day.value == pytest.approx(0.001)


# --- dates, prefilter, standstill -------------------------------------------------------------------


def test_what_is_due_by_the_calendar():
    done = Done(prefilter_changed=date(2026, 1, 1), protections_proved=date(2026, 1, 1))
    early, late = (judge_dates(done, [], [], day) for day in (date(2026, 4, 1), date(2026, 4, 2)))
    assert [one.state for one in early] == [State.CLEAR, State.CLEAR]
    assert [one.state for one in late] == [State.REACHED, State.CLEAR]
    assert [one.state for one in judge_dates(done, [], [], date(2025, 12, 31))] == [State.UNJUDGED] * 2


def test_a_conductivity_cell_more_than_ten_percent_off_is_to_be_calibrated_and_the_last_comparison_counts():
    old = HandMeter(on=date(2026, 1, 1), unit=1, hand_us_cm=200, loop_us_cm=200)
    for loop, state in ((221, State.REACHED), (219, State.CLEAR), (179, State.REACHED)):
        new = HandMeter(on=date(2026, 2, 1), unit=1, hand_us_cm=200, loop_us_cm=loop)
        cell, age = judge_dates(Done(), [new, old], [], date(2026, 3, 4))
        assert (cell.state, age.state) == (state, State.REACHED)


@pytest.mark.parametrize(
    ("used_l", "state"), [(2.5, State.REACHED), (2.6, State.CLEAR), (3.4, State.CLEAR), (3.5, State.REACHED)]
)
def test_a_dose_more_than_fifteen_percent_off_either_way_is_looked_into_and_the_last_reading_counts(
    used_l, state
):
    old = DoseCheck(on=date(2026, 1, 1), used_l=9, feed_m3=1000, dose_ml_per_m3=3)
    new = DoseCheck(on=date(2026, 1, 8), used_l=used_l, feed_m3=1000, dose_ml_per_m3=3)
    for day, age_state in ((15, State.CLEAR), (16, State.REACHED)):
        dose, age = judge_dates(Done(), [], [new, old], date(2026, 1, day))
        assert (dose.state, age.state) == (state, age_state)
    assert [one.seen.split(":")[0] for one in advise([dose])] == (
        ["antiscalant used against feed"] if state is State.REACHED else []
    )


@pytest.mark.parametrize(
    ("bar", "state"), [(0.69, State.CLEAR), (0.7, State.WARN), (0.99, State.WARN), (1.0, State.REACHED)]
)
def test_the_prefilter_has_its_two_pressures(tmp_path, bar, state):
    columns = '[columns]\nprefilter_loss = { column = "f", unit = "bar" }\n'
    log = write(
        tmp_path,
        [f"{line},{bar if k > 90 else 0.3}" for k, line in enumerate(lines(25))],
        "time,pf,loss,pp,qp,qc,degc,cf,cp,f",
        TABLE.replace("[columns]\n", columns),
    )
    assert item(look_into(log, log.with_name("upkeep.toml")), "prefilter").state is state


def test_a_standstill_at_the_end_of_the_log_is_told_and_one_that_is_over_is_not(tmp_path):
    rows = lines(40)
    stopped = [line.replace(",1.4,0.9,", ",0,0,") for line in rows]
    still = look(tmp_path, [*rows[:120], *stopped[120:130]])
    assert item(still, "idle").state is State.WARN
    assert item(look(tmp_path, [*rows[:80], *stopped[80:]]), "idle").state is State.REACHED
    over = look(tmp_path, [*rows[:80], *stopped[80:100], *rows[100:]])
    assert [one.key for one in over.items] == ["flow", "salt", "loss"]


# --- advice -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wear", "words"),
    [
        ({"flow": 0.8, "salt": 1.2}, "Scale on the last elements"),
        ({"flow": 0.8, "loss": 1.3}, "Dirt or growth between the first elements, or scale"),
        ({"flow": 0.8}, "A film on the membranes"),
        ({"flow": 1.2, "salt": 1.3}, "Membranes harmed by chlorine"),
        ({"salt": 1.2}, "A leaking seal"),
        ({"loss": 1.3}, "Dirt between the first elements that does not yet cost flow"),
    ],
)
def test_what_moved_leads_to_what_it_may_mean_and_instruments_come_first(tmp_path, wear, words):
    (advice,) = look(tmp_path, lines(40, reading=lambda day: worn(day, **wear))).advice
    assert advice.may_mean.startswith(words)
    assert advice.may_mean.endswith("The data alone do not decide between these")
    assert advice.look_at.startswith("Compare each transmitter with a hand meter")
    assert "trained person after lock-out" in advice.who


def test_a_unit_that_is_well_gets_no_advice(tmp_path):
    found = look(tmp_path, lines(40))
    assert (found.advice, found.grave, found.unclear) == ([], [], [])
    assert found.headline == "none of 3 triggers reached"
