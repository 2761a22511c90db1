"""A live controller as a target of the rig, in real time."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

from controller.signals import Inputs, Outputs
from controller.unit.states import STATES
from sim_plant.bench.live.field import AGED_MS, Field, LostError, Rounds

ROUNDS_UNSEEN = 2
"""An input may just have missed the controller, and its answer the bench."""
PATIENCE_S = 2.0
"""So long a controller may be silent in the middle of a run; then it is lost. As long as remote I/O waits."""


LATE_WINDOW_S = 10.0
"""Lateness adds up over so long: most time limits are no longer (own choice)."""


class Pace:
    """Absolute moments of the wall clock, one scan apart; a late rig moves them and counts it.

    ``most_late_ms`` is what came together in any ``LATE_WINDOW_S`` since ``begin``, the other counts are over
    all runs.
    """

    def __init__(
        self,
        scan_ms: int,
        clock_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.scan_ms = scan_ms
        self._scan_s, self._clock_s, self._sleep = scan_ms / 1000.0, clock_s, sleep
        self._due_s: float | None = None
        self.scans = self.late = 0
        self.longest_late_ms = self.most_late_ms = 0.0
        self._lates: deque[tuple[float, float]] = deque()  # when, and how much in ms

    def begin(self) -> None:
        """A run begins: no scan was due in the time before it, and what comes late from now on is its own."""
        self._due_s, self.most_late_ms = None, 0.0
        self._lates.clear()

    def wait(self) -> None:
        """Until the next moment; at once, counted and not caught up with, when it has passed."""
        self.scans += 1
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


def uncertainty_of(scan_ms: int, longest_round_ms: float) -> int:
    """Of a time limit, in ms: one scan of the bench, in which nothing is seen, and two rounds."""
    return scan_ms + round(ROUNDS_UNSEEN * longest_round_ms)


class LiveTarget:
    """A controller that answers over a ``Field``. A scan takes one scan time of the wall clock.

    ``measured_ms`` is the uncertainty as it was measured before. LostError when the controller has been in
    trouble for ``PATIENCE_S``. What the rig comes late is time that its clock does not show, so it makes
    every time limit of the run uncertain by as much.
    """

    state_names: tuple[str, ...] = tuple(state.value for state in STATES)

    def __init__(
        self, field: Field, pace: Pace, measured_ms: int, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.field, self.pace, self._measured_ms = field, pace, measured_ms
        self._clock_s = clock_s
        self._well_s = clock_s()
        self._longest_ms = 0.0  # round of the runs before

    def begin_run(self) -> None:
        """Time is kept, and rounds are measured, anew."""
        self._longest_ms = self.longest_round_ms
        self.field.rounds = Rounds()
        self.pace.begin()
        self._well_s = self._clock_s()

    @property
    def longest_round_ms(self) -> float:
        """Of all runs so far."""
        return max(self._longest_ms, self.field.rounds.longest_ms)

    @property
    def uncertainty_ms(self) -> int:
        """As it was measured, or more where a round of this run took longer; and what the bench was late."""
        seen_ms = uncertainty_of(self.pace.scan_ms, self.field.rounds.longest_ms)
        return max(self._measured_ms, seen_ms) + round(self.pace.most_late_ms)

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:  # noqa: ARG002  # it has a clock of its own
        """Publish the image, give the controller one scan time, take what it drives then."""
        self.field.publish(inputs)
        self.pace.wait()
        trouble = self.field.trouble()
        if not trouble:
            self._well_s = self._clock_s()
        elif self._clock_s() - self._well_s > PATIENCE_S:
            raise LostError(f"{self.field.name}: {trouble}")
        return self.field.outputs()

    def as_told(self, inputs: Inputs) -> Inputs:
        """The image with its ages at the controller; one that is late, and not yet none, counts as new."""
        ages_ms = [
            max(told_ms, line_ms if line_ms > AGED_MS else 0)
            for told_ms, line_ms in zip(
                (inputs.bank_age_ms, *inputs.unit_age_ms), self.field.ages_ms(), strict=True
            )
        ]
        return inputs._replace(bank_age_ms=ages_ms[0], unit_age_ms=tuple(ages_ms[1:]))

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
