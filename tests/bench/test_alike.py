"""Two runs of one case: which differences are told, and which the uncertainty of a line explains."""

from __future__ import annotations

import numpy as np
import pytest

from sim_plant.bench.alike import Difference, Event, Likeness, What, compare, events_of, verdicts_apart
from sim_plant.bench.trace import Trace
from sim_plant.bench.verdicts import Finding, Verdict
from tests.bench.monitors.hand_traces import Story

U_MS = 300
END_MS = 100_000


def on(at_s: float, source: str) -> Event:
    return Event(round(1000 * at_s), source, "on")


def off(at_s: float, source: str) -> Event:
    return Event(round(1000 * at_s), source, "off")


DESK = [
    on(10, "unit1.flush_valve"), on(11, "unit1.feed_valve"), off(41, "unit1.flush_valve"),
    on(46, "unit1.pump"), on(49, "unit2.flush_valve"), on(50, "unit2.feed_valve"),
]  # fmt: skip


def on_line(*moved: tuple[int, float], without: tuple[int, ...] = (), late_s: float = 0.0) -> list[Event]:
    """The events of DESK on a line: some moved by so many seconds, some left out, all late."""
    by_s = dict(moved)
    found = [
        event._replace(t_ms=event.t_ms + round(1000 * (late_s + by_s.get(number, 0.0))))
        for number, event in enumerate(DESK)
        if number not in without
    ]
    return sorted(found)


def told(live: list[Event], desk: list[Event] = DESK) -> list[Difference]:
    return list(compare(desk, live, U_MS, END_MS).differences)


def test_the_same_events_at_the_same_times_are_alike() -> None:
    assert compare(DESK, DESK, U_MS, END_MS) == Likeness(6, (), 0, 0, 0)


def test_late_and_early_by_no_more_than_the_uncertainty_is_alike_and_the_most_is_given() -> None:
    live = compare(DESK, on_line((1, 0.3), (3, -0.2)), U_MS, END_MS)
    assert (live.differences, live.latest_ms, live.earliest_ms) == ((), 300, -200)


@pytest.mark.parametrize(("by_s", "what"), [(0.4, What.LATE), (-0.4, What.EARLY)])
def test_an_event_that_is_further_off_is_told(by_s: float, what: What) -> None:
    assert told(on_line((3, by_s))) == [Difference(what, DESK[3], 400)]


def test_lateness_adds_up_from_answer_to_answer() -> None:
    """Each of them 0.3 s later than the one before."""
    steps = tuple((number, 0.3 * (number + 1)) for number in range(len(DESK)))
    live = compare(DESK, on_line(*steps), U_MS, END_MS)
    assert (live.differences, live.latest_ms) == ((), 1800)


def test_one_answer_may_not_be_late_for_two() -> None:
    assert told(on_line((2, 0.3), (3, 0.7))) == [Difference(What.LATE, DESK[3], 700)]


def test_lateness_excuses_none_that_came_before_it() -> None:
    assert told(on_line((0, 0.5), (5, 5.0)))[0] == Difference(What.LATE, DESK[0], 500)


@pytest.mark.parametrize("number", range(len(DESK)))
def test_a_missing_event_is_told_wherever_it_is(number: int) -> None:
    assert told(on_line(without=(number,))) == [Difference(What.MISSING, DESK[number])]


@pytest.mark.parametrize("number", range(len(DESK)))
def test_an_event_that_the_desk_did_not_have_is_told(number: int) -> None:
    live, shorter = DESK, on_line(without=(number,))
    assert told(live, shorter) == [Difference(What.EXTRA, DESK[number])]


def test_of_three_pulses_the_missing_one_is_found_by_its_time() -> None:
    pulses = [
        edge(at_s + after_s, "bank.dosing_run")
        for at_s in (10, 30, 50)
        for edge, after_s in ((on, 0), (off, 9))
    ]
    assert [d.event for d in told(pulses[:2] + pulses[4:], pulses)] == pulses[2:4]


def test_events_that_change_places_are_told_when_they_are_far_enough_apart() -> None:
    """At the desk the pump starts 3 s before the other flush valve opens."""
    live = on_line((3, 3.2), (4, -0.1))
    assert Difference(What.SWAPPED, DESK[3], 3000, DESK[4]) in told(live)


def test_events_closer_together_than_the_uncertainty_may_change_places() -> None:
    desk = [on(10, "unit1.pump"), on(10.3, "unit2.pump")]
    assert told([on(10.1, "unit2.pump"), on(10.2, "unit1.pump")], desk) == []


def test_events_just_further_apart_may_not_although_each_is_in_time() -> None:
    desk = [on(10, "unit1.pump"), on(10.4, "unit2.pump")]
    live = [on(10.1, "unit2.pump"), on(10.2, "unit1.pump")]
    assert told(live, desk) == [Difference(What.SWAPPED, desk[0], 400, desk[1])]


def test_what_has_become_late_may_change_places_with_what_has_not() -> None:
    """Unit 1 is 0.9 s late by three answers; unit 2 goes by its own timer."""
    desk = [on(1, "unit1.feed_valve"), on(4, "unit1.enable"), on(9, "unit1.pump"), on(9.8, "unit2.pump")]
    live = [
        on(1.3, "unit1.feed_valve"),
        on(4.6, "unit1.enable"),
        on(9.8, "unit2.pump"),
        on(9.9, "unit1.pump"),
    ]
    assert told(live, desk) == []


