"""What the observer of one unit remembers from scan to scan.

It is part of an explored state, in bytes beside the memory. Times are in ticks, up to the longest that a
requirement asks for. The state that a unit reports is used for two things: that it is out for maintenance,
and that its pump has only just been started.
"""

from __future__ import annotations

from controller.signals import UnitOutputs
from controller.unit.states import UnitState
from sim_plant.bench.explore.base import Passed
from sim_plant.bench.explore.edge import Edge, Limits, Seen, idle, needs_reset


def at_power_up(n: Limits, before: Seen | None = None) -> Seen:
    """Outputs have dropped; what a person must end is not forgotten.

    ``before`` is None at the first start, and when the retained data were lost: then nobody can know, and the
    unit is locked out anyway.
    """
    begun = Seen(0, 0, n.settle, 0, 0, 0, 0, 0, n.blank_purge, 0, 0, 0, n.io_back, 0, 0, 0)
    if before is None:
        return begun
    return begun._replace(selector=before.selector, estop=before.estop, locked=before.locked, out=before.out)


def pass_time(o: Seen, was: UnitOutputs, state: UnitState, passed: Passed, n: Limits) -> Seen:
    """What the observer remembers when the next scan comes: outputs have stood for so much longer.

    A pump start does not count as production: it ends within seconds, but here on-delays may take for ever.
    """
    if passed is Passed.NOTHING:
        return o
    if passed is Passed.SHORT:
        return _pass_short(o, was, n)
    both = was.feed_valve and was.flush_valve and not was.pump
    flush_off, flush_on = was.flush_valve and not was.pump, was.flush_valve and was.pump
    produces = was.pump and state is not UnitState.PUMP_START
    return o._replace(
        both=min(o.both + both, n.start_flush),
        shut=min(o.shut + (not was.flush_valve), n.settle),
        open_off=min(o.open_off + flush_off, n.flush_open_off + 1),
        open_on=min(o.open_on + flush_on, n.flush_open_on + 1),
        running=min(o.running + was.pump, n.blank_start),
        gap=min(o.gap + produces, n.purge_gap + 1),
        since_flush=min(o.since_flush + 1, n.blank_purge),
        selector=min(o.selector + 1, n.selector_dead + 2) if o.selector else 0,
        feed=min(o.feed + was.feed_valve, n.suction_blank),
        back=min(o.back + 1, n.io_back),
        boot=min(o.boot + 1, n.boot),
    )


def _pass_short(o: Seen, was: UnitOutputs, n: Limits) -> Seen:
    """A short while: what is counted in seconds gets on, what is counted in minutes does not.

    The time of a whole flush does not; its lead and its tail do, and the time in which a purge must show.
    A timer that has a short limit and a long one gets on as far as the short one, here as in the memory.
    """
    flush_off = was.flush_valve and not was.feed_valve
    flush_on = was.flush_valve and was.pump and o.open_on < n.evidence
    return o._replace(
        shut=min(o.shut + (not was.flush_valve), n.settle),
        open_off=min(o.open_off + flush_off, n.flush_open_off + 1),
        open_on=o.open_on + flush_on,
        back=o.back + (o.back < n.back_short),
        selector=min(o.selector + 1, n.selector_dead + 2) if o.selector else 0,
        boot=min(o.boot + 1, n.boot),
    )


def look(e: Edge) -> Seen:
    """What is remembered after a scan; times count from it on."""
    o, out, given = e.seen, e.out, e.given
    at_rest = idle(out)
    was_both = e.was.feed_valve and e.was.flush_valve and not e.was.pump
    both = out.feed_valve and out.flush_valve and not out.pump
    whole = int(o.both >= e.n.start_flush) if was_both and not both else o.whole
    ended_on = e.was.flush_valve and e.was.pump and out.pump and not out.flush_valve
    open_on = out.flush_valve and out.pump
    away = not given.selector_auto
    estop = o.estop or given.estop_open
    if estop and not given.estop_open and (given.reset or (o.selector and not away)):
        estop = 0
    locked = 0 if given.reset and not needs_reset(e) else o.locked or int(needs_reset(e))
    selector = max(o.selector, 1) if away else 0
    return Seen(
        both=o.both if both and was_both else 0,
        whole=0 if e.was.pump or at_rest else whole,
        shut=0 if out.flush_valve else o.shut if not e.was.flush_valve else 0,
        open_off=o.open_off if out.flush_valve and not out.pump and not e.was.pump else 0,
        open_on=o.open_on if open_on and e.was.pump and e.was.flush_valve else 0,
        shown=_shown(e) if open_on else 0,
        running=o.running if out.pump else 0,
        gap=0 if not out.pump or (ended_on and o.shown == SHOWN) else o.gap,
        since_flush=(0 if ended_on else o.since_flush) if out.pump else e.n.blank_purge,
        selector=e.n.selector_dead + 2 if selector and at_rest else selector,
        feed=o.feed if out.feed_valve else 0,
        estop=int(estop),
        back=0 if given.lost or (o.back < e.n.io_back and not given.fresh) else o.back,
        locked=locked,
        boot=o.boot,
        out=_out(e),
    )


SHOWN = 2


def _shown(e: Edge) -> int:
    """A flush with the pump on shows itself by flow, or by a fall of a pressure that was measured before."""
    if not e.was.flush_valve:
        return int(e.given.pressure_known)  # it opens in this scan
    fallen = e.seen.shown and e.given.pressure_fallen
    return SHOWN if fallen or e.given.flowing else e.seen.shown


def _out(e: Edge) -> int:
    if e.entered is UnitState.MAINTENANCE:
        return 1
    return 0 if e.given.returned and e.state is UnitState.MAINTENANCE else e.seen.out
