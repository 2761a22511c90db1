"""How to bring a unit into a given state by ordinary means, from a cold start.

One recipe per state: the recipe before it, then what is done and waited for. Every recipe uses only what
a person, the water or a worn part could do; nothing is written into the controller.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from controller.settings import Setpoints
from controller.signals import Verb
from controller.unit.states import UnitState
from sim_plant.bench.rig import Rig
from sim_plant.faults import Fault

LOW_TANK_PCT, FULL_TANK_PCT = 30.0, 90.0
LIMIT_S = 3600.0


class NotReachedError(RuntimeError):
    """The unit did not come into the state in time; the message says where it stayed."""


class Recipe(NamedTuple):
    """``start`` is the recipe to begin with, None for cold; then ``act``; then wait for the state."""

    start: UnitState | None
    act: Callable[[Rig, int, Setpoints], Callable[[Rig, int], None] | None]


def _wait(_rig: Rig, _unit: int, _s: Setpoints) -> None:
    """The sequence comes there by itself."""


def _low_tank(rig: Rig, _unit: int, _s: Setpoints) -> None:
    rig.plant.set_tank_pct(LOW_TANK_PCT)


def _idle(rig: Rig, unit: int, _s: Setpoints) -> None:
    """Standby proper: called by nobody and owing no flush."""
    rig.plant.set_tank_pct(FULL_TANK_PCT)
    wait_for(rig, unit, UnitState.STOP_FLUSH)


def _all_producing(rig: Rig, unit: int, s: Setpoints) -> None:
    """The unit under test and every other one produce, and quality is judged."""
    _low_tank(rig, unit, s)
    units = range(1, rig.plant.n_units + 1)
    if not rig.run_until(lambda: all(rig.state_of(u) == UnitState.PRODUCE for u in units), LIMIT_S):
        raise NotReachedError(
            f"not all units produce within {LIMIT_S:g} s: {[rig.state_of(u) for u in units]}"
        )
    rig.run_for(60.0)


def _poor_quality(rig: Rig, unit: int, s: Setpoints) -> Callable[[Rig, int], None]:
    """Between alarm and lockout."""
    us_cm = (s.tds_alarm_mgl + s.tds_lockout_mgl) / 2.0 / s.tds_per_us
    fault = Fault("permeate_cond", "stuck_at", unit, us_cm)
    rig.inject(fault)
    return lambda rig, _unit: rig.clear(fault)


def _low_suction(rig: Rig, unit: int, _s: Setpoints) -> Callable[[Rig, int], None]:
    fault = Fault("suction", "stuck_at", unit, 0.2)
    rig.inject(fault)
    return lambda rig, _unit: rig.clear(fault)


def _overload(rig: Rig, unit: int, _s: Setpoints) -> Callable[[Rig, int], None]:
    fault = Fault("motor_healthy", "stuck_open", unit)
    rig.inject(fault)
    return lambda rig, _unit: rig.clear(fault)


def _stop(rig: Rig, unit: int, _s: Setpoints) -> None:
    rig.command(Verb.STOP, unit, "bench")


def _maintain(rig: Rig, unit: int, _s: Setpoints) -> None:
    rig.command(Verb.MAINTAIN, unit, "bench")


def _selector_off(rig: Rig, unit: int, _s: Setpoints) -> None:
    rig.operate("selector_auto", unit, False)


def _estop(rig: Rig, _unit: int, _s: Setpoints) -> None:
    rig.operate("estop_healthy", 0, False)


RECIPES: dict[UnitState, Recipe] = {
    UnitState.BOOT: Recipe(None, _low_tank),
    UnitState.STANDBY: Recipe(None, _idle),
    UnitState.WAIT_PERMIT: Recipe(None, _low_tank),
    UnitState.START_FLUSH: Recipe(UnitState.WAIT_PERMIT, _wait),
    UnitState.DELAY: Recipe(UnitState.START_FLUSH, _wait),
    UnitState.PUMP_START: Recipe(UnitState.DELAY, _wait),
    UnitState.PRODUCE: Recipe(None, _all_producing),
    UnitState.PURGE: Recipe(UnitState.PRODUCE, _wait),
    UnitState.QUALITY_FLUSH: Recipe(UnitState.PRODUCE, _poor_quality),
    UnitState.STOPPING: Recipe(UnitState.PRODUCE, _stop),
    UnitState.STOP_FLUSH: Recipe(UnitState.STOPPING, _wait),
    UnitState.RETRY_WAIT: Recipe(UnitState.PRODUCE, _low_suction),
    UnitState.LOCKOUT: Recipe(UnitState.PRODUCE, _overload),
    UnitState.OFF: Recipe(UnitState.STANDBY, _selector_off),
    UnitState.MAINTENANCE: Recipe(UnitState.STANDBY, _maintain),
    UnitState.ESTOP: Recipe(UnitState.PRODUCE, _estop),
}


def wait_for(rig: Rig, unit: int, state: UnitState) -> None:
    """Scan until the unit is in the state; NotReachedError when it does not come in time."""
    if not rig.run_until(lambda: rig.state_of(unit) == state.value, LIMIT_S):
        raise NotReachedError(
            f"unit {unit} did not come into {state.value} within {LIMIT_S:g} s; it is in {rig.state_of(unit)}"
        )


def bring(rig: Rig, unit: int, state: UnitState, recipe: Recipe, setpoints: Setpoints) -> None:
    """One leg: from the recipe's start (already there) into the state; ``setpoints`` are the site's."""
    undo = recipe.act(rig, unit, setpoints)
    wait_for(rig, unit, state)
    if undo is not None:
        undo(rig, unit)
