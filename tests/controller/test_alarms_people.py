"""What people may do with alarms: acknowledge, shelve; and what that never does."""

from __future__ import annotations

from math import inf, nan

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK
from test_snapshot import twin_of

from controller.alarms.board import AlarmView
from controller.alarms.scope import Scope, Seen
from controller.signals import Command, Verb
from controller.unit.states import UnitState


def alarm(rig: BankRig, name: str, unit: int = 1) -> AlarmView | None:
    """The alarm as shown; None while it is NORM."""
    return next((a for a in rig.controller.alarms() if (a.unit, a.id) == (unit, name)), None)


def state(rig: BankRig, name: str, unit: int = 1) -> str:
    shown = alarm(rig, name, unit)
    return shown.state.value if shown else "NORM"


def tell(rig: BankRig, verb: Verb, name: str = "", unit: int = 1, by: str = "Ada", **more: object) -> None:
    """Give a command about alarms in the next scan, and make that scan."""
    rig._commands = (Command(verb, unit, by, alarm=name, **more),)  # type: ignore[arg-type]  # fields of Command
    rig.step()


def refusals(rig: BankRig) -> list[str]:
    return [e.text for e in rig.controller.take_events() if e.kind == "refused"]


def with_warning() -> BankRig:
    """Two producing units; unit 1 has a warning of priority 3 that stops nothing."""
    rig = producing_bank(2)
    rig.units[0]["membrane_bar"] = 15.0
    rig.run(4)
    assert state(rig, "membrane pressure rising") == "UNACK"
    rig.controller.take_events()
    return rig


# --- acknowledge --------------------------------------------------------------------------------------


