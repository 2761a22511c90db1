"""What an observer at the terminals remembers of one unit, and what the requirements ask of each scan.

The observer sees what a scan was given, and the outputs before and after it; of the firmware it knows nothing
but the state that it reports, which is used for one thing: that the unit is out for maintenance. What it
remembers is part of an explored state, in bytes beside the memory. Times are in ticks, up to the longest that a
requirement asks for.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.signals import UNIT_SIGNALS, UnitOutputs, Verb, from_ma, signal_named
from controller.unit.states import Event, UnitState
from sim_plant.bench.explore.base import LOOP_NAMES, REFERENCE_BAR, Scene
from sim_plant.bench.explore.scale import ticks


class Limits(NamedTuple):
    """What the requirements speak of: times in ticks, the rest as the site has it."""

    start_flush: int
    flush_open_off: int
    flush_open_on: int
    settle: int
    purge: int
    quality_flush: int
    purge_gap: int
    boot: int
    io_back: int
    retry_wait: int
    selector_dead: int
    blank_start: int
    blank_purge: int
    suction_blank: int
    s: Setpoints


def limits_of(site: Setpoints, scaled: Setpoints) -> Limits:
    """For a site's setpoints and the same in ticks."""
    t = ticks(site)
    return Limits(
        start_flush=t["start_flush_s"],
        flush_open_off=t["start_flush_max_s"] + t["flush_lead_s"] + t["flush_tail_s"],
        flush_open_on=max(t["quality_flush_s"], t["purge_s"]),
        settle=t["settle_s"],
        purge=t["purge_s"],
        quality_flush=t["quality_flush_s"],
        purge_gap=2 * t["purge_interval_s"] + max(t["purge_s"], t["quality_flush_s"]),
        boot=t["boot_s"],
        io_back=t["io_back_s"],
        retry_wait=t["suction_retry_1_s"],
        selector_dead=t["SELECTOR_DEAD_S"],
        blank_start=t["tds_blank_start_s"],
        blank_purge=t["tds_blank_purge_s"],
        suction_blank=t["suction_blank_s"],
        s=scaled,
    )


class Seen(NamedTuple):
    """What the observer remembers, one byte each."""

    both: int  # ticks with feed and flush open and the pump off, unbroken
    whole: int  # the last such time was a whole start flush, and neither pump nor rest came after it
    shut: int  # ticks since the flush valve shut
    open_off: int  # ticks with the flush valve open and the pump off
    open_on: int  # ticks with the flush valve open and the pump on
    shown: int  # this flush with the pump on: 1 pressure was measured before it, 2 it has shown itself
    running: int  # ticks with the pump on
    gap: int  # ticks with the pump on since it started or since a purge that showed itself
    since_flush: int  # ticks since a flush with the pump on ended, in this run
    selector: int  # ticks with the selector away from AUTO, and one
    feed: int  # ticks with the feed open
    estop: int  # an E-stop waits for its reset
    back: int  # ticks since the image was lost
    locked: int  # stopped by something that a reset must follow
    wait: int  # ticks for which a retry must wait
    boot: int  # ticks since power came
    out: int  # out for maintenance


class Edge(NamedTuple):
    """One scan as it is judged: the outputs before it, what it was given, the outputs after it."""

    was: UnitOutputs
    state: UnitState
    given: Scene
    out: UnitOutputs
    entered: UnitState
    seen: Seen
    well: UnitOutputs | None
    """What the unit would have driven if all had been well in this scan; None for that scan itself."""


def at_power_up(n: Limits, before: Seen | None = None) -> Seen:
    """Outputs have dropped; what a person must end is not forgotten.

    ``before`` is None at the first start, and when the retained data were lost: then nobody can know, and the
    unit is locked out anyway.
    """
    fresh = Seen(0, 0, n.settle, 0, 0, 0, 0, 0, n.blank_purge, 0, 0, 0, n.io_back, 0, 0, 0, 0)
    if before is None:
        return fresh
    return fresh._replace(selector=before.selector, estop=before.estop, locked=before.locked, out=before.out)


_SUCTION, _MEMBRANE, _QUALITY, _CONCENTRATE = (
    signal_named(UNIT_SIGNALS, LOOP_NAMES[place]) for place in (0, 1, 2, 4)
)


