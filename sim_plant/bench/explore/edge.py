"""One scan as an observer at the terminals judges it, and the conditions that it knows.

The observer sees what a scan was given (``given``), and the outputs before and after it; of the firmware it
knows nothing but the state that it reports.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.settings import Setpoints
from controller.signals import UnitOutputs
from controller.unit.states import UnitState
from sim_plant.bench.explore.given import Given
from sim_plant.bench.explore.scale import short, ticks


class Limits(NamedTuple):
    """What the requirements speak of: times in ticks, the rest as the site has it."""

    start_flush: int
    evidence: int
    flush_open_off: int
    flush_open_on: int
    settle: int
    purge: int
    quality_flush: int
    purge_gap: int
    boot: int
    io_back: int
    back_short: int
    selector_dead: int
    blank_start: int
    blank_purge: int
    suction_blank: int
    s: Setpoints


def limits_of(site: Setpoints, scaled: Setpoints) -> Limits:
    """For a site's setpoints and the same in ticks."""
    t = ticks(site)
    return Limits(
        start_flush=t["start_flush_s"],
        evidence=short(site, "purge_evidence_s"),
        flush_open_off=t["start_flush_max_s"] + t["flush_lead_s"] + t["flush_tail_s"],
        flush_open_on=max(t["quality_flush_s"], t["purge_s"]),
        settle=t["settle_s"],
        purge=t["purge_s"],
        quality_flush=t["quality_flush_s"],
        purge_gap=2 * t["purge_interval_s"] + max(t["purge_s"], t["quality_flush_s"]),
        boot=t["boot_s"],
        io_back=t["io_back_s"],
        back_short=short(site, "boot_s", "io_back_s"),
        selector_dead=t["SELECTOR_DEAD_S"],
        blank_start=t["tds_blank_start_s"],
        blank_purge=t["tds_blank_purge_s"],
        suction_blank=t["suction_blank_s"],
        s=scaled,
    )


class Seen(NamedTuple):
    """What the observer remembers, one byte each."""

    both: int  # ticks with feed and flush open and the pump off, unbroken
    whole: int  # the last such time was a whole start flush, and neither pump nor rest came after it
    shut: int  # ticks since the flush valve shut
    open_off: int  # ticks with the flush valve open and the pump off
    open_on: int  # ticks with the flush valve open and the pump on
    shown: int  # this flush with the pump on: 1 pressure was measured before it, 2 it has shown itself
    running: int  # ticks with the pump on
    gap: int  # ticks of production since the start or since a purge that showed itself
    since_flush: int  # ticks since a flush with the pump on ended, in this run
    selector: int  # ticks with the selector away from AUTO, and one
    feed: int  # ticks with the feed open
    estop: int  # an E-stop waits for its reset
    back: int  # ticks since the image was lost
    locked: int  # stopped by something that a reset must follow
    boot: int  # ticks since power came
    out: int  # out for maintenance


class Edge(NamedTuple):
    """One scan as it is judged: the outputs before it, what it was given, the outputs after it."""

    was: UnitOutputs
    state: UnitState
    given: Given
    out: UnitOutputs
    entered: UnitState
    seen: Seen
    n: Limits
    goes_on: bool
    """Nothing is wrong but a reading of quality, and the pump is driven when that is right, too."""


def idle(out: UnitOutputs) -> bool:
    """Nothing is driven that moves."""
    return not (out.feed_valve or out.flush_valve or out.pump or out.enable)


def started(e: Edge) -> bool:
    """The pump starts in this scan."""
    return e.out.pump and not e.was.pump


def suction_judged(e: Edge) -> bool:
    """The feed valve has been open for long enough to judge suction."""
    return e.seen.feed >= e.n.suction_blank


def quality_judged(e: Edge) -> bool:
    """Permeate quality is judged: the pump has run long enough, and no flush is on or just over."""
    o = e.seen
    return (
        e.was.pump
        and not e.was.flush_valve
        and o.running >= e.n.blank_start
        and o.since_flush >= e.n.blank_purge
    )


def welded(e: Edge) -> bool:
    """The contactor has not dropped; one of a pump that is about to be commanded on may answer.

    Between enable and pump a start takes less than it takes to believe the contactor (SR-12 asks for it after
    a stop).
    """
    return not e.was.pump and not e.out.pump and e.state is not UnitState.PUMP_START and e.given.runs


def needs_reset(e: Edge) -> bool:
    """Pump stopped by what SR-08, 10, 26 and 41 name: only a reset ends that."""
    g = e.given
    return (
        e.was.pump
        and g.fresh
        and (g.pressure_high or not g.motor_healthy or g.suction_bad or g.permeate_blocked)
    )
