"""One scan as an observer at the terminals judges it, and the conditions that it knows.

The observer sees what a scan was given, and the outputs before and after it; of the firmware it knows nothing
but the state that it reports. A condition that has an on-delay counts once that has run out.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.signals import UNIT_SIGNALS, UnitOutputs, from_ma, signal_named
from controller.unit.states import UnitState
from sim_plant.bench.explore.base import LOOP_NAMES, Scene
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
        purge_gap=t["pressure_rise_s"] + 2 * t["purge_interval_s"] + max(t["purge_s"], t["quality_flush_s"]),
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
    gap: int  # ticks with the pump on since it started or since a purge that showed itself
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
    given: Scene
    out: UnitOutputs
    entered: UnitState
    seen: Seen
    n: Limits
    well: UnitOutputs | None
    """What the unit would have driven if all had been well in this scan; None for that scan itself."""


_SUCTION, _MEMBRANE, _QUALITY, _CONCENTRATE = (
    signal_named(UNIT_SIGNALS, LOOP_NAMES[place]) for place in (0, 1, 2, 4)
)


def _measured(g: Scene, place: int) -> bool:
    return g.presets.loops[place] is Quality.GOOD and getattr(g.io, LOOP_NAMES[place]) >= 4.0


def suction_bar(g: Scene) -> float | None:
    """Suction pressure, None when it is not to be believed."""
    return from_ma(_SUCTION, g.io.suction_ma) if _measured(g, 0) else None


def membrane_bar(g: Scene) -> float | None:
    """Membrane pressure, likewise."""
    return from_ma(_MEMBRANE, g.io.membrane_ma) if _measured(g, 1) else None


def _tds_mgl(g: Scene, n: Limits) -> float | None:
    return from_ma(_QUALITY, g.io.permeate_cond_ma) * n.s.tds_per_us if _measured(g, 2) else None


def concentrate_m3h(g: Scene) -> float | None:
    """Concentrate flow, likewise."""
    return from_ma(_CONCENTRATE, g.io.concentrate_flow_ma) if _measured(g, 4) else None


def fresh(e: Edge) -> bool:
    """The image is young enough to be judged."""
    return e.given.age_ms <= 1000.0 * e.n.s.io_stale_s


def lost(e: Edge) -> bool:
    """The image is so old that it counts as lost."""
    return e.given.age_ms >= 1000.0 * e.n.s.io_lost_s


def idle(out: UnitOutputs) -> bool:
    """Nothing is driven that moves."""
    return not (out.feed_valve or out.flush_valve or out.pump or out.enable)


def started(e: Edge) -> bool:
    """The pump starts in this scan."""
    return e.out.pump and not e.was.pump


def suction_low(e: Edge) -> bool:
    """Suction low with the feed open for long enough to judge it."""
    bar = suction_bar(e.given)
    return (
        e.given.presets.elapsed
        and e.seen.feed >= e.n.suction_blank
        and bar is not None
        and bar < e.n.s.suction_trip_bar
    )


def suction_gone(e: Edge) -> bool:
    """Suction all but gone, or its switch open."""
    if not e.given.presets.elapsed or e.seen.feed < e.n.suction_blank:
        return False
    bar = suction_bar(e.given)
    return not e.given.io.suction_ok or (bar is not None and bar < e.n.s.suction_fast_bar)


def pressure_high(e: Edge) -> bool:
    """Membrane pressure above the trip."""
    bar = membrane_bar(e.given)
    return e.given.presets.elapsed and bar is not None and bar > e.n.s.discharge_trip_bar


def suction_loop_bad(e: Edge) -> bool:
    """The suction loop is BAD."""
    return e.given.presets.loops[0] is Quality.BAD


def no_answer(e: Edge) -> bool:
    """The contactor does not answer."""
    return e.given.presets.elapsed and e.was.pump and not e.given.io.pump_running


def permeate_blocked(e: Edge) -> bool:
    """The permeate switch is open."""
    return e.given.presets.elapsed and not e.given.io.permeate_ok


def leak(e: Edge) -> bool:
    """The skid leak detector is wet."""
    return e.given.presets.elapsed and not e.given.io.skid_dry


def welded(e: Edge) -> bool:
    """The contactor has not dropped; a pump that is commanded on in this scan may answer."""
    return e.given.presets.elapsed and not e.was.pump and not e.out.pump and e.given.io.pump_running


def judged(e: Edge) -> bool:
    """Permeate quality is judged: the pump has run long enough, and no flush is on or just over."""
    o = e.seen
    return (
        e.was.pump
        and not e.was.flush_valve
        and o.running >= e.n.blank_start
        and o.since_flush >= e.n.blank_purge
    )


def very_bad_water(e: Edge) -> bool:
    """Permeate above the lockout, while it is judged."""
    tds = _tds_mgl(e.given, e.n)
    return e.given.presets.elapsed and judged(e) and tds is not None and tds > e.n.s.tds_lockout_mgl


def needs_reset(e: Edge) -> bool:
    """Pump stopped by what SR-08, 10, 26 and 41 name: only a reset ends that."""
    return (
        e.was.pump
        and fresh(e)
        and (pressure_high(e) or not e.given.io.motor_healthy or suction_loop_bad(e) or permeate_blocked(e))
    )
