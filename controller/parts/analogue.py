"""Is a 4..20 mA loop to be believed?

Failure currents after NAMUR NE 43: a loop below 3.6 or above 21.0 mA is broken, 3.8..20.5 mA is
measurement. The delays are this project's own: BAD or UNCERTAIN after 2 s, GOOD again after 10 s inside,
INIT (never GOOD) for 5 s after power-up.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from controller.parts.timing import NEVER, held_s, since

BROKEN_LOW_MA, MEASURE_LOW_MA, MEASURE_HIGH_MA, BROKEN_HIGH_MA = 3.6, 3.8, 20.5, 21.0
DETECT_S, RECOVER_S, INIT_S = 2.0, 10.0, 5.0


class Quality(IntEnum):
    """How far a loop is to be believed."""

    INIT = 0
    GOOD = 1
    UNCERTAIN = 2
    BAD = 3


@dataclass(slots=True)
class Loop:
    """Memory of one loop."""

    quality: Quality = Quality.INIT
    started_ms: int = NEVER
    broken_ms: int = NEVER  # outside the failure limits since
    outside_ms: int = NEVER  # outside the measuring range since
    inside_ms: int = NEVER  # inside the measuring range since
    bad_ms: int = NEVER  # BAD since

    def judge(self, current_ma: float, now_ms: int) -> bool:
        """Take one reading; True when the current is a measurement that may be used.

        A current beyond the failure limits is no measurement from the first scan on, although the
        loop is called BAD only after 2 s: a broken wire must not pass for a low pressure.
        """
        inside = MEASURE_LOW_MA <= current_ma <= MEASURE_HIGH_MA
        if inside and self.quality is Quality.GOOD:
            self.broken_ms = self.outside_ms = NEVER
            return True
        # written so that NaN, which compares false with everything, counts as broken
        broken = not BROKEN_LOW_MA <= current_ma <= BROKEN_HIGH_MA
        self.broken_ms = since(broken, self.broken_ms, now_ms)
        self.outside_ms = since(not inside, self.outside_ms, now_ms)
        self.inside_ms = since(inside, self.inside_ms, now_ms)
        self._classify(now_ms)
        self.bad_ms = since(self.quality is Quality.BAD, self.bad_ms, now_ms)
        return self.believed and not broken

    @property
    def believed(self) -> bool:
        """Good enough to act on."""
        return self.quality in (Quality.GOOD, Quality.UNCERTAIN)

    def _classify(self, now_ms: int) -> None:
        if self.started_ms == NEVER:
            self.started_ms = now_ms
        if self.quality is Quality.INIT:
            if held_s(self.started_ms, now_ms) < INIT_S:
                return
            self.quality = Quality.GOOD
        if held_s(self.broken_ms, now_ms) >= DETECT_S:
            self.quality = Quality.BAD
        elif self.quality is Quality.GOOD and held_s(self.outside_ms, now_ms) >= DETECT_S:
            self.quality = Quality.UNCERTAIN
        elif held_s(self.inside_ms, now_ms) >= RECOVER_S:
            self.quality = Quality.GOOD
