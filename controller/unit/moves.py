"""What a move does to the unit's memory: entering a state, latching a cause, counting a budget."""

from __future__ import annotations

from controller.parts.timing import HOUR_S, NEVER, recent
from controller.unit.machine import move
from controller.unit.progress import flush_barred
from controller.unit.states import Event, Trip, UnitState
from controller.unit.table import STOPPING, Move, destination
from controller.unit.view import View

_RUN = frozenset(
    {UnitState.DELAY, UnitState.PUMP_START, UnitState.PRODUCE, UnitState.PURGE, UnitState.QUALITY_FLUSH}
)

_STAYS_PUT = frozenset({UnitState.LOCKOUT, UnitState.OFF, UnitState.MAINTENANCE})


def perform(v: View, event: Event, cell: Move) -> UnitState:
    """Carry out a cell of the matrix; returns the state entered."""
    target = _target(v, event, cell)
    if (target is UnitState.LOCKOUT and event is not Event.DONE) or cell.trip is Trip.WELDED:
        latch(v, event)
    if event in (Event.LOW_SUCTION, Event.HEADER_LOST) and target is UnitState.RETRY_WAIT:
        _count_suction_failure(v)
    elif event is Event.IO_LOST:
        v.m.link_lost = True
        v.m.retry_wait_s = v.s.io_back_s
    entered = destination(v.m.state, Move(cell.trip, target))
    if entered is STOPPING:
        v.m.trip, v.m.target = cell.trip, target
    _enter(v, event, entered)
    return entered


def _enter(v: View, event: Event, entered: UnitState) -> None:
    """Make the move in the machine and do what entering the state asks for."""
    left = v.m.state
    move(v.m, event, entered)
    m = v.m
    m.entered_ms = v.now_ms
    m.closing = False
    if entered not in _RUN:
        m.flush_complete = False
    _leave(v, event, left, entered)
    _arrive(v, left, entered)


def latch(v: View, event: Event) -> None:
    """Remember the first-out cause of a lockout; a later one does not replace it."""
    if v.m.latched is None:
        v.m.latched, v.m.cause_gone_ms = event, NEVER


def _owe_flush(v: View) -> None:
    """From now on concentrate may stand in the membranes."""
    if not v.m.flush_owed:
        v.m.flush_owed, v.m.owed_since_ms = True, v.now_ms


def _target(v: View, event: Event, cell: Move) -> UnitState:
    """The cell's target, or what the unit remembers in its place."""
    m, target = v.m, cell.target
    if event is Event.DONE:
        return _after(v, cell)
    if m.state in (UnitState.STOP_FLUSH, UnitState.STOPPING):
        if target is UnitState.STANDBY:
            return m.target
        if target is UnitState.RETRY_WAIT and m.target in _STAYS_PUT:
            return m.target  # a latched cause or a person's wish is not forgotten for a retry
    if event is Event.SELECTOR_AUTO and m.latched is not None:
        return UnitState.LOCKOUT
    if event is Event.RESET and target is UnitState.STANDBY:
        if m.in_maintenance:
            return UnitState.MAINTENANCE  # locked out on its way back there after a loss of power
        if not v.io.selector_auto:
            return UnitState.OFF
    return target


def _after(v: View, cell: Move) -> UnitState:
    """Where a completed step leads."""
    m = v.m
    if m.state is UnitState.BOOT:
        return _after_boot(v)
    if m.state is UnitState.STOP_FLUSH:
        return m.target
    if m.state is UnitState.STOPPING:
        in_time = v.alone or v.in_state_s < v.s.token_wait_s
        flush = m.trip is Trip.T2 and in_time and not flush_barred(v)
        return UnitState.STOP_FLUSH if flush else m.target
    return cell.target


def _after_boot(v: View) -> UnitState:
    if v.m.in_maintenance:
        return UnitState.MAINTENANCE
    if v.m.estopped:
        return UnitState.ESTOP
    if v.m.latched is not None or v.m.lost_memory:
        return UnitState.LOCKOUT
    return UnitState.STANDBY if v.io.selector_auto else UnitState.OFF


