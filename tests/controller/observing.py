"""What an observer of the firmware may know: the images of every scan, and its own history of them.

Nothing here looks into a controller. Timers, edges and the belief in a loop are kept anew, after the control
narrative. Setpoints that change at run time are judged by the kindest value in force in the last hour.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

from controller.settings import Setpoints
from controller.signals import (
    BANK_SIGNALS,
    SAFE_UNIT_OUTPUTS,
    UNIT_SIGNALS,
    Command,
    Inputs,
    Kind,
    Outputs,
    UnitInputs,
    UnitOutputs,
    Verb,
    from_ma,
    names,
    signal_named,
)

HOUR_MS = 3_600_000
FAILURE_MA, MEASURE_MA = (3.6, 21.0), (3.8, 20.5)  # narrative 1.4
RECOVER_S = 10.0  # narrative 1.4: back to GOOD; the 5 s of INIT after power-up are shorter
LONGEST_PRESS_MS = 3_500  # narrative 3.6: held above 3 s is a fault; tolerance 0.5 s
WATCHDOG_MS = 2_000  # narrative 2.2, YC-071
RESET_BUTTON = "reset_button"


class Recall(Enum):
    """What the program knew of the time before the power was lost."""

    GOOD = "retained text as it was"
    DAMAGED = "retained text that does not check out"
    NONE = "no text: a first start"


class Scan(NamedTuple):
    """One scan as it shows at the terminals, at the panel and on the setpoint sheet."""

    t_ms: int
    inputs: Inputs
    out: Outputs
    setpoints: Setpoints
    shown: tuple[str, ...]  # state of every unit on the panel; only SR-49 and SR-33 read it
    power_up: Recall | None = None  # the first scan after a power loss
    struck: frozenset[int] = frozenset()  # units whose state was overwritten by rubbish before this scan
    unacknowledged: Outputs | None = None  # of a twin that was not told of the acknowledgements


@dataclass
class Held:
    """For how long a condition has been seen in every scan."""

    since_ms: int | None = None
    last_ms: int = 0
    step_ms: int = 0  # longest step between two of these scans

    def see(self, holds: bool, t_ms: int) -> Held:
        """Take one scan."""
        if not holds:
            self.since_ms, self.step_ms = None, 0
        elif self.since_ms is None:
            self.since_ms = t_ms
        else:
            self.step_ms = max(self.step_ms, t_ms - self.last_ms)
        self.last_ms = t_ms
        return self

    @property
    def ms(self) -> int:
        """Milliseconds from the first of these scans to the last; -1 when it does not hold."""
        return -1 if self.since_ms is None else self.last_ms - self.since_ms

    def lasted(self, seconds: float) -> bool:
        """It has held at least so long."""
        return self.ms >= 0 and self.ms >= 1000.0 * seconds

    def overdue(self, seconds: float) -> bool:
        """It has held longer than so long and one scan: what had to happen by then has not."""
        return self.ms - self.step_ms > 1000.0 * seconds


@dataclass
class Belief:
    """Is a loop certainly GOOD? Certain after 10 s inside the range, until it leaves the failure limits."""

    certain: bool = False
    inside: Held = field(default_factory=Held)
    broken: Held = field(default_factory=Held)

    def see(self, current_ma: float, t_ms: int) -> None:
        """Take one reading; NaN is outside of everything."""
        measured = FAILURE_MA[0] <= current_ma <= FAILURE_MA[1]
        self.inside.see(MEASURE_MA[0] <= current_ma <= MEASURE_MA[1], t_ms)
        self.broken.see(not measured, t_ms)
        self.certain = measured and (self.certain or self.inside.lasted(RECOVER_S))


_UNIT_LOOPS = {name: signal_named(UNIT_SIGNALS, name) for name in names(UNIT_SIGNALS, Kind.AI)}
_BANK_LOOPS = {name: signal_named(BANK_SIGNALS, name) for name in names(BANK_SIGNALS, Kind.AI)}
UNIT_CONTACTS = names(UNIT_SIGNALS, Kind.DI)
BANK_CONTACTS = tuple(n for n in names(BANK_SIGNALS, Kind.DI) if n not in (RESET_BUTTON, "dosing_pulse"))


@dataclass
class UnitPast:
    """What one unit's outputs and inputs have done so far."""

    was: UnitOutputs = SAFE_UNIT_OUTPUTS
    out: UnitOutputs = SAFE_UNIT_OUTPUTS
    io: UnitInputs | None = None
    io_was: UnitInputs | None = None
    age_ms: int = 0
    fresh: bool = True
    fresh_for: Held = field(default_factory=Held)
    loops: dict[str, Belief] = field(default_factory=lambda: {name: Belief() for name in _UNIT_LOOPS})
    feed_on: Held = field(default_factory=Held)
    pump_on: Held = field(default_factory=Held)
    flush_off: Held = field(default_factory=Held)
    both: Held = field(default_factory=Held)  # feed and flush open, pump off
    flushes_ms: list[int] = field(default_factory=list)  # whole lengths of such spells since the pump was on
    flush_rise_ms: int | None = None
    pump_fall_ms: int | None = None
    selector_off: Held = field(default_factory=Held)
    welded: Held = field(default_factory=Held)  # the contactor answers although the pump is off

    def rise(self, name: str) -> bool:
        """The output has gone from 0 to 1 in this scan."""
        return bool(getattr(self.out, name) and not getattr(self.was, name))

    def fall(self, name: str) -> bool:
        """The output has gone from 1 to 0 in this scan."""
        return bool(getattr(self.was, name) and not getattr(self.out, name))

    def value(self, name: str) -> float | None:
        """Value of a loop that is certainly GOOD, in its own unit; None when it is not certain."""
        if self.io is None or not self.loops[name].certain:
            return None
        return from_ma(_UNIT_LOOPS[name], getattr(self.io, name))

    def forget(self, t_ms: int) -> None:
        """The power is gone: every output has fallen, and nothing that was under way goes on."""
        if self.out.pump:
            self.pump_fall_ms = t_ms
        if self.both.since_ms is not None:
            self.flushes_ms.append(t_ms - self.both.since_ms)
        self.was = self.out = SAFE_UNIT_OUTPUTS
        self.io = self.io_was = None
        running = (self.fresh_for, self.feed_on, self.pump_on, self.flush_off, self.both)
        for held in (*running, self.selector_off, self.welded):
            held.see(False, t_ms)
        self.loops = {name: Belief() for name in _UNIT_LOOPS}
        self.flushes_ms = []  # a start after this needs a flush after this

    def take(self, out: UnitOutputs, io: UnitInputs, age_ms: int, stale_s: float, t_ms: int) -> None:
        """One scan."""
        self.was, self.out, self.io_was, self.io, self.age_ms = self.out, out, self.io, io, age_ms
        self.fresh = age_ms <= 1000.0 * stale_s
        self.fresh_for.see(self.fresh, t_ms)
        self.selector_off.see(not io.selector_auto, t_ms)
        for name, loop in self.loops.items():
            loop.see(getattr(io, name), t_ms)
        if self.both.since_ms is not None and not (out.feed_valve and out.flush_valve and not out.pump):
            self.flushes_ms.append(t_ms - self.both.since_ms)
        self.both.see(out.feed_valve and out.flush_valve and not out.pump, t_ms)
        self.feed_on.see(out.feed_valve, t_ms)
        self.flush_off.see(not out.flush_valve, t_ms)
        if self.rise("flush_valve"):
            self.flush_rise_ms = t_ms
        if self.fall("pump"):
            self.pump_fall_ms, self.flushes_ms = t_ms, []
        self.pump_on.see(out.pump, t_ms)
        self.welded.see(io.pump_running and not out.pump, t_ms)