def test_what_lasts_no_longer_than_the_uncertainty_may_go_unseen() -> None:
    desk = [on(10, "unit1.pump"), off(10.3, "unit1.pump")]
    assert compare(desk, [], U_MS, END_MS) == Likeness(0, (), 0, 0, 2)
    assert len(told([], [on(10, "unit1.pump"), off(10.4, "unit1.pump")])) == 2


def test_a_state_that_is_left_at_once_may_go_unseen_and_the_next_one_may_not() -> None:
    desk = [Event(t_ms, "unit1.state", name) for t_ms, name in ((10_000, "STOPPING"), (10_100, "OFF"))]
    assert told(desk[1:], desk) == []
    assert told(desk[:1], desk) == [Difference(What.MISSING, desk[1])]


def test_the_end_of_what_began_as_at_the_desk_is_missed_however_soon_it_came() -> None:
    """It went on and stayed on: not a pulse that nobody could see."""
    desk = [on(10, "unit1.pump"), off(10.1, "unit1.pump")]
    assert told(desk[:1], desk) == [Difference(What.MISSING, desk[1])]


def test_what_comes_too_close_to_the_end_is_not_missed() -> None:
    last = on(99.8, "unit2.pump")
    assert told(DESK, [*DESK, last]) == []
    assert told([*DESK, last]) == []
    assert told(DESK, [*DESK, on(99.6, "unit2.pump")]) != []


def test_a_difference_is_told_in_words() -> None:
    assert str(Difference(What.LATE, DESK[3], 700)) == "unit1.pump on at 46.0 s: late by 0.7 s"
    assert str(Difference(What.MISSING, DESK[3])) == "unit1.pump on at 46.0 s: missing on the line"
    assert str(Difference(What.SWAPPED, DESK[3], 3000, DESK[4])) == (
        "unit1.pump on at 46.0 s: after unit2.flush_valve on at 49.0 s, at the desk 3.0 s before it"
    )


# --- the events of a trace ---------------------------------------------------------------------------------


def trace() -> Trace:
    """Unit 1 is flushed; its states are told."""
    made = Story(20).flush(5, 3, unit=1).set(2, "booster_run", True).set(2, "dosing_run", False).trace()
    made.state_names = ("STANDBY", "STOP_FLUSH")
    made.unit_state = np.zeros_like(made.unit_state)
    made.unit_state[50:110, 0] = 1
    return made


def test_events_are_edges_of_outputs_and_entries_of_states_in_the_order_of_time() -> None:
    assert events_of(trace()) == [
        Event(2000, "bank.booster_run", "on"),
        Event(5000, "unit1.flush_valve", "on"),
        Event(5000, "unit1.state", "STOP_FLUSH"),
        Event(6000, "unit1.feed_valve", "on"),
        Event(9000, "unit1.feed_valve", "off"),
        Event(11000, "unit1.flush_valve", "off"),
        Event(11000, "unit1.state", "STANDBY"),
    ]


def test_events_are_taken_from_a_row_on_against_the_row_before_it() -> None:
    assert [event.t_ms for event in events_of(trace(), 60)] == [6000, 9000, 11000, 11000]
    assert [event.t_ms for event in events_of(trace(), 61)] == [9000, 11000, 11000]


# --- verdicts ----------------------------------------------------------------------------------------------


def finding(verdict: Verdict, margin: float | None = None, unit: str = "s") -> Finding:
    return Finding("SR-04", verdict, 1, margin, unit if margin is not None else "", detail="seen")


@pytest.mark.parametrize("verdict", Verdict)
def test_the_same_verdict_is_alike(verdict: Verdict) -> None:
    assert verdicts_apart([finding(verdict)], [finding(verdict, 1.0)], U_MS) == []


@pytest.mark.parametrize(
    ("desk", "live"),
    [
        (Verdict.PASS, Verdict.FAIL),
        (Verdict.FAIL, Verdict.PASS),
        (Verdict.PASS, Verdict.NOT_EXERCISED),
        (Verdict.NOT_EXERCISED, Verdict.PASS),
        (Verdict.NOT_EXERCISED, Verdict.INCONCLUSIVE),
    ],
)
def test_another_verdict_is_told(desk: Verdict, live: Verdict) -> None:
    (line,) = verdicts_apart([finding(desk)], [finding(live)], U_MS)
    assert line == f"SR-04: {desk.value} (seen) at the desk, {live.value} (seen) on the line"


@pytest.mark.parametrize(
    ("margin", "unit", "alike"),
    [(0.1, "s", True), (0.5, "s", True), (-0.1, "s", True), (0.6, "s", False), (-0.2, "s", False),
     (None, "", False), (0.2, "L", False)],
)  # fmt: skip
def test_inconclusive_on_the_line_needs_a_margin_at_the_desk_that_the_line_has_moved_there(
    margin: float | None, unit: str, alike: bool
) -> None:
    desk, live = finding(Verdict.PASS, margin, unit), finding(Verdict.INCONCLUSIVE, 0.2)
    assert (verdicts_apart([desk], [live], U_MS) == []) is alike


def test_a_finding_that_one_run_lacks_is_told() -> None:
    one = finding(Verdict.PASS)
    assert verdicts_apart([one], [], U_MS) == ["SR-04: not judged on the line"]
    assert verdicts_apart([one], [one, one], U_MS) == ["SR-04: not judged at the desk"]
