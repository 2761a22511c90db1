"""What the observer of two units sees in one scan, and what it remembers from scan to scan.

It knows inputs and outputs of units and bank. Of the firmware it knows what a unit reports of itself, its
state and whether it may be called, and whether the bank reports a latched cause. Times are in ticks.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.bank.memory import Stage
from controller.settings import Setpoints
from controller.signals import SAFE_UNIT_OUTPUTS, UnitOutputs
from sim_plant.bench.explore.base import Passed
from sim_plant.bench.explore.pair_scene import Given
from sim_plant.bench.explore.scale import short, ticks


class Limits(NamedTuple):
    """What the requirements speak of, in ticks; ``..._short`` counts in a short while up to so many."""

    slots: int
    start_flush: int
    settle: int
    flush_most: int
    selector_dead: int
    stagger: int
    stagger_short: int
    gap: int
    gap_short: int
    booster: int
    boot: int
    boot_short: int
    resumed: int
    waits: int

    @staticmethod
    def of(site: Setpoints, slots: int) -> Limits:
        """For a site's setpoints and so many flush slots."""
        t = ticks(site)
        return Limits(
            slots=slots,
            start_flush=t["start_flush_s"],
            settle=t["settle_s"],
            flush_most=t["start_flush_max_s"],
            selector_dead=t["SELECTOR_DEAD_S"],
            stagger=t["stagger_s"],
            stagger_short=short(site, "stagger_s"),
            gap=t["feed_close_gap_s"],
            gap_short=short(site, "feed_close_gap_s"),
            # two scans for the bank to hear of it, or two steps of a pre-start and two to lend a slot
            booster=t["NO_DRAW_S"] + 4,
            boot=t["boot_s"],
            boot_short=short(site, "boot_s"),
            resumed=max(t["boot_s"], t["resume_s"] + t["resume_step_s"]) + 1,  # counted from its first scan
            waits=len(Stage) + 2,  # every step of the pre-start; called and a slot lent
        )


class UnitSeen(NamedTuple):
    """What the observer remembers of one unit, one byte each, in ticks."""

    both: int = 0  # feed and flush open and the pump off, unbroken
    whole: int = 0  # the last such time was a whole start flush, and neither pump nor rest came after it
    shut: int = 0  # since the flush valve shut
    flushing: int = 0  # feed and flush open with the pump off, up to the longest start flush
    away: int = 0  # with the selector away from AUTO, and one


class Seen(NamedTuple):
    """What the observer remembers of what is shared, one byte each."""

    started_1: int = 0  # ticks since unit 1 started, and one; 0 when that is long ago
    started_2: int = 0
    shut_1: int = 0  # ticks since unit 1 shut its feed valve in its own time, and one; likewise
    shut_2: int = 0
    full: int = 1  # the level has been at the stop, or unknown, and not below the first step since
    header: int = 0  # the header was ready since the booster came on last
    stroke: int = 0  # a dosing stroke was seen since then
    booster: int = 0  # the booster is on
    dry: int = 0  # undisturbed ticks with the booster on since the last valve shut, and one
    boot: int = 0  # ticks since power came
    waits: int = 0  # scans for which a unit has waited beside one that is out, while one was wanted


class Face(NamedTuple):
    """One unit in one scan, as the observer of the pair sees it."""

    was: UnitOutputs
    out: UnitOutputs
    whole: bool
    settled: bool
    cut: bool  # all its outputs are cut at once
    forced: bool  # a limit that outranks the gap between feed closures has come
    is_out: bool  # it reports lockout or maintenance
    waiting: bool  # it is at rest, nothing is wrong with it and it may be called
    well: bool  # nothing is wrong with what it is given
    would_run: bool  # with everything granted its pump would be on

    @property
    def started(self) -> bool:
        """The pump starts in this scan."""
        return self.out.pump and not self.was.pump

    @property
    def begins(self) -> bool:
        """The first of its valves opens in this scan."""
        was_open = self.was.feed_valve or self.was.flush_valve
        return not was_open and (self.out.feed_valve or self.out.flush_valve)

    @property
    def shut(self) -> bool:
        """The feed valve is let go in this scan, not cut with all outputs."""
        return self.was.feed_valve and not self.out.feed_valve and not self.cut


class Both(NamedTuple):
    """One scan of the pair. ``seen`` is as of this moment: what has passed since has been counted."""

    seen: Seen
    given: Given
    one: Face
    two: Face
    booster: bool
    n: Limits

    @property
    def units(self) -> tuple[Face, Face]:
        """Both, in their order."""
        return self.one, self.two

    @property
    def pairs(self) -> tuple[tuple[Face, Face, int, int], ...]:
        """Each unit with the other, and since when the other started and shut its feed valve."""
        o = self.seen
        return (self.one, self.two, o.started_2, o.shut_2), (self.two, self.one, o.started_1, o.shut_1)


