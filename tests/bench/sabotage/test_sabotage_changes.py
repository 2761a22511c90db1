"""Changes are derived from the tables, and putting one in place leaves no trace."""

from __future__ import annotations

import pytest
from sabotage_samples import change

from controller import retained
from controller.alarms import board
from controller.bank import shared
from controller.settings import Setpoints
from controller.unit import machine, outputs, sequencer
from controller.unit.outputs import DRIVES
from controller.unit.progress import WAITS
from controller.unit.protections import CLEAR_S, RULES
from controller.unit.states import STATES, Answer, Event, Trip, UnitState
from controller.unit.table import ALSO, CELLS, Move
from sim_plant.bench.sabotage.change import applied
from sim_plant.bench.sabotage.matrix import ELSEWHERE
from sim_plant.bench.sabotage.plan import KINDS, all_changes, sampled
from sim_plant.bench.sabotage.timers import Doctored, moved_to, timer_names

CHANGES = tuple(all_changes().values())


def tables() -> list[object]:
    """Everything that a change may touch, by content; functions and the machine by identity."""
    return [
        dict(CELLS),
        dict(ALSO),
        id(machine._MACHINE),
        sequencer.RULES,
        shared.SHARED,
        dict(CLEAR_S),
        outputs.GLOBAL_RULES,
        dict(DRIVES),
        dict(WAITS),
        retained.recall,
        board.UNIT_RULES,
        board.BANK_RULES,
        Doctored.handed_in,
    ]


BEFORE = tables()


def test_there_are_changes_of_every_kind_and_many_of_them() -> None:
    assert {one.kind for one in CHANGES} == set(KINDS)
    assert len(CHANGES) >= 1500


@pytest.mark.parametrize("kind", KINDS)
def test_a_change_changes_the_tables_and_leaves_them_as_they_were(kind: str) -> None:
    for one in (one for one in CHANGES if one.kind == kind):
        with applied(one):
            assert tables() != BEFORE, one.id
        assert tables() == BEFORE, one.id
        assert list(CELLS) == list(BEFORE[0]), one.id  # type: ignore[call-overload]


def test_a_change_is_taken_back_when_what_runs_under_it_fails() -> None:
    with pytest.raises(ZeroDivisionError), applied(change("move/PRODUCE/STOP/drop")):
        raise ZeroDivisionError
    assert tables() == BEFORE


def test_every_move_is_dropped_and_led_elsewhere() -> None:
    ids = set(all_changes())
    moves = [(state, event, cell.target) for (state, event), cell in CELLS.items() if isinstance(cell, Move)]
    assert len(moves) > 300
    for state, event, target in moves:
        assert f"move/{state.value}/{event.name}/drop" in ids
        for elsewhere in {*ELSEWHERE[target]} - {state}:
            assert f"move/{state.value}/{event.name}/to-{elsewhere.value}" in ids


def test_every_trip_class_is_weakened_by_one() -> None:
    for (state, event), cell in CELLS.items():
        if isinstance(cell, Move) and cell.trip is not Trip.NONE:
            weaker = Trip(cell.trip - 1)
            with applied(change(f"move/{state.value}/{event.name}/as-{weaker.name}")):
                assert CELLS[state, event] == Move(weaker, cell.target)


def test_every_rule_alarm_timer_and_retained_field_has_a_change() -> None:
    counts = {kind: sum(1 for one in CHANGES if one.kind == kind) for kind in KINDS}
    assert counts["rule"] == len(RULES)
    assert counts["shared"] == len(shared.SHARED)
    assert counts["alarm"] == len(board.UNIT_RULES) + len(board.BANK_RULES)
    assert counts["timer"] == 2 * len(timer_names())
    assert counts["global"] == len(outputs.GLOBAL_RULES)
    kept = {one.entry for one in CHANGES if one.kind == "retained"}
    assert {f"unit/{name}" for name in retained.FIELDS} <= kept
    assert {"unit/latched", "unit/starts_ms", "bank/latched", "bank/returns"} <= kept


def test_a_changed_move_may_lead_anywhere_in_the_machine() -> None:
    """What the sabotaged table says decides, not a machine that refuses what it does not know."""
    with applied(change("move/PRODUCE/HIGH_DISCHARGE/to-STANDBY")):
        for state in STATES:
            edge = machine._MACHINE.events[machine.edge(Event.HIGH_DISCHARGE, state)]
            assert UnitState.PRODUCE.value in edge.transitions


def test_a_refused_event_is_obeyed_as_elsewhere() -> None:
    with applied(change("answer/LOCKOUT/CALL/obey")):
        assert CELLS[UnitState.LOCKOUT, Event.CALL] == Move(Trip.NONE, UnitState.WAIT_PERMIT)
    with applied(change("answer/STANDBY/FLOOR_LEAK/drop")):
        assert CELLS[UnitState.STANDBY, Event.FLOOR_LEAK] is Answer.RECORD


@pytest.mark.parametrize(
    ("name", "value", "later", "sooner"),
    [("coast_s", 2.0, 3.2, 0.8), ("start_flush_s", 120.0, 123.1, 116.9), ("flush_lead_s", 1.0, 2.2, 0.1),
     ("enable_lead_s", 0.2, 1.4, 0.02), ("rotation_h", 24.0, 24.0 + 1728.7 / 3600, 24.0 - 1728.7 / 3600),
     ("level_fallback_h", 0.0, 0.0, 0.0)],
)  # fmt: skip
def test_a_timer_moves_by_its_tolerance_a_reaction_and_two_scans(
    name: str, value: float, later: float, sooner: float
) -> None:
    """0.5 s or 2 %, whichever is larger, 0.5 s and 0.2 s; at least a tenth is left, and never stays never."""
    assert moved_to(name, value, 1.0) == pytest.approx(later)
    assert moved_to(name, value, -1.0) == pytest.approx(sooner)


def test_a_rate_and_a_count_of_an_hour_are_no_timers() -> None:
    assert not {"header_ramp_bar_s", "dosing_full_ml_h", "max_starts_per_h", "resets_per_h"} & {
        *timer_names()
    }


def test_a_timer_moves_inside_the_controller_alone() -> None:
    with applied(change("timer/suction_trip_s/later")):
        controller = Doctored(2, Setpoints())
        assert controller.setpoints.suction_trip_s == 5.0
        assert controller._units[0]._s.suction_trip_s == pytest.approx(6.2)
        assert controller._bank._s.suction_trip_s == pytest.approx(6.2)
    assert Doctored(2, Setpoints())._units[0]._s.suction_trip_s == 5.0


def test_a_sample_has_every_kind_and_the_same_seed_draws_the_same() -> None:
    one, again, other = (sampled(CHANGES, 50, seed) for seed in (1, 1, 2))
    assert one == again != other
    assert {c.kind for c in one} == set(KINDS)
    assert len(one) < 60
