"""The words of the unit sequence: states, trip classes, events.

Three closed lists. Nothing here acts; ``table.py`` says which event leads where.
"""

from __future__ import annotations

from enum import Enum, IntEnum, StrEnum


class UnitState(StrEnum):
    """Where the sequence of one unit is."""

    BOOT = "BOOT"
    OFF = "OFF"
    MAINTENANCE = "MAINTENANCE"
    STANDBY = "STANDBY"
    WAIT_PERMIT = "WAIT_PERMIT"
    START_FLUSH = "START_FLUSH"
    DELAY = "DELAY"
    PUMP_START = "PUMP_START"
    PRODUCE = "PRODUCE"
    PURGE = "PURGE"
    QUALITY_FLUSH = "QUALITY_FLUSH"
    STOP_FLUSH = "STOP_FLUSH"
    STOPPING = "STOPPING"
    RETRY_WAIT = "RETRY_WAIT"
    LOCKOUT = "LOCKOUT"
    ESTOP = "ESTOP"


STATES: tuple[UnitState, ...] = tuple(UnitState)

RESTING = frozenset(
    {
        UnitState.BOOT,
        UnitState.OFF,
        UnitState.MAINTENANCE,
        UnitState.STANDBY,
        UnitState.WAIT_PERMIT,
        UnitState.RETRY_WAIT,
        UnitState.LOCKOUT,
        UnitState.ESTOP,
    }
)
"""States in which every output of the unit is de-energised."""

PUMPING = frozenset({UnitState.PUMP_START, UnitState.PRODUCE, UnitState.PURGE, UnitState.QUALITY_FLUSH})
"""States in which the pump is commanded on."""


class Trip(IntEnum):
    """How a state is left; a later one outranks an earlier one and overrides it when in progress.

    The classes are this project's own, not a standard's. NONE: the state just changes, no actuator
    was moving. CLOSE: pump already off, feed closes, then flush. T2: ordinary stop, with a flush.
    T1: pump off at once, no flush, for a pump or membrane in danger or water that itself is bad.
    T0: everything de-energised in this scan. WELDED: as T0, the pump ran when told to stop.
    """

    NONE = 0
    CLOSE = 1
    T2 = 2
    T1 = 3
    T0 = 4
    WELDED = 5


class Answer(Enum):
    """What a cell of the matrix says when it names no move."""

    IGNORE = "no effect by design"
    RECORD = "recorded only, outputs and state kept"
    REFUSE = "refused, reason shown"
    BLOCK = "kept; the next start is blocked until it clears"
    REMEMBER = "remembered and acted on at the end of this state"


class Event(IntEnum):
    """What can happen to a unit, numbered as in the narrative (E01 is 1).

    Of two events in one scan the stronger trip class wins, then the lower number.
    """

    CALL = 1
    STOP = 2
    SELECTOR_OFF = 3
    SELECTOR_AUTO = 4
    MAINTENANCE_REQUEST = 5
    RETURN_TO_SERVICE = 6
    CALL_WITHDRAWN = 7
    TANK_HIGH_HIGH = 8
    LOW_SUCTION = 9
    LOW_SUCTION_SPENT = 10
    HEADER_LOST = 11
    QUALITY_ALARM = 12
    QUALITY_LOCKOUT = 13
    HIGH_DISCHARGE = 14
    DISCHARGE_SWITCH = 15
    MOTOR_PROTECTOR = 16
    PUMP_NOT_PROVEN = 17
    PUMP_WELDED = 18
    SUCTION_SENSOR_BAD = 19
    QUALITY_SENSOR_BAD = 20
    MEMBRANE_SENSOR_BAD = 21
    OTHER_SENSOR_BAD = 22
    FEED_NOT_OPEN = 23
    FEED_NOT_CLOSED = 24
    FLUSH_NOT_OPEN = 25
    FLUSH_NOT_CLOSED = 26
    SKID_LEAK = 27
    FLOOR_LEAK = 28
    SUMP_HIGH = 29
    ESTOP = 30
    FEED_HOT = 31
    OXIDANT = 32
    ANTISCALANT_LOW = 33
    DOSING_LOST = 34
    BOOSTER_FAULT = 35
    PERMEATE_PRESSURE = 36
    REBOOT = 37
    CLOCK_STEP = 38
    IO_LOST = 39
    IO_LOST_SPENT = 40
    COORDINATOR_LOST = 41
    TOKEN_LOST = 42
    PURGE_OVERDUE = 43
    RESET = 44
    RESET_REFUSED = 45
    DONE = 46
    ISOLATED = 47
    STARTS_LIMIT = 48


