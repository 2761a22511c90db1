"""Milder and rounder values of a fault."""

from __future__ import annotations

import math

from sim_plant.catalogue import CATALOGUE


def round_between(one: float, other: float) -> float | None:
    """The number of fewest digits near the middle of two; None when there is none of six decimals.

    >>> round_between(0.5, 1.0), round_between(4800, 9600), round_between(2, 2)
    (0.8, 7000.0, None)
    """
    gap = abs(other - one)
    if gap < 1e-5:
        return None
    digits = -math.floor(math.log10(gap / 2.0))
    return round((one + other) / 2.0, digits)


def mildest(target: str, kind: str, value: float) -> float | None:
    """The mildest value of the fault catalogue's line that reaches to this value; None when none does."""
    for line in CATALOGUE.values():
        for way in line.ways:
            for i in way:
                if (i.target, i.kind) != (target, kind) or i.mild is None or i.severe is None:
                    continue
                if min(i.mild, i.severe) <= value <= max(i.mild, i.severe) and value != i.mild:
                    return i.mild
    return None
