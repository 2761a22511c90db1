"""How the product tank carries a day's demand, with all units and with one out; and what would just do.

``flat out`` is the best that a bank can do: every unit runs until the tank is full. ``as called`` follows the
level as the setpoints do, minute by minute. Units that run make the same all day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from controller.files import InputError
from controller.settings import Setpoints
from sim_plant.process.parameters import PlantParameters
from sim_plant.study.demand import Demand
from sim_plant.study.points import UNITS_MOST, Figures, Order, at_point

DAYS_MOST = 60  # so long a bank is followed until its days are alike, or until it runs short
NOTHING = 1e-9  # h and m3 that are rounding and not a shortage
MINUTES = 60
CALL_STEP_PCT = 5.0
CALL_FIRST_MOST_PCT, CALL_LAST_MOST_PCT = 90.0, 80.0  # ends of the setpoints' ranges
FLAT_OUT, AS_CALLED = "flat out", "as called"


class Tank(NamedTuple):
    """What of the tank may be used."""

    volume_m3: float  # at 100 %
    lowest_pct: float
    full_pct: float

    @property
    def usable_m3(self) -> float:
        """Between the two levels."""
        return self.volume_m3 * (self.full_pct - self.lowest_pct) / 100.0

    def pct(self, stock_m3: float) -> float:
        """Level with so much above the lowest."""
        return self.lowest_pct + 100.0 * stock_m3 / self.volume_m3


class Hour(NamedTuple):
    """One hour of a day: what stands above the lowest level at its end, and what was wanting."""

    stock_m3: float
    short_m3: float
    short_h: float


@dataclass(frozen=True)
class Day:
    """A day from midnight."""

    start_m3: float
    hours: tuple[Hour, ...]

    @property
    def end_m3(self) -> float:
        """What is left for the next one."""
        return self.hours[-1].stock_m3

    @property
    def lowest_m3(self) -> float:
        """Within an hour the stock goes one way, so that its ends have the least."""
        return min(self.start_m3, *(hour.stock_m3 for hour in self.hours))

    @property
    def short_m3(self) -> float:
        """Demand that was not met."""
        return sum(hour.short_m3 for hour in self.hours)

    @property
    def short_h(self) -> float:
        """For how long it was not."""
        return sum(hour.short_h for hour in self.hours)


def hour_flat_out(stock_m3: float, make_m3h: float, draw_m3h: float, usable_m3: float) -> Hour:
    """An hour of even flows, exact: the tank fills up and stays full, or runs out and the rest is short."""
    falls = draw_m3h - make_m3h
    if falls <= 0.0:
        return Hour(min(stock_m3 - falls, usable_m3), 0.0, 0.0)
    lasts_h = stock_m3 / falls
    if lasts_h >= 1.0 - NOTHING:
        return Hour(max(stock_m3 - falls, 0.0), 0.0, 0.0)
    return Hour(0.0, (1.0 - lasts_h) * falls, 1.0 - lasts_h)


def day_flat_out(start_m3: float, make_m3h: float, draw_m3h: Sequence[float], usable_m3: float) -> Day:
    """24 hours of it."""
    hours: list[Hour] = []
    for draw in draw_m3h:
        hours.append(hour_flat_out(hours[-1].stock_m3 if hours else start_m3, make_m3h, draw, usable_m3))
    return Day(start_m3, tuple(hours))


def every_day(make_m3h: float, draw_m3h: Sequence[float], usable_m3: float) -> Day:
    """The day that repeats itself, to which every other comes.

    Filling, emptying and stopping at an end make a day's end = start + gain, held between two bounds: those
    that come of an empty and of a full tank. With a gain the upper one repeats itself, with a loss the lower.
    """
    gains = len(draw_m3h) * make_m3h >= sum(draw_m3h)
    first = day_flat_out(usable_m3 if gains else 0.0, make_m3h, draw_m3h, usable_m3)
    return day_flat_out(first.end_m3, make_m3h, draw_m3h, usable_m3)


def lasts_h(make_m3h: float, draw_m3h: Sequence[float], usable_m3: float) -> float | None:
    """From full at midnight: hours until demand is first not met; None when it is met for 60 days."""
    stock = usable_m3
    for hour in range(DAYS_MOST * len(draw_m3h)):
        now = hour_flat_out(stock, make_m3h, draw_m3h[hour % len(draw_m3h)], usable_m3)
        if now.short_h:
            return hour + 1.0 - now.short_h
        stock = now.stock_m3
    return None


def least_usable_m3(make_m3h: float, draw_m3h: Sequence[float]) -> float | None:
    """Smallest usable content with which the demand is just met, every day; None when none is enough.

    Sequent peak: what is owed grows by draw less production and never falls below nothing; its peak over two
    rounds of the day is the content. Rippl's mass curve (1883), Thomas and Burden (1963); both from memory.
    """
    if sum(draw_m3h) > len(draw_m3h) * make_m3h * (1.0 + NOTHING):
        return None
    owed = peak = 0.0
    for draw in (*draw_m3h, *draw_m3h):
        owed = max(owed + draw - make_m3h, 0.0)
        peak = max(peak, owed)
    return peak


def least_units(unit_m3h: float, draw_m3h: Sequence[float], usable_m3: float) -> int | None:
    """Fewest units that meet the demand with one of them out; None when 24 do not."""
    for units in range(2, UNITS_MOST + 1):
        need = least_usable_m3((units - 1) * unit_m3h, draw_m3h)
        if need is not None and need <= usable_m3 + NOTHING:
            return units
    return None


def call_below_pct(s: Setpoints, units: int, count: int) -> float:
    """Level below which ``count`` units are wanted: even steps from the first to the last."""
    steps = (count - 1) / (units - 1) if units > 1 else 0.0
    return s.tank_first_pct - (s.tank_first_pct - s.tank_last_pct) * steps


def release_above_pct(s: Setpoints, units: int, count: int) -> float:
    """Level above which one of ``count`` units is let go; the last one runs until the tank is full."""
    if count == 1:
        return s.tank_stop_pct
    return min(call_below_pct(s, units, count) + s.tank_release_pct, s.tank_stop_pct)


def wanted(s: Setpoints, units: int, level_pct: float, before: int) -> int:
    """Units that the level wants; ``before`` were wanted until now."""
    now = before
    while now < units and level_pct < call_below_pct(s, units, now + 1):
        now += 1
    while now and level_pct >= release_above_pct(s, units, now):
        now -= 1
    return now


class Bank(NamedTuple):
    """Units that are there, those of them that can run, and what each makes."""

    units: int
    ready: int
    unit_m3h: float


def day_as_called(
    start_m3: float, called: int, bank: Bank, s: Setpoints, tank: Tank, draw_m3h: Sequence[float]
) -> tuple[Day, int]:
    """A day in steps of a minute, and the units wanted at its end. A start takes no time here."""
    stock, hours = start_m3, []
    for draw in draw_m3h:
        short_m3 = short_h = 0.0
        for _ in range(MINUTES):
            called = wanted(s, bank.units, tank.pct(stock), called)
            make = min(called, bank.ready) * bank.unit_m3h
            step = hour_flat_out(stock, make / MINUTES, draw / MINUTES, tank.usable_m3)
            stock, short_m3 = step.stock_m3, short_m3 + step.short_m3
            short_h += step.short_h / MINUTES
        hours.append(Hour(stock, short_m3, short_h))
    return Day(start_m3, tuple(hours)), called


def every_day_as_called(bank: Bank, s: Setpoints, tank: Tank, draw_m3h: Sequence[float]) -> Day:
    """From full until a day is like the one before; the sixtieth when none is."""
    day, called = day_as_called(tank.usable_m3, 0, bank, s, tank, draw_m3h)
    for _ in range(DAYS_MOST):
        again, called = day_as_called(day.end_m3, called, bank, s, tank, draw_m3h)
        alike = abs(again.end_m3 - day.end_m3) < 1e-3 * tank.usable_m3
        day = again
        if alike:
            break
    return day


class Course(NamedTuple):
    """The day that repeats itself with so many units ready."""

    ready: int
    manner: str  # FLAT_OUT or AS_CALLED
    day: Day


class Earlier(NamedTuple):
    """Levels that call the units sooner."""

    tank_first_pct: float
    tank_last_pct: float


class Reserve(NamedTuple):
    """Of so many units: the smallest tank that just does (None: none does), and how long a full one lasts."""

    ready: int
    least_tank_m3: float | None
    lasts_h: float | None


@dataclass(frozen=True)
class BufferStudy:
    """The tank against the demand, with all units and with one out."""

    demand: Demand
    tank: Tank
    units: int
    unit_m3h: float  # net, of one unit, in the coldest water
    degc: float
    courses: tuple[Course, ...]
    reserves: tuple[Reserve, ...]
    least_units: int | None
    earlier: Earlier | None  # calls that meet the demand with one out, where those of the setpoints do not


def earlier_calls(bank: Bank, s: Setpoints, tank: Tank, draw_m3h: Sequence[float]) -> Earlier | None:
    """The least change of both levels with which the demand is met as called; None when none does it.

    First the level that calls all units goes up, as far as it may; then the one that calls the first unit.
    """
    for first in sorted({s.tank_first_pct, CALL_FIRST_MOST_PCT}):
        last = s.tank_last_pct
        while last <= min(CALL_LAST_MOST_PCT, first - CALL_STEP_PCT):
            try:
                changed = Setpoints.model_validate(
                    {**s.model_dump(), "tank_first_pct": first, "tank_last_pct": last}
                )
            except ValueError:
                break  # the setpoints contradict each other from here on
            if not every_day_as_called(bank, changed, tank, draw_m3h).short_h:
                return Earlier(first, last)
            last += CALL_STEP_PCT
    return None


def tank_of(demand: Demand, plant: PlantParameters, setpoints: Setpoints) -> Tank:
    """Of [demand] what it says, of the site the rest; InputError when nothing is left between the levels."""
    lowest = plant.field.float_low_pct if demand.lowest_pct is None else demand.lowest_pct
    if lowest >= setpoints.tank_stop_pct:
        raise InputError(
            f"study.toml: demand.lowest_pct = {lowest:g}: must be below tank_stop_pct = "
            f"{setpoints.tank_stop_pct:g}"
        )
    return Tank(demand.tank_m3 or plant.tank.volume_m3, lowest, setpoints.tank_stop_pct)


def buffer_study(demand: Demand, order: Order, chosen: Sequence[Figures]) -> BufferStudy:
    """For the chosen figures; one unit less makes one unit's share less."""
    here = at_point(order, chosen[0].point)
    coldest = min(chosen, key=lambda f: f.point.degc)
    unit_m3h = coldest.net_production_m3h / order.units
    tank, draw = tank_of(demand, here.plant, here.setpoints), demand.hourly_m3h
    courses, reserves = list[Course](), list[Reserve]()
    for ready in (order.units, order.units - 1):
        make = ready * unit_m3h
        least = least_usable_m3(make, draw)
        tank_m3 = None if least is None else least * tank.volume_m3 / tank.usable_m3
        reserves.append(Reserve(ready, tank_m3, lasts_h(make, draw, tank.usable_m3)))
        courses.append(Course(ready, FLAT_OUT, every_day(make, draw, tank.usable_m3)))
        bank = Bank(order.units, ready, unit_m3h)
        courses.append(Course(ready, AS_CALLED, every_day_as_called(bank, here.setpoints, tank, draw)))
    earlier = None
    if courses[-1].day.short_h and not courses[-2].day.short_h:
        one_out = Bank(order.units, order.units - 1, unit_m3h)
        earlier = earlier_calls(one_out, here.setpoints, tank, draw)
    return BufferStudy(
        demand, tank, order.units, unit_m3h, coldest.point.degc, tuple(courses), tuple(reserves),
        least_units(unit_m3h, draw, tank.usable_m3), earlier,
    )  # fmt: skip