EVENT_TEXT: dict[Event, str] = {
    Event.CALL: "called by the bank",
    Event.STOP: "stop command",
    Event.SELECTOR_OFF: "selector not in AUTO",
    Event.SELECTOR_AUTO: "selector turned to AUTO",
    Event.MAINTENANCE_REQUEST: "maintenance requested",
    Event.RETURN_TO_SERVICE: "returned to service",
    Event.CALL_WITHDRAWN: "no longer called",
    Event.TANK_HIGH_HIGH: "tank high-high float",
    Event.LOW_SUCTION: "low suction, will retry",
    Event.LOW_SUCTION_SPENT: "low suction, retries spent",
    Event.HEADER_LOST: "feed header not ready",
    Event.QUALITY_ALARM: "permeate quality alarm",
    Event.QUALITY_LOCKOUT: "permeate quality lockout",
    Event.HIGH_DISCHARGE: "high membrane pressure",
    Event.DISCHARGE_SWITCH: "discharge pressure switch opened",
    Event.MOTOR_PROTECTOR: "motor protector opened",
    Event.PUMP_NOT_PROVEN: "pump start not proven",
    Event.PUMP_WELDED: "pump runs when commanded off",
    Event.SUCTION_SENSOR_BAD: "suction transmitter BAD",
    Event.QUALITY_SENSOR_BAD: "permeate conductivity BAD",
    Event.MEMBRANE_SENSOR_BAD: "membrane pressure transmitter BAD",
    Event.OTHER_SENSOR_BAD: "another unit transmitter BAD",
    Event.FEED_NOT_OPEN: "feed valve did not open",
    Event.FEED_NOT_CLOSED: "feed valve did not close",
    Event.FLUSH_NOT_OPEN: "flush did not show itself",
    Event.FLUSH_NOT_CLOSED: "flush valve did not close",
    Event.SKID_LEAK: "skid leak",
    Event.FLOOR_LEAK: "floor leak",
    Event.SUMP_HIGH: "drain sump high",
    Event.ESTOP: "emergency stop chain open",
    Event.FEED_HOT: "feed water too hot",
    Event.OXIDANT: "oxidant in the feed water",
    Event.ANTISCALANT_LOW: "antiscalant tank low",
    Event.DOSING_LOST: "dosing not proven",
    Event.BOOSTER_FAULT: "booster fault or source dry",
    Event.PERMEATE_PRESSURE: "permeate back pressure",
    Event.REBOOT: "controller restarted",
    Event.CLOCK_STEP: "wall clock stepped",
    Event.IO_LOST: "unit I/O lost, will retry",
    Event.IO_LOST_SPENT: "unit I/O lost, retries spent",
    Event.COORDINATOR_LOST: "bank heartbeat lost",
    Event.TOKEN_LOST: "flush slot refused or expired",
    Event.PURGE_OVERDUE: "purge overdue",
    Event.RESET: "reset",
    Event.RESET_REFUSED: "reset refused, the cause persists",
    Event.DONE: "step complete",
    Event.ISOLATED: "maintenance isolator off",
    Event.STARTS_LIMIT: "motor must rest before the next start",
}
