"""What every state drives, as data, and the rules that stand above all states.

One row per state; a cell says when its output is energised. The global rules are evaluated after the
state logic in every scan and can only take away:

    (a) pump only with the feed valve driven
    (b) pump only after a whole start flush of this run
    (c) nothing at all with a stale I/O image, an isolated unit, an open E-stop chain, or the selector
        away from AUTO for almost 5 s; the pump is off once it has been away for longer than the coast
    (d) feed and flush open with the pump off never longer than the longest start flush
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from typing import NamedTuple

from controller.parts.timing import NEVER
from controller.signals import UnitOutputs
from controller.unit.states import RESTING, Event, Trip, UnitState
from controller.unit.view import View

SELECTOR_DEAD_S = 4.8  # a person expects the unit dead 5 s after selector OFF (SR-50); less two scans

# Every flush valve is shut 5 s after the sump went high (SR-32): 2 s to believe it, and two scans. Three
# valves and more, whose feed valves close one by one, get no whole tail.
SUMP_FLUSH_S = 2.8

GOOD_WATER_S = 10.0  # good water for so long before it is diverted to the tank (SR-23)


class Drive(Enum):
    """When an output of a state is energised."""

    OFF = "0"
    ON = "1"
    AFTER_FLUSH = "1 once the flush valve has led"
    LED_BY_ENABLE = "1 once the enable contactor has led"
    STOPPING_FEED = "1 until it is let go"
    STOPPING_FLUSH = "1 in a flush or a close-down, until the feed valve has been shut for the tail"
    TO_TANK = "1 once quality is judged and good"


class DriveRow(NamedTuple):
    """One state's outputs; ``dose``: does the unit count in the dosing demand?"""

    feed: Drive
    flush: Drive
    pump: Drive
    enable: Drive
    divert: Drive
    dose: bool


_REST = DriveRow(Drive.OFF, Drive.OFF, Drive.OFF, Drive.OFF, Drive.OFF, False)
_PUMP_FLUSH = DriveRow(Drive.ON, Drive.ON, Drive.LED_BY_ENABLE, Drive.ON, Drive.OFF, True)

DRIVES: dict[UnitState, DriveRow] = {
    **dict.fromkeys(sorted(RESTING), _REST),
    UnitState.START_FLUSH: DriveRow(Drive.AFTER_FLUSH, Drive.ON, Drive.OFF, Drive.OFF, Drive.OFF, True),
    UnitState.DELAY: DriveRow(Drive.ON, Drive.OFF, Drive.OFF, Drive.OFF, Drive.OFF, False),
    UnitState.PUMP_START: DriveRow(Drive.ON, Drive.OFF, Drive.LED_BY_ENABLE, Drive.ON, Drive.OFF, True),
    UnitState.PRODUCE: DriveRow(Drive.ON, Drive.OFF, Drive.LED_BY_ENABLE, Drive.ON, Drive.TO_TANK, True),
    UnitState.PURGE: _PUMP_FLUSH,
    UnitState.QUALITY_FLUSH: _PUMP_FLUSH,
    UnitState.STOP_FLUSH: DriveRow(
        Drive.STOPPING_FEED, Drive.STOPPING_FLUSH, Drive.OFF, Drive.OFF, Drive.OFF, True
    ),
    UnitState.STOPPING: DriveRow(
        Drive.STOPPING_FEED, Drive.STOPPING_FLUSH, Drive.OFF, Drive.OFF, Drive.OFF, False
    ),
}


class GlobalRule(NamedTuple):
    """A rule above all states: while ``when`` holds, the outputs that it ``takes`` are off."""

    name: str
    when: Callable[[View, UnitOutputs], bool]
    takes: tuple[str, ...]


def stale_image(v: View, _wanted: UnitOutputs) -> bool:
    """(c) The I/O image is too old."""
    return v.stale


def isolated(v: View, _wanted: UnitOutputs) -> bool:
    """(c) The maintenance isolator is off."""
    return not v.io.isolator_on


def estop_open(v: View, _wanted: UnitOutputs) -> bool:
    """(c) The E-stop chain is open."""
    return v.p.estop_open


def selector_away(v: View, _wanted: UnitOutputs) -> bool:
    """(c) The selector has been away from AUTO for almost 5 s."""
    return v.held_s(v.m.selector_off_ms) > SELECTOR_DEAD_S


def selector_left(v: View, _wanted: UnitOutputs) -> bool:
    """(c) The selector has been away for longer than the coast.

    The valves may still wait for their turn among the units: together they would hammer (SR-52).
    """
    return v.held_s(v.m.selector_off_ms) > v.s.coast_s


def no_feed(_v: View, wanted: UnitOutputs) -> bool:
    """(a) The pump would run with the feed valve let go."""
    return wanted.pump and not wanted.feed_valve


