"""What is done at the desk is done to the rig, is remembered, and can be taken back to the last bit."""

from __future__ import annotations

import pytest
from desk_samples import LOW_SUCTION, OVERLOAD, all_of, deed, order, run_to, run_until, session

from controller.files import InputError
from sim_plant.desk.wishes import RefusedError

BACK_S, LATER_S, END_S = 200.0, 300.0, 400.0


def test_winding_back_gives_the_same_run_to_the_last_bit() -> None:
    desk = session()
    run_to(desk, 60)
    desk.do(deed(20, unit=2, for_s=30, **LOW_SUCTION))
    run_to(desk, 95.3)
    desk.order(order("stop", 1))
    run_to(desk, 150)
    desk.do(deed(tank_pct=20))
    run_to(desk, BACK_S)
    there = all_of(desk)
    run_to(desk, LATER_S)
    later = all_of(desk)
    run_to(desk, END_S)

    desk.back(round(BACK_S * 1000))

    assert desk.now_ms == BACK_S * 1000
    assert all_of(desk) == there
    run_to(desk, LATER_S)
    assert all_of(desk) == later


def test_what_is_put_off_at_the_moment_of_going_back_still_comes() -> None:
    desk = session()
    run_to(desk, 30)
    desk.do(deed(100, unit=1, **LOW_SUCTION))
    run_to(desk, 200)
    assert desk.active()

    desk.back(100_000)

    assert not desk.active()
    run_to(desk, 130.2)
    assert [active.fault.target for active in desk.active()] == ["suction"]


def test_what_was_done_later_is_forgotten_after_winding_back() -> None:
    desk = session()
    run_to(desk, 50)
    desk.do(deed(unit=1, **LOW_SUCTION))
    run_to(desk, 60)

    desk.back(40_000)
    run_to(desk, 60)

    assert not desk.active()
    assert not [done for done in desk.performed if done.fault]
    assert max(row for row in desk.history.read(1, 0, 10**9, 1000)["t_s"]) < 60


def test_the_journal_after_winding_back_is_the_one_of_then() -> None:
    desk = session()
    run_to(desk, 100)
    then = list(desk.journal)
    run_to(desk, 200)

    desk.back(100_000)

    assert list(desk.journal) == then


@pytest.mark.parametrize("to_s", [0, 60.0, 1e6])
def test_there_is_no_way_back_to_the_future_or_before_the_first_scan(to_s: float) -> None:
    desk = session()
    run_to(desk, 60)
    before = all_of(desk)

    with pytest.raises(RefusedError, match="no way back"):
        desk.back(round(to_s * 1000))

    assert all_of(desk) == before


def test_a_command_is_answered_with_the_firmwares_outcome() -> None:
    desk = session()
    run_until(desk, 1, "PRODUCE")

    wrong = desk.order(order("start", 1, "STANDBY"))
    desk.scan()
    right = desk.order(order("stop", 1))
    desk.scan()

    assert (wrong.ok, right.ok) == (False, True)
    assert "state that has passed" in wrong.outcome
    assert right.outcome == "taken"


def test_a_reset_is_refused_while_the_cause_stands_and_taken_when_it_has_gone() -> None:
    desk = session()
    run_until(desk, 2, "PRODUCE")
    desk.do(deed(unit=2, **OVERLOAD))
    run_until(desk, 2, "LOCKOUT")

    early = desk.order(order("reset", 2, "LOCKOUT"))
    desk.scan()
    desk.do(deed(clear="fault-1"))
    run_to(desk, desk.now_ms / 1000 + 65)
    late = desk.order(order("reset", 2, "LOCKOUT"))
    desk.scan()

    assert early.outcome == "refused: the cause stands"
    assert late.outcome == "taken"


def test_a_reset_against_a_state_that_has_passed_does_not_reach_the_firmware() -> None:
    desk = session()
    run_until(desk, 2, "PRODUCE")
    desk.do(deed(unit=2, **OVERLOAD))
    run_until(desk, 2, "LOCKOUT")

    receipt = desk.order(order("reset", 2, "PRODUCE"))
    desk.scan()

    assert "state that has passed" in receipt.outcome
    assert desk.rig.state_of(2) == "LOCKOUT"


def test_a_refusal_in_words_is_told_in_these_words() -> None:
    desk = session()
    run_to(desk, 20)

    receipt = desk.order(order("return to service", 1, desk.rig.state_of(1)))
    desk.scan()

    assert "selector OFF" in receipt.outcome


def test_a_command_without_power_is_refused_and_pictures_go_on() -> None:
    desk = session()
    run_to(desk, 20)
    desk.do(deed(power="off"))
    receipt = desk.order(order("stop", 1))
    desk.scan()
    desk.do(deed(power="on"))

    assert "no power" in receipt.outcome
    assert desk.picture() is not None  # the new controller has not scanned yet
    run_to(desk, 30)
    assert desk.picture().t_ms == desk.now_ms - 100


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (deed(unit=3, **LOW_SUCTION), "no unit 3"),
        (deed(unit=1, inject={"target": "sucktion", "kind": "stuck"}), "near: suction"),
        (deed(unit=1, inject={"target": "suction", "kind": "stuck_at", "value_bar": 99}), "must lie in"),
        (deed(unit=1, inject={"target": "suction", "kind": "stuck_at", "value_psi": 9}), "needs value_bar"),
        (deed(clear="fault-9"), "no fault fault-9"),
        (deed(operate="isolator_on off"), "belongs to a unit"),
        (deed(unit=1, operate="bank_run off"), "belongs to the bank"),
        (order("stop", 3), "no unit 3"),
    ],
)
def test_what_the_plant_cannot_do_is_refused_and_changes_nothing(wish: object, words: str) -> None:
    desk = session()
    before = all_of(desk), len(desk.performed)

    with pytest.raises((RefusedError, InputError), match=words):
        desk.order(wish) if wish.kind == "order" else desk.do(wish)  # type: ignore[attr-defined]

    assert (all_of(desk), len(desk.performed)) == before


def test_a_fault_for_a_while_says_how_long_it_stays_and_ends_by_itself() -> None:
    desk = session()
    run_to(desk, 10)
    desk.do(deed(unit=1, for_s=5, **LOW_SUCTION))
    run_to(desk, 12)
    (active,) = desk.active()
    run_to(desk, 16)

    assert active.left_s == pytest.approx(3.0)
    assert not desk.active()


def test_the_recorder_of_the_rig_does_not_grow_with_the_day() -> None:
    desk = session()

    run_to(desk, 95)

    assert desk.rig.recorder.rows <= 100
    assert desk.kept == 10
