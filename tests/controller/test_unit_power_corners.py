"""Corners of a loss of power: what a person must end, and nothing else ends."""

from __future__ import annotations

from harness import UnitRig, unit_in

from controller import retained
from controller.bank.memory import BankMemory
from controller.signals import Verb
from controller.unit.states import UnitState

S = UnitState


def powered_again(before: UnitRig) -> UnitRig:
    """The unit after a loss of power, with what its store has kept."""
    text = retained.encode(retained.gather(BankMemory(1), [before.sequencer.memory]))
    rig = UnitRig()
    retained.recall(text, BankMemory(1), [rig.sequencer.memory])
    return rig


def test_a_unit_out_for_maintenance_that_locks_out_after_power_up_goes_back_there_by_its_reset() -> None:
    rig = powered_again(unit_in(S.MAINTENANCE))
    rig.hold(pump_running=True).until(S.LOCKOUT, 10)
    rig.free().run(10)

    rig.reset()
    rig.run(300)

    assert rig.state is S.MAINTENANCE
    assert not any(rig.out._replace(beacon=False))
    assert rig.sequencer.memory.latched is None


def test_only_a_return_to_service_ends_that() -> None:
    rig = powered_again(unit_in(S.MAINTENANCE))
    rig.hold(pump_running=True).until(S.LOCKOUT, 10)
    rig.free().run(10)
    rig.reset()
    rig.hold(selector_auto=False).run(2)

    rig.command(Verb.RETURN_TO_SERVICE).run(1)

    assert rig.state is S.OFF


def test_a_selector_turned_during_an_estop_starts_nothing_after_a_loss_of_power() -> None:
    rig = unit_in(S.OFF).hold(selector_auto=False)
    rig.step()
    rig.free().permit(estop_open=True)
    rig.step()  # the selector is turned in the very scan in which the chain opens
    assert rig.state is S.OFF

    again = powered_again(rig).permit(estop_open=False)
    again.run(300)

    assert again.state is S.ESTOP
    again.reset()
    again.until(S.STANDBY, 20)


def test_a_unit_in_off_with_its_selector_away_is_not_held_by_an_estop_of_long_ago() -> None:
    rig = unit_in(S.OFF).hold(selector_auto=False).permit(estop_open=True)
    rig.run(1)

    again = powered_again(rig).hold(selector_auto=False)
    again.run(20)

    assert again.state is S.OFF


def test_turning_the_selector_again_ends_what_the_estop_left() -> None:
    rig = unit_in(S.OFF).hold(selector_auto=False)
    rig.step()
    rig.free().permit(estop_open=True)
    rig.step()
    rig.permit(estop_open=False).hold(selector_auto=False).run(1)

    rig.free().run(1)

    assert rig.state is not S.OFF
    assert not rig.sequencer.memory.estopped
