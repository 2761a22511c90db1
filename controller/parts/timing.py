"""Timers and edges on plain integers, so that a snapshot holds them without effort.

A moment is an int of milliseconds on the firmware's own monotonic clock; NEVER means "not running".
``since`` with ``held_s`` makes an on-delay timer (TON of IEC 61131-3).
"""

from __future__ import annotations

NEVER = -(2**62)
HOUR_S = 3600.0


def since(condition: bool, since_ms: int, now_ms: int) -> int:
    """Moment from which the condition has held without a break; NEVER while it does not hold."""
    if not condition:
        return NEVER
    return now_ms if since_ms == NEVER else since_ms


def held_s(since_ms: int, now_ms: int) -> float:
    """Seconds since a moment; -1.0 when it is NEVER, so no limit of 0 or more is met."""
    return -1.0 if since_ms == NEVER else (now_ms - since_ms) / 1000.0


def recent(moments_ms: list[int], now_ms: int, window_s: float) -> list[int]:
    """The moments, oldest first, that lie inside the rolling window that ends now."""
    oldest_ms = now_ms - round(window_s * 1000.0)
    if not moments_ms or moments_ms[0] > oldest_ms:
        return moments_ms
    return [moment_ms for moment_ms in moments_ms if moment_ms > oldest_ms]
