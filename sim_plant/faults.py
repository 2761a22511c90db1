"""The closed vocabulary of faults: what may break, how, and by how much.

A fault belongs to the plant. A pair of target and kind that is not in ``FAULTS`` is refused, never
ignored, and so is a value that is missing, superfluous or out of range. ``ids`` name the lines of the
fault catalogue (``catalogue.CATALOGUE``, F01 to F94) that the pair serves.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, Signal
from sim_plant.catalogue import CATALOGUE, lines_of


class UnsupportedFault(ValueError):  # noqa: N818 - the name is part of the agreed interface
    """The plant does not implement this fault; the message names what was asked and what is possible."""


@dataclass(frozen=True)
class Fault:
    """One thing that is broken. ``unit`` 0 is the bank; ``value`` is in the pair's ``value_unit``.

    A spike may say its period and width, a swapped loop the other one (without ``_ma``).
    """

    target: str
    kind: str
    unit: int = 0
    value: float | None = None
    period_s: float | None = None
    width_s: float | None = None
    other: str = ""

    def spike_times_s(self) -> tuple[float, float]:
        """Period and width of a spike."""
        period = SPIKE_PERIOD_S if self.period_s is None else self.period_s
        return period, SPIKE_WIDTH_S if self.width_s is None else self.width_s

    def swapped_with(self) -> str:
        """The loop at the other end of a swap."""
        return self.other or SWAP_PARTNER[self.target]

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


SPIKE_PERIOD_S, SPIKE_WIDTH_S = 10.0, 0.5
SPIKE_LONGEST_S = 3600.0
_PARTNERS = (
    ("suction", "membrane"),
    ("permeate_flow", "concentrate_flow"),
    ("permeate_cond", "permeate_flow"),
    ("header", "tank_level"),
    ("feed_flow", "header"),
    ("feed_temp", "feed_cond"),
    ("product_cond", "feed_cond"),
    ("chlorine", "booster_speed"),
)
SWAP_PARTNER: dict[str, str] = {b: a for a, b in _PARTNERS} | dict(_PARTNERS)
"""The loop that a swapped one is swapped with when the fault names none."""


def _loop_faults(signal: Signal, per_unit: bool) -> dict[tuple[str, str], FaultSpec]:
    span, name = signal.hi - signal.lo, _without_ma(signal)
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
        "spike": (
            f"jumps by, for {SPIKE_WIDTH_S:g} s every {SPIKE_PERIOD_S:g} s if not said otherwise",
            signal.unit,
            -span,
            span,
        ),
        "quantised": ("reads in steps of", signal.unit, 0.0, span),
        "swapped": (f"wires swapped with those of {SWAP_PARTNER[name]} if not said otherwise", "", 0.0, 0.0),
    }
    return {
        (name, kind): FaultSpec(
            f"{signal.tag} {signal.text}: {text}", unit, lo, hi, per_unit, lines_of(name, kind)
        )
        for kind, (text, unit, lo, hi) in kinds.items()
    }


def _contact_faults(signal: Signal, per_unit: bool) -> dict[tuple[str, str], FaultSpec]:
    texts = {
        "stuck_closed": "contact welded closed",
        "stuck_open": "wire cut, contact reads open",
    }
    return {
        (signal.name, kind): FaultSpec(
            f"{signal.tag} {signal.text}: {text}", "", 0.0, 0.0, per_unit, lines_of(signal.name, kind)
        )
        for kind, text in texts.items()
    }


_UNIT: dict[tuple[str, str], tuple[str, str, float, float]] = {
    ("feed_valve", "stuck_closed"): ("feed valve moves shut and stays", "", 0, 0),
    ("feed_valve", "stuck_open"): ("feed valve moves open and stays", "", 0, 0),
    ("feed_valve", "slow"): ("feed valve: travel time", "s", 0.05, 120),
    ("feed_valve", "leak"): ("feed valve leaks, at 3 bar", "m3/h", 0, 1.0),
    ("flush_valve", "stuck_closed"): ("flush valve moves shut and stays", "", 0, 0),
    ("flush_valve", "stuck_open"): ("flush valve moves open and stays", "", 0, 0),
    ("flush_valve", "slow"): ("flush valve: travel time", "s", 0.05, 120),
    ("flush_valve", "leak"): ("flush valve leaks, at 3 bar", "m3/h", 0, 2.0),
    ("pump", "worn"): ("head multiplied by", "factor", 0.1, 1.0),
    ("pump", "air_bound"): ("pump full of air: a tenth of its head", "", 0, 0),
    ("pump", "locked"): ("rotor locked, starting current until the trip", "", 0, 0),
    ("pump", "reversed"): ("runs backwards: 0.3 of its head", "", 0, 0),
    ("pump_contactor", "fails_open"): ("main contactor does not close", "", 0, 0),
    ("pump_contactor", "welded"): ("main contacts closed whatever the coil", "", 0, 0),
    ("motor", "overload"): ("motor protector trips at once", "", 0, 0),
    ("prefilter", "plugged"): ("further loss at nominal feed", "bar", 0, 20),
    ("prefilter", "collapsed"): ("cartridge gone, next to no loss", "", 0, 0),
    ("prefilter", "bypassing"): ("dirt passes: membranes foul faster by", "factor", 1, 1000),
    ("membrane", "torn_oring"): ("salt passage multiplied by", "factor", 1, 20),
    ("membrane", "oxidised"): ("salt passage +3 %, permeability +1 % an hour, for good", "", 0, 0),
    ("membrane", "fouled"): ("permeability multiplied by", "factor", 0.05, 1),
    ("membrane", "scaled"): (
        "share of permeability lost to scale, which also passes salt and costs pressure",
        "fraction",
        0,
        0.95,
    ),
    ("permeate_check_valve", "leak"): ("lets the header's pressure back, at 3 bar", "m3/h", 0.001, 1.0),
    ("restrictor", "plugged"): ("share of the opening that is lost", "fraction", 0, 1),
    ("restrictor", "eroded"): ("opening multiplied by", "factor", 1, 5),
    ("unit_io", "lost"): ("I/O module unreachable: image ages, outputs drop after 2 s", "", 0, 0),
    ("skid", "leak"): ("water on the skid", "", 0, 0),
}
_BANK: dict[tuple[str, str], tuple[str, str, float, float]] = {
    ("feed_header", "dip"): ("header cannot exceed", "bar", 0, 6),
    ("feed_header", "pulse"): ("supply pressure higher by, while it lasts", "bar", 0, 6),
    ("feed_header", "hammer"): ("one surge of 50 ms, seen by the instruments", "bar", 0, 20),
    ("source", "tds"): ("dissolved solids of the feed", "mg/L", 0, 20000),
    ("source", "temperature"): ("feed temperature", "degC", 1, 60),
    ("source", "chlorine"): ("free chlorine in the feed", "mg/L", 0, 10),
    ("source", "decline"): ("borehole sinks: the booster loses head every hour by", "bar/h", 0, 3600),
    ("source", "dry"): ("borehole dry, booster draws no water", "", 0, 0),
    ("booster", "trip"): ("drive trips", "", 0, 0),
    ("booster", "slow_drive"): ("drive changes speed at a tenth of its rate", "", 0, 0),
    ("booster", "hunting"): ("speed swings at 0.1 Hz by", "Hz", 0, 20),
    ("speed_reference", "lost"): ("wire of the speed reference cut: the drive trips", "", 0, 0),
    ("supply", "sag"): ("voltage that is left", "%", 0, 100),
    ("supply", "interrupted"): ("no voltage, once, for", "s", 0.001, 3600),
    ("supply", "phase_lost"): ("one phase lost: motors hum or overheat, the drive trips", "", 0, 0),
    ("supply", "control_lost"): ("24 V lost alone: contacts, loops and coils dead", "", 0, 0),
    ("tank", "demand_surge"): ("further draw from the tank", "m3/h", 0, 1000),
    ("drain", "blocked"): ("capacity multiplied by", "factor", 0, 1),
    ("product_header", "shut"): ("product header valve shut", "", 0, 0),
    ("antiscalant", "empty"): ("tank empty, strokes deliver nothing", "", 0, 0),
    ("dosing", "no_pulse"): ("pump runs air-locked: no stroke, no dose", "", 0, 0),
    ("dosing", "siphoning"): ("product is drawn without being asked for", "mL/h", 0, 5000),
    ("dosing", "wrong_dose"): ("stroke volume multiplied by", "factor", 0, 10),
    ("floor", "leak"): ("water on the floor", "", 0, 0),
}


def _vocabulary() -> dict[tuple[str, str], FaultSpec]:
    table: dict[tuple[str, str], FaultSpec] = {}
    for signals, per_unit in ((UNIT_SIGNALS, True), (BANK_SIGNALS, False)):
        for signal in signals:
            if signal.kind is Kind.AI:
                table |= _loop_faults(signal, per_unit)
            elif signal.kind is Kind.DI:
                table |= _contact_faults(signal, per_unit)
    for rows, per_unit in ((_UNIT, True), (_BANK, False)):
        for pair, (text, value_unit, lo, hi) in rows.items():
            table[pair] = FaultSpec(text, value_unit, lo, hi, per_unit, lines_of(*pair))
    return table


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
    _check_extras(fault, name)
    if not spec.value_unit:
        if fault.value is not None:
            raise UnsupportedFault(f"{name} takes no value, got {fault.value:g}")
        return spec
    _check_value(fault, spec, name)
    return spec


def _check_extras(fault: Fault, name: str) -> None:
    """Period, width and the other loop belong to spikes and swaps only, and must make sense there."""
    if fault.kind != "spike" and (fault.period_s is not None or fault.width_s is not None):
        raise UnsupportedFault(f"{name} takes neither period_s nor width_s")
    if fault.kind == "spike":
        period, width = fault.spike_times_s()
        if not 0.0 < width < period <= SPIKE_LONGEST_S:
            raise UnsupportedFault(
                f"{name}: width_s = {width:g} must be more than 0 and less than period_s = {period:g}, "
                f"which must be at most {SPIKE_LONGEST_S:g}"
            )
    if fault.kind != "swapped" and fault.other:
        raise UnsupportedFault(f"{name} takes no other loop, got {fault.other!r}")
    if fault.kind == "swapped":
        other = FAULTS.get((fault.swapped_with(), "swapped"))
        same = other is not None and other.per_unit == FAULTS[fault.target, "swapped"].per_unit
        if not same or fault.other == fault.target:
            loops = [t for t, k in FAULTS if k == "swapped" and t != fault.target]
            raise UnsupportedFault(f"{name}: other = {fault.other!r} must be a loop beside it: {loops}")


def _check_value(fault: Fault, spec: FaultSpec, name: str) -> None:
    limits = f"{spec.lo:g} to {spec.hi:g} {spec.value_unit}"
    if fault.value is None:
        raise UnsupportedFault(f"{name} needs a value, {limits}")
    if not math.isfinite(fault.value) or not spec.lo <= fault.value <= spec.hi:
        raise UnsupportedFault(f"{name}: value = {fault.value:g} must lie in {limits}")


def faults_of(fault_id: str, unit: int = 1, severity: float = 0.5, way: int = 0) -> tuple[Fault, ...]:
    """The faults that make a line of the catalogue happen, at a severity of 0 (mild) to 1 (severe).

    ``unit`` is used by what belongs to a unit, ``way`` chooses among the ways a line can happen.
    Raises UnsupportedFault for a line that is none of the plant's, that does not exist, or for a
    severity or way outside its range.
    """
    line = CATALOGUE.get(fault_id)
    if line is None:
        raise UnsupportedFault(f"no line {fault_id!r} in the fault catalogue, F01 to F94")
    if not line.ways:
        raise UnsupportedFault(f"{fault_id} ({line.text}) belongs to {line.belongs_to}: {line.reason}")
    if not 0.0 <= severity <= 1.0:
        raise UnsupportedFault(f"{fault_id}: severity = {severity:g} must lie in 0 to 1")
    if not 0 <= way < len(line.ways):
        raise UnsupportedFault(f"{fault_id}: way = {way} must lie in 0 to {len(line.ways) - 1}")
    return tuple(
        Fault(i.target, i.kind, unit if spec_of(i.target, i.kind).per_unit else 0, i.value(severity))
        for i in line.ways[way]
    )
