"""When is a step of the sequence complete, and if it is not, what is it waiting for?

One function per state that can complete. Each answers None when the step is complete, or the reason in
words why it is not: the same sentence that a person is shown. The order of the checks is the order in
which they should be told.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.parts.timing import HOUR_S, NEVER
from controller.unit.permits import Request, Want
from controller.unit.states import (
    EVENT_TEXT,
    PUMPING,
    RESTING,
    Event,
    Trip,
    UnitState,
)
from controller.unit.table import STOP_FLUSH_ENDS
from controller.unit.view import View

UNAVAILABLE = frozenset(
    {UnitState.BOOT, UnitState.OFF, UnitState.MAINTENANCE, UnitState.LOCKOUT, UnitState.ESTOP}
)


def _count_down(what: str, done_s: float, needed_s: float) -> str | None:
    if done_s >= needed_s:
        return None
    return f"{what}, {needed_s - max(done_s, 0.0):.0f} s to go"


def boot(v: View) -> str | None:
    """Good I/O for a while before anything is decided."""
    return _count_down("waiting for good I/O", min(v.held_s(v.m.io_fresh_ms), v.in_state_s), v.s.boot_s)


def link_settling(v: View) -> str | None:
    """A link that was lost must be stable again before anything is opened."""
    if not v.m.link_lost:
        return None
    return _count_down("waiting for stable I/O", v.held_s(v.m.io_fresh_ms), v.s.io_back_s)


def idle_flush_due(v: View) -> bool:
    """An idle unit owes a flush, or has stood still too long."""
    m, s = v.m, v.s
    if v.now_ms < m.flush_not_before_ms:
        return False
    if m.flush_owed:
        return True
    return s.stagnation_h != 0 and v.held_s(m.last_flush_ms) >= s.stagnation_h * HOUR_S


def _idle_flush_held(v: View) -> bool:
    return flush_blocked(v) is not None or v.m.link_lost


def flush_blocked(v: View) -> Event | None:
    """A cause that forbids an idle flush. A resting motor does not: the pump stays off."""
    return None if v.m.blocked_by is Event.STARTS_LIMIT else v.m.blocked_by


def standby(v: View) -> str | None:
    """Only a flush that is owed leads on from here; a call is an event of its own."""
    if not idle_flush_due(v):
        return "stopped by a person; needs a start command" if v.m.stopped else "not called"
    blocked = flush_blocked(v)
    if blocked is not None:
        return f"flush owed, blocked: {EVENT_TEXT[blocked]}"
    settling = link_settling(v)
    if settling is not None:
        return settling
    if not v.p.ready:
        held = _count_down("power came and went: held", 0.0, v.p.hold_s)
        return held or "flush owed, bank not ready"
    return None if v.p.token else "flush owed, waiting for a flush slot"


def wait_permit(v: View) -> str | None:
    """All that the bank and the unit itself ask before a start."""
    if v.m.blocked_by is not None:
        return f"blocked: {EVENT_TEXT[v.m.blocked_by]}"
    settling = link_settling(v)
    if settling is not None:
        return settling
    if not v.p.may_start:
        return "no new start now: tank level or restart order"
    if not v.p.ready:
        return "bank not ready: header, water or dosing not proven yet"
    return None if v.p.token else "waiting for a flush slot"


def _flushed(v: View, needed_s: float, needed_l: float) -> str | None:
    """Time and volume of a flush with the pump off; without a flow meter the time must do."""
    waiting = _count_down("flushing", v.held_s(v.m.both_ms), needed_s)
    if waiting is None and v.concentrate_m3h is not None and v.m.volume_l < needed_l:
        return f"flushing, {needed_l - v.m.volume_l:.0f} L to go"
    return waiting


def start_flush(v: View) -> str | None:
    """Time and volume of the start flush."""
    return _flushed(v, v.s.start_flush_s, v.s.start_flush_volume_l)


def settled(v: View) -> str | None:
    """DELAY without the start slot: is the unit itself ready for its pump?"""
    waiting = _count_down("valves settling", v.in_state_s, v.s.settle_s)
    if waiting is not None:
        return waiting
    if v.concentrate_m3h is not None and v.concentrate_m3h >= v.s.settled_flow_m3h:
        return "flush valve still passes"
    if v.suction_bar is None or v.suction_bar < v.s.settled_suction_bar:
        return "suction pressure too low to start the pump"
    return None


def delay(v: View) -> str | None:
    """Settled, and the bank lets this pump start now."""
    return settled(v) or (None if v.p.start_slot else "waiting for a pump-start slot")


def pump_start(v: View) -> str | None:
    """Contactor answers and the membranes come under pressure."""
    if v.m.pump_ms == NEVER or not v.io.pump_running:
        return "waiting for the pump to answer"
    if v.membrane_bar is None or v.membrane_bar < v.s.pressure_rise_bar:
        return "waiting for membrane pressure"
    return None


def _due_from_ms(v: View) -> int:
    """From when the interval to the next purge counts; the first purge of a run has a head start."""
    return v.m.purge_from_ms - v.m.purge_ahead_ms


def purge_due(v: View) -> bool:
    """Enough production since the last purge, and no recent failed one."""
    return v.held_s(_due_from_ms(v)) >= v.s.purge_interval_s and v.now_ms >= v.m.purge_not_before_ms


def quality_flush_due(v: View) -> bool:
    """A quality alarm stands that a flush may answer; above the lockout limit none may."""
    if not v.m.quality_flush_due or v.blanked or v.tds_mgl is None:
        return False
    return v.tds_mgl <= v.s.tds_lockout_mgl


def produce(v: View) -> str | None:
    """The purge is due and may be taken."""
    waiting = _count_down("producing, purge", v.held_s(_due_from_ms(v)), v.s.purge_interval_s)
    if waiting is not None:
        return waiting
    if not purge_due(v):
        return "producing, repeats an unproven purge soon"
    return None if v.p.token else "producing, purge waits for a flush slot"


def _pump_flush(v: View, needed_s: float) -> str | None:
    """A flush with the pump on: its time, unless it never showed itself."""
    if not v.m.evidence and v.in_state_s >= v.s.purge_evidence_s:
        return None
    return _count_down("flushing", v.in_state_s, needed_s)


def purge(v: View) -> str | None:
    """Purge time, or given up for want of evidence."""
    return _pump_flush(v, v.s.purge_s)


def quality_flush(v: View) -> str | None:
    """Quality flush time, or given up for want of evidence."""
    return _pump_flush(v, v.s.quality_flush_s)


def stop_flush_whole(v: View) -> str | None:
    """Time and volume of the stop flush."""
    return _flushed(v, v.s.stop_flush_s, v.s.stop_flush_volume_l)


def stop_flush_given_up(v: View) -> bool:
    """The volume does not come: close, keep the debt."""
    limit_s = min(3.0 * v.s.stop_flush_s, v.s.start_flush_max_s)
    return v.held_s(v.m.both_ms) >= limit_s


def _closed(v: View) -> str | None:
    m = v.m
    if m.closing and m.feed_ms == NEVER and m.flush_ms == NEVER:
        return None
    return "closing the valves"


def stop_flush(v: View) -> str | None:
    """Flushed and closed."""
    return _closed(v) if v.m.closing else (stop_flush_whole(v) or "waiting to close the feed valve")


def stopping(v: View) -> str | None:
    """T2: coast, then on to the stop flush as soon as a slot is lent. Else: closed."""
    m = v.m
    coast = _count_down("pump coasting", v.in_state_s, v.s.coast_s)
    if m.trip is not Trip.CLOSE and coast is not None:
        return coast
    if v.io.pump_running:
        return "waiting for the contactor to drop"
    if m.trip is Trip.T2 and flush_barred(v) and v.in_state_s < v.s.token_wait_s:
        return "waiting until it may flush"
    if m.trip is Trip.T2 and v.alone and not flush_barred(v):
        return _count_down("waiting for this unit's turn to flush", v.in_state_s, turn_s(v))
    if m.trip is Trip.T2 and v.in_state_s < v.s.token_wait_s:
        return None if v.p.token and v.p.ready else "waiting for a flush slot"
    return _closed(v)


def flush_barred(v: View) -> bool:
    """Something stands that would end a stop flush at once: its valve must not open for a single scan."""
    return bool(v.m.active & STOP_FLUSH_ENDS)


def turn_s(v: View) -> float:
    """With nobody to lend slots, each unit flushes once at a time of its own."""
    return max(v.s.coast_s, (v.unit - 1) * (v.s.stop_flush_s + 10.0))


def retry_wait(v: View) -> str | None:
    """The wait before a retry, then the I/O must be back."""
    waiting = _count_down("waiting before the next try", v.in_state_s, v.m.retry_wait_s)
    return waiting or _count_down("waiting for stable I/O", v.held_s(v.m.io_fresh_ms), v.s.io_back_s)


def resting(v: View) -> str | None:
    """States that a person must end."""
    if v.m.state is UnitState.LOCKOUT and v.m.latched is not None:
        return f"locked out: {EVENT_TEXT[v.m.latched]}; needs a reset"
    return {
        UnitState.LOCKOUT: "locked out: retained data lost; needs a reset",
        UnitState.OFF: "switched off",
        UnitState.MAINTENANCE: "out for maintenance; this is not isolation",
    }.get(v.m.state, "emergency stop; needs a reset when the chain is closed")


WAITS: dict[UnitState, Callable[[View], str | None]] = {
    UnitState.BOOT: boot,
    UnitState.OFF: resting,
    UnitState.MAINTENANCE: resting,
    UnitState.STANDBY: standby,
    UnitState.WAIT_PERMIT: wait_permit,
    UnitState.START_FLUSH: start_flush,
    UnitState.DELAY: delay,
    UnitState.PUMP_START: pump_start,
    UnitState.PRODUCE: produce,
    UnitState.PURGE: purge,
    UnitState.QUALITY_FLUSH: quality_flush,
    UnitState.STOP_FLUSH: stop_flush,
    UnitState.STOPPING: stopping,
    UnitState.RETRY_WAIT: retry_wait,
    UnitState.LOCKOUT: resting,
    UnitState.ESTOP: resting,
}


def feed_may_close(v: View) -> bool:
    """In a stop: is it time to let the feed valve go?"""
    m = v.m
    if m.closing:
        return False
    if m.state is UnitState.STOP_FLUSH:
        return stop_flush_whole(v) is None or stop_flush_given_up(v)
    if m.state is not UnitState.STOPPING:
        return False
    return m.trip is Trip.CLOSE or v.in_state_s >= v.s.coast_s


def want(v: View) -> Want:
    """Which flush slot the unit asks for, if any."""
    m, s, state = v.m, v.s, v.m.state
    if state is UnitState.WAIT_PERMIT:
        held_back = m.blocked_by is not None or m.link_lost or not v.p.ready or not v.p.may_start
        return Want.NONE if held_back else Want.START_FLUSH
    if state is UnitState.STOPPING and m.trip is Trip.T2:
        return Want.STOP_FLUSH if v.p.ready and v.in_state_s < s.token_wait_s else Want.NONE
    if state is UnitState.PRODUCE:
        if quality_flush_due(v) or v.held_s(m.purge_from_ms) >= 1.5 * s.purge_interval_s:
            return Want.LATE_PURGE
        return Want.PURGE if purge_due(v) else Want.NONE
    if state is UnitState.STANDBY and idle_flush_due(v) and v.p.ready and not _idle_flush_held(v):
        old = v.held_s(m.owed_since_ms) >= 30.0 * s.debt_repay_min
        return Want.STOP_FLUSH if m.flush_owed and old else Want.IDLE_FLUSH
    return Want.NONE


NEEDS_SLOT = frozenset(
    {
        UnitState.START_FLUSH,
        UnitState.DELAY,
        UnitState.PURGE,
        UnitState.QUALITY_FLUSH,
        UnitState.STOP_FLUSH,
    }
)
"""States that a lost flush slot ends."""

_HOLDS_SLOT = NEEDS_SLOT | {UnitState.PUMP_START}  # keeps its slot until the pump is proven


def wants_water(v: View) -> bool:
    """Is the booster needed for this unit, now or next?"""
    state = v.m.state
    if state is UnitState.STANDBY:
        return idle_flush_due(v) and not _idle_flush_held(v)
    if state is UnitState.WAIT_PERMIT:
        return v.m.blocked_by is None and not v.m.link_lost and v.p.may_start
    if state is UnitState.STOPPING:
        return v.m.trip is Trip.T2 and v.in_state_s < v.s.token_wait_s
    return state not in RESTING and not v.m.closing


def _waiting_since_ms(v: View, wanted: Want) -> int:
    """From when a unit's place in the queue counts."""
    if wanted in (Want.PURGE, Want.LATE_PURGE):
        return _due_from_ms(v)
    if v.m.state is UnitState.STANDBY and v.m.flush_owed:
        return v.m.owed_since_ms
    return v.m.entered_ms


def request(v: View) -> Request:
    """What the bank needs to know of this unit before the next scan."""
    m, state = v.m, v.m.state
    wanted = want(v)
    drawing = m.feed_ms != NEVER
    leaving = state in (UnitState.STOPPING, UnitState.STOP_FLUSH) and m.target is UnitState.MAINTENANCE
    return Request(
        want=wanted,
        since_ms=_waiting_since_ms(v, wanted) if wanted else 0,
        flushing=state in _HOLDS_SLOT or m.flush_ms != NEVER,
        wants_start=state is UnitState.DELAY and settled(v) is None,
        wants_close=drawing and feed_may_close(v),
        wants_water=wants_water(v),
        draws_water=drawing,
        feed_off_ms=m.feed_off_ms,
        pumping=state in PUMPING,
        available=state not in UNAVAILABLE and not m.stopped,
        in_maintenance=m.in_maintenance or leaving,
        alarmed=state in (UnitState.LOCKOUT, UnitState.ESTOP),
        quality_poor=m.quality_alarm or bool(m.quality_flushes_ms),
        run_ms=m.run_ms,
        started_ms=m.pump_ms,
        tds_mgl=v.tds_mgl or 0.0,
    )