def _count_suction_failure(v: View) -> None:
    m = v.m
    m.suction_ms = [*recent(m.suction_ms, v.now_ms, HOUR_S), v.now_ms]
    m.retry_wait_s = v.s.retry_wait_s(len(m.suction_ms))


def _count_reset(v: View) -> None:
    m = v.m
    if m.reset_cause is not m.latched:
        m.reset_cause, m.resets_ms = m.latched, []
    m.resets_ms = [*recent(m.resets_ms, v.now_ms, HOUR_S), v.now_ms]


def _head_start_ms(v: View) -> int:
    """Purges are spread over the interval, so that units that started together do not queue.

    It brings the first purge forward and makes none late: the membranes have just been flushed.
    """
    return round(v.s.purge_interval_s * 1000.0 * (v.unit - 1) / v.n_units)


def _leave(v: View, event: Event, left: UnitState, entered: UnitState) -> None:
    m = v.m
    if left is UnitState.START_FLUSH and entered is UnitState.DELAY:
        m.flush_owed, m.owed_since_ms = False, NEVER
        m.flush_complete = True
        m.last_flush_ms = v.now_ms
        m.start_flushes_due = 0
    elif left is UnitState.STOP_FLUSH and m.flush_owed:
        m.flush_not_before_ms = v.now_ms + round(v.s.suction_retry_1_s * 1000.0)
    elif left in (UnitState.PURGE, UnitState.QUALITY_FLUSH):
        _leave_pump_flush(v, event, entered)
    elif left is UnitState.ESTOP or event is Event.SELECTOR_AUTO:
        m.estopped = False
    elif left is UnitState.MAINTENANCE and entered is UnitState.OFF:
        m.in_maintenance = False
        m.start_flushes_due = 2
        m.first_start = True
    elif left is UnitState.LOCKOUT and event is Event.RESET:
        _count_reset(v)
        m.latched, m.cause_gone_ms = None, NEVER
        m.lost_memory = False
        m.suction_ms.clear()
        m.io_lost_ms.clear()
        m.purge_failures = 0


def _leave_pump_flush(v: View, event: Event, entered: UnitState) -> None:
    m = v.m
    m.flushed_on_ms = v.now_ms
    if entered is not UnitState.PRODUCE or event is Event.TOKEN_LOST:
        return  # cut short: neither done nor failed
    if m.evidence:
        m.purge_failures = 0
        m.purge_from_ms, m.purge_ahead_ms = v.now_ms, 0
    else:
        m.purge_failures += 1
        m.purge_not_before_ms = v.now_ms + round(v.s.purge_retry_s * 1000.0)


def _arrive(v: View, left: UnitState, entered: UnitState) -> None:
    m = v.m
    if entered in (UnitState.START_FLUSH, UnitState.STOP_FLUSH):
        m.volume_l = 0.0
        if left in (UnitState.WAIT_PERMIT, UnitState.STANDBY):
            m.target = UnitState.STANDBY
    elif entered is UnitState.PUMP_START:
        _owe_flush(v)
        m.flushed_on_ms = NEVER
        m.quality_alarm = m.quality_flush_due = False
    elif entered is UnitState.PRODUCE and left is UnitState.PUMP_START:
        m.purge_from_ms, m.purge_ahead_ms = v.now_ms, _head_start_ms(v)
        m.purge_not_before_ms = v.now_ms
        m.forgive_ms = v.now_ms
        m.first_start = False
        m.reference_bar = 0.0
    elif entered in (UnitState.PURGE, UnitState.QUALITY_FLUSH):
        m.evidence = False
        m.reference_bar = v.membrane_bar or 0.0
        if entered is UnitState.QUALITY_FLUSH:
            m.quality_flushes_ms = [*recent(m.quality_flushes_ms, v.now_ms, HOUR_S), v.now_ms]
            m.quality_flush_due = False
    elif entered is UnitState.MAINTENANCE:
        m.in_maintenance = True
    elif entered is UnitState.ESTOP:
        m.estopped = True
    elif entered is UnitState.LOCKOUT:
        m.cause_gone_ms = NEVER
    elif entered is UnitState.BOOT:
        _owe_flush(v)
        m.pump_off_ms = v.now_ms