def _measured(g: Scene, place: int) -> bool:
    return g.presets.loops[place] is Quality.GOOD and getattr(g.io, LOOP_NAMES[place]) >= 4.0


def _suction_bar(g: Scene) -> float | None:
    return from_ma(_SUCTION, g.io.suction_ma) if _measured(g, 0) else None


def _membrane_bar(g: Scene) -> float | None:
    return from_ma(_MEMBRANE, g.io.membrane_ma) if _measured(g, 1) else None


def _tds_mgl(g: Scene, n: Limits) -> float | None:
    return from_ma(_QUALITY, g.io.permeate_cond_ma) * n.s.tds_per_us if _measured(g, 2) else None


def _concentrate_m3h(g: Scene) -> float | None:
    return from_ma(_CONCENTRATE, g.io.concentrate_flow_ma) if _measured(g, 4) else None


def _fresh(e: Edge, n: Limits) -> bool:
    return e.given.age_ms <= 1000.0 * n.s.io_stale_s


def _lost(e: Edge, n: Limits) -> bool:
    return e.given.age_ms >= 1000.0 * n.s.io_lost_s


def _idle(out: UnitOutputs) -> bool:
    return not (out.feed_valve or out.flush_valve or out.pump or out.enable)


def _started(e: Edge) -> bool:
    return e.out.pump and not e.was.pump


# --- conditions that stop a pump; each has held for its on-delay -----------------------------------------


def _suction_low(e: Edge, n: Limits) -> bool:
    bar = _suction_bar(e.given)
    return (
        e.given.presets.elapsed
        and e.seen.feed >= n.suction_blank
        and bar is not None
        and bar < n.s.suction_trip_bar
    )


def _suction_gone(e: Edge, n: Limits) -> bool:
    if not e.given.presets.elapsed or e.seen.feed < n.suction_blank:
        return False
    bar = _suction_bar(e.given)
    return not e.given.io.suction_ok or (bar is not None and bar < n.s.suction_fast_bar)


def _pressure_high(e: Edge, n: Limits) -> bool:
    bar = _membrane_bar(e.given)
    return e.given.presets.elapsed and bar is not None and bar > n.s.discharge_trip_bar


def _suction_loop_bad(e: Edge, n: Limits) -> bool:
    return e.given.presets.loops[0] is Quality.BAD


def _no_answer(e: Edge, n: Limits) -> bool:
    return e.given.presets.elapsed and e.was.pump and not e.given.io.pump_running


def _permeate_blocked(e: Edge, n: Limits) -> bool:
    return e.given.presets.elapsed and not e.given.io.permeate_ok


def _leak(e: Edge, n: Limits) -> bool:
    return e.given.presets.elapsed and not e.given.io.skid_dry


def _welded(e: Edge, n: Limits) -> bool:
    """The contactor has not dropped; a pump that is commanded on in this scan may answer."""
    return e.given.presets.elapsed and not e.was.pump and not e.out.pump and e.given.io.pump_running


def _judged(e: Edge, n: Limits) -> bool:
    """Permeate quality is judged: the pump has run long enough, and no flush is on or just over."""
    o = e.seen
    return (
        e.was.pump and not e.was.flush_valve and o.running >= n.blank_start and o.since_flush >= n.blank_purge
    )


def _very_bad_water(e: Edge, n: Limits) -> bool:
    tds = _tds_mgl(e.given, n)
    return e.given.presets.elapsed and _judged(e, n) and tds is not None and tds > n.s.tds_lockout_mgl


def _needs_reset(e: Edge, n: Limits) -> bool:
    """Pump stopped by what SR-08, 10, 26 and 41 name: only a reset ends that."""
    return (
        e.was.pump
        and _fresh(e, n)
        and (
            _pressure_high(e, n)
            or not e.given.io.motor_healthy
            or _suction_loop_bad(e, n)
            or _permeate_blocked(e, n)
        )
    )


# --- what is remembered ------------------------------------------------------------------------------------


