"""What people ask for: start, stop, maintenance, return to service; and when it is refused."""

from __future__ import annotations

from itertools import pairwise

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK, UnitRig, unit_in

from controller.signals import SAFE_UNIT_OUTPUTS, Verb
from controller.unit.states import PUMPING, STATES, UnitState

S = UnitState


def returned(rig: UnitRig) -> UnitRig:
    """From MAINTENANCE back to AUTO, selector off and on as it must be."""
    rig.hold(selector_auto=False).run(2)
    rig.command(Verb.RETURN_TO_SERVICE).step()
    rig.free().run(2)
    return rig


# --- stop and start -------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", sorted(PUMPING))
def test_a_stop_command_stops_with_a_flush_and_the_call_does_not_restart_the_unit(state: UnitState) -> None:
    rig = unit_in(state).command(Verb.STOP)
    rig.step()
    assert not rig.out.pump
    rig.until(S.STANDBY, 200)

    rig.run(600)

    assert rig.state is S.STANDBY
    assert "needs a start command" in rig.sequencer.waits_for()


def test_a_start_command_lets_the_bank_call_the_unit_again() -> None:
    rig = unit_in(S.STANDBY).permit(call=True)
    rig.command(Verb.STOP).run(120)
    assert rig.state is S.STANDBY

    rig.command(Verb.START).run(0.3)

    assert rig.state is S.WAIT_PERMIT


def test_a_start_command_without_a_call_starts_nothing() -> None:
    rig = unit_in(S.STANDBY)
    rig.run(120)

    rig.command(Verb.START).run(120)

    assert rig.state is S.STANDBY


@pytest.mark.parametrize("state", [S.BOOT, S.OFF, S.MAINTENANCE, S.LOCKOUT, S.ESTOP])
def test_a_start_command_is_refused_where_the_matrix_refuses_it(state: UnitState) -> None:
    rig = unit_in(state)
    rig.run(1)

    rig.command(Verb.START).step()

    assert rig.texts("refused") == [f"start: not from {state}"]


def test_a_stopped_unit_stays_stopped_over_a_loss_of_power() -> None:
    before = producing_bank(1)
    before.command(Verb.STOP, 1)
    before.run(60)

    rig = BankRig(1, retained=before.controller.retained())
    rig.run(400)

    assert rig.controller.waits() == ("stopped by a person; needs a start command",)


# --- refusals -------------------------------------------------------------------------------------------


def test_a_command_given_against_a_state_that_has_passed_is_refused() -> None:
    rig = unit_in(S.PRODUCE).command(Verb.MAINTAIN, against="STANDBY")

    rig.step()

    assert rig.state is S.PRODUCE
    assert rig.texts("refused") == ["maintain: given against STANDBY, the unit is in PRODUCE"]


def test_a_command_that_names_no_state_is_refused() -> None:
    rig = unit_in(S.STANDBY).command(Verb.MAINTAIN, against="")

    rig.step()

    assert rig.texts("refused") == ["maintain: given against no state, the unit is in STANDBY"]


@pytest.mark.parametrize("state", sorted(PUMPING))
def test_a_stop_is_taken_whatever_state_it_names(state: UnitState) -> None:
    rig = unit_in(state).command(Verb.STOP, against="OFF")

    rig.step()

    assert not rig.out.pump


@pytest.mark.parametrize(("gap_s", "taken"), [(0.9, False), (1.0, True)])
def test_a_command_within_a_second_of_the_last_one_is_too_fast(gap_s: float, taken: bool) -> None:
    rig = unit_in(S.STANDBY)
    rig.command(Verb.START).step()
    rig.run(gap_s - 0.1)

    rig.command(Verb.MAINTAIN).step()

    assert (rig.state is S.MAINTENANCE) is taken
    assert rig.texts("refused") == ([] if taken else ["maintain: too fast"])


def test_a_stop_is_never_too_fast() -> None:
    rig = unit_in(S.PRODUCE)
    rig.command(Verb.START).step()

    rig.command(Verb.STOP).step()

    assert not rig.out.pump


# --- maintenance ----------------------------------------------------------------------------------------


def test_maintenance_is_refused_when_enough_units_are_out() -> None:
    rig = unit_in(S.STANDBY).permit(maintenance_slot=False).command(Verb.MAINTAIN)

    rig.step()

    assert rig.state is S.STANDBY
    assert len(rig.texts("refused")) == 1


def test_one_unit_at_a_time_may_be_out() -> None:
    rig = producing_bank(2)
    rig.command(Verb.MAINTAIN, 1)
    rig.until(lambda r: r.states[0] is S.MAINTENANCE, 60)
    rig.step()

    rig.command(Verb.MAINTAIN, 2)
    rig.run(60)

    assert rig.states[1] is S.PRODUCE