def not_flushed(v: View, wanted: UnitOutputs) -> bool:
    """(b) The pump would run without a whole start flush."""
    return wanted.pump and not v.m.flush_complete


def flush_endless(v: View, wanted: UnitOutputs) -> bool:
    """(d) Feed and flush have been open with the pump off for longer than the longest start flush."""
    return wanted.flush_valve and not wanted.pump and v.held_s(v.m.both_ms) > v.s.start_flush_max_s


_PUMP, _VALVES = ("pump", "enable"), ("feed_valve", "flush_valve")
_ALL = (*_VALVES, *_PUMP, "divert")

GLOBAL_RULES: tuple[GlobalRule, ...] = (
    GlobalRule("stale image", stale_image, _ALL),
    GlobalRule("isolator", isolated, _ALL),
    GlobalRule("E-stop", estop_open, _ALL),
    GlobalRule("selector away", selector_away, _ALL),
    GlobalRule("selector left", selector_left, _PUMP),
    GlobalRule("pump needs feed", no_feed, _PUMP),
    GlobalRule("pump needs a whole flush", not_flushed, _PUMP),
    GlobalRule("longest flush", flush_endless, _VALVES),
)
"""Evaluated in this order; the beacon is taken by none."""


def drive(v: View) -> UnitOutputs:
    """Outputs of this scan; also keeps the memory of what has been driven since when."""
    row = DRIVES[v.m.state]
    feed = _feed(v, row.feed)
    flush = _flush(v, row.flush)
    enable = row.enable is Drive.ON
    pump = row.pump is Drive.LED_BY_ENABLE and v.held_s(v.m.enable_ms) >= v.s.enable_lead_s
    divert = row.divert is Drive.TO_TANK and _good_water(v)
    beacon = v.m.quality_alarm or v.m.state in (UnitState.LOCKOUT, UnitState.ESTOP)
    outputs = _global_rules(v, UnitOutputs(feed, flush, pump, enable, divert, beacon))
    _remember(v, outputs)
    return outputs


def _feed(v: View, cell: Drive) -> bool:
    if cell is Drive.STOPPING_FEED:
        if v.m.closing:
            return False
        if v.m.state is UnitState.STOPPING:
            return v.m.feed_ms != NEVER
        cell = Drive.AFTER_FLUSH
    if cell is Drive.AFTER_FLUSH:
        # a feed valve that is open already stays open: it must not hammer for the sake of the order
        return v.m.feed_ms != NEVER or v.held_s(v.m.flush_ms) >= v.s.flush_lead_s
    return cell is Drive.ON


def _flush(v: View, cell: Drive) -> bool:
    if cell is not Drive.STOPPING_FLUSH:
        return cell is Drive.ON
    m = v.m
    if Event.SUMP_HIGH in v.p.events and v.in_state_s > SUMP_FLUSH_S:
        return False
    tail = m.flush_ms != NEVER and (m.feed_ms != NEVER or 0.0 <= v.held_s(m.feed_off_ms) < v.s.flush_tail_s)
    if m.state is UnitState.STOP_FLUSH:
        return tail or not m.closing
    return m.trip is Trip.CLOSE and m.flush_ms != NEVER and (tail or not m.closing)


def _good_water(v: View) -> bool:
    return v.m.divert or v.held_s(v.m.tds_good_ms) >= GOOD_WATER_S


def _global_rules(v: View, wanted: UnitOutputs) -> UnitOutputs:
    for rule in GLOBAL_RULES:
        if rule.when(v, wanted):
            wanted = wanted._replace(**dict.fromkeys(rule.takes, False))
    return wanted


def _remember(v: View, outputs: UnitOutputs) -> None:
    m, now_ms = v.m, v.now_ms
    if outputs.feed_valve != (m.feed_ms != NEVER):
        m.feed_ms, m.feed_off_ms = (now_ms, NEVER) if outputs.feed_valve else (NEVER, now_ms)
        m.feed_proven = False
    if outputs.flush_valve != (m.flush_ms != NEVER):
        m.flush_ms = now_ms if outputs.flush_valve else NEVER
    if outputs.enable != (m.enable_ms != NEVER):
        m.enable_ms = now_ms if outputs.enable else NEVER
    if outputs.pump != (m.pump_ms != NEVER):
        _pump_edge(v, outputs.pump)
    both = outputs.feed_valve and outputs.flush_valve and not outputs.pump
    if both != (m.both_ms != NEVER):
        m.both_ms = now_ms if both else NEVER
    m.divert = outputs.divert


def _pump_edge(v: View, on: bool) -> None:
    m = v.m
    if on:
        m.pump_ms, m.pump_off_ms = v.now_ms, NEVER
        m.starts_ms.append(v.now_ms)
        m.starts += 1
    else:
        m.pump_ms, m.pump_off_ms = NEVER, v.now_ms
        m.flush_complete = False