def pass_time(o: Seen, was: UnitOutputs, passed: int, n: Limits) -> Seen:
    """What the observer remembers when the next scan comes: outputs have stood for so much longer."""
    if not passed:
        return o
    both = was.feed_valve and was.flush_valve and not was.pump
    flush_off, flush_on = was.flush_valve and not was.pump, was.flush_valve and was.pump
    return o._replace(
        both=min(o.both + both, n.start_flush),
        shut=min(o.shut + (not was.flush_valve), n.settle),
        open_off=min(o.open_off + flush_off, n.flush_open_off + 1),
        open_on=min(o.open_on + flush_on, n.flush_open_on + 1),
        running=min(o.running + was.pump, n.blank_start),
        gap=min(o.gap + was.pump, n.purge_gap + 1),
        since_flush=min(o.since_flush + 1, n.blank_purge),
        selector=min(o.selector + 1, n.selector_dead + 2) if o.selector else 0,
        feed=min(o.feed + was.feed_valve, n.suction_blank),
        back=min(o.back + 1, n.io_back),
        wait=max(o.wait - 1, 0),
        boot=min(o.boot + 1, n.boot),
    )


def look(e: Edge, n: Limits) -> Seen:
    """What is remembered after a scan; times count from it on."""
    o, out, given = e.seen, e.out, e.given
    idle = _idle(out)
    was_both = e.was.feed_valve and e.was.flush_valve and not e.was.pump
    both = out.feed_valve and out.flush_valve and not out.pump
    whole = int(o.both >= n.start_flush) if was_both and not both else o.whole
    ended_on = e.was.flush_valve and e.was.pump and out.pump and not out.flush_valve
    open_on = out.flush_valve and out.pump
    away = not given.io.selector_auto
    estop = o.estop or given.permits.estop_open
    if estop and not given.permits.estop_open and (given.permits.reset or (o.selector and not away)):
        estop = 0
    locked = 0 if given.permits.reset and not _needs_reset(e, n) else o.locked or int(_needs_reset(e, n))
    stopped_low = e.was.pump and not out.pump and _fresh(e, n) and (_suction_low(e, n) or _suction_gone(e, n))
    selector = max(o.selector, 1) if away else 0
    return Seen(
        both=o.both if both and was_both else 0,
        whole=0 if e.was.pump or idle else whole,
        shut=0 if out.flush_valve else o.shut if not e.was.flush_valve else 0,
        open_off=o.open_off if out.flush_valve and not out.pump and not e.was.pump else 0,
        open_on=o.open_on if open_on and e.was.pump and e.was.flush_valve else 0,
        shown=_shown(e, n) if open_on else 0,
        running=o.running if out.pump else 0,
        gap=0 if not out.pump or (ended_on and o.shown == SHOWN) else o.gap,
        since_flush=(0 if ended_on else o.since_flush) if out.pump else n.blank_purge,
        selector=n.selector_dead + 2 if selector and idle else selector,
        feed=o.feed if out.feed_valve else 0,
        estop=int(estop),
        back=0 if _lost(e, n) or (o.back < n.io_back and not _fresh(e, n)) else o.back,
        locked=locked,
        wait=n.retry_wait if stopped_low else o.wait,
        boot=o.boot,
        out=_out(e),
    )


SHOWN = 2


def _shown(e: Edge, n: Limits) -> int:
    """A flush with the pump on shows itself by flow, or by a fall of a pressure that was measured before."""
    bar, flow = _membrane_bar(e.given), _concentrate_m3h(e.given)
    if not e.was.flush_valve:
        return int(bar is not None)  # it opens in this scan
    fallen = e.seen.shown and bar is not None and bar < n.s.purge_evidence_ratio * REFERENCE_BAR
    flowing = flow is not None and flow > n.s.purge_evidence_flow_m3h
    return SHOWN if fallen or flowing else e.seen.shown


def _out(e: Edge) -> int:
    if e.entered is UnitState.MAINTENANCE:
        return 1
    returned = any(c.verb is Verb.RETURN_TO_SERVICE for c in e.given.permits.commands)
    return 0 if returned and e.state is UnitState.MAINTENANCE else e.seen.out


# --- what is required --------------------------------------------------------------------------------------

Check = Callable[[Edge, Limits], bool]


class Required(NamedTuple):
    """What a requirement asks of one scan: when does it apply, and does it hold."""

    id: str
    text: str
    applies: Check
    holds: Check


def _pump_off(e: Edge, n: Limits) -> bool:
    return not e.out.pump


def _all_off(e: Edge, n: Limits) -> bool:
    return _idle(e.out)


def _bank(event: Event) -> Check:
    return lambda e, n: event in e.given.permits.events


