"""``python -m controller KIND ...`` with another firmware in it.

"restless" changes retained memory and journal in every scan, so that a kill at any moment finds a write under
way; "stuck" hangs; "broken" fails; "changing" changes a setpoint without end and prints each value once it is
confirmed.
"""

from __future__ import annotations

import sys
import threading

from controller import program
from controller.__main__ import main
from controller.changes import SetpointChanges
from controller.firmware import Controller
from controller.parts.journal import Entry
from controller.signals import Inputs, Outputs


class RestlessController(Controller):
    """Counts a pump start of every unit in every scan: a text that mixes two scans would show."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        for unit in self._units:
            unit.memory.starts += 1
        starts = self._units[0].memory.starts
        for line in range(20):
            self._bank.events.append(Entry(now_ms, 0, "note", f"start {starts} line {line}"))
        return super().scan(inputs, now_ms)


class StuckController(Controller):
    """Hangs in its fifth scan for as long as the program lives."""

    scans = 0

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        self.scans += 1
        while self.scans == 5:
            sys.stdin.read(1)  # waits for a byte that nobody sends
        return super().scan(inputs, now_ms)


class BrokenController(Controller):
    """Fails in its fifth scan."""

    scans = 0

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        self.scans += 1
        if self.scans == 5:
            raise ZeroDivisionError("a defect")
        return super().scan(inputs, now_ms)


def change_without_end(changes: SetpointChanges) -> None:
    """Values from 10 to 59, again and again."""
    number = 0
    while True:
        value = 10 + number % 50
        changes.change_setpoint("purge_s", value, "Grace", f"change {number}")
        print(value, flush=True)
        number += 1


def start_changing() -> None:
    """The program, once it has its loop, gets a thread that changes a setpoint."""
    assemble = program._assemble

    def assemble_and_change(parts, controller, driver):  # type: ignore[no-untyped-def]  # as the original
        loop, keeper = assemble(parts, controller, driver)
        changes = SetpointChanges(parts.overlay, controller, loop, parts.journal)
        threading.Thread(target=change_without_end, args=(changes,), daemon=True).start()
        return loop, keeper

    program._assemble = assemble_and_change


KINDS = {
    "changing": Controller,
    "restless": RestlessController,
    "stuck": StuckController,
    "broken": BrokenController,
}

if __name__ == "__main__":
    if sys.argv[1] == "changing":
        start_changing()
    program.Controller = KINDS[sys.argv[1]]  # type: ignore[misc]  # the program has no other door for it
    sys.exit(main(sys.argv[2:]))
