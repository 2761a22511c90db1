"""What each fault does to the arrays that the kernel reads.

Several faults may act together: factors multiply, the lowest header dip wins, of two values for the
same thing the later one wins. The arrays are rebuilt from the list of active faults whenever it
changes, so clearing one leaves no trace of it here; water, salt and wear that it has moved stay moved.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import sim_plant.process.layout as at
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, names
from sim_plant.faults import FAULTS, Fault
from sim_plant.field.instruments import FORCED_CLOSED, FORCED_OPEN, STUCK_AT, STUCK_LAST
from sim_plant.process.electrics import OPEN, SHUT
from sim_plant.process.layout import BAR, M3H, MGL, Floats
from sim_plant.process.packing import kv_si

AIR_BOUND_HEAD, REVERSED_HEAD = 0.1, 0.3
ORING_FLOW = 0.02  # a torn O-ring also passes water: +2 % permeability for each unit of salt passage
BACK_LEAK_L = 0.15  # water that brings an idle permeate side to the pressure of the header, own choice
MINUTE_S, HOUR_S = 60.0, 3600.0

UNIT_DI, UNIT_AI = names(UNIT_SIGNALS, Kind.DI), names(UNIT_SIGNALS, Kind.AI)
BANK_DI, BANK_AI = names(BANK_SIGNALS, Kind.DI), names(BANK_SIGNALS, Kind.AI)


@dataclass
class FaultArrays:
    """The four arrays in which faults reach the kernel; see ``layout`` for the columns."""

    unit: Floats
    bank: Floats
    loops: Floats
    contacts: Floats


def _set(column: int, scale: float = 1.0) -> Callable[[Floats, float], None]:
    def effect(row: Floats, value: float) -> None:
        row[column] = value * scale

    return effect


def _flag(column: int, code: float = 1.0) -> Callable[[Floats, float], None]:
    def effect(row: Floats, _value: float) -> None:
        row[column] = code

    return effect


def _times(column: int, factor: float | None = None) -> Callable[[Floats, float], None]:
    def effect(row: Floats, value: float) -> None:
        row[column] *= value if factor is None else factor

    return effect


def _leak(column: int) -> Callable[[Floats, float], None]:
    def effect(row: Floats, value: float) -> None:
        row[column] = kv_si(value / 3.0**0.5)

    return effect


def _torn(row: Floats, value: float) -> None:
    row[at.UF_B] *= value
    row[at.UF_A] *= 1.0 + ORING_FLOW * (value - 1.0)


def _scaled(row: Floats, value: float) -> None:
    row[at.UF_SCALE] = -math.log(1.0 - value)


def _back_leak(row: Floats, value: float) -> None:
    row[at.UF_BACK_LEAK] = BACK_LEAK_L / 1000.0 / (value * M3H)


def _plugged_restrictor(row: Floats, value: float) -> None:
    row[at.UF_RESTRICTOR] *= 1.0 - value


def _dip(row: Floats, value: float) -> None:
    row[at.BF_DIP] = min(row[at.BF_DIP], value * BAR)


def _forced(current_ma: float | None) -> Callable[[Floats, float], None]:
    def effect(row: Floats, value: float) -> None:
        row[at.LF_FORCED] = 1.0
        row[at.LF_CURRENT] = value if current_ma is None else current_ma

    return effect


def _stuck_at(row: Floats, value: float) -> None:
    row[at.LF_STUCK] = STUCK_AT
    row[at.LF_STUCK_AT] = value


LOOP_EFFECTS: dict[str, Callable[[Floats, float], None]] = {
    "stuck_at": _stuck_at,
    "stuck": _flag(at.LF_STUCK, STUCK_LAST),
    "offset": _set(at.LF_OFFSET),
    "drift": _set(at.LF_DRIFT, 1.0 / MINUTE_S),
    "gain": _times(at.LF_GAIN),
    "noise": _set(at.LF_NOISE, 0.01),
    "open_circuit": _forced(0.0),
    "short_circuit": _forced(24.0),
    "current": _forced(None),
    "slow": _set(at.LF_TAU),
    "spike": _set(at.LF_SPIKE),
    "quantised": _set(at.LF_STEP),
}

UNIT_EFFECTS: dict[tuple[str, str], Callable[[Floats, float], None]] = {
    ("feed_valve", "stuck_closed"): _flag(at.UF_FEED_FORCE, SHUT),
    ("feed_valve", "stuck_open"): _flag(at.UF_FEED_FORCE, OPEN),
    ("feed_valve", "slow"): _set(at.UF_FEED_TRAVEL),
    ("feed_valve", "leak"): _leak(at.UF_FEED_LEAK),
    ("flush_valve", "stuck_closed"): _flag(at.UF_FLUSH_FORCE, SHUT),
    ("flush_valve", "stuck_open"): _flag(at.UF_FLUSH_FORCE, OPEN),
    ("flush_valve", "slow"): _set(at.UF_FLUSH_TRAVEL),
    ("flush_valve", "leak"): _leak(at.UF_FLUSH_LEAK),
    ("pump", "worn"): _times(at.UF_HEAD),
    ("pump", "air_bound"): _times(at.UF_HEAD, AIR_BOUND_HEAD),
    ("pump", "locked"): _flag(at.UF_LOCKED),
    ("pump", "reversed"): _times(at.UF_HEAD, REVERSED_HEAD),
    ("pump_contactor", "fails_open"): _flag(at.UF_NO_CLOSE),
    ("pump_contactor", "welded"): _flag(at.UF_WELDED),
    ("motor", "overload"): _flag(at.UF_OVERLOAD),
    ("prefilter", "plugged"): _set(at.UF_PREFILTER, BAR),
    ("prefilter", "collapsed"): _flag(at.UF_COLLAPSED),
    ("prefilter", "bypassing"): _times(at.UF_FOULING),
    ("membrane", "torn_oring"): _torn,
    ("membrane", "oxidised"): _flag(at.UF_OXIDISED),
    ("membrane", "fouled"): _times(at.UF_A),
    ("membrane", "scaled"): _scaled,
    ("permeate_check_valve", "leak"): _back_leak,
    ("restrictor", "plugged"): _plugged_restrictor,
    ("restrictor", "eroded"): _times(at.UF_RESTRICTOR),
    ("unit_io", "lost"): _flag(at.UF_IO_LOST),
    ("skid", "leak"): _flag(at.UF_LEAK),
}

BANK_EFFECTS: dict[tuple[str, str], Callable[[Floats, float], None]] = {
    ("feed_header", "dip"): _dip,
    ("feed_header", "pulse"): _set(at.BF_PULSE, BAR),
    ("feed_header", "hammer"): _set(at.BF_HAMMER, BAR),
    ("source", "decline"): _set(at.BF_DECLINE, BAR / HOUR_S),
    ("source", "tds"): _set(at.BF_TDS, MGL),
    ("source", "temperature"): _set(at.BF_TEMPERATURE),
    ("source", "chlorine"): _set(at.BF_CHLORINE),
    ("source", "dry"): _flag(at.BF_DRY),
    ("booster", "trip"): _flag(at.BF_TRIP),
    ("booster", "slow_drive"): _flag(at.BF_SLOW_DRIVE),
    ("booster", "hunting"): _set(at.BF_HUNTING),
    ("speed_reference", "lost"): _flag(at.BF_REFERENCE_LOST),
    ("supply", "sag"): _set(at.BF_MAINS, 0.01),
    ("supply", "interrupted"): _set(at.BF_INTERRUPTION),
    ("supply", "phase_lost"): _flag(at.BF_PHASE_LOST),
    ("supply", "control_lost"): _flag(at.BF_CONTROL_LOST),
    ("tank", "demand_surge"): _set(at.BF_SURGE, M3H),
    ("drain", "blocked"): _times(at.BF_DRAIN),
    ("product_header", "shut"): _flag(at.BF_PRODUCT_SHUT),
    ("antiscalant", "empty"): _flag(at.BF_EMPTY),
    ("dosing", "no_pulse"): _flag(at.BF_NO_PULSE),
    ("dosing", "siphoning"): _set(at.BF_SIPHON, 1.0 / HOUR_S),
    ("dosing", "wrong_dose"): _times(at.BF_DOSE),
    ("floor", "leak"): _flag(at.BF_FLOOR_LEAK),
}


def apply_faults(faults: Iterable[Fault], arrays: FaultArrays, healthy: FaultArrays) -> None:
    """Rebuild ``arrays`` in place from the healthy ones and the active faults, in their order."""
    arrays.unit[:] = healthy.unit
    arrays.bank[:] = healthy.bank
    arrays.loops[:] = healthy.loops
    arrays.contacts[:] = healthy.contacts
    for fault in faults:
        _apply(fault, arrays)


def _apply(fault: Fault, arrays: FaultArrays) -> None:
    pair, value, n_units = (fault.target, fault.kind), fault.value or 0.0, len(arrays.unit)
    if pair in UNIT_EFFECTS:
        UNIT_EFFECTS[pair](arrays.unit[fault.unit - 1], value)
    elif pair in BANK_EFFECTS:
        BANK_EFFECTS[pair](arrays.bank, value)
    elif fault.kind == "swapped":
        _swap(fault, arrays.loops, n_units)
    elif fault.kind in LOOP_EFFECTS:
        row = arrays.loops[_row(fault, UNIT_AI, BANK_AI, n_units, "_ma")]
        LOOP_EFFECTS[fault.kind](row, value)
        if fault.kind == "spike":
            row[at.LF_PERIOD], row[at.LF_WIDTH] = fault.spike_times_s()
    else:
        code = FORCED_CLOSED if fault.kind == "stuck_closed" else FORCED_OPEN
        arrays.contacts[_row(fault, UNIT_DI, BANK_DI, n_units)] = code


def _swap(fault: Fault, loops: Floats, n_units: int) -> None:
    """Two loops on each other's terminals; swapping again with a third moves on from what is there."""
    one, two = (
        _row(Fault(target, fault.kind, fault.unit), UNIT_AI, BANK_AI, n_units, "_ma")
        for target in (fault.target, fault.swapped_with())
    )
    wires = [row if loops[row, at.LF_SWAP] == 0.0 else loops[row, at.LF_SWAP] - 1.0 for row in (one, two)]
    loops[one, at.LF_SWAP], loops[two, at.LF_SWAP] = wires[1] + 1.0, wires[0] + 1.0


def _row(fault: Fault, unit: tuple[str, ...], bank: tuple[str, ...], n_units: int, suffix: str = "") -> int:
    name = fault.target + suffix
    if FAULTS[fault.target, fault.kind].per_unit:
        return (fault.unit - 1) * len(unit) + unit.index(name)
    return n_units * len(unit) + bank.index(name)