def _with_image(check: Check) -> Check:
    return lambda e, n: _fresh(e, n) and check(e, n)


def _opens(e: Edge) -> bool:
    return (
        (e.out.feed_valve and not e.was.feed_valve)
        or (e.out.flush_valve and not e.was.flush_valve)
        or _started(e)
    )


def _purge_ended(e: Edge, n: Limits) -> bool:
    ended = e.was.pump and e.was.flush_valve and e.out.pump and not e.out.flush_valve
    return bool(ended and e.seen.shown == SHOWN and e.given.permits.token)


def _only_quality(e: Edge, n: Limits) -> bool:
    """In blanking, with nothing wrong but a reading of quality, and the pump would go on if all were well."""
    if e.well is None or not e.well.pump or not e.was.pump or _judged(e, n):
        return False
    return bool(e.given.atoms) and all(atom.startswith("tds_mgl") for atom in e.given.atoms)


REQUIRED: tuple[Required, ...] = (
    Required(
        "SR-01",
        "the pump is never on with the feed valve shut",
        lambda e, n: e.out.pump,
        lambda e, n: e.out.feed_valve,
    ),
    Required(
        "SR-02",
        "a pump starts only after a whole start flush",
        lambda e, n: _started(e),
        lambda e, n: bool(e.seen.whole),
    ),
    Required(
        "SR-03",
        "the flush valve has been shut for the settling time at a pump start",
        lambda e, n: _started(e),
        lambda e, n: e.seen.shut >= n.settle,
    ),
    Required(
        "SR-04",
        "low suction stops the pump",
        _with_image(lambda e, n: e.was.pump and _suction_low(e, n)),
        _pump_off,
    ),
    Required(
        "SR-05",
        "suction gone, or the suction switch open, stops the pump",
        _with_image(lambda e, n: e.was.pump and _suction_gone(e, n)),
        _pump_off,
    ),
    Required(
        "SR-06",
        "no pump starts while a retry must wait",
        lambda e, n: _started(e),
        lambda e, n: e.seen.wait == 0,
    ),
    Required(
        "SR-08",
        "high membrane pressure stops the pump",
        _with_image(lambda e, n: e.was.pump and _pressure_high(e, n)),
        _pump_off,
    ),
    Required(
        "SR-09",
        "the discharge switch stops the pump at once",
        _with_image(lambda e, n: not e.given.io.discharge_ok),
        _pump_off,
    ),
    Required(
        "SR-10",
        "the motor protector stops the pump at once",
        _with_image(lambda e, n: not e.given.io.motor_healthy),
        _pump_off,
    ),
    Required("SR-11", "a pump that does not answer is stopped", _with_image(_no_answer), _pump_off),
    Required(
        "SR-12",
        "a contactor that does not drop loses its enable, and the beacon shows it",
        _with_image(_welded),
        lambda e, n: not e.out.enable and (e.out.beacon or e.entered in _QUIET or e.given.permits.reset),
    ),
    Required(
        "SR-15",
        "production does not go on for two intervals without a purge that shows itself",
        lambda e, n: e.out.pump,
        lambda e, n: e.seen.gap <= n.purge_gap,
    ),
    Required(
        "SR-16",
        "a purge lasts its time",
        _purge_ended,
        lambda e, n: e.seen.open_on in (n.purge, n.quality_flush),
    ),
    Required(
        "SR-18",
        "a flush valve is not open for longer than the longest flush",
        lambda e, n: e.out.flush_valve,
        lambda e, n: e.seen.open_off <= n.flush_open_off and e.seen.open_on <= n.flush_open_on,
    ),
    Required("SR-20", "very bad water stops the pump", _with_image(_very_bad_water), _pump_off),
    Required(
        "SR-21", "no reading of quality stops a pump in blanking", _only_quality, lambda e, n: e.out.pump
    ),
    Required(
        "SR-24",
        "a BAD quality loop stops production",
        _with_image(
            lambda e, n: e.was.pump and e.given.presets.elapsed and e.given.presets.loops[2] is Quality.BAD
        ),
        _pump_off,
    ),
    Required(
        "SR-26",
        "a BAD suction loop stops the pump",
        _with_image(lambda e, n: e.was.pump and _suction_loop_bad(e, n)),
        _pump_off,
    ),
    Required("SR-28", "the high-high float stops the pump", _bank(Event.TANK_HIGH_HIGH), _pump_off),
    Required("SR-30", "a skid leak shuts everything", _with_image(_leak), _all_off),
    Required("SR-31", "a floor leak shuts everything", _bank(Event.FLOOR_LEAK), _all_off),
    Required(
        "SR-32",
        "a full drain sump stops the pump and lets no flush begin",
        _bank(Event.SUMP_HIGH),
        lambda e, n: not e.out.pump and not (e.out.flush_valve and not e.was.flush_valve),
    ),
    Required(
        "SR-33",
        "an E-stop shuts everything, and its release opens nothing before a reset",
        lambda e, n: e.given.permits.estop_open or (bool(e.seen.estop) and not e.given.permits.reset),
        _all_off,
    ),
    Required(
        "SR-34",
        "an oxidant stops the pump and opens no valve",
        _bank(Event.OXIDANT),
        lambda e, n: not e.out.pump and not _opens(e),
    ),
    Required(
        "SR-35",
        "hot feed stops the pump and opens no valve",
        _bank(Event.FEED_HOT),
        lambda e, n: not e.out.pump and not _opens(e),
    ),
    Required(
        "SR-36",
        "antiscalant out stops production",
        lambda e, n: (
            e.was.pump
            and e.state is not UnitState.PUMP_START
            and Event.ANTISCALANT_LOW in e.given.permits.events
        ),
        _pump_off,
    ),
    Required("SR-37", "dosing lost stops the pump", _bank(Event.DOSING_LOST), _pump_off),
    Required("SR-40", "a booster fault stops the pump", _bank(Event.BOOSTER_FAULT), _pump_off),
    Required(
        "SR-41",
        "a blocked permeate side stops the pump",
        _with_image(lambda e, n: e.was.pump and _permeate_blocked(e, n)),
        _pump_off,
    ),
    Required(
        "SR-42", "after power-up nothing opens for the boot time", lambda e, n: e.seen.boot < n.boot, _all_off
    ),
    Required(
        "SR-45",
        "after a lost image nothing opens before it has been back for a while",
        lambda e, n: _lost(e, n) or e.seen.back < n.io_back,
        _all_off,
    ),
    Required(
        "SR-46", "a stale image is no measurement: everything off", lambda e, n: not _fresh(e, n), _all_off
    ),
    Required(
        "SR-47", "with the heartbeat of the bank lost no pump runs", _bank(Event.COORDINATOR_LOST), _pump_off
    ),
    Required(
        "SR-49",
        "a unit in maintenance drives nothing until it is returned to service",
        lambda e, n: bool(e.seen.out),
        _all_off,
    ),
    Required(
        "SR-50",
        "the selector stops the pump at once and the valves within 5 s",
        lambda e, n: not e.given.io.selector_auto,
        lambda e, n: not e.out.pump and (e.seen.selector < n.selector_dead + 2 or _idle(e.out)),
    ),
    Required(
        "SR-51",
        "what a reset must end stays shut until then",
        lambda e, n: bool(e.seen.locked) and not e.given.permits.reset,
        lambda e, n: not _started(e) and not (e.out.feed_valve and not e.was.feed_valve),
    ),
    Required("SR-54", "isolated, a unit drives nothing", lambda e, n: not e.given.io.isolator_on, _all_off),
)

_QUIET = frozenset({UnitState.OFF, UnitState.MAINTENANCE})


class Broken(NamedTuple):
    """A requirement that a scan broke."""

    id: str
    text: str


_REST = frozenset({"SR-12", "SR-21"})
_AT_REST = tuple((place, r) for place, r in enumerate(REQUIRED) if r.id in _REST)
_ALL = tuple(enumerate(REQUIRED))


def broken(e: Edge, n: Limits, counted: list[int]) -> list[Broken]:
    """Requirements that this scan breaks; ``counted`` adds up how often each applied, in the order of REQUIRED.

    A unit that drives nothing before and after the scan can break two of them only; the others are neither
    asked nor counted then.
    """
    found = []
    for place, required in _AT_REST if _idle(e.out) and _idle(e.was) else _ALL:
        if required.applies(e, n):
            counted[place] += 1
            if not required.holds(e, n):
                found.append(Broken(required.id, required.text))
    return found
