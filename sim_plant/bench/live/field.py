"""What lies between the rig and a live controller."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from controller.signals import Command, Inputs, Outputs, Verb
from controller.unit.states import STATES
from controller.wiring import Use, Wiring


class LostError(RuntimeError):
    """The controller is not there, or not the right one; the message says where to look. Ends everything."""


@dataclass
class Rounds:
    """How long the exchange takes, in ms: from one complete round to the next, over all devices."""

    longest_ms: float = 0.0
    count: int = 0

    def add(self, took_ms: float) -> None:
        """One more."""
        self.count += 1
        self.longest_ms = max(self.longest_ms, took_ms)


AGED_MS = 1000
"""An image of that age is none (narrative 2.3)."""


class Field(Protocol):
    """Carries images in both directions; no call waits for the other side.

    ``rounds`` may be replaced to measure anew.
    """

    name: str
    rounds: Rounds

    def publish(self, inputs: Inputs) -> None:
        """The input image of this moment, with the commands that people give in it."""

    def outputs(self) -> Outputs:
        """The newest output image; at rest where the controller has fallen silent."""

    def states(self) -> tuple[int, ...]:
        """Index into ``STATES`` for every unit; empty where the wiring or the controller does not tell."""

    def ages_ms(self) -> tuple[int, ...]:
        """How old the image of the bank, then that of each unit, is at the controller; 0 where not known."""

    def trouble(self) -> str:
        """Why the controller cannot be believed at this moment, "" when it can."""

    def close(self) -> None:
        """Let go."""


COMMAND_HELD_MS = 1000
"""A command stands so long in its register, then 0: any program that scans has seen it (own choice)."""


class Commands:
    """Commands of people as registers hold them: a number for a while, then 0."""

    def __init__(self, wiring: Wiring) -> None:
        points = {point.name: point for point in wiring.points if point.use is Use.COMMAND}
        self._numbers = {name: {word: code for code, word in p.codes} for name, p in points.items()}
        self._standing: dict[str, tuple[int, int]] = {}  # number, and until when

    def accepts(self, verb: Verb, unit: int) -> bool:
        """Whether there is a register for it."""
        return verb.value in self._numbers.get(_command_point(unit), {})

    def take(self, commands: Sequence[Command], now_ms: int) -> None:
        """Put new ones into their registers; one without a register is passed over, see ``accepts``."""
        for command in commands:
            if self.accepts(command.verb, command.unit):
                name = _command_point(command.unit)
                self._standing[name] = (self._numbers[name][command.verb.value], now_ms + COMMAND_HELD_MS)

    def values(self, now_ms: int) -> Mapping[str, float]:
        """What every command register must hold now."""
        return {
            name: float(self._standing[name][0])
            if name in self._standing and now_ms < self._standing[name][1]
            else 0.0
            for name in self._numbers
        }


def _command_point(unit: int) -> str:
    return f"unit{unit}.command" if unit else "bank.command"


class StateWords:
    """The numbers that a controller uses for its states, as the bench's codes."""

    def __init__(self, wiring: Wiring) -> None:
        index = {state.value: code for code, state in enumerate(STATES)}
        points = {point.unit: point for point in wiring.points if point.use is Use.STATE}
        self._codes = {unit: {n: index[word] for n, word in p.codes} for unit, p in points.items()}
        self.told = len(points) == wiring.n_units
        self._names = [points[unit].name for unit in sorted(points)]

    def codes(self, values: Mapping[str, bool | float]) -> tuple[int, ...]:
        """One code for each unit; empty when one is missing or has a number that nobody named."""
        if not self.told:
            return ()
        found = [
            self._codes[unit].get(int(values[name]))
            for unit, name in enumerate(self._names, start=1)
            if name in values
        ]
        if len(found) < len(self._names) or None in found:
            return ()
        return tuple(code for code in found if code is not None)
