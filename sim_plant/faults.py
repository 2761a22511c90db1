"""The closed vocabulary of faults: what may break, how, and by how much.

A fault belongs to the plant. A pair of target and kind that is not in ``FAULTS`` is refused, never
ignored, and so is a value that is missing, superfluous or out of range. ``ids`` name the lines of the
fault catalogue (F01 to F94) that the pair serves.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, Signal


class UnsupportedFault(ValueError):  # noqa: N818 - the name is part of the agreed interface
    """The plant does not implement this fault; the message names what was asked and what is possible."""


@dataclass(frozen=True)
class Fault:
    """One thing that is broken. ``unit`` 0 is the bank; ``value`` is in the pair's ``value_unit``."""

    target: str
    kind: str
    unit: int = 0
    value: float | None = None

    def __str__(self) -> str:
        where = f" of unit {self.unit}" if self.unit else ""
        value = "" if self.value is None else f" {self.value:g}"
        return f"{self.target} {self.kind}{value}{where}"


@dataclass(frozen=True)
class FaultSpec:
    """What one pair of target and kind means; ``value_unit`` "" means that it takes no value."""

    text: str
    value_unit: str
    lo: float
    hi: float
    per_unit: bool
    ids: tuple[str, ...] = ()


def _without_ma(signal: Signal) -> str:
    return signal.name.removesuffix("_ma")


_LOOP_IDS: dict[str, dict[str, tuple[str, ...]]] = {
    "suction": {"open_circuit": ("F01",), "stuck_at": ("F02",), "drift": ("F03",), "current": ("F04",)},
    "membrane": {"open_circuit": ("F05",), "stuck_at": ("F06",), "stuck": ("F06",), "gain": ("F07",)},
    "permeate_cond": {
        "open_circuit": ("F08",),
        "stuck_at": ("F09", "F10"),
        "noise": ("F11",),
        "slow": ("F12",),
    },
    "permeate_flow": {"open_circuit": ("F13",), "stuck": ("F14",), "stuck_at": ("F14",), "gain": ("F15",)},
    "concentrate_flow": {"open_circuit": ("F13",), "stuck": ("F14",), "stuck_at": ("F14",), "gain": ("F15",)},
    "tank_level": {"open_circuit": ("F16",), "stuck_at": ("F17",), "stuck": ("F17",), "drift": ("F18",)},
    "chlorine": {"open_circuit": ("F19",), "stuck_at": ("F20",)},
    "feed_temp": {"short_circuit": ("F21",)},
}


def _loop_faults(signal: Signal, per_unit: bool) -> dict[tuple[str, str], FaultSpec]:
    span, name = signal.hi - signal.lo, _without_ma(signal)
    ids = _LOOP_IDS.get(name, {})
    kinds = {
        "stuck_at": ("reads a fixed value", signal.unit, signal.lo - 0.1 * span, signal.hi + 0.1 * span),
        "stuck": ("keeps its last value", "", 0.0, 0.0),
        "offset": ("reads too much by", signal.unit, -span, span),
        "drift": ("reads more every minute by", f"{signal.unit}/min", -span, span),
        "gain": ("reading multiplied by", "factor", 0.0, 10.0),
        "noise": ("standard deviation of the reading", "% of span", 0.0, 100.0),
        "open_circuit": ("loop broken, 0 mA", "", 0.0, 0.0),
        "short_circuit": ("loop shorted, 24 mA", "", 0.0, 0.0),
        "current": ("loop current forced", "mA", 0.0, 24.0),
        "slow": ("time constant of the reading", "s", 0.0, 3600.0),
    }
    return {
        (name, kind): FaultSpec(
            f"{signal.tag} {signal.text}: {text}", unit, lo, hi, per_unit, ids.get(kind, ())
        )
        for kind, (text, unit, lo, hi) in kinds.items()
    }


def _contact_faults(signal: Signal, per_unit: bool) -> dict[tuple[str, str], FaultSpec]:
    def spec(text: str, fault_id: str) -> FaultSpec:
        return FaultSpec(f"{signal.tag} {signal.text}: {text}", "", 0.0, 0.0, per_unit, (fault_id,))

    return {
        (signal.name, "stuck_closed"): spec("contact welded closed", "F22"),
        (signal.name, "stuck_open"): spec("wire cut, contact reads open", "F23"),
    }


def _valve_faults(name: str, text: str, first: int, leak_hi: float) -> dict[tuple[str, str], FaultSpec]:
    return {
        (name, "stuck_closed"): FaultSpec(f"{text} moves shut and stays", "", 0, 0, True, (f"F{first}",)),
        (name, "stuck_open"): FaultSpec(f"{text} moves open and stays", "", 0, 0, True, (f"F{first + 1}",)),
        (name, "slow"): FaultSpec(f"{text}: travel time", "s", 0.05, 120, True, (f"F{first + 2}",)),
        (name, "leak"): FaultSpec(f"{text} leaks, at 3 bar", "m3/h", 0, leak_hi, True, (f"F{first + 3}",)),
    }


