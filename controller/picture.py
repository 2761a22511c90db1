"""What the firmware shows of itself after a scan: a read-only picture, made by the scanning thread.

Plain values that never change after they are made, so any other thread may read them. For display, never for
judgement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from controller.alarms.memory import ScopeMemory
from controller.alarms.states import AlarmState
from controller.bank.memory import BankMemory, Stage
from controller.parts.analogue import Loop, Quality
from controller.parts.timing import NEVER, held_s
from controller.settings import Setpoints
from controller.signals import (
    BANK_SIGNALS,
    UNIT_SIGNALS,
    BankInputs,
    BankOutputs,
    Inputs,
    Kind,
    Outputs,
    Signal,
    UnitInputs,
    UnitOutputs,
    from_ma,
)
from controller.unit.memory import UnitMemory
from controller.unit.states import Event, Trip, UnitState


class Value(NamedTuple):
    """A loop in its own unit; not a number while it is not to be believed."""

    value: float
    quality: Quality


class Alarms(NamedTuple):
    """The state of every alarm of a table, in its order; ``first_out`` is a place in it, -1 for none."""

    states: tuple[AlarmState, ...]
    first_out: int


class BankPicture(NamedTuple):
    """What the units share. ``latched``: shared causes that wait for their end and a reset."""

    age_ms: int
    stale: bool
    inputs: BankInputs
    outputs: BankOutputs
    values: tuple[Value, ...]
    stage: Stage
    stage_s: float
    wanted: int
    full: bool
    link_lost: bool
    latched: tuple[Event, ...]
    alarms: Alarms


class UnitPicture(NamedTuple):
    """One unit. A time is 0 while its timer does not run, a time to go is None then.

    ``target``: where a stop leads, None when none is under way. ``flush_s``: both valves open, pump off.
    ``*_hour``: how often in a rolling hour.
    """

    age_ms: int
    stale: bool
    inputs: UnitInputs
    outputs: UnitOutputs
    values: tuple[Value, ...]
    state: UnitState
    target: UnitState | None
    trip: Trip
    latched: Event | None
    blocked_by: Event | None
    in_state_s: float
    flush_s: float
    flush_l: float
    pumping_s: float
    purge_in_s: float | None
    retry_in_s: float | None
    cause_gone_s: float
    run_s: float
    starts: int
    low_suctions_hour: int
    io_losses_hour: int
    quality_flushes_hour: int
    stopped: bool
    flush_owed: bool
    in_maintenance: bool
    first_start: bool
    link_lost: bool
    quality_alarm: bool
    alarms: Alarms


class Picture(NamedTuple):
    """The whole bank after one scan."""

    t_ms: int
    bank: BankPicture
    units: tuple[UnitPicture, ...]


class Scanned(NamedTuple):
    """One scan: its moment, what came in and what went out."""

    t_ms: int
    inputs: Inputs
    outputs: Outputs


def bank_picture(m: BankMemory, alarms: ScopeMemory, s: Setpoints, scan: Scanned) -> BankPicture:
    """The shared part."""
    io, age_ms = scan.inputs.bank, scan.inputs.bank_age_ms
    stale = age_ms > s.io_stale_s * 1000.0
    return BankPicture(
        age_ms=age_ms,
        stale=stale,
        inputs=io,
        outputs=scan.outputs.bank,
        values=_values(_BANK_LOOPS, io[_BANK_FIRST:], m.loops, stale),
        stage=m.stage,
        stage_s=(scan.t_ms - m.stage_ms) / 1000.0,
        wanted=m.wanted,
        full=m.full,
        link_lost=m.link_lost,
        latched=tuple(m.latched),
        alarms=Alarms(tuple(alarms.states), alarms.first_out),
    )


def unit_picture(m: UnitMemory, unit: int, alarms: ScopeMemory, s: Setpoints, scan: Scanned) -> UnitPicture:
    """The part of one unit; ``unit`` counts from 1."""
    io, age_ms = scan.inputs.units[unit - 1], scan.inputs.unit_age_ms[unit - 1]
    stale = age_ms > s.io_stale_s * 1000.0
    leaving = m.state in (UnitState.STOPPING, UnitState.STOP_FLUSH)

    def running_s(since_ms: int) -> float:
        return max(held_s(since_ms, scan.t_ms), 0.0)

    return UnitPicture(
        age_ms=age_ms,
        stale=stale,
        inputs=io,
        outputs=scan.outputs.units[unit - 1],
        values=_values(_UNIT_LOOPS, io[_UNIT_FIRST:], m.loops, stale),
        state=m.state,
        target=m.target if leaving else None,
        trip=m.trip if leaving else Trip.NONE,
        latched=m.latched,
        blocked_by=m.blocked_by,
        in_state_s=(scan.t_ms - m.entered_ms) / 1000.0,
        flush_s=running_s(m.both_ms),
        flush_l=m.volume_l if m.both_ms != NEVER else 0.0,
        pumping_s=running_s(m.pump_ms),
        purge_in_s=_purge_in_s(m, s, scan.t_ms),
        retry_in_s=_to_go_s(m.retry_wait_s, m, scan.t_ms) if m.state is UnitState.RETRY_WAIT else None,
        cause_gone_s=running_s(m.cause_gone_ms),
        run_s=m.run_ms / 1000.0,
        starts=m.starts,
        low_suctions_hour=len(m.suction_ms),
        io_losses_hour=len(m.io_lost_ms),
        quality_flushes_hour=len(m.quality_flushes_ms),
        stopped=m.stopped,
        flush_owed=m.flush_owed,
        in_maintenance=m.in_maintenance,
        first_start=m.first_start,
        link_lost=m.link_lost,
        quality_alarm=m.quality_alarm,
        alarms=Alarms(tuple(alarms.states), alarms.first_out),
    )


def _loops(table: tuple[Signal, ...]) -> tuple[int, tuple[Signal, ...]]:
    """Loops of an input image: the place of the first, and their rows; they follow the contacts."""
    inputs = [signal for signal in table if signal.kind in (Kind.DI, Kind.AI)]
    loops = tuple(signal for signal in inputs if signal.kind is Kind.AI)
    return len(inputs) - len(loops), loops


_BANK_FIRST, _BANK_LOOPS = _loops(BANK_SIGNALS)
_UNIT_FIRST, _UNIT_LOOPS = _loops(UNIT_SIGNALS)


def _values(
    signals: tuple[Signal, ...], currents_ma: Sequence[float], loops: list[Loop], stale: bool
) -> tuple[Value, ...]:
    """What is stale is BAD (SR-46), whatever its loop was found to be when it was fresh.

    A broken current is no number at once, although its loop is called BAD only a little later.
    """
    return tuple(
        Value(from_ma(signal, current_ma), loop.quality)
        if loop.believed and loop.broken_ms == NEVER and not stale
        else Value(math.nan, Quality.BAD if stale else loop.quality)
        for signal, current_ma, loop in zip(signals, currents_ma, loops, strict=True)
    )


def _to_go_s(whole_s: float, m: UnitMemory, now_ms: int) -> float:
    return max(whole_s - (now_ms - m.entered_ms) / 1000.0, 0.0)


def _purge_in_s(m: UnitMemory, s: Setpoints, now_ms: int) -> float | None:
    if m.state is not UnitState.PRODUCE or m.purge_from_ms == NEVER:
        return None
    due_ms = m.purge_from_ms - m.purge_ahead_ms + round(s.purge_interval_s * 1000.0)
    return max(due_ms, m.purge_not_before_ms, now_ms) / 1000.0 - now_ms / 1000.0