def test_a_running_unit_is_stopped_with_a_flush_before_maintenance() -> None:
    rig = unit_in(S.PRODUCE).command(Verb.MAINTAIN)

    rig.until(S.MAINTENANCE, 200)

    assert S.STOP_FLUSH in {sample.state for sample in rig.trace}
    assert not rig.sequencer.memory.flush_owed


@pytest.mark.parametrize("verb", [Verb.START, Verb.STOP, Verb.MAINTAIN])
def test_a_unit_out_for_maintenance_drives_nothing_whatever_is_asked(verb: Verb) -> None:
    rig = unit_in(S.MAINTENANCE).permit(call=True)
    for _ in range(20):
        rig.command(verb).reset().run(1.1)

    assert rig.state is S.MAINTENANCE
    assert all(sample.out == SAFE_UNIT_OUTPUTS for sample in rig.trace)


def test_maintenance_survives_a_loss_of_power() -> None:
    before = producing_bank(1)
    before.command(Verb.MAINTAIN, 1)
    before.until(lambda r: r.states[0] is S.MAINTENANCE, 60)

    rig = BankRig(1, retained=before.controller.retained())
    rig.run(400)

    assert rig.states == (S.MAINTENANCE,)
    assert not any(outputs[0].feed_valve for _, _, outputs, _ in rig.trace)


@pytest.mark.parametrize("held", [{"selector_auto": True}, {"selector_auto": False, "isolator_on": False}])
def test_return_to_service_needs_the_selector_off_and_the_isolator_on(held: dict[str, bool]) -> None:
    rig = unit_in(S.MAINTENANCE).hold(**held)
    rig.run(1)

    rig.command(Verb.RETURN_TO_SERVICE).run(2)

    assert rig.state is S.MAINTENANCE
    assert rig.texts("refused") == ["return to service: needs the selector OFF and the isolator on"]


def test_return_to_service_needs_a_name() -> None:
    rig = unit_in(S.MAINTENANCE).hold(selector_auto=False)
    rig.run(2)

    rig.command(Verb.RETURN_TO_SERVICE, by="").run(2)

    assert rig.state is S.MAINTENANCE


@pytest.mark.parametrize("state", [s for s in STATES if s is not S.MAINTENANCE])
def test_return_to_service_means_nothing_outside_maintenance(state: UnitState) -> None:
    rig = unit_in(state).hold(selector_auto=False)
    twin = rig.fork()

    rig.command(Verb.RETURN_TO_SERVICE).run(1)
    twin.run(1)

    assert rig.state is twin.state
    assert rig.out == twin.out


def test_after_return_to_service_the_unit_is_off_and_waits_for_auto() -> None:
    rig = unit_in(S.MAINTENANCE).hold(selector_auto=False)
    rig.run(2)

    rig.command(Verb.RETURN_TO_SERVICE).run(60)

    assert rig.state is S.OFF


def test_after_maintenance_the_first_pump_start_follows_two_start_flushes() -> None:
    rig = returned(unit_in(S.MAINTENANCE, QUICK)).permit(call=True)
    rig.until(S.WAIT_PERMIT, 200)

    rig.permit(token=True).until(S.PRODUCE, 400)

    entered = [b.state for a, b in pairwise(rig.trace) if b.state is not a.state]
    assert entered.count(S.START_FLUSH) == 2
    assert entered.count(S.PUMP_START) == 1


def test_the_next_start_after_that_needs_one_flush_again() -> None:
    rig = returned(unit_in(S.MAINTENANCE, QUICK)).permit(call=True, token=True)
    rig.until(S.PRODUCE, 400)
    rig.permit(call=False).until(S.STANDBY, 100)
    start = len(rig.trace)

    rig.permit(call=True).until(S.PRODUCE, 400)

    entered = [b.state for a, b in pairwise(rig.trace[start:]) if b.state is not a.state]
    assert entered.count(S.START_FLUSH) == 1


def test_the_second_flush_is_not_forgotten_over_a_loss_of_power() -> None:
    before = producing_bank(1)
    before.command(Verb.MAINTAIN, 1)
    before.until(lambda r: r.states[0] is S.MAINTENANCE, 60)
    before.units[0]["selector_auto"] = False
    before.run(1)
    before.command(Verb.RETURN_TO_SERVICE, 1)
    before.run(1)

    rig = BankRig(1, retained=before.controller.retained())
    rig.until(lambda r: r.states == (S.PRODUCE,), 400)

    states = [states[0] for _, states, _, _ in rig.trace]
    assert sum(a is not b and b is S.START_FLUSH for a, b in pairwise(states)) == 2
