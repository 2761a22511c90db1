"""The sequence as data: for every event, what every state answers.

A row names an event and groups the sixteen states by answer. Every state stands in exactly one group
of every row (checked at import), so no combination is left to chance. ``moves()`` flattens the rows
into the list that the state machine runs.

Reading a row:  ``Row(E.STOP, {close(STANDBY): (START_FLUSH, DELAY), ...})``
means: a stop command in START_FLUSH or DELAY closes the unit down, then STANDBY.

Moves of class CLOSE, T2 and T1 pass through STOPPING, which brings valves and pump to rest in order and
then enters the named target. In STOP_FLUSH and STOPPING the target STANDBY stands for the target that was
recorded when the stop began. ``ALSO`` lists the few cells that may end elsewhere for such a reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from controller.unit.states import STATES, Answer, Event, Trip, UnitState

BOOT, OFF, MAINTENANCE, STANDBY, WAIT_PERMIT, START_FLUSH, DELAY, PUMP_START = STATES[:8]
PRODUCE, PURGE, QUALITY_FLUSH, STOP_FLUSH, STOPPING, RETRY_WAIT, LOCKOUT, ESTOP = STATES[8:]

IGNORE, RECORD, REFUSE, BLOCK, REMEMBER = Answer


class Move(NamedTuple):
    """A cell that names a move: how it is left and where it ends."""

    trip: Trip
    target: UnitState


def go(target: UnitState) -> Move:
    """Just change state: nothing was moving."""
    return Move(Trip.NONE, target)


def close(target: UnitState) -> Move:
    """Close feed, then flush; the pump is off already."""
    return Move(Trip.CLOSE, target)


def t2(target: UnitState) -> Move:
    """Ordinary stop: pump off, coast, stop flush, then the target."""
    return Move(Trip.T2, target)


def t1(target: UnitState) -> Move:
    """Pump off at once, feed closes after the coast, no flush."""
    return Move(Trip.T1, target)


def t0(target: UnitState) -> Move:
    """All outputs off in this scan."""
    return Move(Trip.T0, target)


def welded(target: UnitState) -> Move:
    """All outputs off, the series contactor must break the circuit."""
    return Move(Trip.WELDED, target)


Cell = Move | Answer
Group = tuple[UnitState, ...]

FILLING: Group = (START_FLUSH, DELAY)
RUNNING: Group = (PUMP_START, PRODUCE, PURGE, QUALITY_FLUSH)
WET: Group = (*FILLING, *RUNNING, STOP_FLUSH)
ACTIVE: Group = (*WET, STOPPING)
IDLE: Group = (STANDBY, WAIT_PERMIT)


class Row(NamedTuple):
    """One event; ``cells`` groups the states by answer, ``rest`` answers for those not named.

    ``bank`` marks a cause that the bank latches: units rest in STANDBY and one reset at the bank
    is enough.
    """

    event: Event
    cells: Mapping[Cell, Group]
    rest: Answer
    bank: bool = False

    def cell(self, state: UnitState) -> Cell:
        """The answer of one state."""
        for answer, states in self.cells.items():
            if state in states:
                return answer
        return self.rest


def _shared_t1(event: Event) -> Row:
    """Bank-latched: pump off at once, flushes closed, nobody starts."""
    cells: dict[Cell, Group] = {
        BLOCK: (STANDBY,),
        go(STANDBY): (WAIT_PERMIT, RETRY_WAIT),
        close(STANDBY): (*FILLING, STOP_FLUSH),
        t1(STANDBY): RUNNING,
    }
    return Row(event, cells, RECORD, bank=True)


def _wired_trip(event: Event) -> Row:
    """A hard-wired protection of the unit has acted; the program must latch it."""
    cells: dict[Cell, Group] = {
        go(LOCKOUT): (*IDLE, RETRY_WAIT),
        close(LOCKOUT): (*FILLING, STOP_FLUSH),
        t1(LOCKOUT): RUNNING,
        REMEMBER: (STOPPING,),
    }
    return Row(event, cells, RECORD)


def _quality_sensor(event: Event) -> Row:
    return Row(event, {BLOCK: (*IDLE, RETRY_WAIT), t2(LOCKOUT): RUNNING}, RECORD)


def _dosing(event: Event, at_once: Group) -> Row:
    """Scale protection lost. The grace time runs in the bank, before the event is raised."""
    cells: dict[Cell, Group] = {
        BLOCK: (STANDBY, RETRY_WAIT),
        go(STANDBY): (WAIT_PERMIT,),
        t2(STANDBY): at_once,
    }
    return Row(event, cells, RECORD, bank=True)


E = Event
MATRIX: tuple[Row, ...] = (
    Row(
        E.CALL,
        {
            REFUSE: (BOOT, OFF, MAINTENANCE, LOCKOUT, ESTOP),
            go(WAIT_PERMIT): (STANDBY,),
            REMEMBER: (STOP_FLUSH, STOPPING, RETRY_WAIT),
        },
        IGNORE,
    ),
    Row(
        E.STOP,
        {
            go(STANDBY): (WAIT_PERMIT, RETRY_WAIT),
            close(STANDBY): FILLING,
            t2(STANDBY): RUNNING,
            IGNORE: (OFF, MAINTENANCE, LOCKOUT, ESTOP),
        },
        RECORD,
    ),
    Row(
        E.SELECTOR_OFF,
        {
            go(OFF): (*IDLE, RETRY_WAIT),
            close(OFF): (*FILLING, STOP_FLUSH),
            t1(OFF): RUNNING,
            REMEMBER: (STOPPING,),
            IGNORE: (OFF, MAINTENANCE),
        },
        RECORD,
    ),
    Row(
        E.SELECTOR_AUTO, {go(STANDBY): (OFF,), REFUSE: (MAINTENANCE,), RECORD: (BOOT, LOCKOUT, ESTOP)}, IGNORE
    ),
    Row(
        E.MAINTENANCE_REQUEST,
        {
            REFUSE: (BOOT, ESTOP),
            go(MAINTENANCE): (OFF, *IDLE, RETRY_WAIT, LOCKOUT),
            close(MAINTENANCE): FILLING,
            t2(MAINTENANCE): RUNNING,
            REMEMBER: (STOP_FLUSH, STOPPING),
        },
        IGNORE,
    ),
    Row(E.RETURN_TO_SERVICE, {go(OFF): (MAINTENANCE,)}, REFUSE),
    Row(
        E.CALL_WITHDRAWN,
        {
            go(STANDBY): (WAIT_PERMIT, RETRY_WAIT),
            close(STANDBY): FILLING,
            t2(STANDBY): RUNNING,
            RECORD: (BOOT, OFF, MAINTENANCE, STANDBY),
        },
        IGNORE,
    ),
    _shared_t1(E.TANK_HIGH_HIGH),
    Row(
        E.LOW_SUCTION,
        {
            close(RETRY_WAIT): FILLING,
            t1(RETRY_WAIT): RUNNING,
            close(STANDBY): (STOP_FLUSH,),
            RECORD: (STOPPING,),
        },
        IGNORE,
    ),
    Row(
        E.LOW_SUCTION_SPENT,
        {
            close(LOCKOUT): (*FILLING, STOP_FLUSH),
            t1(LOCKOUT): RUNNING,
            RECORD: (STOPPING,),
            go(LOCKOUT): (RETRY_WAIT,),
        },
        IGNORE,
    ),
    Row(
        E.HEADER_LOST,
        {BLOCK: IDLE, close(RETRY_WAIT): FILLING, t1(RETRY_WAIT): RUNNING, close(STANDBY): (STOP_FLUSH,)},
        RECORD,
    ),
    Row(E.QUALITY_ALARM, {go(QUALITY_FLUSH): (PRODUCE,)}, IGNORE),
    Row(E.QUALITY_LOCKOUT, {t2(LOCKOUT): (PRODUCE,)}, IGNORE),
    Row(E.HIGH_DISCHARGE, {t1(LOCKOUT): RUNNING, REMEMBER: (STOPPING,)}, RECORD),
    _wired_trip(E.DISCHARGE_SWITCH),
    _wired_trip(E.MOTOR_PROTECTOR),
    Row(E.PUMP_NOT_PROVEN, {t1(LOCKOUT): RUNNING}, IGNORE),
    Row(
        E.PUMP_WELDED,
        {
            welded(OFF): (OFF,),
            welded(MAINTENANCE): (MAINTENANCE,),
            welded(ESTOP): (ESTOP,),
            welded(LOCKOUT): (BOOT, *IDLE, *FILLING, STOP_FLUSH, STOPPING, RETRY_WAIT, LOCKOUT),
        },
        IGNORE,
    ),
    Row(
        E.SUCTION_SENSOR_BAD,
        {
            BLOCK: IDLE,
            close(LOCKOUT): (*FILLING, STOP_FLUSH),
            t1(LOCKOUT): RUNNING,
            REMEMBER: (STOPPING,),
            go(LOCKOUT): (RETRY_WAIT,),
        },
        RECORD,
    ),
    _quality_sensor(E.QUALITY_SENSOR_BAD),
    _quality_sensor(E.MEMBRANE_SENSOR_BAD),
    Row(E.OTHER_SENSOR_BAD, {}, RECORD),
    Row(
        E.FEED_NOT_OPEN,
        {close(LOCKOUT): (*FILLING, STOP_FLUSH), t1(LOCKOUT): RUNNING, RECORD: (STOPPING,)},
        IGNORE,
    ),
    Row(E.FEED_NOT_CLOSED, {BLOCK: (*IDLE, RETRY_WAIT), IGNORE: WET}, RECORD),
    Row(
        E.FLUSH_NOT_OPEN,
        {close(LOCKOUT): (START_FLUSH,), t2(LOCKOUT): (PURGE, QUALITY_FLUSH), RECORD: (STOP_FLUSH,)},
        IGNORE,
    ),
    Row(
        E.FLUSH_NOT_CLOSED,
        {
            BLOCK: (*IDLE, RETRY_WAIT),
            IGNORE: (START_FLUSH, PURGE, QUALITY_FLUSH),
            close(LOCKOUT): (DELAY, STOP_FLUSH),
            t1(LOCKOUT): (PUMP_START,),
            t2(LOCKOUT): (PRODUCE,),
        },
        RECORD,
    ),
    Row(E.SKID_LEAK, {go(LOCKOUT): (*IDLE, RETRY_WAIT), t0(LOCKOUT): ACTIVE}, RECORD),
    Row(
        E.FLOOR_LEAK,
        {BLOCK: (STANDBY,), go(STANDBY): (WAIT_PERMIT, RETRY_WAIT), t0(STANDBY): ACTIVE},
        RECORD,
        bank=True,
    ),
    _shared_t1(E.SUMP_HIGH),
    Row(
        E.ESTOP,
        {
            t0(OFF): (OFF,),
            t0(MAINTENANCE): (MAINTENANCE,),
            t0(ESTOP): (BOOT, *IDLE, *ACTIVE, RETRY_WAIT, LOCKOUT),
        },
        IGNORE,
    ),
    _shared_t1(E.FEED_HOT),
    _shared_t1(E.OXIDANT),
    _dosing(E.ANTISCALANT_LOW, (PRODUCE, PURGE, QUALITY_FLUSH)),
    _dosing(E.DOSING_LOST, RUNNING),
    _shared_t1(E.BOOSTER_FAULT),
    Row(
        E.PERMEATE_PRESSURE,
        {BLOCK: (*IDLE, RETRY_WAIT), close(LOCKOUT): (DELAY,), t1(LOCKOUT): RUNNING, REMEMBER: (STOPPING,)},
        RECORD,
    ),
    Row(E.REBOOT, {t0(BOOT): STATES}, IGNORE),
    Row(E.CLOCK_STEP, {}, RECORD),
    Row(
        E.IO_LOST,
        {
            t0(OFF): (OFF,),
            t0(MAINTENANCE): (MAINTENANCE,),
            BLOCK: (STANDBY,),
            go(STANDBY): (WAIT_PERMIT,),
            t0(RETRY_WAIT): ACTIVE,
        },
        RECORD,
    ),
    Row(
        E.IO_LOST_SPENT,
        {
            t0(OFF): (OFF,),
            t0(MAINTENANCE): (MAINTENANCE,),
            go(LOCKOUT): (*IDLE, RETRY_WAIT),
            t0(LOCKOUT): ACTIVE,
        },
        RECORD,
    ),
    Row(
        E.COORDINATOR_LOST,
        {
            BLOCK: (STANDBY, RETRY_WAIT),
            go(STANDBY): (WAIT_PERMIT,),
            close(STANDBY): FILLING,
            t2(STANDBY): RUNNING,
        },
        RECORD,
        bank=True,
    ),
    Row(
        E.TOKEN_LOST,
        {
            BLOCK: IDLE,
            close(STANDBY): (*FILLING, STOP_FLUSH),
            RECORD: (PRODUCE, STOPPING),
            go(PRODUCE): (PURGE, QUALITY_FLUSH),
        },
        IGNORE,
    ),
    Row(E.PURGE_OVERDUE, {t2(STANDBY): (PRODUCE,)}, IGNORE),
    Row(E.RESET, {go(STANDBY): (LOCKOUT,), go(BOOT): (ESTOP,)}, IGNORE),
    Row(E.RESET_REFUSED, {REFUSE: (BOOT, STANDBY, RETRY_WAIT, LOCKOUT, ESTOP)}, IGNORE),
    Row(
        E.DONE,
        {
            go(STANDBY): (BOOT, STOP_FLUSH),
            go(STOP_FLUSH): (STANDBY, STOPPING),
            go(START_FLUSH): (WAIT_PERMIT,),
            go(DELAY): (START_FLUSH,),
            go(PUMP_START): (DELAY,),
            go(PRODUCE): (PUMP_START, PURGE, QUALITY_FLUSH),
            go(PURGE): (PRODUCE,),
            go(WAIT_PERMIT): (RETRY_WAIT,),
        },
        IGNORE,
    ),
    Row(
        E.ISOLATED,
        {go(OFF): (*IDLE, RETRY_WAIT), t0(OFF): ACTIVE},
        RECORD,
    ),
    Row(E.STARTS_LIMIT, {BLOCK: (*IDLE, RETRY_WAIT)}, IGNORE),
)


def check(rows: tuple[Row, ...]) -> None:
    """ValueError unless every event has one row, in order, and no state stands in two groups of it."""
    if tuple(row.event for row in rows) != tuple(Event):
        raise ValueError("the matrix must have one row for every event, in order")
    for row in rows:
        named = [state for states in row.cells.values() for state in states]
        if len(named) != len(set(named)):
            raise ValueError(f"{row.event.name}: a state stands in two groups")


check(MATRIX)

CELLS: dict[tuple[UnitState, Event], Cell] = {
    (state, row.event): row.cell(state) for row in MATRIX for state in STATES
}
BANK_EVENTS: frozenset[Event] = frozenset(row.event for row in MATRIX if row.bank)
STOP_FLUSH_ENDS = sum(
    1 << event
    for event in Event
    if event is not Event.DONE and isinstance(CELLS[UnitState.STOP_FLUSH, event], Move)
)
"""Events that end a stop flush at once, as bits: while one stands, none begins."""


ALSO: dict[tuple[UnitState, Event], Group] = {
    # after a restart: flagged for maintenance, E-stop not reset yet, latched, or switched off
    (BOOT, Event.DONE): (OFF, MAINTENANCE, LOCKOUT, ESTOP),
    # the target recorded when the stop began
    (STOP_FLUSH, Event.DONE): (OFF, MAINTENANCE, LOCKOUT),
    (STOPPING, Event.DONE): (OFF, MAINTENANCE, STANDBY, RETRY_WAIT, LOCKOUT),
    # the same, when the stop is cut short
    (STOP_FLUSH, Event.FLOOR_LEAK): (OFF, MAINTENANCE, LOCKOUT),
    (STOPPING, Event.FLOOR_LEAK): (OFF, MAINTENANCE, RETRY_WAIT, LOCKOUT),
    (STOP_FLUSH, Event.IO_LOST): (OFF, MAINTENANCE, LOCKOUT),
    (STOPPING, Event.IO_LOST): (OFF, MAINTENANCE, LOCKOUT),
    # a latched cause survives OFF
    (OFF, Event.SELECTOR_AUTO): (LOCKOUT,),
    # reset with the selector turned away, or before a return to service
    (LOCKOUT, Event.RESET): (OFF, MAINTENANCE),
}
"""Further targets of a cell, chosen by what the unit remembers; the first choice stands in MATRIX."""


def destination(source: UnitState, cell: Move) -> UnitState:
    """State entered at once; a move that has to bring actuators to rest enters STOPPING first."""
    passes = cell.trip in (Trip.CLOSE, Trip.T2, Trip.T1)
    return STOPPING if passes and source is not STOPPING else cell.target


def moves() -> Iterator[tuple[Event, UnitState, UnitState]]:
    """All (event, source, state entered) of the matrix, for the state machine."""
    for (source, event), cell in CELLS.items():
        if isinstance(cell, Move):
            yield event, source, destination(source, cell)
            for target in ALSO.get((source, event), ()):
                yield event, source, target
