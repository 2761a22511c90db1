"""Feed, product and drain header of the bank: velocity and loss to the last unit, and the flushes they carry.

``[headers]`` of study.toml has the geometry. Units stand in a row, the first nearest to booster, tank, pit.
Pipes are full: a drain that falls to its pit runs partly full, faster and without this loss. What a change
of velocity at a branch gives back or takes is in its K and nowhere else; heights are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import NamedTuple

from controller.settings import Setpoints
from sim_plant.process.pipes import pipe_loss_pa, velocity_m_s
from sim_plant.process.water import density_kg_m3
from sim_plant.study.header_table import Headers, Pipe
from sim_plant.study.points import UNITS_MOST, Figures, Order, at_point, flows_of, rounded_up, slots_of

PA_BAR = 1e5


class Load(NamedTuple):
    """What one unit takes from a header or gives to it."""

    produce_m3h: float
    flush_m3h: float


class Segment(NamedTuple):
    """The pipe that ends at branch ``number``; ``sum_bar`` is the loss from the header's end until there."""

    number: int
    length_m: float
    flow_m3h: float
    velocity_m_s: float
    loss_bar: float
    sum_bar: float


class Line(NamedTuple):
    """One header under its worst load."""

    name: str
    pipe: Pipe
    segments: tuple[Segment, ...]

    @property
    def velocity_m_s(self) -> float:
        """Where it is greatest."""
        return max(s.velocity_m_s for s in self.segments)

    @property
    def loss_bar(self) -> float:
        """To the last unit."""
        return self.segments[-1].sum_bar

    @property
    def broken(self) -> tuple[str, ...]:
        """The limits that do not hold, with both values."""
        pipe = self.pipe
        rules = (
            (self.velocity_m_s, pipe.velocity_most_m_s, f"{self.velocity_m_s:.2f} m/s"),
            (self.loss_bar, pipe.loss_most_bar, f"{self.loss_bar:.3f} bar"),
        )
        return tuple(f"{self.name} {text}, at most {most:g}" for is_, most, text in rules if is_ > most)


@dataclass(frozen=True)
class HeaderStudy:
    """The headers of the site's bank with the flush slots of its setpoints, and what they would carry."""

    table: Headers
    loads: dict[str, Load]
    units: int
    degc: float
    slots: int  # of the proposed setpoints
    counted_bar: float  # that the plant model puts into the product header
    reckoned: tuple[float, float]  # flush_feed_m3h and flush_drain_m3h of the setpoints
    lines: tuple[Line, ...]
    carried: int  # flushes at once; 0 when not even one
    in_the_way: tuple[str, ...]  # limits that the next flush breaks
    units_carried: int  # with one flush at once, up to UNITS_MOST
    advice: str  # how to come to the flushes that are carried; empty when nothing needs to change


def segments_of(pipe: Pipe, table: Headers, flows_m3h: Sequence[float], degc: float) -> tuple[Segment, ...]:
    """The header piece by piece; ``flows_m3h`` of each unit, the nearest first.

    Loss of a piece: friction of the straight pipe (Darcy and Weisbach, Colebrook and White) and K rho v2/2.
    """
    bore_m = pipe.bore_mm / 1000.0
    carried = list(accumulate(reversed(flows_m3h)))[::-1]
    made: list[Segment] = []
    for number, flow in enumerate(carried, start=1):
        length, k = (pipe.lead_m, table.lead_k) if number == 1 else (table.spacing_m, table.branch_k)
        straight = pipe_loss_pa(flow, bore_m, length, table.roughness_mm / 1000.0, degc)
        loss = (straight + fitting_loss_pa(flow, bore_m, k, degc)) / PA_BAR
        before = made[-1].sum_bar if made else 0.0
        made.append(Segment(number, length, flow, velocity_m_s(flow, bore_m), loss, before + loss))
    return tuple(made)


def fitting_loss_pa(flow_m3h: float, bore_m: float, k: float, degc: float) -> float:
    """Loss of fittings: K rho v2/2.

    >>> round(fitting_loss_pa(7.0685835, 0.05, 2.0, 4.0))
    1000
    """
    return k * density_kg_m3(degc) * velocity_m_s(flow_m3h, bore_m) ** 2 / 2.0


def worst_flows_m3h(load: Load, units: int, flushing: int) -> list[float]:
    """Of each unit, when the farthest flush; none does where a flush draws less than production."""
    flush = flushing if load.flush_m3h > load.produce_m3h else 0
    return [load.produce_m3h] * (units - flush) + [load.flush_m3h] * flush


