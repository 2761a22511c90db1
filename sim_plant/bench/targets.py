"""What is being proven: anything that answers an input image with an output image.

The bench knows a target only through this protocol. States are asked for to time a stimulus and to
draw the state strip, never to judge; a target that has none to tell returns an empty tuple.
"""

from __future__ import annotations

import importlib
import math
import os
import sys
from collections.abc import Callable
from typing import Any, Protocol, runtime_checkable

from controller.files import InputError
from controller.firmware import Controller
from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.signals import Inputs, Outputs
from controller.unit.states import STATES
from sim_plant.bench.wallclock import WallClock

ControllerFactory = Callable[[int, Setpoints, str | None], Any]
"""Makes a controller from number of units, setpoints and retained text; the firmware's own by default."""


OUR_FIRMWARE = "controller.firmware:Controller"


class TargetError(RuntimeError):
    """The target broke down; the message says how."""


class Target(Protocol):
    """A controller under test."""

    state_names: tuple[str, ...]

    @property
    def uncertainty_ms(self) -> int:
        """Of the times in what has been seen so far; asked for when it is judged."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        """Answer one input image."""

    def states(self) -> tuple[int, ...]:
        """Index into ``state_names`` for every unit; empty when the target does not tell."""

    def power_lost(self) -> None:
        """The supply is gone: the target stops where it is."""

    def power_returned(self) -> None:
        """The supply is back: the target starts from what it retained."""

    def snapshot(self) -> object:
        """Copy of the whole state, for targets that can."""

    def restore(self, snapshot: object) -> None:
        """Continue from a snapshot."""


@runtime_checkable
class Journalled(Protocol):
    """A target whose journal can be read, if it keeps one."""

    keeps_journal: bool

    def take_events(self) -> list[Entry]:
        """The lines since the last call, asked for after every scan."""


@runtime_checkable
class OnALine(Protocol):
    """A target that is given its images by a line, which may lose them."""

    def as_told(self, inputs: Inputs) -> Inputs:
        """The image that it was given last, with the ages that it has at the target."""


@runtime_checkable
class DataPort(Protocol):
    """A target whose setpoints can be written and read back."""

    def change_setpoint(self, name: str, value: float, by: str, reason: str, now_ms: int) -> str:
        """Ask for a change; "" when it was accepted, else why not."""

    def read_setpoint(self, name: str) -> float:
        """The value in force; NaN for a name that the target does not know."""


@runtime_checkable
class HasWallClock(Protocol):
    """A target whose wall clock can be stepped."""

    def step_wall_clock(self, step_s: float) -> None:
        """From the next scan on the wall clock shows so much more."""


class DeskTarget:
    """A controller in this process, in lockstep with the plant: no timing uncertainty."""

    state_names: tuple[str, ...] = tuple(state.value for state in STATES)
    uncertainty_ms = 0

    def __init__(self, n_units: int, setpoints: Setpoints, factory: ControllerFactory = Controller) -> None:
        self._n_units, self._setpoints, self._factory = n_units, setpoints, factory
        self._controller = factory(n_units, setpoints, None)
        self._codes = {state: code for code, state in enumerate(STATES)}
        self.keeps_journal = callable(getattr(self._controller, "take_events", None))
        self._kept: str = self._controller.retained()
        self._clock = WallClock()

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        """One scan of the controller."""
        self._clock.now_ms = now_ms
        try:
            with self._clock:
                outputs: Outputs = self._controller.scan(inputs, now_ms)
        except Exception as error:  # a controller under test may fail in any way
            raise TargetError(f"the controller failed: {type(error).__name__}: {error}") from error
        return outputs

    def take_events(self) -> list[Entry]:
        """Journal lines of the controller since the last call."""
        lines: list[Entry] = self._controller.take_events()
        return lines

    def change_setpoint(self, name: str, value: float, by: str, reason: str, now_ms: int) -> str:
        """Ask the controller for the change; one that was accepted outlasts a loss of power."""
        if not hasattr(self._controller, "change_setpoint"):
            raise TargetError("the controller has no change_setpoint(name, value, by, reason, now_ms)")
        try:
            self._controller.change_setpoint(name, value, by, reason, now_ms)
        except ValueError as error:
            return str(error)
        except Exception as error:  # as in a scan
            raise TargetError(f"the controller failed: {type(error).__name__}: {error}") from error
        self._setpoints = self._controller.setpoints
        return ""

    def read_setpoint(self, name: str) -> float:
        """The value that the controller works with."""
        return float(getattr(getattr(self._controller, "setpoints", None), name, math.nan))

    def step_wall_clock(self, step_s: float) -> None:
        """The date that the controller can read jumps."""
        self._clock.stepped_ms += round(1000.0 * step_s)

    def states(self) -> tuple[int, ...]:
        """State codes of the units."""
        return tuple(self._codes[state] for state in self._controller.states())

    def power_lost(self) -> None:
        """Keep what a real controller would find in its retained memory."""
        self._kept = self._controller.retained()

    def power_returned(self) -> None:
        """A new controller that knows only what was retained."""
        try:
            self._controller = self._factory(self._n_units, self._setpoints, self._kept)
        except Exception as error:  # as in a scan
            raise TargetError(f"the controller did not start: {type(error).__name__}: {error}") from error

    def snapshot(self) -> object:
        """The controller's snapshot, its retained text and setpoints, and how far its wall clock is off."""
        return self._controller.snapshot(), self._kept, self._setpoints, self._clock.stepped_ms

    def restore(self, snapshot: object) -> None:
        """Continue from a snapshot of a target made with the same arguments."""
        assert isinstance(snapshot, tuple)
        controller, self._kept, self._setpoints, self._clock.stepped_ms = snapshot
        self._controller = self._factory(self._n_units, self._setpoints, None)
        self._controller.restore(controller)


_NEEDED = ("scan", "states", "retained", "snapshot", "restore")


def find_factory(text: str) -> ControllerFactory:
    """The controller named "package.module:callable"; InputError when it cannot be had.

    Modules in the folder in which the command was given are found too, as with ``python -m``.
    """
    module_name, colon, name = text.partition(":")
    if not (module_name and colon and name):
        raise InputError(f"--controller {text}: must read module:callable, as in my_logic:Controller")
    if os.getcwd() not in sys.path:
        sys.path.append(os.getcwd())
    try:
        factory = getattr(importlib.import_module(module_name), name)
    except Exception as error:  # a user's module may fail in any way while it is imported
        raise InputError(f"--controller {text}: {type(error).__name__}: {error}") from error
    if not callable(factory):
        raise InputError(f"--controller {text}: {name} cannot be called")
    return factory  # type: ignore[no-any-return]  # what a user names has no type to check


def try_factory(text: str, n_units: int, setpoints: Setpoints) -> None:
    """Make one controller, so that one that cannot be made is found before anything runs; InputError."""
    factory = find_factory(text)
    try:
        made = factory(n_units, setpoints, None)
    except Exception as error:  # as above
        call = "(number of units, setpoints, retained text or None)"
        raise InputError(
            f"--controller {text}: called with {call}: {type(error).__name__}: {error}"
        ) from error
    lacking = [name for name in _NEEDED if not callable(getattr(made, name, None))]
    if lacking:
        raise InputError(f"--controller {text}: what it makes has no {', '.join(lacking)}")
