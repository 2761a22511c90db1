"""The rig: one plant and one target in lockstep, everything seen recorded.

A scan takes the plant's instruments as they stand, lets the target answer, records both beside the
truth, and moves the plant on by one scan time with that answer. People, faults and the supply act between
scans. A rig can be copied at any scan and continued from there.
"""

from __future__ import annotations

import copy
import heapq
from collections.abc import Callable
from dataclasses import dataclass, field

from controller.parts.journal import Entry
from controller.signals import BankInputs, Command, Inputs, Verb, safe_outputs
from sim_plant.bench.port import Answered
from sim_plant.bench.targets import DataPort, HasWallClock, Journalled, OnALine, Target
from sim_plant.bench.trace import Mark, Recorder, Trace
from sim_plant.faults import Fault
from sim_plant.plant import Plant

PRESS_S = 0.5  # a person's finger on a button
BANK_IMAGE_FROZEN = "bank image frozen"


@dataclass(order=True)
class _Due:
    t_ms: int
    order: int
    act: str = field(compare=False)
    fault: Fault | None = field(compare=False, default=None)
    switch: tuple[str, int, bool] = field(compare=False, default=("", 0, False))


class NotOfferedError(RuntimeError):
    """The target has no such port; the message says which."""


def _words(fault: Fault) -> str:
    """A fault as a mark names it; the unit stands beside it in the mark."""
    value = "" if fault.value is None else f" {fault.value:g}"
    return f"{fault.target} {fault.kind}{value}"


@dataclass(frozen=True)
class RigSnapshot:
    """A rig at one scan; not to be changed."""

    plant: object
    target: object
    recorder: Recorder
    now_ms: int
    powered: bool
    due: tuple[_Due, ...]
    commands: tuple[Command, ...]
    frozen: tuple[BankInputs, int] | None


