"""What the requirements ask of one scan of two units, as an observer at the terminals sees it.

Invariants, and answers that must come in the scan itself; a response "soon after" is one that no chain of
scans can put off any further than some ticks.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from sim_plant.bench.explore.pair_observer import Both, driven

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


def _nothing(b: Both) -> bool:
    return not (driven(b.one.out) or driven(b.two.out) or b.booster)


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
        "the first flush of a bank start begins on a header that was ready, after a dosing stroke",
        lambda b: any(me.begins and not other.was.feed_valve for me, other, _started, _shut in b.pairs),
        lambda b: bool(b.seen.header and b.seen.stroke),
    ),
    PairRequired(
        "SR-40",
        "a booster fault stops both pumps and the booster",
        lambda b: b.given.fault,
        lambda b: not _any_pump(b) and not b.booster,
    ),
    PairRequired(
        "SR-42",
        "after power-up neither unit drives anything for the boot time",
        lambda b: b.seen.boot < b.n.boot,
        lambda b: not (driven(b.one.out) or driven(b.two.out)),
    ),
    PairRequired(
        "SR-46",
        "with a stale image of what is shared no pump start begins",
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
        "undisturbed, the booster stops or a valve opens soon after the last one has closed",
        lambda b: bool(b.seen.dry),
        lambda b: not b.booster or b.seen.dry - 1 <= b.n.booster,
    ),
)
