"""The sweep: one point for each choice, what the plant gives at it, and whether every limit holds."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from controller.settings import Setpoints
from controller.signals import UNIT_SIGNALS, signal_named
from sim_plant.process.duty import net_production_m3h, net_recovery
from sim_plant.process.parameters import PlantParameters
from sim_plant.study.analysis import Analysis, Limits, Sweep
from sim_plant.study.scaling import Saturation, saturation
from sim_plant.study.unit_run import J_PER_KWH, PA_BAR, PRODUCE, PURGE, Phase, UnitRun

CYCLES_MOST = 6
CLEAR, LOCKOUT, PRODUCT = 0.85, 1.5, 1.25  # of the quality alarm, own choices
GOOD_WATER_S = 10.0  # water is good for so long before a diverter lets it to the tank
LOOP_SHARE = 0.95  # of its span that a loop must not pass to be believed, own choice
FLOWS = ("unit_feed_m3h", "unit_concentrate_m3h", "flush_feed_m3h", "flush_drain_m3h")
UNITS_MOST = 24  # that a bank is looked at with
ToTank = tuple[Phase, Phase]  # of production and purge, what reaches the tank
SAME = 0.002  # two cycles are alike when product and peak differ by less, in shares


@dataclass(frozen=True)
class Order:
    """All that every point shares."""

    plant: PlantParameters  # its source is that of the analysis
    setpoints: Setpoints
    units: int
    analysis: Analysis
    limits: Limits
    seed: int


class Point(NamedTuple):
    """One choice; ``restrictor_share`` is of the fitted Kv, 0 is blanked."""

    purge_interval_s: float
    purge_s: float
    restrictor_share: float
    degc: float


class Figures(NamedTuple):
    """What a point gives, in a cycle that is like the one before; flows are those of the whole bank."""

    point: Point
    net_recovery: float
    net_production_m3h: float
    mean_tds_mgl: float
    peak_tds_mgl: float
    factor: float  # greatest concentration of the last cell against feed
    saturation: Saturation  # at that moment
    energy_kwh_m3: float
    drain_m3h: float  # mean
    drain_peak_m3h: float  # with every flush slot taken
    start_loss_l: float  # permeate of one unit above the limit after a start
    start_s: float | None  # how long it is above it; None when it stays there
    membrane_most_bar: float  # in production and purge
    unit_feed_m3h: float  # of one unit at the end of its production, rounded up
    unit_concentrate_m3h: float
    flush_feed_m3h: float  # of one unit at the end of its purge, rounded up
    flush_drain_m3h: float
    purge_feed_m3h: float  # most that one unit takes in a purge, for a moment
    purge_drain_m3h: float  # most that it sends down the drain
    purges_h: float  # of one unit, so often its flush valve opens
    starts_h_most: float  # of one unit, with the demand that makes them most
    slots: int  # units that may flush at once with these flows; 0 when there is no room, or timers contradict
    settled: bool
    broken: tuple[str, ...]  # limits that do not hold

    @property
    def allowed(self) -> bool:
        """Every limit holds."""
        return not self.broken


def order_of(
    plant: PlantParameters, setpoints: Setpoints, units: int, analysis: Analysis, limits: Limits, seed: int
) -> Order:
    """The plant with the water of the analysis in place of its own, at any hour the same."""
    middle = analysis.degc[1]
    source = plant.source.model_copy(
        update={
            "tds_mgl": round(analysis.tds_mgl, 1),
            "temperature_degc": middle,
            "osmotic_ratio_to_nacl": round(min(max(analysis.osmotic_ratio(middle), 0.3), 1.0), 4),
            "tds_profile_h_mgl": (),
            "temperature_profile_h_degc": (),
        }
    )
    return Order(plant.model_copy(update={"source": source}), setpoints, units, analysis, limits, seed)


def points_of(sweep: Sweep, analysis: Analysis) -> list[Point]:
    """Every combination; a temperature that is said twice is tried once."""
    axes = (sweep.purge_interval_s, sweep.purge_s, sweep.restrictor_share, analysis.degc)
    return [Point(*at) for at in itertools.product(*(tuple(dict.fromkeys(axis)) for axis in axes))]


def work(order: Order, points: tuple[Point, ...]) -> list[Figures]:
    """In a worker: the figures of each."""
    return [figures_of(order, point) for point in points]


def at_point(order: Order, point: Point) -> Order:
    """The plant and setpoints of a point."""
    p, s = order.plant, order.setpoints
    kv = p.unit.restrictor_kv_m3h * point.restrictor_share
    plant = p.model_copy(
        update={
            "unit": p.unit.model_copy(update={"restrictor_kv_m3h": kv}),
            "source": p.source.model_copy(update={"temperature_degc": point.degc}),
        }
    )
    times = {"purge_interval_s": point.purge_interval_s, "purge_s": point.purge_s}
    return replace(order, plant=plant, setpoints=s.model_copy(update=times))


def figures_of(order: Order, point: Point) -> Figures:
    """Run one unit until its cycles are alike."""
    here = at_point(order, point)
    run = UnitRun(here.plant, here.setpoints, here.seed)
    first = run.start()
    purge = run.drive(PURGE, point.purge_s)
    settled, before = False, (0.0, 0.0)
    for _ in range(CYCLES_MOST):
        produce, purge = run.drive(PRODUCE, point.purge_interval_s), run.drive(PURGE, point.purge_s)
        now = produce.m3("permeate_m3h"), float(produce.of("tail_tds_mgl").max())
        settled = bool(np.allclose(now, before, rtol=SAME))
        if settled:
            break
        before = now
    return _figures(here, point, first, produce, purge, settled)


def _figures(o: Order, point: Point, first: Phase, produce: Phase, purge: Phase, settled: bool) -> Figures:
    factor = max(float(p.of("tail_tds_mgl").max()) for p in (produce, purge)) / o.plant.source.tds_mgl
    made = saturation(o.analysis, factor, point.degc)
    tank = to_tank(o, produce, purge)
    tds, permeate = (np.concatenate([p.of(f"permeate_{what}") for p in tank]) for what in ("tds_mgl", "m3h"))
    seen = _flows_seen(produce, purge)
    slots = slots_of(o, seen)
    over = first.of("permeate_tds_mgl") > o.limits.permeate_tds_mgl
    peak_drain = (o.units - max(slots, 1)) * float(produce.of("concentrate_m3h")[-1])
    peak_drain += max(slots, 1) * float(purge.of("concentrate_m3h").max())
    seconds, made_m3h = produce.seconds + purge.seconds, production_m3h(o.units, produce, purge, tank)
    figures = Figures(
        point,
        recovery(produce, purge, tank),
        made_m3h,
        float((tds * permeate).sum() / permeate.sum()) if permeate.sum() > 0 else float("nan"),
        float(tds.max()) if len(tds) else float("nan"),
        factor,
        made,
        _energy_kwh_m3(o, produce, purge, tank),
        o.units * (produce.m3("concentrate_m3h") + purge.m3("concentrate_m3h")) / seconds * 3600.0,
        peak_drain,
        float(first.of("permeate_m3h")[over].sum()) * 0.5 / 3.6,
        first.first_s(~over),
        max(float(p.of("membrane_bar").max()) for p in (produce, purge)),
        seen["unit_feed_m3h"],
        seen["unit_concentrate_m3h"],
        seen["flush_feed_m3h"],
        seen["flush_drain_m3h"],
        float(purge.of("feed_m3h").max()),
        float(purge.of("concentrate_m3h").max()),
        3600.0 / seconds,
        starts_h_most(o, made_m3h / o.units),
        slots,
        settled,
        (),
    )
    return figures._replace(broken=broken_by(o, figures))


def _flows_seen(produce: Phase, purge: Phase) -> dict[str, float]:
    """The flows that flush slots are reckoned from, as setpoints; 0 is none."""
    kinds = (
        ("feed_m3h", produce),
        ("concentrate_m3h", produce),
        ("feed_m3h", purge),
        ("concentrate_m3h", purge),
    )
    ends = (float(phase.of(name)[-1]) for name, phase in kinds)
    return {name: max(rounded_up(m3h, 0.01), 0.01) for name, m3h in zip(FLOWS, ends, strict=True)}


def flows_of(chosen: Sequence[Figures]) -> dict[str, float]:
    """The same of a choice: at the temperature with most of each."""
    return {name: max(float(getattr(f, name)) for f in chosen) for name in FLOWS}


def rounded_up(value: float, step: float) -> float:
    """To the next multiple of ``step``.

    >>> rounded_up(2.331, 0.01), rounded_up(0.93, 0.01)
    (2.34, 0.93)
    """
    return round(math.ceil(value / step - 1e-9) * step, 6)


def slots_of(o: Order, flows: Mapping[str, float]) -> int:
    """Flush slots with these timers and flows; 0 when they contradict each other or leave no room."""
    try:
        return Setpoints.model_validate({**o.setpoints.model_dump(), **flows}).flush_slots(o.units)
    except ValueError:
        return 0


def broken_by(o: Order, f: Figures) -> tuple[str, ...]:
    """The limits that do not hold, in words."""
    limits, made = o.limits, f.saturation
    rules = (
        ("calcite", made.calcite <= limits.calcite_index),
        ("gypsum", made.gypsum <= limits.gypsum_index),
        ("silica", made.silica <= limits.silica_index),
        ("permeate TDS", f.mean_tds_mgl <= limits.permeate_tds_mgl),
        ("recovery", f.net_recovery >= limits.recovery_least),
        ("drain", f.drain_peak_m3h <= 0.95 * o.setpoints.drain_capacity_m3h),
        ("silt", o.analysis.table.silt_density_index <= limits.silt_density_index),
        ("start-up", f.start_s is not None),
        ("flush slots", f.slots > 0),
        ("discharge pressure", f.membrane_most_bar < o.setpoints.discharge_alarm_bar),
        ("quality loop", lockout_mgl(o) > limits.permeate_tds_mgl),
        ("not settled", f.settled),
    )
    return tuple(name for name, holds in rules if not holds)


def lockout_mgl(o: Order) -> float:
    """Quality lockout for the limit of the study; a value that the loop cannot show locks nothing out."""
    shown_mgl = LOOP_SHARE * signal_named(UNIT_SIGNALS, "permeate_cond_ma").hi * o.setpoints.tds_per_us
    return math.floor(min(LOCKOUT * o.limits.permeate_tds_mgl, shown_mgl))


def to_tank(o: Order, produce: Phase, purge: Phase) -> ToTank:
    """What of production and of a purge reaches the tank; a diverter sends the rest away.

    It stands to drain in a purge, in the blanking after it, and until water has been good for 10 s (SR-23).
    """
    if not o.plant.unit.has_diverter:
        return produce, purge
    nothing = Phase(purge.rows[:0])
    good_s = produce.first_s(produce.of("permeate_tds_mgl") < CLEAR * o.limits.permeate_tds_mgl)
    if good_s is None:
        return nothing, nothing
    return produce.from_s(max(good_s, o.setpoints.tds_blank_purge_s) + GOOD_WATER_S), nothing


def production_m3h(units: int, produce: Phase, purge: Phase, tank: ToTank) -> float:
    """Of the bank: the closed formula, with the permeate of the purge where it is used."""
    made, purged = tank
    if not made.seconds:
        return 0.0
    l_min = made.m3("permeate_m3h") / made.seconds * 60_000.0
    seconds = produce.seconds + purge.seconds
    closed = net_production_m3h(l_min, made.seconds, seconds - made.seconds, units)
    return closed + units * purged.m3("permeate_m3h") / seconds * 3600.0


def recovery(produce: Phase, purge: Phase, tank: ToTank) -> float:
    """Product for each part of feed over a cycle."""
    made, purged = tank

    def flow(phase: Phase, name: str, over: Phase) -> float:
        return phase.m3(name) / over.seconds * 3600.0

    return net_recovery(
        flow(made, "permeate_m3h", produce), flow(produce, "feed_m3h", produce), produce.seconds,
        flow(purge, "feed_m3h", purge), purge.seconds, flow(purged, "permeate_m3h", purge),
    )  # fmt: skip


def starts_h_most(o: Order, unit_m3h: float) -> float:
    """Starts in an hour of the unit that follows the level, with the demand that makes them most.

    A tank of V between start and stop fills in V / (Q - D) and empties in V / D; together that is least,
    4 V / Q, when half of what the unit makes is drawn. Waits and flushes make it longer.
    """
    s = o.setpoints
    last_pct = s.tank_stop_pct - s.tank_first_pct
    band_pct = min(last_pct, s.tank_release_pct) if o.units > 1 else last_pct
    return unit_m3h / (4.0 * band_pct / 100.0 * o.plant.tank.volume_m3)


def _energy_kwh_m3(o: Order, produce: Phase, purge: Phase, tank: ToTank) -> float:
    """Both pumps, wire to water, for each m3 of product: rise times flow over efficiency."""
    joule = 0.0
    for phase in (produce, purge):
        feed_m3_s = phase.of("feed_m3h") / 3600.0
        rise = np.maximum(phase.of("membrane_bar") - phase.of("suction_bar"), 0.0) * PA_BAR
        lifted = rise / o.limits.pump_efficiency
        lifted = lifted + o.setpoints.header_bar * PA_BAR / o.limits.booster_efficiency
        joule += float((feed_m3_s * lifted).sum()) * 0.5
    product = sum(phase.m3("permeate_m3h") for phase in tank)
    return joule / J_PER_KWH / product if product > 0.0 else float("inf")
