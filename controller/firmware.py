"""The firmware: ``Controller.scan(inputs, now_ms) -> outputs``, a pure step over one memory.

Time is an argument. The controller never sleeps, reads a clock, a file or a network; whoever calls it
does. Its whole state is in ``snapshot()``, and ``restore()`` of it continues bit for bit.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

from controller import retained
from controller.alarms.board import AlarmSnapshot, AlarmView, Board
from controller.bank.coordinator import Coordinator
from controller.bank.memory import BankMemory
from controller.parts.answers import Answered
from controller.parts.journal import Entry
from controller.parts.timing import NEVER, held_s
from controller.picture import Picture, Scanned, bank_picture, unit_picture
from controller.settings import Setpoints
from controller.signals import SAFE_UNIT_OUTPUTS, Inputs, Outputs, UnitInputs, UnitOutputs
from controller.unit.memory import UnitMemory
from controller.unit.permits import AlarmSignal, Permits, Request, Want
from controller.unit.sequencer import Sequencer
from controller.unit.states import UnitState

ALARMS_WORK_S = 10.0  # own choice: alarms that have worked for so long are taken to work again

_NO_REQUEST = Request(
    want=Want.NONE,
    since_ms=0,
    flushing=False,
    wants_start=False,
    wants_close=False,
    wants_water=False,
    draws_water=False,
    feed_off_ms=NEVER,
    pumping=False,
    available=False,
    in_maintenance=False,
    alarmed=False,
    quality_poor=False,
    run_ms=0,
    started_ms=NEVER,
    tds_mgl=0.0,
)


@dataclass(frozen=True)
class Snapshot:
    """The controller's whole state; opaque, comparable, picklable."""

    bank: BankMemory
    units: tuple[UnitMemory, ...]
    requests: tuple[Request, ...]
    setpoints: Setpoints
    alarms: AlarmSnapshot
    alarms_failed_ms: int