class Rig:
    """A plant, a target, a clock and a recorder."""

    def __init__(self, plant: Plant, target: Target, scan_ms: int) -> None:
        self.plant, self.target, self.scan_ms = plant, target, scan_ms
        self.now_ms = 0
        self.powered = True
        self._journal = target if isinstance(target, Journalled) and target.keeps_journal else None
        self._line = target if isinstance(target, OnALine) else None
        self.begin_record()
        self._frozen: tuple[BankInputs, int] | None = None  # bank image that is replayed, and since when
        self.outputs = self._safe = safe_outputs(plant.n_units)
        self._commands: list[Command] = []
        self._due: list[_Due] = []

    def begin_record(self) -> None:
        """From here on anew: what was seen before is forgotten."""
        self.recorder = Recorder(self.plant.n_units, self.target.state_names)
        if self._journal is not None:
            self.recorder.journal = []

    # --- time ------------------------------------------------------------------------------------------

    def scan(self) -> None:
        """One scan."""
        while self._due and self._due[0].t_ms <= self.now_ms:
            self._undo(heapq.heappop(self._due))
        inputs = self.plant.inputs(tuple(self._commands))
        if self._frozen is not None:
            inputs = self._with_frozen_bank(inputs, *self._frozen)
        self._commands.clear()
        if self.powered:
            outputs = self.target.scan(inputs, self.now_ms)
            states = self.target.states()
            if self._line is not None:
                inputs = self._line.as_told(inputs)
            if self._journal is not None:
                self._write_down(self._journal.take_events())
        else:
            outputs, states = self._safe, ()
        self.outputs = outputs
        self.recorder.add(self.now_ms, inputs, outputs, self.plant.unit_truth, self.plant.bank_truth, states)
        self.plant.step(outputs, self.scan_ms)
        self.now_ms += self.scan_ms

    def _with_frozen_bank(self, inputs: Inputs, bank: BankInputs, since_ms: int) -> Inputs:
        """The same inputs with an old image of what the units share."""
        return inputs._replace(bank=bank, bank_age_ms=self.now_ms - since_ms)

    def _write_down(self, lines: list[Entry]) -> None:
        if lines and self.recorder.journal is not None:
            self.recorder.journal.extend(lines)

    def run_until(self, reached: Callable[[], bool], limit_s: float) -> bool:
        """Scan until the condition holds; False when the limit passes first."""
        end_ms = self.now_ms + round(limit_s * 1000.0)
        while self.now_ms < end_ms:
            if reached():
                return True
            self.scan()
        return reached()

    def run_for(self, seconds: float) -> None:
        """Scan for so long."""
        end_ms = self.now_ms + round(seconds * 1000.0)
        while self.now_ms < end_ms:
            self.scan()

    def state_of(self, unit: int) -> str:
        """State that the target reports for a unit, "" when it does not tell or has no power."""
        states = self.target.states() if self.powered else ()
        return self.target.state_names[states[unit - 1]] if states else ""

    # --- what is done to it ----------------------------------------------------------------------------

    def inject(self, fault: Fault, for_s: float | None = None) -> None:
        """Break something, for a while or for good."""
        self.plant.inject(fault)
        self._mark("inject", fault.unit, _words(fault))
        if for_s is not None:
            self._later(for_s, "clear", fault=fault)

    def clear(self, fault: Fault) -> None:
        """Mend it."""
        if fault in self.plant.active():
            self.plant.clear(fault)
            self._mark("clear", fault.unit, _words(fault))

    def command(self, verb: Verb, unit: int, by: str) -> None:
        """A person's command, against the state that the person sees now."""
        self.give(Command(verb, unit, by, self.state_of(unit) if unit else ""))

    def give(self, command: Command) -> None:
        """A person's command with all that it says; the target gets it in the next scan."""
        self._commands.append(command)
        self._mark("command", command.unit, command.verb.value)

    def operate(self, switch: str, unit: int, on: bool, for_s: float | None = None) -> None:
        """Turn a switch; a reset button is let go by itself."""
        self.plant.operate(switch, unit, on)
        self._mark("operate", unit, f"{switch} {'on' if on else 'off'}")
        if switch == "reset_button" and on and for_s is None:
            for_s = PRESS_S
        if for_s is not None:
            self._later(for_s, "operate", switch=(switch, unit, not on))

    def power(self, on: bool, for_s: float | None = None) -> None:
        """Take the supply of plant and target away, or bring it back."""
        if on == self.powered:
            return
        self.powered = on
        self.plant.set_power(on)
        if on:
            self.target.power_returned()
        else:
            self.target.power_lost()
        self._mark("power", 0, "on" if on else "off")
        if for_s is not None:
            self._later(for_s, "power on" if not on else "power off")

    def freeze_bank_image(self, frozen: bool, for_s: float | None = None) -> None:
        """Let the image of what the units share stop changing, so that it ages, or let it live again.

        The heartbeat of the bank stops with it. What the target drives still arrives.
        """
        if frozen == (self._frozen is not None):
            return
        self._frozen = (self.plant.inputs().bank, self.now_ms) if frozen else None
        self._mark("inject" if frozen else "clear", 0, BANK_IMAGE_FROZEN)
        if for_s is not None:
            self._later(for_s, "bank image live" if frozen else "bank image frozen")

    def step_wall_clock(self, step_s: float) -> None:
        """Step the wall clock that the target sees; NotOfferedError when it has none within reach."""
        if not isinstance(self.target, HasWallClock):
            raise NotOfferedError("the target has no wall clock that the bench could step")
        self.target.step_wall_clock(step_s)
        self._mark("clock", 0, f"{step_s:+g} s")

    def write_setpoint(self, name: str, value: float, by: str, reason: str) -> None:
        """Ask for a change at the data port and read back; NotOfferedError when there is none."""
        port = self.target
        if not isinstance(port, DataPort):
            raise NotOfferedError("the target has no data port for setpoints")
        before = port.read_setpoint(name)
        accepted = port.change_setpoint(name, value, by, reason, self.now_ms) == ""
        read = Answered(name, value, by, accepted, before, port.read_setpoint(name))
        self._mark("setpoint", 0, read.words())

    def _later(
        self,
        for_s: float,
        act: str,
        fault: Fault | None = None,
        switch: tuple[str, int, bool] = ("", 0, False),
    ) -> None:
        t_ms = self.now_ms + round(for_s * 1000.0)
        heapq.heappush(self._due, _Due(t_ms, len(self.recorder.marks), act, fault, switch))

    def _undo(self, due: _Due) -> None:
        if due.fault is not None:
            self.clear(due.fault)
        elif due.act == "operate":
            self.operate(*due.switch)
        elif due.act.startswith("bank image"):
            self.freeze_bank_image(due.act == "bank image frozen")
        else:
            self.power(due.act == "power on")

    def _mark(self, what: str, unit: int, text: str) -> None:
        self.recorder.marks.append(Mark(self.now_ms, what, unit, text))

    # --- copies ----------------------------------------------------------------------------------------

    def trace(self) -> Trace:
        """All that has been seen."""
        return self.recorder.trace()

    def snapshot(self) -> RigSnapshot:
        """The rig as it is now."""
        return RigSnapshot(
            self.plant.snapshot(),
            self.target.snapshot(),
            copy.deepcopy(self.recorder),
            self.now_ms,
            self.powered,
            tuple(self._due),
            tuple(self._commands),
            self._frozen,
        )

    def restore(self, snapshot: RigSnapshot) -> None:
        """Continue from a snapshot."""
        self.plant.restore(snapshot.plant)
        self.target.restore(snapshot.target)
        self.recorder = copy.deepcopy(snapshot.recorder)
        self.now_ms, self.powered = snapshot.now_ms, snapshot.powered
        self._due = list(snapshot.due)
        self._commands = list(snapshot.commands)
        self._frozen = snapshot.frozen
