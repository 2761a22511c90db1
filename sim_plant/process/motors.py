"""Arithmetic of motor currents: full load, starting together or one after another."""

from __future__ import annotations

import math


def full_load_a(shaft_kw: float, volts: float, power_factor: float, efficiency: float) -> float:
    """Full-load current of a three-phase motor: P / (sqrt(3) U pf eta).

    >>> round(full_load_a(0.75, 400.0, 0.78, 0.78), 3)
    1.779
    """
    return 1000.0 * shaft_kw / (math.sqrt(3.0) * volts * power_factor * efficiency)


def most_starting(units: int, starting_s: float, stagger_s: float) -> int:
    """Most motors that start at the same time when one follows another every ``stagger_s``.

    A start at the instant at which an earlier one ends does not overlap it. 0 s: all at once.

    >>> most_starting(10, 1.0, 0.5), most_starting(10, 1.0, 0.0), most_starting(10, 0.5, 10.0)
    (2, 10, 1)
    """
    if stagger_s <= 0.0:
        return units
    return min(units, max(math.ceil(starting_s / stagger_s - 1e-9), 1))


def peak_a(units: int, full_load: float, multiple: float, starting: int) -> float:
    """Greatest current of a bank: ``starting`` motors at their starting current, the others running.

    >>> peak_a(10, 1.5, 6.0, 1)
    22.5
    """
    return (units - starting) * full_load + starting * multiple * full_load