class Controller:
    """A bank's firmware.

    ``retained_text`` is what ``retained()`` gave before the power went; None for a first start. A text
    that does not check out locks every unit out. Raises ValueError when the setpoints do not fit the
    number of units.
    """

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        self.n_units = n_units
        self.setpoints = setpoints
        self._bank = Coordinator(n_units, setpoints)
        self._units = [Sequencer(unit, n_units, setpoints) for unit in range(1, n_units + 1)]
        self._alarms = Board(n_units, setpoints)
        self._alarms_failed_ms = NEVER  # last defect of the alarms; NEVER while they work
        self._requests: tuple[Request, ...] = (_NO_REQUEST,) * n_units
        self._scanned: Scanned | None = None  # the last scan, for display; no part of the state
        if retained_text is not None:
            self._recall(retained_text)
            if not setpoints.auto_resume:
                for unit in self._units:
                    unit.memory.stopped = True

    def _recall(self, text: str) -> None:
        memories = [unit.memory for unit in self._units]
        try:
            retained.recall(text, self._bank.memory, memories)
        except retained.RetainedLostError:
            for memory in memories:
                memory.lost_memory = True

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        """One scan. ``now_ms`` is monotonic and counts milliseconds from any origin."""
        permits, bank_outputs = self._bank.scan(
            inputs.bank, inputs.bank_age_ms, self._requests, inputs.commands, now_ms, self._alarm_signal()
        )
        outputs: list[UnitOutputs] = []
        requests: list[Request] = []
        for unit, io, age_ms, permit in zip(
            self._units, inputs.units, inputs.unit_age_ms, permits, strict=True
        ):
            unit_outputs, request = self._scan_unit(unit, io, age_ms, permit, now_ms)
            outputs.append(unit_outputs)
            requests.append(request)
        self._requests = tuple(requests)
        self._scan_alarms(inputs, permits[0].header_bar, now_ms)
        driven = Outputs(bank_outputs, tuple(outputs))
        self._scanned = Scanned(now_ms, inputs, driven)
        return driven

    @staticmethod
    def _scan_unit(
        unit: Sequencer, io: UnitInputs, age_ms: int, permit: Permits, now_ms: int
    ) -> tuple[UnitOutputs, Request]:
        """One unit's scan. A defect in it stops that unit, whose outputs drop; the others never wait."""
        try:
            return unit.scan(io, age_ms, permit, now_ms)
        except Exception as error:  # whatever it is, the other units must be served
            unit.start_over(f"scan failed: {error!r}", now_ms)
            return SAFE_UNIT_OUTPUTS, _NO_REQUEST

    def _alarm_signal(self) -> AlarmSignal:
        """What horn and relay must know; alarms that do not work are an urgent alarm themselves."""
        signal = self._alarms.signal()
        return signal if self._alarms_failed_ms == NEVER else signal._replace(urgent=True)

    def _scan_alarms(self, inputs: Inputs, header_bar: float | None, now_ms: int) -> None:
        """The alarms' scan. A defect in it drops the alarm relay and stops nothing: the units go on."""
        memories = [unit.memory for unit in self._units]
        try:
            self._alarms.scan(self._bank.memory, memories, inputs, self._requests, header_bar, now_ms)
        except Exception as error:  # whatever it is, the sequence must go on
            fresh = self._alarms_failed_ms == NEVER
            self._alarms_failed_ms = now_ms
            self._alarms.sounding = fresh
            if fresh:
                self._note(now_ms, "cause", f"alarms failed: {error!r}")
            return
        if held_s(self._alarms_failed_ms, now_ms) >= ALARMS_WORK_S:
            self._alarms_failed_ms = NEVER
            self._note(now_ms, "note", "alarms work again")

    def _note(self, now_ms: int, kind: str, text: str) -> None:
        self._bank.events.append(Entry(now_ms, 0, kind, text))

    def change_setpoint(self, name: str, value: float, by: str, reason: str, now_ms: int) -> None:
        """Change one setpoint between two scans; the journal keeps old and new value, who and why.

        Raises ValueError, and changes nothing, when the value is out of range, contradicts another
        setpoint, leaves no room for a flush, or nobody gives a name and a reason.
        """
        changed = self.setpoints.with_change(name, value, by, reason, self.n_units)
        old, new = getattr(self.setpoints, name), getattr(changed, name)
        text = f"{name}: {old!r} > {new!r}, by {by}: {reason}"
        self._adopt(changed)
        self._note(now_ms, "setting", text)

    def _adopt(self, setpoints: Setpoints) -> None:
        self.setpoints = setpoints
        self._bank.adopt(setpoints)
        self._alarms.adopt(setpoints)
        for unit in self._units:
            unit.adopt(setpoints)

    def states(self) -> tuple[UnitState, ...]:
        """State of every unit, in unit order; for display, never for judgement."""
        return tuple(unit.memory.state for unit in self._units)

    def waits(self) -> tuple[str, ...]:
        """What every unit waits for, in words."""
        return tuple(unit.waits_for() for unit in self._units)

    def alarms(self) -> tuple[AlarmView, ...]:
        """Every alarm that is not NORM, bank first, then by unit; for display, never for judgement."""
        return self._alarms.views()

    def picture(self) -> Picture | None:
        """A read-only picture after the last scan, None before the first; for display, never for judgement.

        Only between two scans: what is made meanwhile is half of each.
        """
        scan = self._scanned
        if scan is None:
            return None
        bank, *units = (scope.memory for scope in self._alarms.scopes)
        return Picture(
            scan.t_ms,
            bank_picture(self._bank.memory, bank, self.setpoints, scan),
            tuple(
                unit_picture(unit.memory, unit.unit, alarms, self.setpoints, scan)
                for unit, alarms in zip(self._units, units, strict=True)
            ),
        )

    def answers(self) -> list[Answered]:
        """What became of the commands of the last scan."""
        units = (answer for unit in self._units for answer in unit.answers)
        return [*self._bank.answers, *units, *self._alarms.answers]

    def take_events(self) -> list[Entry]:
        """Journal lines since the last call, in order of time and unit."""
        lines = list(self._bank.events)
        self._bank.events.clear()
        for unit in self._units:
            lines.extend(unit.events)
            unit.events.clear()
        lines.extend(self._alarms.take_events())
        return sorted(lines, key=lambda line: (line.t_ms, line.unit))

    def retained(self) -> str:
        """What must survive a loss of power, as text with a checksum."""
        return retained.encode(retained.gather(self._bank.memory, [unit.memory for unit in self._units]))

    def snapshot(self) -> Snapshot:
        """Copy of the whole state."""
        return Snapshot(
            copy.deepcopy(self._bank.memory),
            tuple(copy.deepcopy(unit.memory) for unit in self._units),
            self._requests,
            self.setpoints,
            self._alarms.snapshot(),
            self._alarms_failed_ms,
        )

    def restore(self, snapshot: Snapshot) -> None:
        """Continue from a snapshot of a controller with the same number of units."""
        if snapshot.setpoints != self.setpoints:
            self._adopt(snapshot.setpoints)
        self._bank.memory = copy.deepcopy(snapshot.bank)
        for unit, memory in zip(self._units, snapshot.units, strict=True):
            unit.memory = copy.deepcopy(memory)
        self._requests = snapshot.requests
        self._alarms.restore(snapshot.alarms)
        self._alarms_failed_ms = snapshot.alarms_failed_ms
