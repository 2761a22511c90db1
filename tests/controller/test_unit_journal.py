"""What a unit writes down: every move, every new cause, once and in whole sentences."""

from __future__ import annotations

import pytest
from harness import QUICK, UnitRig, unit_in

from controller.parts.journal import Entry
from controller.signals import SAFE_UNIT_OUTPUTS, Verb
from controller.unit.outputs import DRIVES
from controller.unit.sequencer import Sequencer
from controller.unit.states import EVENT_TEXT, Answer, Event, UnitState
from controller.unit.table import CELLS

S = UnitState


def lines(rig: UnitRig) -> list[tuple[str, str]]:
    """Kind and text of every journal line."""
    return [(entry.kind, entry.text) for entry in rig.sequencer.events]


# --- moves ----------------------------------------------------------------------------------------------


def test_a_run_is_written_down_move_by_move() -> None:
    rig = UnitRig(QUICK)
    rig.until(S.PURGE, 1000)
    rig.until(S.PRODUCE, 30)
    rig.permit(call=False).until(S.STANDBY, 200)

    assert lines(rig) == [
        ("move", "BOOT > STANDBY: step complete"),
        ("move", "STANDBY > STOP_FLUSH: step complete"),
        ("move", "STOP_FLUSH > STANDBY: step complete"),
        ("move", "STANDBY > WAIT_PERMIT: called by the bank"),
        ("move", "WAIT_PERMIT > START_FLUSH: step complete"),
        ("move", "START_FLUSH > DELAY: step complete"),
        ("move", "DELAY > PUMP_START: step complete"),
        ("move", "PUMP_START > PRODUCE: step complete"),
        ("move", "PRODUCE > PURGE: step complete"),
        ("move", "PURGE > PRODUCE: step complete"),
        ("move", "PRODUCE > STOPPING, then STANDBY: no longer called"),
        ("move", "STOPPING > STOP_FLUSH: step complete"),
        ("move", "STOP_FLUSH > STANDBY: step complete"),
    ]


def test_a_line_carries_moment_and_unit() -> None:
    rig = UnitRig(QUICK, unit=3, n_units=4).permit(token=False)

    rig.until(S.STANDBY, 10)

    assert rig.sequencer.events == [Entry(rig.now_ms, 3, "move", "BOOT > STANDBY: step complete")]


def test_the_first_pump_start_after_maintenance_asks_for_a_person_once() -> None:
    rig = unit_in(S.MAINTENANCE, QUICK).hold(selector_auto=False)
    rig.run(2)
    rig.command(Verb.RETURN_TO_SERVICE).step()
    rig.free().permit(call=True, token=True).until(S.PRODUCE, 400)
    rig.permit(call=False).until(S.STANDBY, 100)
    rig.permit(call=True).until(S.PRODUCE, 400)

    assert rig.texts("note") == ["first start after maintenance: a person must be present"]
    after = rig.texts("move").index("DELAY > PUMP_START: step complete")
    assert rig.texts("move")[:after].count("WAIT_PERMIT > START_FLUSH: step complete") == 2
    assert "START_FLUSH > STOPPING, then STANDBY: flush slot refused or expired" in rig.texts("move")[:after]


# --- causes ---------------------------------------------------------------------------------------------


def test_a_cause_is_written_down_when_it_comes_and_again_when_it_comes_back() -> None:
    rig = unit_in(S.PRODUCE)
    for _ in range(2):
        rig.hold(concentrate_flow_ma=0.0).run(5)
        rig.free().run(15)

    assert lines(rig) == [("cause", "another unit transmitter BAD")] * 2


def test_all_causes_that_come_in_one_scan_are_written_down_before_the_move() -> None:
    rig = unit_in(S.PRODUCE).permit(events=(Event.CLOCK_STEP,)).hold(motor_healthy=False, discharge_ok=False)

    rig.step()

    assert lines(rig) == [
        ("cause", "discharge pressure switch opened"),
        ("cause", "motor protector opened"),
        ("cause", "wall clock stepped"),
        ("move", "PRODUCE > STOPPING, then LOCKOUT: discharge pressure switch opened"),
    ]


RECORDED = [
    (state, event)
    for (state, event), cell in CELLS.items()
    if cell is Answer.RECORD and event is not Event.CALL_WITHDRAWN  # what stands for hours is no news
]


