"""SR-44, 48, 57: two runs beside each other, and what is no trigger for them."""

from __future__ import annotations

import pytest
from hand_traces import Story

from sim_plant.bench.monitors import Context
from sim_plant.bench.verdicts import Finding, Verdict

COMPARING = ("SR-44", "SR-48", "SR-57")


def undisturbed() -> Story:
    """Both units produce; unit 2 purges at 300 s."""
    story = Story(700).produce(10, 800, unit=1).produce(150, 800, unit=2)
    return story.purge(300, 2)


def judged(story: Story, requirement: str, reference: Story | None = None) -> Finding:
    other = (undisturbed() if reference is None else reference).trace()
    return story.judge(requirement, context=Context(1, reference=other))


@pytest.mark.parametrize("requirement", COMPARING)
def test_without_a_second_run_nothing_is_compared(requirement: str) -> None:
    finding = undisturbed().mark(250, "clock", "+3600 s").judge(requirement)

    assert finding.verdict is Verdict.NOT_EXERCISED
    assert finding.detail == "no run without the disturbance was made to compare with"


@pytest.mark.parametrize("requirement", COMPARING)
def test_two_runs_that_were_treated_alike_show_nothing(requirement: str) -> None:
    assert judged(undisturbed(), requirement).verdict is Verdict.NOT_EXERCISED


@pytest.mark.parametrize(
    ("what", "text", "unit", "requirement"),
    [
        ("clock", "+3600 s", 0, "SR-44"),
        ("inject", "unit_io lost", 1, "SR-48"),
        ("command", "maintain", 1, "SR-48"),
        ("operate", "selector_auto off", 1, "SR-48"),
        ("command", "acknowledge", 0, "SR-57"),
    ],
)
def test_each_disturbance_is_judged_by_its_own_requirement(
    what: str, text: str, unit: int, requirement: str
) -> None:
    story = undisturbed().mark(250, what, text, unit)

    verdicts = {name: judged(story, name).verdict for name in COMPARING}

    assert verdicts == {
        name: Verdict.PASS if name == requirement else Verdict.NOT_EXERCISED for name in COMPARING
    }


def test_what_both_runs_suffer_is_no_disturbance() -> None:
    def alarmed(story: Story) -> Story:
        return story.mark(240, "inject", "motor_healthy stuck_open", 1)

    story = alarmed(undisturbed()).command(250, "acknowledge", 1)

    assert judged(story, "SR-57", alarmed(undisturbed())).verdict is Verdict.PASS


@pytest.mark.parametrize("name", ["pump", "feed_valve", "beacon"])
def test_sr_57_an_output_that_acknowledging_switches_fails(name: str) -> None:
    story = undisturbed().command(250, "acknowledge", 1).during(260, 262, name, name == "beacon", 1)

    assert judged(story, "SR-57").verdict is Verdict.FAIL


def test_sr_57_the_horn_is_an_output_too() -> None:
    def sounding() -> Story:
        return undisturbed().set(240, "horn", True)

    story = sounding().command(250, "acknowledge").set(251, "horn", False)

    finding = judged(story, "SR-57", sounding())

    assert (finding.verdict, finding.at_ms) == (Verdict.FAIL, 251_000)
    assert "horn off in only one" in finding.detail


def test_sr_48_the_unit_itself_may_do_what_it_must() -> None:
    story = undisturbed().mark(250, "inject", "unit_io lost", 1).cut(251.1, 1)

    assert judged(story, "SR-48").verdict is Verdict.PASS


def test_sr_48_another_unit_that_stops_fails() -> None:
    story = undisturbed().mark(250, "inject", "unit_io lost", 1).cut(251.1, 2)

    finding = judged(story, "SR-48")

    assert (finding.verdict, finding.unit, finding.at_ms) == (Verdict.FAIL, 2, 251_100)


def test_sr_48_a_purge_that_has_not_come_yet_may_still_come() -> None:
    """The reference purges at 300 s; a lease later the record has ended."""
    story = Story(500).produce(10, 800, unit=1).produce(150, 800, unit=2).mark(250, "inject", "x", 1)

    assert judged(story, "SR-48").verdict is Verdict.PASS


def test_sr_48_a_disturbance_of_two_units_is_not_judged() -> None:
    story = undisturbed().mark(250, "inject", "unit_io lost", 1).mark(250, "inject", "unit_io lost", 2)

    assert judged(story, "SR-48").verdict is Verdict.NOT_EXERCISED


def test_a_move_smaller_than_the_uncertainty_of_two_runs_decides_nothing() -> None:
    story = Story(700).produce(10, 800, unit=1).produce(150, 800, unit=2).purge(300.1, 2)
    story.mark(250, "clock", "+3600 s")
    reference = undisturbed().trace()

    verdicts = [
        story.verdict("SR-44", context=Context(1, uncertainty_ms, reference)) for uncertainty_ms in (40, 60)
    ]

    assert verdicts == [Verdict.PASS, Verdict.INCONCLUSIVE]  # 100 ms are left of 200