@dataclass
class History:
    """All that has been seen up to and including the present scan."""

    n_units: int
    t_ms: int = 0
    step_ms: int = 0  # since the scan before
    scan: Scan | None = None
    units: list[UnitPast] = field(default_factory=list)
    bank_fresh: Held = field(default_factory=Held)
    powered: Held = field(default_factory=Held)
    bank_loops: dict[str, Belief] = field(default_factory=lambda: {name: Belief() for name in _BANK_LOOPS})
    reset_units: frozenset[int] = frozenset()  # reset in this scan; 0 is the bank
    pressed_ms: int | None = None
    button_seen_open: bool = False
    sheets: list[tuple[int, Setpoints]] = field(default_factory=list)
    contact_changes: dict[tuple[int, str], list[int]] = field(default_factory=dict)
    _limits: dict[tuple[str, bool], float] = field(default_factory=dict)  # of the sheets, once computed

    def __post_init__(self) -> None:
        self.units = self.units or [UnitPast() for _ in range(self.n_units)]

    @property
    def now(self) -> Scan:
        """The present scan."""
        assert self.scan is not None, "nothing has been scanned yet"
        return self.scan

    def least(self, name: str) -> float:
        """Least value of a setpoint in force within the last hour."""
        return self._limit(name, greatest=False)

    def most(self, name: str) -> float:
        """Greatest value of a setpoint in force within the last hour."""
        return self._limit(name, greatest=True)

    def _limit(self, name: str, *, greatest: bool) -> float:
        found = self._limits.get((name, greatest))
        if found is None:
            values = [float(getattr(sheet, name)) for _, sheet in self.sheets]
            found = self._limits[name, greatest] = max(values) if greatest else min(values)
        return found

    def most_slots(self) -> int:
        """Most flush slots in force within the last hour."""
        found = self._limits.get(("flush slots", True))
        if found is None:
            found = self._limits["flush slots", True] = max(
                s.flush_slots(self.n_units) for _, s in self.sheets
            )
        return int(found)

    @property
    def was_hung(self) -> bool:
        """The program came too late for the watchdog relay (2.2): everything was cut before this scan."""
        return self.step_ms > WATCHDOG_MS

    @property
    def settled(self) -> bool:
        """The bank's contacts count: image fresh, power-up over."""
        return self.bank_fresh.ms >= 0 and self.powered.lasted(self.most("boot_s"))

    def bank_value(self, name: str) -> float | None:
        """Value of a shared loop that is certainly GOOD; None when it is not."""
        if not self.bank_loops[name].certain:
            return None
        return from_ma(_BANK_LOOPS[name], getattr(self.now.inputs.bank, name))

    def commanded(self, verb: Verb, unit: int) -> list[Command]:
        """Commands of this scan to a unit or to the whole bank."""
        return [c for c in self.now.inputs.commands if c.verb is verb and c.unit in (0, unit)]

    def reset_given(self, unit: int) -> bool:
        """Something that may count as a reset of this unit (0: of the bank) was given in this scan."""
        return 0 in self.reset_units or unit in self.reset_units

    def lose_power(self, t_ms: int) -> None:
        """All outputs fall at this moment; the next scan is of a new program."""
        for unit in self.units:
            unit.forget(t_ms)
        self.powered.see(False, t_ms)
        self.bank_fresh.see(False, t_ms)
        self.bank_loops = {name: Belief() for name in _BANK_LOOPS}
        self.pressed_ms, self.button_seen_open = None, False
        self.contact_changes = {}

    def take(self, scan: Scan) -> None:
        """One scan."""
        self._count_changes(scan)
        self.step_ms = scan.t_ms - self.t_ms
        self.t_ms, self.scan = scan.t_ms, scan
        if not self.sheets or self.sheets[-1][1] is not scan.setpoints:
            self.sheets.append((scan.t_ms, scan.setpoints))
            self._limits.clear()
        while len(self.sheets) > 1 and scan.t_ms - self.sheets[1][0] > HOUR_MS:
            del self.sheets[0]
            self._limits.clear()
        stale_s = scan.setpoints.io_stale_s
        self.powered.see(True, scan.t_ms)
        self.bank_fresh.see(scan.inputs.bank_age_ms <= 1000.0 * stale_s, scan.t_ms)
        for name, loop in self.bank_loops.items():
            loop.see(getattr(scan.inputs.bank, name), scan.t_ms)
        for unit, past in enumerate(self.units):
            age_ms = scan.inputs.unit_age_ms[unit]
            past.take(scan.out.units[unit], scan.inputs.units[unit], age_ms, stale_s, scan.t_ms)
        self._resets(scan)

    def _resets(self, scan: Scan) -> None:
        reached = {c.unit for c in scan.inputs.commands if c.verb is Verb.RESET}
        if scan.inputs.bank.reset_button:
            if self.button_seen_open and self.pressed_ms is None:
                self.pressed_ms = scan.t_ms
        else:
            if self.pressed_ms is not None:
                pressed_ms = scan.t_ms - self.pressed_ms
                if pressed_ms <= LONGEST_PRESS_MS:
                    reached.add(0)
            self.pressed_ms, self.button_seen_open = None, True
        self.reset_units = frozenset(reached)

    def _count_changes(self, scan: Scan) -> None:
        """Moments within the last second at which each contact has changed."""
        if self.scan is None or scan.power_up is not None:
            return
        before = self.scan.inputs
        pairs = [(0, BANK_CONTACTS, before.bank, scan.inputs.bank)]
        for unit in range(self.n_units):
            pairs.append((unit + 1, UNIT_CONTACTS, before.units[unit], scan.inputs.units[unit]))
        for unit, contacts, old, new in pairs:
            if old == new and unit not in {key[0] for key in self.contact_changes}:
                continue
            for name in contacts:
                key = (unit, name)
                recent = [t for t in self.contact_changes.get(key, ()) if scan.t_ms - t < 1000]
                if getattr(old, name) is not getattr(new, name):
                    recent.append(scan.t_ms)
                if recent:
                    self.contact_changes[key] = recent
                else:
                    self.contact_changes.pop(key, None)

    def chatters(self, unit: int, least: int) -> bool:
        """A contact of this unit or of the bank has changed so often within the last second."""
        return any(
            len(moments) >= least
            for (owner, _), moments in self.contact_changes.items()
            if owner in (0, unit)
        )


