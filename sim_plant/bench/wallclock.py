"""The wall clock that a controller at the desk sees: simulated, and stepped when a case says so.

A controller whose timers hang on the wall clock is caught only if that clock can be stepped under it. So
while a desk target scans, ``time.time`` and ``time.time_ns`` answer the simulated date; code that has taken
the functions themselves at import, and ``datetime.now``, still see the machine's clock. So do all threads but
the scanning one: an event loop beside it must not see the date jump to and fro.
"""

from __future__ import annotations

import time
from threading import get_ident

START_S = 1_774_744_200  # 2026-03-29 00:30 UTC, half an hour before summer time begins in Europe
_SEEN = vars(time)
_REAL_TIME, _REAL_TIME_NS = time.time, time.time_ns
_REAL = {"time": _REAL_TIME, "time_ns": _REAL_TIME_NS}


class WallClock:
    """A date that goes with the simulated time and may be stepped. Used around each scan with ``with``."""

    def __init__(self) -> None:
        self.now_ms = 0
        self.stepped_ms = 0
        self._thread = get_ident()
        self._shown = {"time": self.seconds, "time_ns": self.nanoseconds}

    def seconds(self) -> float:
        """Seconds since 1970, as ``time.time``."""
        if get_ident() != self._thread:
            return _REAL_TIME()
        return START_S + (self.now_ms + self.stepped_ms) / 1000.0

    def nanoseconds(self) -> int:
        """Nanoseconds since 1970, as ``time.time_ns``."""
        if get_ident() != self._thread:
            return _REAL_TIME_NS()
        return START_S * 10**9 + (self.now_ms + self.stepped_ms) * 10**6

    def __enter__(self) -> None:
        self._thread = get_ident()
        _SEEN.update(self._shown)

    def __exit__(self, *_error: object) -> None:
        _SEEN.update(_REAL)
