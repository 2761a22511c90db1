"""The wall clock that a controller at the desk sees: simulated, and stepped when a case says so.

A controller whose timers hang on the wall clock is caught only if that clock can be stepped under it. So
while a desk target scans, ``time.time`` and ``time.time_ns`` answer the simulated date; code that has taken
the functions themselves at import, and ``datetime.now``, still see the machine's clock.
"""

from __future__ import annotations

import time

START_S = 1_774_744_200  # 2026-03-29 00:30 UTC, half an hour before summer time begins in Europe
_SEEN = vars(time)
_REAL = {"time": time.time, "time_ns": time.time_ns}


class WallClock:
    """A date that goes with the simulated time and may be stepped. Used around each scan with ``with``."""

    def __init__(self) -> None:
        self.now_ms = 0
        self.stepped_ms = 0
        self._shown = {"time": self.seconds, "time_ns": self.nanoseconds}

    def seconds(self) -> float:
        """Seconds since 1970, as ``time.time``."""
        return START_S + (self.now_ms + self.stepped_ms) / 1000.0

    def nanoseconds(self) -> int:
        """Nanoseconds since 1970, as ``time.time_ns``."""
        return START_S * 10**9 + (self.now_ms + self.stepped_ms) * 10**6

    def __enter__(self) -> None:
        _SEEN.update(self._shown)

    def __exit__(self, *_error: object) -> None:
        _SEEN.update(_REAL)
