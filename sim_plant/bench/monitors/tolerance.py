"""How much later, earlier, longer or shorter than its limit a thing may be: the only place that says so.

The control narrative (timing base, 2.3) allows +0.5 s on reactions and +/-0.5 s or 2 % on timers,
whichever is larger, unless a requirement states its own allowance. One scan is added to each, because an
input that changes just after a scan is seen one scan later.

The limits that the requirements print ("within 5.5 s" for a trip held 5 s) already hold the 0.5 s, so it
is added here to the setpoint and not a second time to the printed limit. A requirement that prints its
own allowance ("within 0.3 s", "within 65 s" for 60 s held) passes that allowance instead.
"""

from __future__ import annotations

REACTION_S = 0.5
TIMER_S = 0.5
TIMER_PART = 0.02
ROLLING_HOUR_S = 3600.0  # the window of every budget
SPACING_S = 0.2  # between two outputs that must keep apart; stated by SR-14, used for SR-52 too


def ms(seconds: float) -> int:
    """Whole milliseconds."""
    return round(1000.0 * seconds)


def reaction_ms(held_s: float, scan_ms: int, allowance_s: float = REACTION_S) -> int:
    """Latest answer to something that must first be held for ``held_s``; counted from its beginning.

    >>> reaction_ms(5.0, scan_ms=100)
    5600
    """
    return ms(held_s + allowance_s) + scan_ms


def timer_tolerance_ms(timer_s: float) -> int:
    """+/-0.5 s or 2 %, whichever is larger.

    >>> timer_tolerance_ms(20.0), timer_tolerance_ms(120.0)
    (500, 2400)
    """
    return ms(max(TIMER_S, TIMER_PART * timer_s))


def shortest_ms(timer_s: float, scan_ms: int) -> int:
    """Least duration that still counts as the whole timer.

    >>> shortest_ms(120.0, scan_ms=100)
    117500
    """
    return max(0, ms(timer_s) - timer_tolerance_ms(timer_s) - scan_ms)


def longest_ms(timer_s: float, scan_ms: int) -> int:
    """Greatest duration that still counts as the timer and no more.

    >>> longest_ms(20.0, scan_ms=100)
    20600
    """
    return ms(timer_s) + timer_tolerance_ms(timer_s) + scan_ms


def spacing_ms(gap_s: float) -> int:
    """Least distance of two edges that must keep ``gap_s`` apart.

    >>> spacing_ms(10.0)
    9800
    """
    return ms(gap_s - SPACING_S)
