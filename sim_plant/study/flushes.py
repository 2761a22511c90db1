"""How long a flush must last: until the drain conducts hardly more than the feed, by simulation."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from sim_plant.process.conductivity import nacl_us_cm
from sim_plant.study.points import Order, Point, at_point
from sim_plant.study.unit_run import FILLED, FLUSH, PRODUCE, STEP_MS, Phase, UnitRun

LONGEST_S = 600.0
STOOD_S = 1800.0  # a unit that stopped without its flush, before it is started again; own choice
NEAR_25_DEGC = 25.0  # conductivities are compared as instruments show them, at 25 degC


class Flushed(NamedTuple):
    """One flush: its time and what it sent down the drain until it was done; None when it never is."""

    degc: float
    seconds: float | None
    litres: float


class Flushes(NamedTuple):
    """At one temperature: after a stop, and before a start that owes the flush of the stop before."""

    stop: Flushed
    start: Flushed


class AsLeft(NamedTuple):
    """What a healthy unit shows in steady production."""

    membrane_bar: float
    suction_bar: float
    concentrate_m3h: float
    permeate_m3h: float


def flushes(order: Order, point: Point) -> tuple[Flushes, AsLeft]:
    """Both flushes after production at this point, and how that production looked at its end."""
    here = at_point(order, point)
    run = UnitRun(here.plant, here.setpoints, here.seed)
    run.start()
    produce = run.drive(PRODUCE, point.purge_interval_s)
    run.drive(FILLED, here.setpoints.coast_s)
    stop = _flush(here, point.degc, run)
    run.drive(PRODUCE, point.purge_interval_s)
    run.stand(STOOD_S)
    run.fill_header()
    start = _flush(here, point.degc, run)
    return Flushes(stop, start), AsLeft(*(float(produce.of(name)[-1]) for name in AsLeft._fields))


def _flush(order: Order, degc: float, run: UnitRun) -> Flushed:
    phase = run.drive(FLUSH, LONGEST_S)
    return done(phase, order.plant.source.tds_mgl, order.limits.drain_over_feed, degc)


def done(phase: Phase, feed_mgl: float, over: float, degc: float) -> Flushed:
    """When the drain came within ``over`` of the feed's conductivity, for good."""
    limit = over * nacl_us_cm(feed_mgl, NEAR_25_DEGC)
    drain = np.array([nacl_us_cm(float(mgl), NEAR_25_DEGC) for mgl in phase.of("tail_tds_mgl")])
    seconds = phase.first_s(drain <= limit)
    litres = phase.of("flushed_l") - phase.of("flushed_l")[0]
    at = len(litres) - 1 if seconds is None else min(round(seconds * 1000.0 / STEP_MS), len(litres) - 1)
    return Flushed(
        degc,
        seconds,
        float(litres[at]),
    )