def every_alarm_active(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on every cause stands for every alarm, and nothing hides one."""
    step = Scope.step

    def flooded(self: Scope, seen: Seen, now_ms: int) -> bool:
        self._wiring = tuple(w._replace(by_condition=0, by_alarm=0, by_bank=0) for w in self._wiring)
        return step(self, seen._replace(active=-1 + (1 << 64), slow=((1 << 96) - 1) << 64), now_ms)

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


# --- shelving -----------------------------------------------------------------------------------------


def test_a_shelved_alarm_comes_back_when_its_time_is_over() -> None:
    rig = with_warning()
    tell(rig, Verb.SHELVE, "membrane pressure rising", reason="transmitter drifts", hours=0.05)
    shelved_ms = rig.now_ms
    shown = alarm(rig, "membrane pressure rising")
    assert shown is not None
    assert shown.state.value == "SHLVD"
    assert shown.shelf == ("Ada", "transmitter drifts", shelved_ms + 180_000)

    took_s = rig.until(lambda r: state(r, "membrane pressure rising") != "SHLVD", 200)

    assert took_s == pytest.approx(180 - 0.1)
    assert state(rig, "membrane pressure rising") == "UNACK"
    texts = [e.text for e in rig.controller.take_events() if e.kind == "alarm" and "rising" in e.text]
    assert texts == [
        "membrane pressure rising: UNACK > SHLVD, by Ada for 0.05 h: transmitter drifts",
        "membrane pressure rising: SHLVD > UNACK, the time is over",
    ]


def test_a_shelved_alarm_whose_cause_has_gone_comes_back_as_normal() -> None:
    rig = with_warning()
    tell(rig, Verb.SHELVE, "membrane pressure rising", reason="transmitter drifts", hours=0.05)
    rig.units[0].clear()
    rig.run(200)

    assert state(rig, "membrane pressure rising") == "NORM"


def test_a_person_may_take_an_alarm_back_early() -> None:
    rig = with_warning()
    tell(rig, Verb.SHELVE, "membrane pressure rising", reason="transmitter drifts", hours=8)

    tell(rig, Verb.UNSHELVE, "membrane pressure rising")

    assert state(rig, "membrane pressure rising") == "UNACK"


@pytest.mark.parametrize(
    ("name", "by", "reason", "hours", "refusal"),
    [
        ("membrane pressure rising", "", "drifts", 1.0, "needs the name of a person"),
        ("membrane pressure rising", "Ada", "", 1.0, "needs a reason"),
        ("membrane pressure rising", "Ada", "drifts", 0.0, "needs a time up to 8 h"),
        ("membrane pressure rising", "Ada", "drifts", -1.0, "needs a time up to 8 h"),
        ("membrane pressure rising", "Ada", "drifts", 8.01, "needs a time up to 8 h"),
        ("membrane pressure rising", "Ada", "drifts", nan, "needs a time up to 8 h"),
        ("membrane pressure rising", "Ada", "drifts", inf, "needs a time up to 8 h"),
        ("skid leak", "Ada", "drifts", 1.0, "an alarm of priority 1 cannot be shelved"),
        ("", "Ada", "drifts", 1.0, "there is no alarm of that name"),
        ("nonsense", "Ada", "drifts", 1.0, "there is no alarm of that name"),
    ],
)
def test_shelving_needs_a_person_a_reason_and_an_expiry_and_no_critical_alarm(
    name: str, by: str, reason: str, hours: float, refusal: str
) -> None:
    rig = with_warning()

    tell(rig, Verb.SHELVE, name, by=by, reason=reason, hours=hours)

    assert refusals(rig) == [f"shelve {name or 'all'}: {refusal}"]
    assert state(rig, "membrane pressure rising") == "UNACK"


def test_the_longest_time_on_the_shelf_is_a_setpoint() -> None:
    rig = with_warning()
    rig.controller.change_setpoint("shelve_max_h", 2, "Ada", "site rule", rig.now_ms)

    tell(rig, Verb.SHELVE, "membrane pressure rising", reason="drifts", hours=2.1)
    tell(rig, Verb.SHELVE, "purge late", reason="drifts", hours=2.0)

    assert refusals(rig) == ["shelve membrane pressure rising: needs a time up to 2 h"]
    assert state(rig, "purge late") == "SHLVD"


def test_a_shelf_cannot_be_lengthened_in_place() -> None:
    rig = with_warning()
    tell(rig, Verb.SHELVE, "membrane pressure rising", reason="drifts", hours=1)

    tell(rig, Verb.SHELVE, "membrane pressure rising", reason="drifts", hours=8)

    assert refusals(rig) == ["shelve membrane pressure rising: it is SHLVD"]


def test_an_alarm_that_waits_for_its_reset_cannot_be_shelved() -> None:
    rig = producing_bank(1)
    rig.units[0]["motor_healthy"] = False
    rig.run(5)
    rig.units[0].clear()
    rig.run(1)

    tell(rig, Verb.SHELVE, "motor protector open", reason="drifts", hours=1)

    assert state(rig, "motor protector open") == "LATUN"


@pytest.mark.parametrize("unit", [1, 0])
def test_what_is_not_shelved_cannot_be_taken_back(unit: int) -> None:
    rig = with_warning()
    name = "membrane pressure rising" if unit else "feed warm"

    tell(rig, Verb.UNSHELVE, name, unit)

    assert len(refusals(rig)) == 1


def test_a_unit_out_of_service_has_nothing_to_take_back() -> None:
    rig = producing_bank(1)
    rig.command(Verb.MAINTAIN, 1)
    rig.until(lambda r: r.states == (UnitState.MAINTENANCE,), 300)
    rig.controller.take_events()

    tell(rig, Verb.UNSHELVE, "suction falling")

    assert refusals(rig) == ["unshelve suction falling: it is OOSRV"]


def test_shelving_a_lockout_leaves_the_relay_dropped() -> None:
    rig = producing_bank(1)
    rig.units[0]["motor_healthy"] = False
    rig.run(5)

    tell(rig, Verb.SHELVE, "motor protector open", reason="known", hours=1)
    rig.run(5)

    assert state(rig, "motor protector open") == "SHLVD"
    assert not rig.out.bank.alarm_relay


def test_a_restored_board_goes_on_with_its_shelf_and_its_acknowledgements() -> None:
    rig = with_warning()
    tell(rig, Verb.SHELVE, "membrane pressure rising", reason="drifts", hours=0.01)
    tell(rig, Verb.SHELVE, "purge late", unit=2, reason="drifts", hours=0.02)
    twin = twin_of(rig)

    for _ in range(900):
        rig.step()
        twin.step()
        assert twin.controller.alarms() == rig.controller.alarms()

    assert twin.controller.snapshot() == rig.controller.snapshot()
    assert state(twin, "membrane pressure rising") == "UNACK"


def test_a_restart_empties_the_shelf() -> None:
    rig = with_warning()
    tell(rig, Verb.SHELVE, "purge late", reason="drifts", hours=8)

    after = BankRig(2, QUICK, retained=rig.controller.retained())
    after.run(1)

    assert state(after, "purge late") == "NORM"


def test_commands_about_alarms_reach_no_sequence() -> None:
    rig, twin = with_warning(), with_warning()

    for verb in (Verb.SHELVE, Verb.UNSHELVE, Verb.ACKNOWLEDGE):
        tell(rig, verb, "membrane pressure rising", reason="drifts", hours=1)
        twin.step()

    rig.run(10)
    twin.run(10)
    assert [t[1:] for t in rig.trace] == [t[1:] for t in twin.trace]
