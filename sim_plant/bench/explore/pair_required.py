"""What the requirements ask of one scan of two units, seen from the terminals, and what is remembered for it.

The observer knows inputs and outputs of units and bank. Of the firmware it knows what a unit reports of
itself: its state, and whether it may be called. Times are in ticks; a response "within" some ticks is one
that no chain of scans can put off any further.
"""

from __future__ import annotations

from collections.abc import Callable
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
            # the next unit may have the slot after the tail, and its flush valve leads; two scans of lag
            booster=max(t["NO_DRAW_S"], t["flush_tail_s"] + t["flush_lead_s"]) + 2,
            boot=t["boot_s"],
            # called, every step of the pre-start, a slot lent; none of it before both units may resume
            waits=len(Stage) + 3 + t["resume_s"] + t["resume_step_s"],
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
    header: int = 0  # the header was ready since the booster came on
    stroke: int = 0  # a dosing stroke was seen since then
    booster: int = 0  # the booster is on
    dry: int = 0  # ticks with the booster on since the last feed valve shut, and one; 0 once demand changes
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
    def opened(self) -> bool:
        """The feed valve opens in this scan."""
        return self.out.feed_valve and not self.was.feed_valve

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


Check = Callable[[Both], bool]


class PairRequired(NamedTuple):
    """What a requirement asks of one scan: when does it apply, and does it hold."""

    id: str
    text: str
    applies: Check
    holds: Check


def _any_pump(b: Both) -> bool:
    return b.one.out.pump or b.two.out.pump


def _starts(b: Both) -> bool:
    return b.one.started or b.two.started


def _driven(out: UnitOutputs) -> bool:
    return out[:4] != SAFE_UNIT_OUTPUTS[:4]


def _nothing(b: Both) -> bool:
    return not (_driven(b.one.out) or _driven(b.two.out) or b.booster)


def _starts_apart(b: Both) -> bool:
    return all(not me.started or (not other.started and not started) for me, other, started, _shut in b.pairs)


def _closures_apart(b: Both) -> bool:
    """Neither at once nor within a gap of the other's, unless a limit that outranks the gap has come."""
    return all(
        not me.shut or me.forced or not ((other.shut and not other.forced) or shut)
        for me, other, _started, shut in b.pairs
    )


def _beside_one_that_is_out(b: Both) -> bool:
    return b.given.called_and_well and any(
        other.is_out and me.was.pump and me.well and me.would_run for me, other, _started, _shut in b.pairs
    )


def _runs_on(b: Both) -> bool:
    return all(
        me.out.pump
        for me, other, _started, _shut in b.pairs
        if other.is_out and me.was.pump and me.well and me.would_run
    )


PAIR_REQUIRED: tuple[PairRequired, ...] = (
    PairRequired(
        "SR-01",
        "no pump is on with its feed valve shut",
        _any_pump,
        lambda b: all(u.out.feed_valve or not u.out.pump for u in b.units),
    ),
    PairRequired(
        "SR-02",
        "a pump starts only after a whole start flush",
        _starts,
        lambda b: all(u.whole or not u.started for u in b.units),
    ),
    PairRequired(
        "SR-03",
        "the flush valve has been shut for the settling time at a pump start",
        _starts,
        lambda b: all(u.settled or not u.started for u in b.units),
    ),
    PairRequired("SR-14", "two pumps start no closer than the stagger", _starts, _starts_apart),
    PairRequired(
        "SR-17",
        "no more flush valves are open than there are slots, tail and all",
        lambda b: b.one.out.flush_valve or b.two.out.flush_valve,
        lambda b: b.one.out.flush_valve + b.two.out.flush_valve <= b.n.slots,
    ),
    PairRequired("SR-27", "a full tank stops both pumps", lambda b: b.given.full, lambda b: not _any_pump(b)),
    PairRequired(
        "SR-27",
        "after a full tank no pump starts before the level was below the first step",
        _starts,
        lambda b: not b.seen.full,
    ),
    PairRequired(
        "SR-28",
        "the high-high float stops both pumps",
        lambda b: b.given.overfull,
        lambda b: not _any_pump(b),
    ),
    PairRequired("SR-31", "a floor leak shuts both units and the booster", lambda b: b.given.leak, _nothing),
    PairRequired("SR-33", "an E-stop shuts both units and the booster", lambda b: b.given.estop, _nothing),
    PairRequired(
        "SR-39",
        "the first feed valve opens on a header that was ready, after a dosing stroke",
        lambda b: (b.one.opened or b.two.opened) and not (b.one.was.feed_valve or b.two.was.feed_valve),
        lambda b: bool(b.seen.booster and b.seen.header and b.seen.stroke),
    ),
    PairRequired(
        "SR-40",
        "a booster fault stops both pumps and the booster",
        lambda b: b.given.fault,
        lambda b: not _any_pump(b) and not b.booster,
    ),
    PairRequired(
        "SR-42",
        "after power-up nothing is driven for the boot time",
        lambda b: b.seen.boot < b.n.boot,
        _nothing,
    ),
    PairRequired(
        "SR-46",
        "with a stale image of what is shared no start is granted: no unit enters its pump start",
        lambda b: b.given.stale,
        lambda b: all(u.out.enable <= u.was.enable for u in b.units),
    ),
    PairRequired(
        "SR-48",
        "a unit that is out does not stop the other",
        _beside_one_that_is_out,
        _runs_on,
    ),
    PairRequired(
        "SR-48",
        "a unit that is out does not keep the other from starting",
        lambda b: bool(b.seen.waits) and b.given.called_one,
        lambda b: b.seen.waits <= b.n.waits,
    ),
    PairRequired(
        "SR-52",
        "feed valves of two units close a gap apart",
        lambda b: b.one.shut or b.two.shut,
        _closures_apart,
    ),
    PairRequired(
        "SR-53",
        "the booster stops soon after the last feed valve has closed, unless demand changes meanwhile",
        lambda b: bool(b.seen.dry),
        lambda b: not b.booster or b.seen.dry - 1 <= b.n.booster,
    ),
)


# --- what is remembered ---


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
        whole=0 if was.pump or not _driven(out) else whole,
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
        boot=min(o.boot + 1, n.boot),
    )


def pair_look(b: Both, latched: bool) -> Seen:
    """What is remembered of what is shared after a scan; ``latched``: the bank reports a cause."""
    o, (one, two) = b.seen, b.units
    fed = one.out.feed_valve or two.out.feed_valve
    was_fed = one.was.feed_valve or two.was.feed_valve
    waiting = (
        b.given.called_one
        and not latched
        and any(other.is_out and me.waiting for me, other, _started, _shut in b.pairs)
    )
    return Seen(
        started_1=1 if one.started else o.started_1,
        started_2=1 if two.started else o.started_2,
        shut_1=1 if one.shut else o.shut_1,
        shut_2=1 if two.shut else o.shut_2,
        full=int(b.given.full or (bool(o.full) and not b.given.below_first)),
        header=int(b.booster and bool(o.booster) and (bool(o.header) or b.given.header_ready)),
        stroke=int(b.booster and bool(o.booster) and (bool(o.stroke) or b.given.stroke)),
        booster=int(b.booster),
        dry=0 if fed or not b.booster or b.given.demand_moves else 1 if was_fed else o.dry,
        boot=o.boot,
        waits=min(o.waits + 1, b.n.waits + 1) if waiting else 0,
    )


def after_power(o: Seen) -> Seen:
    """Outputs have dropped. What a full tank asks for is not forgotten."""
    return Seen(full=o.full)
