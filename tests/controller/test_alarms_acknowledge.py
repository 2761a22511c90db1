"""Acknowledging an alarm: what it does, and above all what it does not."""

from __future__ import annotations

import pytest
from alarms_desk import refusals, state, tell, with_warning
from bank_harness import producing_bank
from test_snapshot import twin_of

from controller.alarms.scope import Scope, Seen
from controller.signals import Command, Verb
from controller.unit.states import UnitState


def every_alarm_active(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on every cause stands for every alarm, and nothing hides one."""
    step = Scope.step

    def flooded(self: Scope, seen: Seen, now_ms: int) -> bool:
        self._wiring = tuple(w._replace(by_condition=0, by_alarm=0, by_bank=0) for w in self._wiring)
        return step(self, seen._replace(active=-1 + (1 << 64), slow=((1 << 112) - 1) << 64), now_ms)

    monkeypatch.setattr(Scope, "step", flooded)


@pytest.mark.parametrize("locked_out", [False, True])
def test_acknowledging_every_active_alarm_changes_no_output(
    locked_out: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = producing_bank(2)
    every_alarm_active(monkeypatch)
    if locked_out:
        rig.units[0]["motor_healthy"] = False
    rig.run(400)  # longer than any delay of an alarm, so all have come; the horn has given up
    rig.bank["floor_dry"] = False  # and sounds again
    rig.run(3)
    twin = twin_of(rig)
    shown = rig.controller.alarms()
    assert len(shown) == sum(len(scope.rules) for scope in rig.controller._alarms.scopes)
    assert {a.state.value for a in shown} == {"UNACK"}
    assert rig.out.bank.horn

    rig._commands = tuple(Command(Verb.ACKNOWLEDGE, unit, "Ada") for unit in range(3))
    for _ in range(900):  # longer than the horn sounds
        rig.step()
        twin.step()
        assert rig.out == twin.out
        assert rig.states == twin.states

    assert {a.state.value for a in rig.controller.alarms()} == {"ACKED"}
    assert {a.state.value for a in twin.controller.alarms()} == {"UNACK"}


def test_acknowledging_one_alarm_leaves_the_others() -> None:
    rig = with_warning()
    rig.units[0]["permeate_flow_ma"] = 0.0
    rig.run(5)

    tell(rig, Verb.ACKNOWLEDGE, "flow transmitter bad")

    assert state(rig, "flow transmitter bad") == "ACKED"
    assert state(rig, "membrane pressure rising") == "UNACK"


def test_acknowledging_a_latched_alarm_leaves_the_lockout() -> None:
    rig = producing_bank(1)
    rig.units[0]["motor_healthy"] = False
    rig.run(5)
    rig.units[0]["motor_healthy"] = True
    rig.run(1)
    assert state(rig, "motor protector open") == "LATUN"

    tell(rig, Verb.ACKNOWLEDGE, "motor protector open")
    rig.run(100)

    assert state(rig, "motor protector open") == "LATACK"
    assert rig.states == (UnitState.LOCKOUT,)
    rig.press_reset()
    assert state(rig, "motor protector open") == "NORM"


def test_a_refused_reset_leaves_the_alarm_latched() -> None:
    rig = producing_bank(1)
    rig.units[0]["motor_healthy"] = False
    rig.run(5)
    rig.units[0]["motor_healthy"] = True
    rig.run(30)  # the protector must stay closed for 60 s

    rig.press_reset()

    assert state(rig, "motor protector open") == "LATUN"


@pytest.mark.parametrize(
    ("name", "unit", "by", "reason"),
    [
        (
            "membrane pressure rising",
            1,
            "",
            "acknowledge membrane pressure rising: needs the name of a person",
        ),
        ("nonsense", 1, "Ada", "acknowledge nonsense: there is no alarm of that name"),
        ("skid leak", 1, "Ada", "acknowledge skid leak: it is NORM"),
        ("", 2, "Ada", "acknowledge all: nothing to acknowledge"),
        ("", 3, "Ada", "acknowledge all: there is no unit 3"),
        ("", -1, "Ada", "acknowledge all: there is no unit -1"),
    ],
)
def test_an_acknowledgement_that_means_nothing_is_refused_with_the_reason(
    name: str, unit: int, by: str, reason: str
) -> None:
    rig = with_warning()

    tell(rig, Verb.ACKNOWLEDGE, name, unit, by)

    assert refusals(rig) == [reason]
    assert state(rig, "membrane pressure rising") == "UNACK"


def test_the_journal_names_who_acknowledged() -> None:
    rig = with_warning()

    tell(rig, Verb.ACKNOWLEDGE, "membrane pressure rising", by="Ada")

    lines = [(e.unit, e.text) for e in rig.controller.take_events() if e.kind == "alarm"]
    assert lines == [(1, "membrane pressure rising: UNACK > ACKED, by Ada")]
