"""Runs scouted and changes tried on the bundled site: one that is known to be caught of each kind."""

from __future__ import annotations

import pytest
from sabotage_samples import saboteur

from controller.unit import outputs, sequencer
from controller.unit.protections import RULES
from controller.unit.sequencer import Sequencer
from sim_plant.bench.sabotage.plan import KINDS
from sim_plant.bench.sabotage.touch import noting
from sim_plant.bench.sabotage.work import Saboteur, Scouted, Task, Trial, checksums

TRIPS = "unit-trips-lock-out-produce"


@pytest.fixture(scope="module")
def here() -> Saboteur:
    return saboteur()


@pytest.fixture(scope="module")
def known() -> dict[str, Scouted]:
    """Runs that were scouted already; they fill as tests ask."""
    return {}


def scout(here: Saboteur, known: dict[str, Scouted], run: str) -> Scouted:
    if run not in known:
        known[run] = here.scout(run)
        assert not known[run].error
    return known[run]


def tried(here: Saboteur, known: dict[str, Scouted], change: str, run: str) -> Trial:
    (trial,) = here.attempt(Task(change, (scout(here, known, run),))).trials
    return trial


def test_noting_changes_nothing_and_leaves_nothing(here: Saboteur, known: dict[str, Scouted]) -> None:
    drive, react, above = sequencer.drive, Sequencer._react, outputs.GLOBAL_RULES  # type: ignore[attr-defined]
    with noting():
        assert sequencer.RULES is not RULES
    assert (sequencer.drive, Sequencer._react, outputs.GLOBAL_RULES) == (drive, react, above)  # type: ignore[attr-defined]
    assert sequencer.RULES is RULES
    found = scout(here, known, TRIPS)
    assert checksums(here._workshop.carry_out(here.book.runs[TRIPS])) == (found.outputs, found.alarms)


def test_a_run_touches_what_it_goes_through_and_nothing_else(
    here: Saboteur, known: dict[str, Scouted]
) -> None:
    touches = set(scout(here, known, TRIPS).touches)
    assert {
        "move PRODUCE HIGH_DISCHARGE",
        "edge STOPPING DONE LOCKOUT",
        "on PRODUCE pump",
        "off PRODUCE flush_valve",
        "alarm unit permeate side blocked",
        "reset unit DISCHARGE_SWITCH",
        "read discharge_trip_s",
        f"raise unit {[r.when.__name__ for r in RULES].index('high_discharge')}",
    } <= touches
    assert not {"move PRODUCE SKID_LEAK", "on STANDBY pump", "recall unit stopped", "held BOOT"} & touches


CAUGHT = [
    ("move/PRODUCE/HIGH_DISCHARGE/drop", TRIPS, "SR-08"),
    ("move/PRODUCE/HIGH_DISCHARGE/as-T2", TRIPS, "SR-08"),
    ("move/DELAY/FLOOR_LEAK/to-LOCKOUT", "answer-floor-leak-active-delay", "it ends in STANDBY"),
    ("answer/STANDBY/FLOOR_LEAK/drop", "answer-floor-leak-active-delay", "it ends in STANDBY"),
    (
        "also/STOPPING/DONE/without-RETRY_WAIT",
        "feed-low-trips-1-produce",
        "the unit waits before it tries again",
    ),
    ("rule/HIGH_DISCHARGE/high_discharge-discharge_trip_s/drop", TRIPS, "SR-08"),
    ("shared/FLOOR_LEAK/floor_leak/drop", "shared-floor-leak-produce", "SR-31"),
    ("clear/unit/MOTOR_PROTECTOR/at-once", "answer-reset-too-soon-lockout", "it ends in LOCKOUT"),
    ("guard/BOOT/at-once", "power-lockout-outlasts-lockout", "it looks before it decides"),
    (
        "output/MAINTENANCE/flush_valve/drive",
        "answer-estop-stays-maintenance-maintenance",
        "SR-49",
    ),
    ("retained/unit/latched/drop", "power-lockout-outlasts-lockout", "then it is locked out again"),
    ("alarm/unit/skid-leak/drop", "alarm-protections-of-a-unit-produce", "skid leak"),
    ("timer/discharge_trip_s/later", TRIPS, "SR-08"),
]
"""One of each kind, but for the rules above all states: they repeat what the states do already."""


@pytest.mark.parametrize(("change", "run", "by"), CAUGHT, ids=[name for name, *_ in CAUGHT])
def test_a_change_of_each_kind_is_caught(
    here: Saboteur, known: dict[str, Scouted], change: str, run: str, by: str
) -> None:
    trial = tried(here, known, change, run)
    assert by in trial.broken, trial


def test_all_other_kinds_are_among_them() -> None:
    assert {name.split("/")[0] for name, *_ in CAUGHT} == set(KINDS) - {"global"}


def test_what_a_rule_above_all_states_takes_the_states_do_not_drive_either(
    here: Saboteur, known: dict[str, Scouted]
) -> None:
    """Without the rule for the E-stop the matrix cuts all the same: nothing is to be seen."""
    run = "answer-estop-active-start_flush"
    assert tried(here, known, "global/E-stop/drop", run) == Trial(run)


def test_what_is_as_it_is_untouched_is_not_judged_again(
    here: Saboteur, known: dict[str, Scouted], monkeypatch: pytest.MonkeyPatch
) -> None:
    found = scout(here, known, TRIPS)
    monkeypatch.setattr(here._workshop, "judge", lambda *_: pytest.fail("it is judged"))
    assert tried(here, {TRIPS: found}, "move/STANDBY/SKID_LEAK/drop", TRIPS) == Trial(TRIPS)


def test_trying_stops_at_the_run_that_caught_it(here: Saboteur, known: dict[str, Scouted]) -> None:
    runs = tuple(scout(here, known, run) for run in (TRIPS, "shared-floor-leak-produce", TRIPS))
    found = here.attempt(Task("shared/FLOOR_LEAK/floor_leak/drop", runs))
    assert [bool(trial.broken) for trial in found.trials] == [False, True]


def test_a_change_of_what_no_run_goes_through_shows_nothing(
    here: Saboteur, known: dict[str, Scouted]
) -> None:
    assert tried(here, known, "move/STANDBY/SKID_LEAK/drop", TRIPS) == Trial(TRIPS)


def test_a_difference_that_nothing_forbids_is_told(here: Saboteur, known: dict[str, Scouted]) -> None:
    """An alarm that does not come leaves the alarm relay as it is; no requirement of this run looks at it."""
    trial = tried(here, known, "alarm/unit/membrane-pressure-too-high/drop", TRIPS)
    assert not trial.broken
    assert trial.differs.startswith("bank alarm_relay on")


def test_what_the_untouched_logic_does_not_hold_catches_nothing(
    here: Saboteur, known: dict[str, Scouted]
) -> None:
    found = scout(here, known, TRIPS)
    broken = tried(here, known, "move/PRODUCE/HIGH_DISCHARGE/drop", TRIPS).broken
    unsound = Scouted(TRIPS, found.touches, found.simulated_s, found.outputs, found.alarms, broken)
    (trial,) = here.attempt(Task("move/PRODUCE/HIGH_DISCHARGE/drop", (unsound,))).trials
    assert not trial.broken
    assert trial.differs
