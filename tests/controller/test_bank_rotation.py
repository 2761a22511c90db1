"""Rotation, a poor blend, floats alone, and a supply that comes and goes."""

from __future__ import annotations

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK

from controller.settings import Setpoints
from controller.unit.states import UnitState

S = UnitState
LONG = Setpoints(**(QUICK.model_dump() | {"rotation_h": 1, "min_run_min": 0, "min_rest_min": 10}))


def one_wanted(setpoints: Setpoints) -> BankRig:
    """Two units, one of them wanted and producing."""
    rig = BankRig(2, setpoints)
    rig.bank["level_pct"] = 80.0
    rig.until(lambda r: r.states.count(S.PRODUCE) == 1, 400)
    return rig


def test_a_unit_that_has_run_its_time_makes_room_for_one_that_is_ready() -> None:
    rig = one_wanted(LONG)
    first = rig.states.index(S.PRODUCE)

    rig.run(3_900)

    assert rig.states[1 - first] in (S.PRODUCE, S.PURGE)
    assert rig.states[first] is S.STANDBY


def test_nobody_rotates_while_no_other_unit_is_ready() -> None:
    rig = one_wanted(LONG)
    first = rig.states.index(S.PRODUCE)
    rig.units[1 - first]["selector_auto"] = False

    rig.run(4_200)

    assert rig.states[first] in (S.PRODUCE, S.PURGE)


@pytest.mark.parametrize(("returns", "held"), [(2, False), (3, True)])
def test_a_supply_that_comes_and_goes_is_waited_out(returns: int, held: bool) -> None:
    text = BankRig(1, QUICK).controller.retained()
    for _ in range(returns - 1):
        text = BankRig(1, QUICK, retained=text).controller.retained()

    rig = BankRig(1, QUICK, retained=text)
    rig.run(600)

    assert (rig.states[0] is not S.PRODUCE) is held


def test_a_bank_that_waits_the_supply_out_says_so_and_for_how_long() -> None:
    text = BankRig(1, QUICK).controller.retained()
    for _ in range(2):
        text = BankRig(1, QUICK, retained=text).controller.retained()
    rig = BankRig(1, QUICK, retained=text)

    rig.run(60)

    assert rig.controller.waits() == ("power came and went: held, 840 s to go",)


def test_after_the_hold_the_bank_starts() -> None:
    text = BankRig(1, QUICK).controller.retained()
    for _ in range(3):
        text = BankRig(1, QUICK, retained=text).controller.retained()
    rig = BankRig(1, QUICK, retained=text)

    took_s = rig.until(lambda r: r.states == (S.PRODUCE,), 1_500)

    assert took_s >= 60 * QUICK.brownout_min


def test_without_auto_resume_a_bank_waits_for_a_start_command() -> None:
    setpoints = Setpoints(**(QUICK.model_dump() | {"auto_resume": False}))
    text = BankRig(1, setpoints).controller.retained()

    rig = BankRig(1, setpoints, retained=text)
    rig.run(600)

    assert rig.states == (S.STANDBY,)
    assert "start command" in rig.controller.waits()[0]


@pytest.mark.parametrize(("hours", "running"), [(0, False), (1, True)])
def test_the_floats_alone_serve_only_for_as_long_as_a_person_has_set(hours: float, running: bool) -> None:
    rig = producing_bank(1, Setpoints(**(QUICK.model_dump() | {"level_fallback_h": hours})))

    rig.bank["tank_level_ma"] = 0.0
    rig.run(120)

    assert rig.out.units[0].pump is running