_PHYSICAL: dict[tuple[str, str], FaultSpec] = {
    **_valve_faults("feed_valve", "feed valve", 24, 1.0),
    **_valve_faults("flush_valve", "flush valve", 28, 2.0),
    ("pump", "worn"): FaultSpec("head multiplied by", "factor", 0.1, 1.0, True, ("F32",)),
    ("pump", "air_bound"): FaultSpec("pump full of air: a tenth of its head", "", 0, 0, True, ("F33",)),
    ("pump", "locked"): FaultSpec("rotor locked, starting current until the trip", "", 0, 0, True, ("F34",)),
    ("pump", "reversed"): FaultSpec("runs backwards: 0.3 of its head", "", 0, 0, True, ("F35",)),
    ("pump_contactor", "fails_open"): FaultSpec("main contactor does not close", "", 0, 0, True, ("F36",)),
    ("pump_contactor", "welded"): FaultSpec(
        "main contacts closed whatever the coil", "", 0, 0, True, ("F37",)
    ),
    ("motor", "overload"): FaultSpec("motor protector trips at once", "", 0, 0, True, ("F34",)),
    ("prefilter", "plugged"): FaultSpec("further loss at nominal feed", "bar", 0, 20, True, ("F38",)),
    ("prefilter", "collapsed"): FaultSpec("cartridge gone, next to no loss", "", 0, 0, True, ("F40",)),
    ("membrane", "torn_oring"): FaultSpec("salt passage multiplied by", "factor", 1, 20, True, ("F41",)),
    ("membrane", "oxidised"): FaultSpec(
        "salt passage +3 %, permeability +1 % an hour, for good", "", 0, 0, True, ("F42",)
    ),
    ("membrane", "fouled"): FaultSpec("permeability multiplied by", "factor", 0.05, 1, True, ("F43", "F44")),
    ("restrictor", "plugged"): FaultSpec(
        "share of the opening that is lost", "fraction", 0, 1, True, ("F45",)
    ),
    ("restrictor", "eroded"): FaultSpec("opening multiplied by", "factor", 1, 5, True, ("F46",)),
    ("feed_header", "dip"): FaultSpec("header cannot exceed", "bar", 0, 6, False, ("F47", "F50")),
    ("source", "tds"): FaultSpec("dissolved solids of the feed", "mg/L", 0, 20000, False, ("F51",)),
    ("source", "temperature"): FaultSpec("feed temperature", "degC", 1, 60, False, ("F52",)),
    ("source", "chlorine"): FaultSpec("free chlorine in the feed", "mg/L", 0, 10, False, ("F53",)),
    ("source", "dry"): FaultSpec("borehole dry, booster draws no water", "", 0, 0, False, ("F50",)),
    ("booster", "trip"): FaultSpec("drive trips", "", 0, 0, False, ("F64",)),
    ("booster", "slow_drive"): FaultSpec("drive changes speed at a tenth of its rate", "", 0, 0, False),
    ("drain", "blocked"): FaultSpec("capacity multiplied by", "factor", 0, 1, False, ("F58",)),
    ("product_header", "shut"): FaultSpec("product header valve shut", "", 0, 0, False, ("F56",)),
    ("antiscalant", "empty"): FaultSpec("tank empty, strokes deliver nothing", "", 0, 0, False, ("F60",)),
    ("dosing", "no_pulse"): FaultSpec("pump runs air-locked: no stroke, no dose", "", 0, 0, False, ("F61",)),
    ("dosing", "wrong_dose"): FaultSpec("stroke volume multiplied by", "factor", 0, 10, False, ("F63",)),
    ("unit_io", "lost"): FaultSpec(
        "I/O module unreachable: image ages, outputs drop after 2 s", "", 0, 0, True, ("F67",)
    ),
    ("skid", "leak"): FaultSpec("water on the skid", "", 0, 0, True, ()),
    ("floor", "leak"): FaultSpec("water on the floor", "", 0, 0, False, ()),
}


def _vocabulary() -> dict[tuple[str, str], FaultSpec]:
    table: dict[tuple[str, str], FaultSpec] = {}
    for signals, per_unit in ((UNIT_SIGNALS, True), (BANK_SIGNALS, False)):
        for signal in signals:
            if signal.kind is Kind.AI:
                table |= _loop_faults(signal, per_unit)
            elif signal.kind is Kind.DI:
                table |= _contact_faults(signal, per_unit)
    return table | _PHYSICAL


FAULTS: dict[tuple[str, str], FaultSpec] = _vocabulary()


def spec_of(target: str, kind: str) -> FaultSpec:
    """The specification of a pair; UnsupportedFault with near matches when there is none."""
    spec = FAULTS.get((target, kind))
    if spec is not None:
        return spec
    kinds = sorted(k for t, k in FAULTS if t == target)
    if kinds:
        near = difflib.get_close_matches(kind, kinds, 3, 0.5) or kinds
        raise UnsupportedFault(f"{target} has no fault {kind!r}; it has: {', '.join(near)}")
    pairs = sorted({t for t, _ in FAULTS})
    near = difflib.get_close_matches(target, pairs, 3, 0.5)
    hint = f"; near: {', '.join(near)}" if near else f"; targets: {', '.join(pairs)}"
    raise UnsupportedFault(f"no fault target {target!r} (kind {kind!r}){hint}")


def check(fault: Fault, n_units: int) -> FaultSpec:
    """Its specification when a plant of ``n_units`` can do this fault, else UnsupportedFault."""
    spec = spec_of(fault.target, fault.kind)
    name = f"{fault.target} {fault.kind}"
    if spec.per_unit and not 1 <= fault.unit <= n_units:
        raise UnsupportedFault(f"{name}: unit = {fault.unit} must lie in 1 to {n_units}")
    if not spec.per_unit and fault.unit != 0:
        raise UnsupportedFault(f"{name} belongs to the bank: unit = {fault.unit} must be 0")
    if not spec.value_unit:
        if fault.value is not None:
            raise UnsupportedFault(f"{name} takes no value, got {fault.value:g}")
        return spec
    limits = f"{spec.lo:g} to {spec.hi:g} {spec.value_unit}"
    if fault.value is None:
        raise UnsupportedFault(f"{name} needs a value, {limits}")
    if not math.isfinite(fault.value) or not spec.lo <= fault.value <= spec.hi:
        raise UnsupportedFault(f"{name}: value = {fault.value:g} must lie in {limits}")
    return spec
