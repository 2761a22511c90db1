"""On which runs a change is tried, and what became of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from sabotage_samples import MOVE, RULE, TIMER, change, kept, scouted

from controller.files import InputError
from controller.settings import Setpoints
from controller.unit.states import UnitState
from sim_plant.bench.cases import CaseFile, Run
from sim_plant.bench.sabotage.never import why_never
from sim_plant.bench.sabotage.outcome import (
    PATIENCE_S,
    Judged,
    Outcome,
    Reason,
    choose_runs,
    idle_reasons,
    judge,
    read_reasons,
)
from sim_plant.bench.sabotage.plan import all_changes
from sim_plant.bench.sabotage.results import Kept
from sim_plant.bench.sabotage.work import Trial
from sim_plant.site import demo_folder

TOUCH = change(MOVE).touch
SAME, OTHER, CAUGHT = Trial("a"), Trial("b", differs="pump off"), Trial("c", ("SR-08",), 1.0, "too late")


def a_case(*requirements: str, signal: str = "pump", wanted: object = True, text: str = "seen") -> Run:
    given = {"title": "t", "family": "f", "requirements": requirements, "given": {"states": ["PRODUCE"]}}
    given["expect"] = [{"text": text, "signal": signal, "is": wanted}]
    return Run(
        "r", "f.case.toml", CaseFile.model_validate(given | {"run": {"for_s": 1}}), UnitState.PRODUCE, ""
    )


def chosen(what: Kept, written: dict[str, Run], most: int = 9, name: str = MOVE) -> list[str]:
    return [one.run for one in choose_runs(change(name), what, written, most)]


def only(name: str, what: Kept, *reasons: Reason) -> Judged:
    (judged,) = judge([change(name)], what, reasons)
    return judged


def test_only_runs_that_touch_the_entry_are_chosen_and_no_more_than_asked_for() -> None:
    what = kept(scouted("a", TOUCH), scouted("b", "another"), scouted("c", TOUCH), scouted("d", TOUCH))
    assert chosen(what, {}) == ["a", "c", "d"]
    assert len(chosen(what, {}, most=2)) == 2


def test_beside_the_first_no_more_is_simulated_than_there_is_patience_for() -> None:
    lengths_s = {"a": 100, "b": 140, "c": 150, "d": 170}
    runs = [scouted(name, TOUCH, long_s=long_s) for name, long_s in lengths_s.items()]
    assert PATIENCE_S == 300.0
    assert chosen(kept(*runs), {}) == ["a", "b", "c"]
    assert chosen(kept(scouted("a", TOUCH, long_s=PATIENCE_S + 1)), {}) == ["a"]


def test_cases_come_before_what_nobody_wrote_and_short_before_long() -> None:
    runs = [scouted("a", TOUCH, long_s=5), scouted("b", TOUCH, long_s=20), scouted("c", TOUCH, long_s=9)]
    assert chosen(kept(*runs), {"b": a_case(), "c": a_case()}) == ["c", "b", "a"]


def test_of_every_source_one_comes_before_any_has_two() -> None:
    runs = [scouted(name, TOUCH, long_s=long_s) for long_s, name in enumerate("abc", start=1)]
    what = kept(*runs, sources={"a": "F01", "b": "F01", "c": "F02"})
    assert chosen(what, {}) == ["a", "c", "b"]


def test_a_run_that_begins_in_the_state_of_the_entry_comes_first() -> None:
    runs = [scouted("a", TOUCH, long_s=1), scouted("b", TOUCH, long_s=9)]
    assert chosen(kept(*runs, states={"b": "PRODUCE"}), {}) == ["b", "a"]
    one_file = {"a": "f.case.toml", "b": "f.case.toml"}
    assert chosen(kept(*runs, sources=one_file, states={"b": "PRODUCE"}), {}) == ["b", "a"]


def test_a_timer_is_first_tried_where_a_requirement_on_it_is_named() -> None:
    runs = [scouted("a", "read suction_trip_s", long_s=1), scouted("b", "read suction_trip_s", long_s=9)]
    assert chosen(kept(*runs), {"a": a_case("SR-50"), "b": a_case("SR-04")}, name=TIMER) == ["b", "a"]


def test_a_timer_is_first_tried_where_a_case_speaks_of_it() -> None:
    runs = [scouted("a", "read coast_s", long_s=1), scouted("b", "read coast_s", long_s=9)]
    cases = {"a": a_case(), "b": a_case(text="the feed valve waits for coast_s")}
    assert chosen(kept(*runs), cases, name="timer/coast_s/later") == ["b", "a"]


@pytest.mark.parametrize(
    ("name", "signal", "wanted"),
    [("output/PRODUCE/feed_valve/drop", "feed_valve", True), (MOVE, "state", "LOCKOUT"),
     ("answer/STANDBY/FLOOR_LEAK/drop", "state", "STANDBY"), ("guard/BOOT/at-once", "state", "BOOT"),
     ("also/STOPPING/DONE/without-OFF", "state", ["OFF", "BOOT"])],
)  # fmt: skip
def test_a_change_is_first_tried_where_a_case_expects_what_the_entry_does(
    name: str, signal: str, wanted: object
) -> None:
    touch = change(name).touch
    runs = [scouted("a", touch, long_s=1), scouted("b", touch, long_s=9)]
    cases = {"a": a_case(signal="enable"), "b": a_case(signal=signal, wanted=wanted)}
    assert chosen(kept(*runs), cases, name=name) == ["b", "a"]


def test_an_alarm_is_first_tried_where_a_case_expects_it() -> None:
    runs = [scouted("a", "alarm bank feed warm", long_s=1), scouted("b", "alarm bank feed warm", long_s=9)]
    cases = {"a": a_case(signal="alarm.low suction"), "b": a_case(signal="bank.alarm.feed warm")}
    assert chosen(kept(*runs), cases, name="alarm/bank/feed-warm/drop") == ["b", "a"]


@pytest.mark.parametrize(
    ("trials", "outcome"),
    [((), Outcome.UNTRIED), ((SAME,), Outcome.UNSEEN), ((SAME, OTHER), Outcome.SURVIVED),
     ((OTHER, CAUGHT), Outcome.CAUGHT)],
)  # fmt: skip
def test_what_became_of_a_change(trials: tuple[Trial, ...], outcome: Outcome) -> None:
    assert only(MOVE, kept(trials={MOVE: trials})).outcome is outcome


def test_of_what_nothing_can_touch_the_program_says_why() -> None:
    def outcome(name: str, what: Kept) -> tuple[Outcome, str]:
        (judged,) = judge([change(name)], what, (), lambda one: why_never(one, Setpoints()))
        return judged.outcome, judged.why

    assert outcome("move/PRODUCE/REBOOT/drop", kept()) == (
        Outcome.UNTRIED,
        "no line of the logic raises REBOOT",
    )
    assert outcome("timer/valve_travel_s/later", kept())[1].startswith("position_proofs = 0")
    assert outcome(MOVE, kept()) == (Outcome.UNTRIED, "")
    touched = kept(scouted("a", change("move/PRODUCE/REBOOT/drop").touch))
    assert outcome("move/PRODUCE/REBOOT/drop", touched) == (Outcome.UNTRIED, "")


def test_nothing_is_said_against_a_rule_whose_instrument_is_fitted() -> None:
    rule = next(one for one in all_changes().values() if "feed_proof_wrong_open" in one.id)
    assert why_never(rule, Setpoints())
    assert not why_never(rule, Setpoints(position_proofs=1))


def test_a_survivor_with_a_reason_is_explained_by_the_first_that_fits() -> None:
    what = kept(trials={MOVE: (OTHER,)})
    judged = only(
        MOVE, what, Reason("rule/*", "no"), Reason("move/PRODUCE/*", "first"), Reason("*", "second")
    )
    assert (judged.outcome, judged.why) == (Outcome.EXPLAINED, "first")


def test_a_reason_makes_nothing_of_what_is_caught_or_shows_nothing() -> None:
    for trials, outcome in (((CAUGHT,), Outcome.CAUGHT), ((SAME,), Outcome.UNSEEN), ((), Outcome.UNTRIED)):
        assert only(MOVE, kept(trials={MOVE: trials}), Reason("*", "any")).outcome is outcome


def test_a_reason_that_nothing_needed_is_idle() -> None:
    needed, idle = Reason("move/*", "it is"), Reason("rule/*", "it is not")
    what = kept(trials={MOVE: (OTHER,), RULE: (CAUGHT,)})
    judged = judge([change(MOVE), change(RULE)], what, (needed, idle))
    assert idle_reasons(judged, (needed, idle)) == [idle]


def test_an_entry_without_a_reason_is_refused(tmp_path: Path) -> None:
    (tmp_path / "explained.toml").write_text('[[explained]]\nchange = "move/*"\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"explained\[1\]: needs change and reason"):
        read_reasons(tmp_path)


def test_a_site_needs_no_list(tmp_path: Path) -> None:
    assert read_reasons(tmp_path) == ()


def test_every_entry_of_the_bundled_list_is_the_first_that_fits_a_change() -> None:
    """One that is spelled wrongly, or stands behind a wider one, would never be used."""
    reasons = read_reasons(demo_folder())
    used = {only(name, kept(trials={name: (OTHER,)}), *reasons).why for name in all_changes()}
    assert [one for one in reasons if one.reason not in used] == []
    assert len({one.change for one in reasons}) == len(reasons)