def driven(out: UnitOutputs) -> bool:
    """Something is driven that moves."""
    return out[:4] != SAFE_UNIT_OUTPUTS[:4]


def _on(code: int, limit: int, passed: Passed, short_most: int) -> int:
    """An age and one gets on; 0, long ago, from the limit on."""
    if code and (passed is Passed.TICK or (passed is Passed.SHORT and code <= short_most)):
        code += 1
    return 0 if code > limit else code


def unit_time(o: UnitSeen, was: UnitOutputs, passed: Passed, n: Limits) -> UnitSeen:
    """What is remembered of a unit when the next scan comes: its outputs have stood for so much longer."""
    if passed is Passed.NOTHING:
        return o
    shut = min(o.shut + (not was.flush_valve), n.settle)
    away = min(o.away + 1, n.selector_dead + 2) if o.away else 0
    if passed is Passed.SHORT:
        return o._replace(shut=shut, away=away)
    both = was.feed_valve and was.flush_valve and not was.pump
    return UnitSeen(
        min(o.both + both, n.start_flush), o.whole, shut, min(o.flushing + both, n.flush_most + 1), away
    )


def unit_look(o: UnitSeen, was: UnitOutputs, out: UnitOutputs, away: bool, n: Limits) -> UnitSeen:
    """What is remembered of a unit after a scan."""
    was_both = was.feed_valve and was.flush_valve and not was.pump
    both = out.feed_valve and out.flush_valve and not out.pump
    whole = int(o.both >= n.start_flush) if was_both and not both else o.whole
    return UnitSeen(
        both=o.both if both and was_both else 0,
        whole=0 if was.pump or not driven(out) else whole,
        shut=0 if out.flush_valve or was.flush_valve else o.shut,
        flushing=o.flushing if both and was_both else 0,
        away=max(o.away, 1) if away else 0,
    )


def forced(o: UnitSeen, n: Limits) -> bool:
    """A whole gap more would be too long: for a selector that is away, or for the longest start flush."""
    return (o.away > 0 and o.away - 1 + n.gap > n.selector_dead) or o.flushing + n.gap > n.flush_most


def pair_time(o: Seen, passed: Passed, n: Limits) -> Seen:
    """What is remembered of what is shared when the next scan comes."""
    if passed is Passed.NOTHING:
        return o
    return o._replace(
        started_1=_on(o.started_1, n.stagger, passed, n.stagger_short),
        started_2=_on(o.started_2, n.stagger, passed, n.stagger_short),
        shut_1=_on(o.shut_1, n.gap, passed, n.gap_short),
        shut_2=_on(o.shut_2, n.gap, passed, n.gap_short),
        dry=min(o.dry + 1, n.booster + 2) if o.dry else 0,
        boot=min(o.boot + (passed is Passed.TICK or o.boot < n.boot_short), n.resumed),
    )


def pair_look(b: Both, latched: bool) -> Seen:
    """What is remembered of what is shared after a scan; ``latched``: the bank reports a cause."""
    o, (one, two) = b.seen, b.units
    open_now = any(u.out.feed_valve or u.out.flush_valve for u in b.units)
    was_open = any(u.was.feed_valve or u.was.flush_valve for u in b.units)
    rises = b.booster and not o.booster
    disturbed = not (b.given.quiet and one.well and two.well and o.boot >= b.n.resumed)
    waiting = (
        b.given.called_one
        and not latched
        and o.boot >= b.n.resumed
        and any(other.is_out and me.waiting for me, other, _started, _shut in b.pairs)
    )
    return Seen(
        started_1=1 if one.started else o.started_1,
        started_2=1 if two.started else o.started_2,
        shut_1=1 if one.shut else o.shut_1,
        shut_2=1 if two.shut else o.shut_2,
        full=int(b.given.full or (bool(o.full) and not b.given.below_first)),
        header=int(not rises and bool(o.header or (o.booster and b.given.header_ready))),
        stroke=int(not rises and bool(o.stroke or (o.booster and b.given.stroke))),
        booster=int(b.booster),
        dry=0 if open_now or not b.booster else 1 if was_open or (o.dry and disturbed) else o.dry,
        boot=o.boot,
        waits=min(o.waits + 1, b.n.waits + 1) if waiting else 0,
    )


def after_power(o: Seen) -> Seen:
    """Outputs have dropped. What a full tank asks for is not forgotten."""
    return Seen(full=o.full)
