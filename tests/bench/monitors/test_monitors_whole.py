"""The set as a whole: every requirement is accounted for, and none passes without a trigger."""

from __future__ import annotations

import dataclasses
import string

import numpy as np
import pytest
from hand_traces import AT_DESK, DEFAULTS, Story

from controller.settings import Setpoints
from sim_plant.bench.monitors import REQUIREMENTS, Requirement, judge_all
from sim_plant.bench.verdicts import Verdict

ALL_IDS = [f"SR-{number:02d}" for number in range(1, 59)]
each_requirement = pytest.mark.parametrize("rule", REQUIREMENTS, ids=lambda rule: rule.id)


def test_every_requirement_of_the_narrative_is_judged() -> None:
    assert [rule.id for rule in REQUIREMENTS] == ALL_IDS


@each_requirement
def test_a_short_record_of_a_bank_at_rest_exercises_nothing(rule: Requirement) -> None:
    assert rule.judge(Story(4).trace(), DEFAULTS, AT_DESK).verdict is Verdict.NOT_EXERCISED


@each_requirement
def test_a_record_of_one_scan_can_be_judged(rule: Requirement) -> None:
    assert rule.judge(Story(0.1).trace(), DEFAULTS, AT_DESK).verdict is Verdict.NOT_EXERCISED


@each_requirement
def test_a_statement_names_its_setpoints(rule: Requirement) -> None:
    named = {field for _, field, _, _ in string.Formatter().parse(rule.statement) if field}

    assert named <= set(rule.setpoints) <= set(Setpoints.model_fields)
    assert "{" not in rule.text(DEFAULTS)


@each_requirement
def test_kind_and_hazard_are_words_of_the_narrative(rule: Requirement) -> None:
    assert rule.kind in {"invariant", "response", "sequence"}
    assert rule.hazard


def healthy_bank() -> Story:
    """Three units start one after another, purge in turn, are told to stop, and flush one by one."""
    story = Story(1500, n_units=3)
    for number, unit in enumerate((1, 2, 3)):
        story.produce(20 + 140 * number, 1000 + 2 * number, unit)
        story.purge(650 + 40 * number, unit)
        story.command(1000 + 2 * number, "stop", unit)
    for unit, at_s in ((1, 1006), (2, 1085), (3, 1164)):
        story.flush(at_s, 75, unit)
    return story.set(1244, "booster_run", False).set(1240, "dosing_run", False)


def test_a_healthy_bank_breaks_no_requirement() -> None:
    story = healthy_bank().set(1000, "feed_flow_ma", 2.5)

    findings = judge_all(story.trace(), DEFAULTS, AT_DESK)

    assert [finding.name for finding in findings] == [rule.id for rule in REQUIREMENTS]
    passed = {finding.name for finding in findings if finding.verdict is Verdict.PASS}
    assert passed >= {
        "SR-01",
        "SR-02",
        "SR-14",
        "SR-15",
        "SR-16",
        "SR-17",
        "SR-18",
        "SR-19",
        "SR-39",
        "SR-42",
    }
    assert [finding for finding in findings if finding.verdict is Verdict.FAIL] == []


def test_the_state_that_a_target_reports_changes_no_verdict() -> None:
    trace = healthy_bank().trace()
    told = dataclasses.replace(trace, unit_state=np.zeros_like(trace.unit_state), state_names=("anything",))

    assert judge_all(told, DEFAULTS, AT_DESK) == judge_all(trace, DEFAULTS, AT_DESK)


def test_judging_leaves_the_trace_as_it_was() -> None:
    trace, again = healthy_bank().trace(), healthy_bank().trace()

    judge_all(trace, DEFAULTS, AT_DESK)

    for field in dataclasses.fields(trace):
        before, after = getattr(again, field.name), getattr(trace, field.name)
        assert np.array_equal(before, after) if isinstance(before, np.ndarray) else before == after
