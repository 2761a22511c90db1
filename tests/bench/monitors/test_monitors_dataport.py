"""SR-55, 56: what the target's data port shows."""

from __future__ import annotations

import math

import pytest
from hand_traces import Story
from hypothesis import given
from hypothesis import strategies as st

from sim_plant.bench.port import Answered, answered
from sim_plant.bench.verdicts import Verdict

STOP = "PRODUCE > STOPPING, then STANDBY: stop command"


def stopped() -> Story:
    return Story(300).produce(10, 200, unit=1)


def test_sr_55_a_target_without_a_journal_is_not_judged_and_says_so() -> None:
    finding = stopped().judge("SR-55")

    assert (finding.verdict, finding.detail) == (Verdict.NOT_EXERCISED, "the target gives no journal")


def test_sr_55_a_stop_without_a_line_fails() -> None:
    story = stopped().journal(150, 1, "PUMP_START > PRODUCE: step complete")

    finding = story.judge("SR-55")

    assert (finding.verdict, finding.at_ms, finding.detail) == (
        Verdict.FAIL,
        200_000,
        "0 causes of one stop: none",
    )


@pytest.mark.parametrize("text", ["PRODUCE > STOPPING", "PRODUCE > STOPPING: "])
def test_sr_55_a_line_without_a_cause_fails(text: str) -> None:
    assert stopped().journal(200, 1, text).verdict("SR-55") is Verdict.FAIL


def test_sr_55_two_causes_of_one_stop_fail() -> None:
    story = stopped().journal(200, 1, STOP).journal(200, 1, "PRODUCE > STOPPING, then LOCKOUT: motor")

    assert story.verdict("SR-55") is Verdict.FAIL


def test_sr_55_what_moves_the_unit_in_the_next_scan_is_no_second_cause() -> None:
    story = stopped().journal(200, 1, STOP).journal(200.1, 1, "STOPPING > ESTOP: emergency stop")

    assert story.verdict("SR-55") is Verdict.PASS


@pytest.mark.parametrize(("unit", "kind"), [(2, "move"), (0, "move"), (1, "cause"), (1, "note")])
def test_sr_55_other_lines_are_not_its_move(unit: int, kind: str) -> None:
    assert stopped().journal(200, unit, STOP, kind).verdict("SR-55") is Verdict.FAIL


def test_sr_55_a_loss_of_power_writes_nothing() -> None:
    story = stopped().cut(200, 1).lose_power(200, 210).journal(150, 1, "PUMP_START > PRODUCE: step complete")

    assert story.verdict("SR-55") is Verdict.NOT_EXERCISED


def asked(
    name: str = "start_flush_s",
    value: float = 5000.0,
    by: str = "somebody",
    *,
    accepted: bool = False,
    after: float = 120.0,
) -> Story:
    answer = Answered(name, value, by, accepted, 120.0, after)
    return Story(60).mark(20, "setpoint", answer.words())


@pytest.mark.parametrize(
    ("name", "value", "by"),
    [
        ("start_flush_s", 600.1, "somebody"),
        ("start_flush_s", 29.9, "somebody"),
        ("start_flush_s", math.nan, "somebody"),
        ("start_flush_s", math.inf, "somebody"),
        ("start_flush_s", 100.0, ""),
        ("start_flush_s", 100.0, "  "),
        ("start_flash_s", 100.0, "somebody"),
    ],
)
def test_sr_56_a_wrong_setpoint_must_be_refused(name: str, value: float, by: str) -> None:
    assert asked(name, value, by).verdict("SR-56") is Verdict.PASS
    assert asked(name, value, by, accepted=True, after=value).verdict("SR-56") is Verdict.FAIL


def test_sr_56_a_refused_setpoint_stays() -> None:
    assert asked(after=600.0).verdict("SR-56") is Verdict.FAIL


def test_sr_56_an_accepted_setpoint_reads_back() -> None:
    assert asked(value=150.0, accepted=True, after=150.0).verdict("SR-56") is Verdict.PASS
    assert asked(value=150.0, accepted=True, after=120.0).verdict("SR-56") is Verdict.FAIL


def test_sr_56_a_right_setpoint_may_be_refused_and_shows_nothing() -> None:
    assert asked(value=150.0).verdict("SR-56") is Verdict.NOT_EXERCISED


words = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)


@given(words.filter(lambda name: " = " not in name), st.floats(), words, st.booleans(), st.floats())
def test_an_answer_comes_back_from_its_words(
    name: str, value: float, by: str, accepted: bool, before: float
) -> None:
    answer = Answered(name, value, by.replace("'", ""), accepted, before, value)

    assert repr(answered(answer.words())) == repr(answer)


def test_other_words_are_no_answer() -> None:
    with pytest.raises(ValueError, match="no answer to a setpoint"):
        answered("selector_auto off")
