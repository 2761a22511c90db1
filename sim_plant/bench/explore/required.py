"""What the requirements ask of one scan: invariants, and answers that must come in the scan itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from controller.unit.states import Event, UnitState
from sim_plant.bench.explore.edge import (
    Edge,
    idle,
    quality_judged,
    started,
    suction_judged,
    welded,
)
from sim_plant.bench.explore.observer import SHOWN

Check = Callable[[Edge], bool]


class Required(NamedTuple):
    """What a requirement asks of one scan: when does it apply, and does it hold."""

    id: str
    text: str
    applies: Check
    holds: Check


def _pump_off(e: Edge) -> bool:
    return not e.out.pump


def _all_off(e: Edge) -> bool:
    return idle(e.out)


def _bank(event: Event) -> Check:
    return lambda e: event in e.given.events


def _with_image(check: Check) -> Check:
    return lambda e: e.given.fresh and check(e)


def _opens(e: Edge) -> bool:
    return (
        (e.out.feed_valve and not e.was.feed_valve)
        or (e.out.flush_valve and not e.was.flush_valve)
        or started(e)
    )


def _purge_ended(e: Edge) -> bool:
    ended = e.was.pump and e.was.flush_valve and e.out.pump and not e.out.flush_valve
    return bool(ended and e.seen.shown == SHOWN and e.given.token)


def _producing(e: Edge) -> bool:
    """Quality is judged, and not in a pump start: that ends within seconds, but here it may last for ever."""
    return quality_judged(e) and e.state is not UnitState.PUMP_START


def _only_quality(e: Edge) -> bool:
    """In blanking, with nothing wrong but a reading of quality, and the pump would go on if all were well."""
    return e.goes_on and e.was.pump and not quality_judged(e)


_QUIET = frozenset({UnitState.OFF, UnitState.MAINTENANCE})

REQUIRED: tuple[Required, ...] = (
    Required(
        "SR-01",
        "the pump is never on with the feed valve shut",
        lambda e: e.out.pump,
        lambda e: e.out.feed_valve,
    ),
    Required(
        "SR-02",
        "a pump starts only after a whole start flush",
        lambda e: started(e),
        lambda e: bool(e.seen.whole),
    ),
    Required(
        "SR-03",
        "the flush valve has been shut for the settling time at a pump start",
        lambda e: started(e),
        lambda e: e.seen.shut >= e.n.settle,
    ),
    Required(
        "SR-04",
        "low suction stops the pump",
        _with_image(lambda e: e.was.pump and suction_judged(e) and e.given.suction_low),
        _pump_off,
    ),
    Required(
        "SR-05",
        "suction gone, or the suction switch open, stops the pump",
        _with_image(lambda e: e.was.pump and suction_judged(e) and e.given.suction_gone),
        _pump_off,
    ),
    Required(
        "SR-08",
        "high membrane pressure stops the pump",
        _with_image(lambda e: e.was.pump and e.given.pressure_high),
        _pump_off,
    ),
    Required(
        "SR-09",
        "the discharge switch stops the pump at once",
        _with_image(lambda e: not e.given.discharge_ok),
        _pump_off,
    ),
    Required(
        "SR-10",
        "the motor protector stops the pump at once",
        _with_image(lambda e: not e.given.motor_healthy),
        _pump_off,
    ),
    Required(
        "SR-11",
        "a pump that does not answer is stopped",
        _with_image(lambda e: e.was.pump and e.given.stands),
        _pump_off,
    ),
    Required(
        "SR-12",
        "a contactor that does not drop loses its enable, and the beacon shows it",
        _with_image(welded),
        lambda e: not e.out.enable and (e.out.beacon or e.entered in _QUIET or e.given.reset),
    ),
    Required(
        "SR-15",
        "production does not go on for two intervals without a purge that shows itself",
        lambda e: e.out.pump,
        lambda e: e.seen.gap <= e.n.purge_gap,
    ),
    Required(
        "SR-16",
        "a purge lasts its time",
        _purge_ended,
        lambda e: e.seen.open_on in (e.n.purge, e.n.quality_flush),
    ),
    Required(
        "SR-18",
        "a flush valve is not open for longer than the longest flush",
        lambda e: e.out.flush_valve,
        lambda e: e.seen.open_off <= e.n.flush_open_off and e.seen.open_on <= e.n.flush_open_on,
    ),
    Required(
        "SR-20",
        "very bad water stops the pump",
        _with_image(lambda e: _producing(e) and e.given.water_very_bad),
        _pump_off,
    ),
    Required("SR-21", "no reading of quality stops a pump in blanking", _only_quality, lambda e: e.out.pump),
    Required(
        "SR-24",
        "a BAD quality loop stops production",
        _with_image(lambda e: e.was.pump and e.given.quality_bad),
        _pump_off,
    ),
    Required(
        "SR-26",
        "a BAD suction loop stops the pump",
        _with_image(lambda e: e.was.pump and e.given.suction_bad),
        _pump_off,
    ),
    Required("SR-28", "the high-high float stops the pump", _bank(Event.TANK_HIGH_HIGH), _pump_off),
    Required("SR-30", "a skid leak shuts everything", _with_image(lambda e: e.given.leak), _all_off),
    Required("SR-31", "a floor leak shuts everything", _bank(Event.FLOOR_LEAK), _all_off),
    Required(
        "SR-32",
        "a full drain sump stops the pump and lets no flush begin",
        _bank(Event.SUMP_HIGH),
        lambda e: not e.out.pump and not (e.out.flush_valve and not e.was.flush_valve),
    ),
    Required(
        "SR-33",
        "an E-stop shuts everything, and its release opens nothing before a reset",
        lambda e: e.given.estop_open or (bool(e.seen.estop) and not e.given.reset),
        _all_off,
    ),
    Required(
        "SR-34",
        "an oxidant stops the pump and opens no valve",
        _bank(Event.OXIDANT),
        lambda e: not e.out.pump and not _opens(e),
    ),
    Required(
        "SR-35",
        "hot feed stops the pump and opens no valve",
        _bank(Event.FEED_HOT),
        lambda e: not e.out.pump and not _opens(e),
    ),
    Required(
        "SR-36",
        "antiscalant out stops production",
        lambda e: (
            e.was.pump and e.state is not UnitState.PUMP_START and Event.ANTISCALANT_LOW in e.given.events
        ),
        _pump_off,
    ),
    Required("SR-37", "dosing lost stops the pump", _bank(Event.DOSING_LOST), _pump_off),
    Required("SR-40", "a booster fault stops the pump", _bank(Event.BOOSTER_FAULT), _pump_off),
    Required(
        "SR-41",
        "a blocked permeate side stops the pump",
        _with_image(lambda e: e.was.pump and e.given.permeate_blocked),
        _pump_off,
    ),
    Required(
        "SR-42",
        "after power-up nothing opens for the boot time, with a bank that is not ready sooner",
        lambda e: e.seen.boot < e.n.boot and not e.given.ready,
        lambda e: not _opens(e),
    ),
    Required(
        "SR-45",
        "after a lost image nothing opens before it has been back for a while",
        lambda e: e.given.lost or e.seen.back < e.n.io_back,
        _all_off,
    ),
    Required(
        "SR-46", "a stale image is no measurement: everything off", lambda e: not e.given.fresh, _all_off
    ),
    Required(
        "SR-47", "with the heartbeat of the bank lost no pump runs", _bank(Event.COORDINATOR_LOST), _pump_off
    ),
    Required(
        "SR-49",
        "a unit in maintenance drives nothing until it is returned to service",
        lambda e: bool(e.seen.out),
        _all_off,
    ),
    Required(
        "SR-50",
        "the selector stops the pump at once and the valves within 5 s",
        lambda e: not e.given.selector_auto,
        lambda e: not e.out.pump and (e.seen.selector < e.n.selector_dead + 2 or idle(e.out)),
    ),
    Required(
        "SR-51",
        "what a reset must end stays shut until then",
        lambda e: bool(e.seen.locked) and not e.given.reset,
        lambda e: not started(e) and not (e.out.feed_valve and not e.was.feed_valve),
    ),
    Required("SR-54", "isolated, a unit drives nothing", lambda e: not e.given.isolator_on, _all_off),
)


class Broken(NamedTuple):
    """A requirement that a scan broke."""

    id: str
    text: str


_REST = frozenset({"SR-12", "SR-21", "SR-49"})
_AT_REST = tuple((place, r) for place, r in enumerate(REQUIRED) if r.id in _REST)
_ALL = tuple(enumerate(REQUIRED))


def broken(e: Edge, counted: list[int], times: int = 1) -> list[Broken]:
    """Requirements that this scan breaks; ``counted`` adds up how often each applied, in the order of
    REQUIRED, where the scan stands for so many.

    A unit that drives nothing before and after the scan can break three of them only; the others are neither
    asked nor counted then.
    """
    found = []
    for place, required in _AT_REST if idle(e.out) and idle(e.was) else _ALL:
        if required.applies(e):
            counted[place] += times
            if not required.holds(e):
                found.append(Broken(required.id, required.text))
    return found
