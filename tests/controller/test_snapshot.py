"""The whole state is in the snapshot; equal inputs give equal outputs; units do not know of each other."""

from __future__ import annotations

import copy
import pickle
from functools import cache

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK, UnitRig, unit_in

from controller.signals import Verb
from controller.unit.states import STATES, UnitState

S = UnitState


def twin_of(rig: BankRig) -> BankRig:
    """Another controller with the same field, restored from a snapshot."""
    twin = BankRig(rig.n_units, rig.controller.setpoints)
    twin.controller.restore(rig.controller.snapshot())
    twin.bank, twin.units = dict(rig.bank), [dict(held) for held in rig.units]
    twin.now_ms, twin.out = rig.now_ms, rig.out
    return twin


def disturb(rig: BankRig, scan: int) -> None:
    """A little of everything, by scan number only."""
    rig.bank["level_pct"] = 96.0 if 300 <= scan < 420 else 20.0
    rig.bank["reset_button"] = scan % 200 < 5
    rig.units[0]["suction_bar"] = 0.1 if 100 <= scan < 130 else 2.8
    rig.units[-1]["motor_healthy"] = not 600 <= scan < 610
    if scan == 700:
        rig.command(Verb.STOP, 1)


def test_a_restored_bank_gives_the_same_outputs_for_1000_scans() -> None:
    rig = producing_bank(3)
    twin = twin_of(rig)

    for scan in range(1_000):
        for each in (rig, twin):
            disturb(each, scan)
            each.step()

        assert twin.out == rig.out
    assert twin.controller.snapshot() == rig.controller.snapshot()


@pytest.mark.parametrize("state", STATES)
def test_a_unit_restored_in_any_state_gives_the_same_outputs_for_1000_scans(state: UnitState) -> None:
    rig = unit_in(state)
    twin = rig.fork()

    for scan in range(1_000):
        for each in (rig, twin):
            if scan == 500:
                each.free().permit(estop_open=False, call=True, token=True).reset()
            each.step()

        assert (twin.out, twin.request) == (rig.out, rig.request)
    assert twin.sequencer.memory == rig.sequencer.memory


def test_a_snapshot_is_not_changed_by_what_comes_after() -> None:
    rig = producing_bank(2)
    snapshot = rig.controller.snapshot()
    before = pickle.dumps(snapshot)

    rig.units[0]["motor_healthy"] = False
    rig.run(20)

    assert pickle.dumps(snapshot) == before
    assert rig.controller.snapshot() != snapshot


def test_a_snapshot_can_be_restored_again_and_again() -> None:
    rig = producing_bank(2)
    rig.bank["level_pct"] = 96.0
    first = twin_of(rig)
    snapshot = first.controller.snapshot()
    first.run(30)

    second = twin_of(rig)
    second.controller.restore(snapshot)
    second.run(30)
    third = twin_of(rig)
    third.controller.restore(snapshot)
    third.run(30)

    assert second.trace == third.trace == first.trace


def test_a_snapshot_survives_pickling() -> None:
    snapshot = producing_bank(2).controller.snapshot()

    assert pickle.loads(pickle.dumps(snapshot)) == snapshot


def test_two_controllers_with_the_same_inputs_give_the_same_outputs_and_journal() -> None:
    rigs = BankRig(2), BankRig(2)
    for rig in rigs:
        for scan in range(1_500):
            disturb(rig, scan % 1_000)
            rig.step()

    first, second = rigs
    assert first.trace == second.trace
    assert first.controller.take_events() == second.controller.take_events()


@pytest.mark.parametrize("origin_ms", [0, 7, 123_456_789, 10**12])
def test_the_origin_of_the_clock_makes_no_difference(origin_ms: int) -> None:
    reference, shifted = UnitRig(QUICK), UnitRig(QUICK)
    shifted.now_ms = origin_ms

    reference.run(200)
    shifted.run(200)

    assert [s[1:] for s in shifted.trace] == [s[1:] for s in reference.trace]


def test_taking_the_journal_changes_no_output() -> None:
    rig = producing_bank(2)
    twin = twin_of(rig)

    for scan in range(800):
        disturb(rig, scan)
        disturb(twin, scan)
        rig.step()
        twin.step()
        twin.controller.take_events()
        twin.controller.waits()

    assert rig.trace[1:] == twin.trace


def test_journal_lines_come_in_order_of_time_and_are_given_once() -> None:
    rig = producing_bank(2)
    for scan in range(800):
        disturb(rig, scan)
        rig.step()

    lines = rig.controller.take_events()

    assert lines
    assert lines == sorted(copy.copy(lines), key=lambda line: (line.t_ms, line.unit))
    assert rig.controller.take_events() == []


# --- units do not know of each other --------------------------------------------------------------------


def outputs_of(rig: BankRig, unit: int) -> list[tuple[UnitState, object]]:
    """States and outputs of one unit, scan by scan."""
    return [(states[unit - 1], outputs[unit - 1]) for _, states, outputs, _ in rig.trace]


def calm_bank() -> BankRig:
    """Two producing units on a header held still, so that only the firmware could carry trouble across."""
    rig = producing_bank(2)
    rig.bank["header_bar"] = 3.0
    return rig


@cache
def undisturbed() -> BankRig:
    """The same bank after 100 s without trouble."""
    rig = calm_bank()
    rig.run(100)
    return rig


@pytest.mark.parametrize(
    "trouble",
    [
        {"motor_healthy": False},
        {"skid_dry": False},
        {"selector_auto": False},
        {"isolator_on": False},
        {"suction_ma": 0.0},
        {"pump_running": False},
        {"membrane_bar": 20.0},
        {"permeate_ok": False},
    ],
    ids=str,
)
def test_trouble_in_one_unit_changes_no_output_of_another(trouble: dict[str, float | bool]) -> None:
    troubled = calm_bank()
    troubled.units[1] |= trouble

    troubled.run(100)

    assert outputs_of(troubled, 1) == outputs_of(undisturbed(), 1)
    assert outputs_of(troubled, 2) != outputs_of(undisturbed(), 2)


def test_a_silent_unit_changes_no_output_of_another() -> None:
    troubled = calm_bank()
    troubled.unit_age_ms[1] = 60_000

    troubled.run(100)

    assert outputs_of(troubled, 1) == outputs_of(undisturbed(), 1)
    assert troubled.states[1] is S.RETRY_WAIT


def test_a_unit_out_for_maintenance_changes_no_output_of_another() -> None:
    troubled = calm_bank()
    troubled.command(Verb.MAINTAIN, 2)

    troubled.run(100)

    assert outputs_of(troubled, 1) == outputs_of(undisturbed(), 1)
    assert troubled.states[1] is S.MAINTENANCE
