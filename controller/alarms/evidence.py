"""What an alarm may be raised on, as bits of one number.

Bits 0..63 are events that stand; then come the named conditions of this file, then for every loop whether it
is BAD, UNCERTAIN, frozen. Events are taken in every scan, the rest is sampled twice a second: an alarm for
people needs no more, and a bank of many units then costs little.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from controller.alarms.movement import FIRST_LOOP
from controller.bank.coordinator import heartbeat_lost
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
from controller.unit.view import CONCENTRATE, MEMBRANE, PERMEATE, QUALITY, SUCTION, quality_blanked

SAMPLE_MS = 500
CONDITION_BIT, BAD_BIT, UNCERTAIN_BIT, FROZEN_BIT = 64, 128, 144, 160
IMPLAUSIBLE_US_CM = 2.0  # narrative, fault F10: a dry or broken cell reads next to nothing
AS_LEFT_BAND = 0.25  # narrative 3.7, of the value entered at hand-over
AS_LEFT_PRESSURE_BAND = 0.05  # own choice: the membrane pressure confirms which way the flow went
WORN_PUMP, WEAK_PREFILTER = 0.7, 0.6  # of the as-left value; narrative 3.7, own choice
STRAY_WINDOW_S = 600.0  # own choice: two strokes that nobody asked for in this time
LATE_PURGE = 1.5  # intervals; from here on the queue of flush slots puts the purge first, too


@dataclass(slots=True)
class UnitSight:
    """One unit in one scan, as far as its alarms look."""

    s: Setpoints
    m: UnitMemory
    io: UnitInputs
    header_bar: float | None
    now_ms: int
    _values: dict[int, float | None] = field(default_factory=dict)  # of the loops asked for so far
    _settled: bool | None = None

    def value(self, loop: int) -> float | None:
        """A loop in its own unit; None when it is not to be believed."""
        if loop not in self._values:
            self._values[loop] = _believed(self.m.loops[loop], _UNIT[loop], self.io[FIRST_LOOP + loop])
        return self._values[loop]

    @property
    def settled(self) -> bool:
        """Production is neither just begun nor just purged."""
        if self._settled is None:
            producing = self.m.state is UnitState.PRODUCE
            self._settled = producing and not quality_blanked(self.s, self.m, self.now_ms)
        return self._settled


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


_UNIT = tuple(signal for signal in UNIT_SIGNALS if signal.kind is Kind.AI)
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
    """Suction on its way to the trip; not judged before the feed valve has had time to open."""
    value = None if feed_shut(v) else v.value(SUCTION)
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


def prefilter_weak(v: UnitSight) -> bool:
    """The prefilter takes far less than it did when it was new: collapsed, bypassed, or not there."""
    value = v.value(SUCTION) if v.s.as_left_prefilter_bar and v.settled else None
    if value is None or v.header_bar is None:
        return False
    expected = WEAK_PREFILTER * v.s.as_left_prefilter_bar
    loss = v.header_bar - value
    return loss < expected and loss < expected * _feed(v)


def pump_worn(v: UnitSight) -> bool:
    """The pump gives far less pressure than it did."""
    if not v.s.as_left_pump_bar or not v.settled:
        return False
    suction, membrane = v.value(SUCTION), v.value(MEMBRANE)
    if suction is None or membrane is None:
        return False
    return membrane - suction < WORN_PUMP * v.s.as_left_pump_bar


def restrictor_blocked(v: UnitSight) -> bool:
    """Less concentrate at more pressure."""
    if not v.s.as_left_concentrate_m3h or not v.settled:
        return False
    return _concentrate(v) < 1.0 - AS_LEFT_BAND and _pressure(v) > 1.0 + AS_LEFT_PRESSURE_BAND


def restrictor_open(v: UnitSight) -> bool:
    """More concentrate at less pressure: the restrictor is worn, or the flush valve leaks."""
    if not v.s.as_left_concentrate_m3h or not v.settled:
        return False
    return _concentrate(v) > 1.0 + AS_LEFT_BAND and _pressure(v) < 1.0 - AS_LEFT_PRESSURE_BAND


def recovery_off(v: UnitSight) -> bool:
    """Concentrate flow, or the share of the feed that becomes permeate, is far from what it was."""
    if not v.s.as_left_concentrate_m3h or not v.settled:
        return False
    return abs(_concentrate(v) - 1.0) > AS_LEFT_BAND or abs(_recovery(v) - 1.0) > AS_LEFT_BAND


def _feed(v: UnitSight) -> float:
    """Permeate and concentrate over the same as left; 1.0 when it is not known."""
    permeate, concentrate = v.value(PERMEATE), v.value(CONCENTRATE)
    permeate_was, concentrate_was = v.s.as_left_permeate_m3h, v.s.as_left_concentrate_m3h
    if permeate is None or concentrate is None or not permeate_was or not concentrate_was:
        return 1.0
    return (permeate + concentrate) / (permeate_was + concentrate_was)


def _recovery(v: UnitSight) -> float:
    """Permeate over permeate and concentrate, over the same as left; 1.0 when it is not known."""
    permeate, feed = v.value(PERMEATE), _feed(v)
    if permeate is None or v.value(CONCENTRATE) is None or not v.s.as_left_permeate_m3h or feed <= 0.0:
        return 1.0
    return permeate / v.s.as_left_permeate_m3h / feed


def _concentrate(v: UnitSight) -> float:
    return _ratio(v.value(CONCENTRATE), v.s.as_left_concentrate_m3h)


def _pressure(v: UnitSight) -> float:
    return _ratio(v.value(MEMBRANE), v.s.as_left_membrane_bar)


def _ratio(value: float | None, as_left: float) -> float:
    return 1.0 if value is None or not as_left else value / as_left  # 1.0: not known


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
    "prefilter takes too little pressure": prefilter_weak,
    "pump pressure below 70 % of as-left": pump_worn,
    "concentrate flow below 75 % of as-left, pressure up": restrictor_blocked,
    "concentrate flow above 125 % of as-left, pressure down": restrictor_open,
    "concentrate flow or recovery 25 % off as-left": recovery_off,
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


def siphoning(v: BankSight) -> bool:
    """Two strokes of the dosing pump that nobody asked for, not long ago."""
    strays_ms = v.m.strays_ms
    return len(strays_ms) > 1 and held_s(strays_ms[0], v.now_ms) < STRAY_WINDOW_S


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
    "dosing strokes while no dose is asked for": siphoning,
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
    if heartbeat_lost(m, s, now_ms):
        bits |= 1 << Event.COORDINATOR_LOST
    return bits


def bank_held(m: BankMemory, units: Iterable[UnitMemory]) -> int:
    """Shared causes that the bank holds latched; the E-stop is held by the units that wait for its reset."""
    bits = sum(1 << event for event in m.latched)
    if any(unit.state is UnitState.ESTOP for unit in units):
        bits |= 1 << Event.ESTOP
    return bits
