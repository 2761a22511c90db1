"""A defect in the alarms stops nothing, and is itself alarmed: the relay drops until they work again."""

from __future__ import annotations

import pytest
from alarms_desk import state
from bank_harness import BankRig, producing_bank
from test_snapshot import twin_of

from controller.alarms.evidence import UNIT_CONDITIONS, UnitSight
from controller.alarms.scope import Scope
from controller.firmware import ALARMS_WORK_S
from controller.unit.states import UnitState

LIMIT = "membrane pressure above the alarm limit"
ALARM = "membrane pressure rising"


def broken(_sight: UnitSight) -> bool:
    raise ZeroDivisionError("a defect")


def lines(rig: BankRig) -> list[str]:
    """Journal lines about the alarms as a whole."""
    return [e.text for e in rig.controller.take_events() if e.text.startswith("alarms ")]


def test_with_broken_alarms_the_outputs_are_those_of_a_bank_with_alarms(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rig, reference = producing_bank(2), producing_bank(2)
    for each in (reference, rig):
        if each is rig:
            monkeypatch.setitem(UNIT_CONDITIONS, LIMIT, broken)
        each.run(60)
        each.units[0]["suction_bar"] = 0.6
        each.run(60)

    assert [row[:3] for row in rig.trace] == [row[:3] for row in reference.trace]
    assert [row[3]._replace(alarm_relay=True, horn=False) for row in rig.trace] == [
        row[3]._replace(alarm_relay=True, horn=False) for row in reference.trace
    ]
    assert UnitState.RETRY_WAIT in {states[0] for _, states, _, _ in rig.trace}


def test_broken_alarms_drop_the_relay_sound_the_horn_and_are_told_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rig = producing_bank(1)
    rig.run(5)
    lines(rig)
    assert rig.out.bank.alarm_relay
    monkeypatch.setitem(UNIT_CONDITIONS, LIMIT, broken)

    rig.run(1)
    assert not rig.out.bank.alarm_relay
    assert rig.out.bank.horn
    rig.press_reset()
    rig.run(60)

    assert not rig.out.bank.alarm_relay
    assert not rig.out.bank.horn
    assert lines(rig) == ["alarms failed: ZeroDivisionError('a defect')"]


def test_alarms_that_work_again_show_what_stands_and_then_give_the_relay_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rig = producing_bank(1)
    with monkeypatch.context() as patch:
        patch.setitem(UNIT_CONDITIONS, LIMIT, broken)
        rig.units[0]["membrane_bar"] = 15.0
        rig.run(20)
    lines(rig)

    rig.run(4)
    assert state(rig, ALARM) == "UNACK"
    assert not rig.out.bank.alarm_relay
    rig.run(ALARMS_WORK_S - 4)
    rig.run(1)

    assert rig.out.bank.alarm_relay
    assert lines(rig) == ["alarms work again"]


def test_what_came_while_a_look_broke_off_is_shown_once_looks_come_to_their_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def break_off(*_: object) -> None:
        raise KeyError("a defect")

    rig = producing_bank(1)
    rig.run(5)
    rig.controller.take_events()
    with monkeypatch.context() as patch:
        patch.setattr(Scope, "settle", break_off)
        rig.units[0]["skid_dry"] = False
        rig.run(5)
    assert [e.text for e in rig.controller.take_events() if e.kind == "alarm"] == []

    rig.run(1)

    assert state(rig, "skid leak") == "UNACK"


def test_a_snapshot_of_broken_alarms_goes_on_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = producing_bank(2)
    with monkeypatch.context() as patch:
        patch.setitem(UNIT_CONDITIONS, LIMIT, broken)
        rig.units[0]["motor_healthy"] = False
        rig.run(5)
        twin = twin_of(rig)
        for each in (rig, twin):
            each.run(5)
    for each in (rig, twin):
        each.units[0]["motor_healthy"] = True
        each.run(15)

    assert twin.trace == rig.trace[-len(twin.trace) :]
    assert twin.controller.snapshot() == rig.controller.snapshot()
    assert "alarms work again" in lines(twin)
