"""Arithmetic of a duty cycle: what a unit makes when flushes or purges interrupt its production."""

from __future__ import annotations


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
