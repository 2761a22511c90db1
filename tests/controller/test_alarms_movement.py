"""A loop that stands still through a pump start or a purge is told as frozen."""

from __future__ import annotations

import pytest
from alarms_desk import state
from bank_harness import BankRig, producing_bank
from harness import QUICK
from test_snapshot import twin_of

from controller.alarms.movement import START_S
from controller.settings import Setpoints
from controller.unit.states import UnitState

S = UnitState
NAMES = {
    "suction_bar": ("suction pressure", 2.7),
    "membrane_bar": ("membrane pressure", 12.4),
    "permeate_m3h": ("permeate flow", 1.3),
    "concentrate_m3h": ("concentrate flow", 0.9),
}
SPAN = {"suction_bar": 6.0, "membrane_bar": 25.0, "permeate_m3h": 2.5, "concentrate_m3h": 5.0}
OFTEN = Setpoints(**(QUICK.model_dump() | {"purge_interval_s": 200}))


def settled(setpoints: Setpoints = OFTEN) -> BankRig:
    """One unit, past its start."""
    rig = producing_bank(1, setpoints)
    rig.run(START_S + 1)
    return rig


def purge(rig: BankRig) -> None:
    """Run through the next purge."""
    rig.until(lambda r: r.states[0] is S.PURGE, 300)
    rig.until(lambda r: r.states[0] is S.PRODUCE, 60)
    rig.run(1)


def moving(rig: BankRig) -> set[str]:
    return {a.id for a in rig.controller.alarms() if a.id.endswith("does not move")}


def test_a_healthy_unit_moves_every_loop_in_start_and_purge() -> None:
    rig = settled()
    for _ in range(3):
        purge(rig)

    assert moving(rig) == set()


@pytest.mark.parametrize("loop", NAMES)
def test_a_loop_that_stands_still_through_a_purge_is_told(loop: str) -> None:
    name, value = NAMES[loop]
    rig = settled()
    rig.units[0][loop] = value

    purge(rig)

    assert moving(rig) == {f"{name} does not move"}
    assert rig.states[0] is S.PRODUCE


def test_a_loop_that_moves_again_is_told_no_longer() -> None:
    rig = settled()
    rig.units[0]["membrane_bar"] = 12.4
    purge(rig)
    del rig.units[0]["membrane_bar"]

    purge(rig)

    assert state(rig, "membrane pressure does not move") == "RTNUN"


@pytest.mark.parametrize(("swing_pct", "told"), [(0.04, True), (0.06, False)])
@pytest.mark.parametrize("loop", NAMES)
def test_the_limit_is_half_a_thousandth_of_the_span(loop: str, swing_pct: float, told: bool) -> None:
    name, value = NAMES[loop]
    rig = settled()
    rig.units[0][loop] = value
    rig.until(lambda r: r.states[0] is S.PURGE, 300)
    rig.units[0][loop] = value + SPAN[loop] * swing_pct / 100

    rig.until(lambda r: r.states[0] is S.PRODUCE, 60)
    rig.run(1)

    assert (state(rig, f"{name} does not move") == "UNACK") is told


def test_a_conductivity_that_stands_still_is_told_after_a_start_and_not_after_a_purge() -> None:
    purged = settled()
    purged.units[0]["permeate_us"] = 150.0
    purge(purged)
    assert moving(purged) == set()

    started = BankRig(1, OFTEN)
    started.units[0]["permeate_us"] = 150.0
    started.until(lambda r: r.states[0] is S.PRODUCE, 300)
    started.run(START_S - 5)
    assert moving(started) == set()
    started.run(6)

    assert moving(started) == {"permeate conductivity does not move"}


def test_a_start_that_is_cut_short_says_nothing() -> None:
    rig = BankRig(1, OFTEN)
    rig.units[0]["permeate_us"] = 150.0
    rig.until(lambda r: r.states[0] is S.PRODUCE, 300)
    rig.run(START_S - 10)
    rig.bank["level_pct"] = 96.0

    rig.run(60)

    assert rig.states[0] is not S.PRODUCE
    assert moving(rig) == set()


def test_a_purge_that_no_loop_has_seen_says_nothing_of_the_loops() -> None:
    rig = settled()
    rig.units[0] |= {name: value for name, (_, value) in NAMES.items()}

    rig.until(lambda r: r.states[0] is S.PURGE, 300)
    rig.until(lambda r: r.states[0] is S.PRODUCE, 60)
    rig.run(5)

    assert moving(rig) == set()


def test_a_broken_loop_is_bad_and_not_frozen() -> None:
    rig = settled()
    rig.units[0]["permeate_flow_ma"] = 0.0

    purge(rig)

    assert state(rig, "flow transmitter bad") == "UNACK"
    assert moving(rig) == set()


def test_a_snapshot_in_the_middle_of_a_purge_goes_on_the_same() -> None:
    rig = settled()
    rig.units[0]["membrane_bar"] = 12.4
    rig.until(lambda r: r.states[0] is S.PURGE, 300)
    rig.run(3)
    twin = twin_of(rig)

    for each in (rig, twin):
        each.run(30)

    assert moving(twin) == moving(rig) == {"membrane pressure does not move"}
    assert twin.controller.snapshot() == rig.controller.snapshot()
