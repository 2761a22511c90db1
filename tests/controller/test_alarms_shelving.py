"""Putting an alarm aside: by whom, why, for how long, and what comes back."""

from __future__ import annotations

from math import inf, nan

import pytest
from alarms_desk import alarm, refusals, state, tell, with_warning
from bank_harness import BankRig, producing_bank
from harness import QUICK
from test_snapshot import twin_of

from controller.signals import Verb
from controller.unit.states import UnitState


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