@pytest.mark.parametrize(
    ("state", "event"), RECORDED, ids=[f"{state}-E{event:02d}" for state, event in RECORDED]
)
def test_what_is_to_be_recorded_only_is_written_down_and_changes_nothing(
    state: UnitState, event: Event
) -> None:
    rig, undisturbed = unit_in(state).free("motor_healthy"), unit_in(state).free("motor_healthy")
    rig.step()  # the cause of a lockout has gone
    undisturbed.step()

    rig.permit(events=(event,)).step()
    undisturbed.step()

    assert rig.texts("cause") == [EVENT_TEXT[event]]
    assert (rig.state, rig.out) == (undisturbed.state, undisturbed.out)


def test_a_stop_flush_that_does_not_show_itself_is_written_down_and_goes_on() -> None:
    rig = unit_in(S.STOP_FLUSH).hold(concentrate_m3h=0.5)

    rig.run(9.5)
    assert rig.texts("cause") == []
    rig.run(60)

    assert lines(rig) == [("cause", "flush did not show itself")]
    assert rig.state is S.STOP_FLUSH
    assert rig.out.flush_valve


def test_calls_and_a_resting_motor_are_no_causes() -> None:
    rig = unit_in(S.STANDBY).permit(token=False)

    rig.permit(call=True).run(5)
    rig.permit(call=False).run(5)
    rig.permit(call=True).run(90)

    assert rig.state is S.WAIT_PERMIT
    assert rig.texts("cause") == []


@pytest.mark.parametrize("state", [S.OFF, S.MAINTENANCE])
def test_an_emergency_stop_that_stands_is_one_line_where_it_moves_nothing(state: UnitState) -> None:
    rig = unit_in(state).permit(estop_open=True)

    rig.run(5)

    assert lines(rig) == [
        ("cause", "emergency stop chain open"),
        ("move", f"{state} > {state}: emergency stop chain open"),
    ]


def test_a_welded_contactor_that_stands_in_lockout_is_one_line() -> None:
    rig = unit_in(S.LOCKOUT).free().hold(pump_running=True)

    rig.run(10)

    assert lines(rig) == [
        ("cause", "pump runs when commanded off"),
        ("move", "LOCKOUT > LOCKOUT: pump runs when commanded off"),
    ]


# --- a state that is none -------------------------------------------------------------------------------


def broken(state: UnitState) -> UnitRig:
    """A unit in that state, whose memory of it is destroyed just before a scan."""
    rig = unit_in(state)
    rig.run(0.5)
    rig.sequencer.memory.state = "NONSENSE"  # type: ignore[assignment]  # that is the point
    return rig


def test_an_illegal_state_is_written_down_with_moment_and_unit() -> None:
    rig = broken(S.PRODUCE)

    rig.step()

    assert rig.sequencer.events == [Entry(rig.now_ms, 1, "cause", "illegal state 'NONSENSE'")]
    assert rig.out == SAFE_UNIT_OUTPUTS


def test_an_illegal_state_after_a_whole_start_flush_owes_one_again() -> None:
    rig = broken(S.DELAY)
    assert not rig.sequencer.memory.flush_owed

    rig.step()

    assert rig.sequencer.memory.flush_owed


def test_after_an_illegal_state_no_pump_runs_on_the_flush_of_before(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = broken(S.PRODUCE)
    monkeypatch.setitem(DRIVES, S.BOOT, DRIVES[S.PRODUCE])  # even where the state logic is wrong

    rig.run(1)

    assert rig.state is S.BOOT
    assert rig.out.feed_valve
    assert not any(sample.out.pump for sample in rig.trace[-10:])


@pytest.mark.parametrize(("state", "leaks"), [(S.PRODUCE, True), (S.STANDBY, False)])
def test_a_feed_valve_is_judged_for_leaking_from_an_illegal_state_on_only_if_it_was_open(
    state: UnitState, leaks: bool
) -> None:
    rig = broken(state).permit(token=False, call=False).hold(suction_bar=2.0)

    rig.run(59)
    assert rig.texts("cause") == ["illegal state 'NONSENSE'"]
    rig.run(2)

    assert ("feed valve did not close" in rig.texts("cause")) is leaks


# --- what a person is shown -----------------------------------------------------------------------------


def test_before_its_first_scan_a_unit_waits_for_nothing() -> None:
    assert Sequencer(1, 1, QUICK).waits_for() == ""


def test_a_unit_whose_step_is_complete_says_so() -> None:
    rig = unit_in(S.STANDBY).permit(call=True, token=False)
    rig.run(100)
    assert rig.sequencer.waits_for() == "waiting for a flush slot"

    rig.permit(token=True).age_ms = 1_500  # a stale image completes no step
    rig.step()

    assert rig.sequencer.waits_for() == "step complete"
