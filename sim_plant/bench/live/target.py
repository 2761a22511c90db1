"""A live controller as a target of the rig, in real time."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

from controller.signals import Inputs, Outputs
from controller.unit.states import STATES
from sim_plant.bench.live.field import Field, LostError

PATIENCE_S = 2.0
"""So long a controller may be silent in the middle of a run; then it is lost. As long as remote I/O waits."""


LATE_WINDOW_S = 10.0
"""Lateness adds up over so long: most time limits are no longer (own choice)."""


class Pace:
    """Absolute moments of the wall clock, one scan apart; a late rig moves them and counts it.

    ``most_late_ms`` is what came together in any ``LATE_WINDOW_S`` of the present run, ``longest_late_ms``
    the longest of all time.
    """

    def __init__(
        self,
        scan_ms: int,
        clock_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._scan_s, self._clock_s, self._sleep = scan_ms / 1000.0, clock_s, sleep
        self._due_s: float | None = None
        self.late = 0
        self.longest_late_ms = self.most_late_ms = 0.0
        self._lates: deque[tuple[float, float]] = deque()  # when, and how much in ms

    def begin_run(self) -> None:
        """What comes late from here on is another run's."""
        self.most_late_ms = 0.0
        self._lates.clear()

    def wait(self) -> None:
        """Until the next moment; at once, counted and not caught up with, when it has passed."""
        now_s = self._clock_s()
        due_s = now_s + self._scan_s if self._due_s is None else self._due_s
        if now_s > due_s:
            self._came_late(now_s, (now_s - due_s) * 1000.0)
            due_s = now_s
        else:
            self._sleep(due_s - now_s)
        self._due_s = due_s + self._scan_s

    def _came_late(self, now_s: float, late_ms: float) -> None:
        self.late += 1
        self.longest_late_ms = max(self.longest_late_ms, late_ms)
        self._lates.append((now_s, late_ms))
        while now_s - self._lates[0][0] > LATE_WINDOW_S:
            self._lates.popleft()
        self.most_late_ms = max(self.most_late_ms, sum(late for _when_s, late in self._lates))


class LiveTarget:
    """A controller that answers over a ``Field``. A scan takes one scan time of the wall clock.

    LostError when the controller has been in trouble for ``PATIENCE_S``. What the rig comes late is time that
    its clock does not show, so it makes every time limit of the run uncertain by as much.
    """

    state_names: tuple[str, ...] = tuple(state.value for state in STATES)

    def __init__(
        self, field: Field, pace: Pace, uncertainty_ms: int, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.field, self.pace, self.uncertainty_ms = field, pace, uncertainty_ms
        self._of_line_ms = uncertainty_ms
        self._clock_s = clock_s
        self._well_s = clock_s()

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:  # noqa: ARG002  # it has a clock of its own
        """Publish the image, give the controller one scan time, take what it drives then."""
        self.field.publish(inputs)
        self.pace.wait()
        self.uncertainty_ms = self._of_line_ms + round(self.pace.most_late_ms)
        trouble = self.field.trouble()
        if not trouble:
            self._well_s = self._clock_s()
        elif self._clock_s() - self._well_s > PATIENCE_S:
            raise LostError(f"{self.field.name}: {trouble}")
        return self.field.outputs()

    def states(self) -> tuple[int, ...]:
        """State codes of the units."""
        return self.field.states()

    def power_lost(self) -> None:
        """The bench cannot take its supply away; such runs are left out."""
        raise NotImplementedError

    def power_returned(self) -> None:
        """See ``power_lost``."""
        raise NotImplementedError

    def snapshot(self) -> object:
        """It cannot be copied; see ``LiveWorkshop``."""
        raise NotImplementedError

    def restore(self, snapshot: object) -> None:
        """See ``snapshot``."""
        raise NotImplementedError
