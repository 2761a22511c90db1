"""What an alarm may be raised on, as bits of one number.

Bits 0..63 are events that stand; then come the named conditions of this file, then for every loop whether it
is BAD, then whether it is UNCERTAIN. Events are taken in every scan, the rest is sampled twice a second: an
alarm for people needs no more, and a bank of many units then costs little.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from controller.bank.coordinator import HEARTBEAT_S
from controller.bank.memory import BankMemory
from controller.bank.shared import RESET_MOST_S
from controller.bank.view import CHLORINE, FEED_TEMP, PRODUCT
from controller.parts.analogue import Loop, Quality
from controller.parts.timing import HOUR_S, NEVER, held_s
from controller.settings import Setpoints
from controller.signals import (
    BANK_SIGNALS,
    UNIT_SIGNALS,
    BankInputs,
    Kind,
    Signal,
    UnitInputs,
    from_ma,
)
from controller.unit.memory import UnitMemory
from controller.unit.states import Event, UnitState
from controller.unit.view import CONCENTRATE, MEMBRANE, QUALITY, SUCTION

SAMPLE_MS = 500
CONDITION_BIT, BAD_BIT, UNCERTAIN_BIT = 64, 128, 144
IMPLAUSIBLE_US_CM = 2.0  # narrative, fault F10: a dry or broken cell reads next to nothing
LATE_PURGE = 1.5  # intervals; from here on the queue of flush slots puts the purge first, too


@dataclass(slots=True)
class UnitSight:
    """One unit in one scan, as far as its alarms look."""

    s: Setpoints
    m: UnitMemory
    io: UnitInputs
    header_bar: float | None
    now_ms: int

    def value(self, loop: int) -> float | None:
        """A loop in its own unit; None when it is not to be believed."""
        name = ("suction_ma", "membrane_ma", "permeate_cond_ma")[loop]
        return _believed(self.m.loops[loop], _UNIT[name], getattr(self.io, name))


@dataclass(slots=True)
class BankSight:
    """The bank in one scan, as far as its alarms look."""

    s: Setpoints
    m: BankMemory
    io: BankInputs
    pumping: bool
    now_ms: int

    def value(self, loop: int, name: str) -> float | None:
        """A loop in its own unit; None when it is not to be believed."""
        return _believed(self.m.loops[loop], _BANK[name], getattr(self.io, name))


_UNIT = {signal.name: signal for signal in UNIT_SIGNALS if signal.kind is Kind.AI}
_BANK = {signal.name: signal for signal in BANK_SIGNALS if signal.kind is Kind.AI}


def _believed(loop: Loop, signal: Signal, current_ma: float) -> float | None:
    if not loop.believed or loop.broken_ms != NEVER:
        return None
    return from_ma(signal, current_ma)


# --- conditions of a unit ---------------------------------------------------------------------------


def feed_shut(v: UnitSight) -> bool:
    """Feed valve shut or just opened: there is no suction pressure to speak of."""
    return v.m.feed_ms == NEVER or held_s(v.m.feed_ms, v.now_ms) < v.s.suction_blank_s


def suction_falling(v: UnitSight) -> bool:
    """Suction on its way to the trip."""
    value = v.value(SUCTION)
    return value is not None and value < v.s.suction_alarm_bar


def membrane_rising(v: UnitSight) -> bool:
    """Membrane pressure on its way to the trip."""
    value = v.value(MEMBRANE)
    return value is not None and value > v.s.discharge_alarm_bar


def prefilter_loaded(v: UnitSight) -> bool:
    """Header to suction takes too much pressure at the flow of production."""
    value = v.value(SUCTION)
    if v.m.state is not UnitState.PRODUCE or value is None or v.header_bar is None:
        return False
    return v.header_bar - value > v.s.prefilter_alarm_bar


def quality_poor(v: UnitSight) -> bool:
    """The quality alarm of the sequence stands."""
    return v.m.quality_alarm


def quality_implausible(v: UnitSight) -> bool:
    """No permeate conducts so little: the cell is dry, or its wire is."""
    value = v.value(QUALITY)
    return v.m.state is UnitState.PRODUCE and value is not None and value < IMPLAUSIBLE_US_CM


def purge_late(v: UnitSight) -> bool:
    """Production goes on and the purge has not come."""
    late_s = LATE_PURGE * v.s.purge_interval_s
    return v.m.state is UnitState.PRODUCE and held_s(v.m.purge_from_ms, v.now_ms) >= late_s


def volume_unproven(v: UnitSight) -> bool:
    """A flush goes by time alone, because its flow meter is BAD."""
    flushing = v.m.state in (UnitState.START_FLUSH, UnitState.STOP_FLUSH)
    return flushing and v.m.loops[CONCENTRATE].quality is Quality.BAD


def flush_not_whole(v: UnitSight) -> bool:
    """A flush with the pump off ended before its time or volume; the next one waits."""
    return v.m.flush_owed and v.now_ms < v.m.flush_not_before_ms


def debt_in_off(v: UnitSight) -> bool:
    """The unit is off and concentrate has stood in it for long."""
    if v.m.state is not UnitState.OFF or not v.m.flush_owed:
        return False
    return held_s(max(v.m.owed_since_ms, v.m.entered_ms), v.now_ms) >= v.s.debt_alarm_h * HOUR_S


def under_pressure(v: UnitSight) -> bool:
    """Feed did not close, and the unit is one that people may be about to open."""
    leaks = bool(v.m.active >> Event.FEED_NOT_CLOSED & 1)
    return leaks and v.m.state in (UnitState.OFF, UnitState.MAINTENANCE)


def memory_lost(v: UnitSight) -> bool:
    """What should have survived the power loss did not."""
    return v.m.lost_memory


UNIT_CONDITIONS: dict[str, Callable[[UnitSight], bool]] = {
    "feed valve shut or just opened": feed_shut,
    "suction below the alarm limit": suction_falling,
    "membrane pressure above the alarm limit": membrane_rising,
    "prefilter takes too much pressure": prefilter_loaded,
    "quality alarm of the sequence": quality_poor,
    "conductivity below 2 uS/cm while producing": quality_implausible,
    "no purge for 1.5 intervals": purge_late,
    "flush by time, flow meter BAD": volume_unproven,
    "flush with the pump off not whole": flush_not_whole,
    "flush owed in OFF for long": debt_in_off,
    "feed valve did not close, unit in OFF or MAINTENANCE": under_pressure,
    "retained data lost": memory_lost,
}


# --- conditions of the bank -------------------------------------------------------------------------


def antiscalant_low(v: BankSight) -> bool:
    """The tank contact, long before the grace is over."""
    return not v.io.antiscalant_ok


def dosing_pump_fault(v: BankSight) -> bool:
    """The dosing pump says so itself."""
    return not v.io.dosing_healthy


def stroke_missing(v: BankSight) -> bool:
    """Half of the grace for a stroke is gone."""
    return held_s(v.m.unproven_ms, v.now_ms) >= 0.5 * v.s.dosing_lost_s


def feed_warm(v: BankSight) -> bool:
    """Feed temperature on its way to the trip."""
    value = v.value(FEED_TEMP, "feed_temp_ma")
    return value is not None and value > v.s.temp_alarm_degc


def chlorine_trace(v: BankSight) -> bool:
    """Free chlorine on its way to the trip."""
    value = v.value(CHLORINE, "chlorine_ma")
    return value is not None and value > v.s.chlorine_alarm_mgl


def product_poor(v: BankSight) -> bool:
    """What the pumping units deliver together is too poor; water that stands in the header says nothing."""
    value = v.value(PRODUCT, "product_cond_ma") if v.pumping else None
    return value is not None and value * v.s.tds_per_us > v.s.product_tds_mgl


def tank_low(v: BankSight) -> bool:
    """The low float."""
    return not v.io.tank_above_low


def button_jammed(v: BankSight) -> bool:
    """The reset button is held down."""
    return held_s(v.m.pressed_ms, v.now_ms) > RESET_MOST_S


BANK_CONDITIONS: dict[str, Callable[[BankSight], bool]] = {
    "antiscalant tank contact open": antiscalant_low,
    "dosing pump not healthy": dosing_pump_fault,
    "no dosing stroke for half of its grace": stroke_missing,
    "feed temperature above the alarm limit": feed_warm,
    "free chlorine above the alarm limit": chlorine_trace,
    "blended product too poor": product_poor,
    "low float open": tank_low,
    "reset button held down": button_jammed,
}


# --- as bits ----------------------------------------------------------------------------------------


def sample_unit(v: UnitSight) -> int:
    """Conditions and loops of a unit as bits."""
    return _bits(when(v) for when in UNIT_CONDITIONS.values()) | _loop_bits(v.m.loops)


def sample_bank(v: BankSight) -> int:
    """Conditions and loops of the bank as bits."""
    return _bits(when(v) for when in BANK_CONDITIONS.values()) | _loop_bits(v.m.loops)


def _bits(answers: Iterable[bool]) -> int:
    return sum(1 << CONDITION_BIT + place for place, holds in enumerate(answers) if holds)


def _loop_bits(loops: list[Loop]) -> int:
    bits = 0
    for place, loop in enumerate(loops):
        if loop.quality is Quality.BAD:
            bits |= 1 << BAD_BIT + place
        elif loop.quality is Quality.UNCERTAIN:
            bits |= 1 << UNCERTAIN_BIT + place
    return bits


def bank_events(m: BankMemory, estop_open: bool, s: Setpoints, now_ms: int) -> int:
    """Shared causes that stand, as bits of their events; a latch whose cause has gone is not among them."""
    bits = sum(1 << event for event in m.latched if m.gone_ms.get(event, NEVER) == NEVER)
    if estop_open:
        bits |= 1 << Event.ESTOP
    if held_s(m.header_low_ms, now_ms) >= s.header_low_s:
        bits |= 1 << Event.HEADER_LOST
    if held_s(m.stale_ms, now_ms) >= HEARTBEAT_S - s.io_stale_s:
        bits |= 1 << Event.COORDINATOR_LOST
    return bits


def bank_held(m: BankMemory, units: Iterable[UnitMemory]) -> int:
    """Shared causes that the bank holds latched; the E-stop is held by the units that wait for its reset."""
    bits = sum(1 << event for event in m.latched)
    if any(unit.state is UnitState.ESTOP for unit in units):
        bits |= 1 << Event.ESTOP
    return bits