def lines_of(
    table: Headers, loads: dict[str, Load], units: int, flushing: int, degc: float
) -> tuple[Line, ...]:
    """All three headers with up to so many units flushing."""
    return tuple(
        Line(
            name,
            table.pipe(name),
            segments_of(table.pipe(name), table, worst_flows_m3h(loads[name], units, flushing), degc),
        )
        for name in table.names()
    )


def broken_by(
    table: Headers, loads: dict[str, Load], units: int, flushing: int, degc: float
) -> tuple[str, ...]:
    """Limits that do not hold with so many units flushing."""
    return tuple(text for line in lines_of(table, loads, units, flushing, degc) for text in line.broken)


def flushes_carried(table: Headers, loads: dict[str, Load], units: int, degc: float) -> int:
    """Most units that may flush at once so that every limit holds; 0 when not even one may."""
    k = 0
    while k < units and not broken_by(table, loads, units, k + 1, degc):
        k += 1
    return k


def units_carried(table: Headers, loads: dict[str, Load], degc: float) -> int:
    """Most units, up to ``UNITS_MOST``, of which one may flush so that every limit holds."""
    n = 0
    while n < UNITS_MOST and not broken_by(table, loads, n + 1, 1, degc):
        n += 1
    return n


def loads_of(setpoints: Setpoints, chosen: Sequence[Figures]) -> dict[str, Load]:
    """At the temperature with most of it: the end of production, and the peak of a purge.

    A flush takes what the setpoints reckon with where that is more. Product of a flush is the difference.
    """
    feed = max(setpoints.flush_feed_m3h, *(f.purge_feed_m3h for f in chosen))
    drain = max(setpoints.flush_drain_m3h, *(f.purge_drain_m3h for f in chosen))
    product = max(f.unit_feed_m3h - f.unit_concentrate_m3h for f in chosen)
    return {
        "feed": Load(max(f.unit_feed_m3h for f in chosen), feed),
        "product": Load(product, max(feed - drain, 0.0)),
        "drain": Load(max(f.unit_concentrate_m3h for f in chosen), drain),
    }


def header_study(table: Headers, order: Order, chosen: Sequence[Figures]) -> HeaderStudy:
    """The headers for the chosen figures; the coldest water is the most viscous."""
    here = at_point(order, chosen[0].point)
    flows = flows_of(chosen)
    setpoints = here.setpoints.model_copy(update=flows)
    loads = loads_of(setpoints, chosen)
    units, degc = order.units, min(f.point.degc for f in chosen)
    slots = slots_of(here, flows)
    carried = flushes_carried(table, loads, units, degc)
    beyond = lines_of(table, loads, units, carried + 1, degc) if carried < units else ()
    return HeaderStudy(
        table, loads, units, degc, slots, here.plant.header.product_loss_bar,
        (setpoints.flush_feed_m3h, setpoints.flush_drain_m3h),
        lines_of(table, loads, units, max(slots, 1), degc),
        carried,
        tuple(text for line in beyond for text in line.broken),
        units_carried(table, loads, degc),
        advice(setpoints, units, slots, carried, [line.name for line in beyond if line.broken]),
    )  # fmt: skip


def advice(setpoints: Setpoints, units: int, slots: int, carried: int, in_the_way: Sequence[str]) -> str:
    """Which setpoint brings the slots down to what the headers carry; empty when they carry the slots.

    Of drain and booster the one whose header is in the way comes first.
    """
    if carried >= slots:
        return ""
    if carried == 0:
        return "no number of slots helps: the headers need wider pipe"
    s = setpoints
    capacities = [
        ("drain_capacity_m3h", s.unit_concentrate_m3h, s.flush_drain_m3h),
        ("booster_capacity_m3h", s.unit_feed_m3h, s.flush_feed_m3h),
    ]
    if "drain" not in in_the_way:
        capacities.reverse()
    why = "wider pipe is needed"
    for name, produce, flush in capacities:
        need = (units - carried) * produce + carried * flush
        lower = rounded_up(need / 0.95, 0.05)  # the setpoints fill 95 % of a capacity
        try:
            if s.model_copy(update={name: lower}).flush_slots(units) == carried:
                return f"{name} = {lower:g} gives {carried}"
        except ValueError as error:
            why = str(error)
    return f"no capacity gives {carried}: {why}"