class Watch:
    """One requirement for one unit, or for the bank when ``unit`` is 0."""

    id = ""
    outlasts: tuple[str, ...] = ()  # what of it a program that recalls its memory must still honour

    def __init__(self, unit: int = 0) -> None:
        self.unit = unit

    def past(self, h: History) -> UnitPast:
        """The unit's own past."""
        return h.units[self.unit - 1]

    def look(self, h: History) -> bool:
        """Judge the present scan; True when the requirement was put to the test in it.

        Raises AssertionError, with the id, when it is broken.
        """
        raise NotImplementedError

    def lose_power(self, recall: Recall) -> None:
        """Forget what does not outlast a loss of power with this memory."""
        kept = {name: getattr(self, name) for name in self.outlasts} if recall is Recall.GOOD else {}
        self.__init__(self.unit)  # type: ignore[misc]  # a watch is its unit and what it has seen
        vars(self).update(kept)

    def require(self, holds: bool, h: History, text: str) -> None:
        """AssertionError when it does not hold."""
        if not holds:
            whom = f"unit {self.unit}" if self.unit else "bank"
            raise AssertionError(f"{self.id}: {text} ({whom}, t = {h.t_ms / 1000:.1f} s)")


@dataclass
class Observer:
    """Holds every scan against all requirements; ``triggers`` counts how often each was put to the test."""

    history: History
    watches: list[Watch]
    triggers: Counter[str] = field(default_factory=Counter)

    def look(self, scan: Scan) -> None:
        """Judge one scan."""
        if scan.power_up is not None:
            for watch in self.watches:
                watch.lose_power(scan.power_up)
        self.history.take(scan)
        for watch in self.watches:
            if watch.look(self.history):
                self.triggers[watch.id] += 1

    def lose_power(self, t_ms: int) -> None:
        """All outputs fall."""
        self.history.lose_power(t_ms)
