"""One scan's scene in which all is well: what the plant answers to what is driven, and what the bank
grants.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any, NamedTuple

from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.signals import UNIT_SIGNALS, UnitInputs, signal_named, to_ma
from controller.unit.memory import LOOPS
from controller.unit.permits import Permits
from sim_plant.bench.explore.scale import FULL_FLOW_M3H

NOW_MS = 1_000_000_000
"""Every explored scan happens at this moment; what lies before it is an age."""
REFERENCE_BAR = 12.0
"""Membrane pressure before a purge, where it was measured at all: only its ratio to the pressure counts."""
HEADER_BAR = 3.0

LOOP_NAMES = ("suction_ma", "membrane_ma", "permeate_cond_ma", "permeate_flow_ma", "concentrate_flow_ma")
LOOP_OF = {"suction_bar": 0, "membrane_bar": 1, "tds_mgl": 2, "concentrate_m3h": 4}
"""A quantity of a view, and the place of its loop in a unit's memory."""
QUANTITIES = tuple(LOOP_OF)
_SIGNAL = {name: signal_named(UNIT_SIGNALS, LOOP_NAMES[place]) for name, place in LOOP_OF.items()}

CONTACTS = (
    "selector_auto",
    "isolator_on",
    "pump_running",
    "motor_healthy",
    "suction_ok",
    "discharge_ok",
    "permeate_ok",
    "skid_dry",
)
PROOFS = ("feed_valve_shut", "flush_valve_shut")
GRANTS = ("call", "ready", "may_start", "token", "start_slot", "close_feed", "maintenance_slot")


class Passed(IntEnum):
    """What has passed since the scan before.

    A timer of some seconds may run out many times while one of minutes has not got on: in a short while only
    timers get on that have a limit below ``scale.SHORT_S`` ahead of them.
    """

    NOTHING = 0  # one scan of many within a tick
    SHORT = 1
    TICK = 2


class Presets(NamedTuple):
    """What a scan is given in place of memory."""

    elapsed: bool = True  # every on-delay whose condition holds has run out
    loops: tuple[Quality, ...] = (Quality.GOOD,) * LOOPS
    starts_spent: bool = False  # the motor must rest: too many starts, or too short a time since its stop
    quality_spent: bool = False
    resets_spent: bool = False
    hour_over: bool = False  # losses of I/O that were counted an hour ago are forgotten
    suction_spent: bool = False
    purge_failed: bool = False  # the last purge did not show itself
    cause_gone: bool = True  # for long enough, if it has gone
    volume_met: bool = True  # a flush has its volume
    stagnant: bool = False  # the last flush is long ago
    flush_put_off: bool = False  # an idle flush that failed is not repeated yet
    feed_unproven: bool = False  # suction was not seen since the feed valve opened
    stop_held: bool = False  # a stop that is given has been held for long


class Scene(NamedTuple):
    """All that one scan of a unit is given. ``atoms`` names what is not as in the base."""

    atoms: tuple[str, ...]
    io: UnitInputs
    age_ms: int
    permits: Permits
    presets: Presets
    passed: Passed = Passed.TICK


class Driven(NamedTuple):
    """What the unit drives, and so what a healthy plant answers."""

    feed: bool
    flush: bool
    pump: bool


def base(s: Setpoints, driven: Driven, *, granted: bool) -> Scene:
    """All is well and the plant answers what is driven; the bank grants everything, or nothing."""
    feed, flush, pump = driven
    flow = 0.0
    if feed:
        flow = FULL_FLOW_M3H if flush else 0.93 * pump
    quantities = {
        "suction_bar": 2.5 if feed else 0.0,
        "membrane_bar": (0.4 * REFERENCE_BAR if flush else REFERENCE_BAR) if pump else 0.0,
        "tds_mgl": s.tds_clear_mgl / 2.0,
        "concentrate_m3h": flow,
    }
    loops: dict[str, Any] = {
        LOOP_NAMES[LOOP_OF[name]]: current_ma(s, name, value) for name, value in quantities.items()
    }
    healthy: dict[str, Any] = dict.fromkeys(CONTACTS, True) | {"pump_running": pump, "enable_closed": pump}
    proofs = {"feed_valve_shut": not feed, "flush_valve_shut": not flush}
    io = UnitInputs(**healthy, **proofs, **loops, permeate_flow_ma=8.0)
    permits = Permits(
        **dict.fromkeys(GRANTS, granted),
        hold_s=0.0,
        estop_open=False,
        reset=False,
        header_bar=HEADER_BAR,
        events=(),
        commands=(),
    )
    return Scene((), io, 0, permits, Presets())


def current_ma(s: Setpoints, quantity: str, value: float) -> float:
    """Loop current that shows a value of a quantity."""
    signal = _SIGNAL[quantity]
    return to_ma(signal, value / s.tds_per_us if quantity == "tds_mgl" else value)


def quantity_at(quantity: str, share: float) -> float:
    """A value at a share of its loop's range."""
    signal = _SIGNAL[quantity]
    return signal.lo + share * (signal.hi - signal.lo)
