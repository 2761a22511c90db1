"""What the bank and a unit tell each other once a scan. Nothing else passes between them."""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

from controller.signals import Command
from controller.unit.states import Event


class Want(IntEnum):
    """Why a unit asks for a flush slot, in the order of the queue."""

    NONE = 0
    STOP_FLUSH = 1  # concentrate stands in a stopping unit, or has stood long
    START_FLUSH = 2
    LATE_PURGE = 3  # overdue purge, or a flush because of quality
    PURGE = 4
    IDLE_FLUSH = 5  # owed or due in standby


class Permits(NamedTuple):
    """From the bank to one unit."""

    call: bool  # wanted for production
    ready: bool  # pre-start order complete: water is good, under pressure and dosed
    may_start: bool  # tank and power-return rules allow a new start
    hold_s: float  # the supply came and went: so long the bank waits; 0.0 when it does not
    token: bool  # a flush slot is lent to this unit
    start_slot: bool  # the pump may start in this scan
    close_feed: bool  # the feed valve may close in this scan
    maintenance_slot: bool  # one more unit may be taken out
    estop_open: bool  # the E-stop chain is open
    reset: bool  # a valid reset reached this unit
    header_bar: float | None  # None when the transmitter is not to be believed
    events: tuple[Event, ...]  # shared causes in force
    commands: tuple[Command, ...]


class AlarmSignal(NamedTuple):
    """From the alarms to the bank: what horn and alarm relay must know."""

    sounding: bool  # an urgent alarm has newly come
    urgent: bool  # an urgent alarm stands or waits for its reset, acknowledged or not


QUIET = AlarmSignal(sounding=False, urgent=False)


class Request(NamedTuple):
    """From one unit to the bank."""

    want: Want
    since_ms: int  # waiting since, for the queue's order
    flushing: bool  # the slot is still needed, or the flush valve is still driven
    wants_start: bool
    wants_close: bool
    wants_water: bool  # the booster is needed
    draws_water: bool  # the feed valve is driven
    feed_off_ms: int  # moment the feed valve was last let go, NEVER while it is driven
    pumping: bool
    available: bool  # may be called for production
    in_maintenance: bool
    alarmed: bool  # a cause is latched
    quality_poor: bool
    run_ms: int
    started_ms: int  # moment of the pump start, NEVER when off
    tds_mgl: float  # permeate, 0 when it is not to be believed
