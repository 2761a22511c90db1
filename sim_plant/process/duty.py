"""Arithmetic of a duty cycle: what a unit makes when flushes or purges interrupt its production."""

from __future__ import annotations

import math


def production_share(produce_s: float, interrupt_s: float) -> float:
    """Share of the time in which a unit produces: T / (T + F).

    Raises ValueError when a time is negative or both are 0.
    """
    if produce_s < 0 or interrupt_s < 0 or produce_s + interrupt_s == 0:
        raise ValueError(f"times must be positive: produce_s = {produce_s:g}, interrupt_s = {interrupt_s:g}")
    return produce_s / (produce_s + interrupt_s)


def net_production_m3h(permeate_l_min: float, produce_s: float, interrupt_s: float, units: int = 1) -> float:
    """Product of ``units`` units in an hour when none is made during the interruption."""
    return units * permeate_l_min * 60.0 / 1000.0 * production_share(produce_s, interrupt_s)


def net_recovery(
    permeate_m3h: float,
    feed_m3h: float,
    produce_s: float,
    purge_feed_m3h: float,
    purge_s: float,
    purge_permeate_m3h: float = 0.0,
) -> float:
    """Product for each part of feed over a whole cycle of production and purge."""
    product = permeate_m3h * produce_s + purge_permeate_m3h * purge_s
    return product / (feed_m3h * produce_s + purge_feed_m3h * purge_s)


def flush_water_share(feed_m3h: float, produce_s: float, flush_m3h: float, flush_s: float) -> float:
    """Share of all feed water that goes into flushing."""
    flush = flush_m3h * flush_s
    return flush / (feed_m3h * produce_s + flush)


def most_interrupted(units: int, produce_s: float, interrupt_s: float) -> int:
    """Units that are flushed at the same time when the flushes are spread evenly: N F / (T + F), rounded up.

    >>> most_interrupted(10, 900.0, 30.0), most_interrupted(64, 900.0, 30.0)
    (1, 3)
    """
    return math.ceil(units * (1.0 - production_share(produce_s, interrupt_s)) - 1e-9)


def volumes_to_dilute(concentration_factor: float, excess: float) -> float:
    """Well-mixed volumes of feed that bring concentrate within ``excess`` of the feed: ln((CF - 1) / excess).

    >>> round(volumes_to_dilute(2.0, 0.05), 2)
    3.0
    """
    return math.log((concentration_factor - 1.0) / excess)


def seconds_to_fall(start: float, end: float, limit: float, tau_s: float) -> float:
    """Time in which a first-order decay from ``start`` towards ``end`` passes ``limit``; 0 if it is below.

    Raises ValueError when it never does.

    >>> round(seconds_to_fall(1000.0, 0.0, 500.0, 60.0), 1)
    41.6
    """
    if limit <= end:
        raise ValueError(f"limit = {limit:g} is never reached: the decay ends at {end:g}")
    return tau_s * math.log((start - end) / (limit - end)) if start > limit else 0.0


def peak_in_batch_mgl(peak_mgl: float, running_mgl: float, hold_up_l: float, batch_l: float) -> float:
    """What an undiverted start-up peak adds to a batch: hold-up times (peak - running), over the batch.

    >>> peak_in_batch_mgl(1030.0, 30.0, 1.2, 60.0)
    20.0
    """
    return (peak_mgl - running_mgl) * hold_up_l / batch_l
