"""All that one unit remembers from scan to scan: plain values, so a snapshot is a copy.

Moments are milliseconds on the firmware's clock, NEVER when not running. The fields marked "retained"
also survive a loss of power (see retained.py); everything else starts afresh in BOOT.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.parts.analogue import Loop
from controller.parts.timing import NEVER
from controller.unit.states import Event, Trip, UnitState

LOOPS = 5  # suction, membrane, permeate conductivity, permeate flow, concentrate flow


@dataclass(slots=True)
class UnitMemory:
    """Memory of one unit."""

    state: UnitState = UnitState.BOOT
    entered_ms: int = 0
    scanned_ms: int = NEVER  # last scan; NEVER only before the first

    # a stop in progress
    trip: Trip = Trip.NONE
    target: UnitState = UnitState.STANDBY

    # what is owed and latched
    flush_owed: bool = True  # retained: concentrate may stand in the membranes
    owed_since_ms: int = NEVER
    start_flushes_due: int = 1  # retained: 2 after maintenance
    first_start: bool = False  # retained: a person must be present at the next pump start
    latched: Event | None = None  # retained: first-out cause of a lockout
    cause_gone_ms: int = NEVER
    reset_cause: Event | None = None  # the cause of the last reset
    resets_ms: list[int] = field(default_factory=list)  # resets of that cause
    in_maintenance: bool = False  # retained
    stopped: bool = False  # retained: a person stopped it; only a start command lets the bank call it
    estopped: bool = False  # retained: an emergency stop waits for its reset
    lost_memory: bool = False  # retained data could not be read

    # counted over the life of the unit
    run_ms: int = 0  # retained
    starts: int = 0  # retained

    # outputs as last driven, and since when
    feed_ms: int = NEVER
    feed_off_ms: int = NEVER  # moment the feed valve was last let go
    feed_proven: bool = False  # suction was seen since the feed valve opened
    flush_ms: int = NEVER
    both_ms: int = NEVER  # feed and flush open together, pump off
    pump_ms: int = NEVER
    pump_off_ms: int = NEVER  # moment of the last stop
    enable_ms: int = NEVER
    divert: bool = False

    closing: bool = False  # the feed valve has been let go in a stop
    close_due_ms: int = NEVER  # the feed valve waits since for its turn to close

    # flush in progress
    volume_l: float = 0.0
    flush_complete: bool = False  # the start flush of this run is whole
    flush_not_before_ms: int = 0  # an idle flush that failed is not repeated at once
    last_flush_ms: int = NEVER  # end of the last complete flush with the pump off

    # purge
    purge_from_ms: int = NEVER  # production counts from here towards the next purge
    purge_ahead_ms: int = 0  # by so much the first purge of a run comes sooner, to spread the purges
    purge_not_before_ms: int = NEVER
    reference_bar: float = 0.0  # membrane pressure before the flush valve opened
    evidence: bool = False
    purge_failures: int = 0

    # quality
    flushed_on_ms: int = NEVER  # end of the last flush with the pump on
    quality_flushes_ms: list[int] = field(default_factory=list)
    quality_alarm: bool = False  # stands until the water is good again
    quality_flush_due: bool = False
    tds_good_ms: int = NEVER

    # budgets in a rolling hour
    starts_ms: list[int] = field(default_factory=list)  # retained
    suction_ms: list[int] = field(default_factory=list)
    io_lost_ms: list[int] = field(default_factory=list)  # retained
    forgive_ms: int = NEVER  # undisturbed production since
    retry_wait_s: float = 0.0

    # field
    was_auto: bool = True
    selector_off_ms: int = NEVER
    io_fresh_ms: int = NEVER
    io_stale_ms: int = NEVER
    link_lost: bool = False  # until the images have been fresh for long enough
    loops: list[Loop] = field(default_factory=lambda: [Loop() for _ in range(LOOPS)])
    rule_ms: list[int] = field(default_factory=list)  # on-delay of every protection rule
    active: int = 0  # bit e is set while event e stands
    command_ms: int = NEVER  # last accepted command
    stop_ms: int = NEVER  # a stop command is held since
    stop_seen_ms: int = NEVER  # last stop command
    blocked_by: Event | None = None
