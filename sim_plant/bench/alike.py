"""Were two runs of one case alike: one at the desk, one with the same controller on a line?

On a line an input is seen later, and its answer, by a time that is not known better than the uncertainty: one
scan of the bench and two rounds of the exchange. So the two runs are not equal to the scan, and this module
says what "the same order of events" means then:

- The events of one output, and the states of one unit, are the same and follow one another in the same order.
- An event is as much later (or earlier) than at the desk as an event before it was, and the uncertainty more.
  Answers follow answers, each of them late, so lateness adds up. One that grows in small steps is therefore
  not told; the largest is given as a figure.
- Events of different outputs may change places when they are closer together at the desk than that.
- What lasts no longer than the uncertainty may go unseen on a line.
- What comes so close to the end of the record that the other run would show it after its end is not missed.

A race is decided otherwise now and then: of two units that are ready within the uncertainty one is first, and
what follows is another story. That is told as differences, and a person has to look.

A verdict may be inconclusive on the line, where a margin that is smaller than the uncertainty decides
nothing; but only by a margin that is no further from that at the desk than the uncertainty.
"""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from sim_plant.bench.trace import Bools, Trace
from sim_plant.bench.verdicts import Finding, Verdict

UNIT_OUTPUTS = ("feed_valve", "flush_valve", "pump", "enable", "divert")
BANK_OUTPUTS = ("booster_run", "dosing_run")
GAP_MS = 10_000
"""Where an output's events are not the same, two so far apart are not taken for one (own choice)."""


class Event(NamedTuple):
    """An edge of an output or the entry of a state: "unit1.pump" is "on", "unit2.state" is "PURGE"."""

    t_ms: int
    source: str
    became: str

    def __str__(self) -> str:
        return f"{self.source} {self.became} at {self.t_ms / 1000:.1f} s"


class What(StrEnum):
    """How two runs may differ."""

    MISSING = "missing on the line"
    EXTRA = "not at the desk"
    LATE = "late"
    EARLY = "early"
    SWAPPED = "in another order"


@dataclass(frozen=True)
class Difference:
    """One of them. ``event`` is that at the desk where there is one; ``other`` came before it on the line."""

    what: What
    event: Event
    by_ms: int = 0
    other: Event | None = None

    def __str__(self) -> str:
        if self.other is not None:
            return f"{self.event}: after {self.other}, at the desk {self.by_ms / 1000:.1f} s before it"
        by = f" by {self.by_ms / 1000:.1f} s" if self.by_ms else ""
        return f"{self.event}: {self.what.value}{by}"


@dataclass(frozen=True)
class Likeness:
    """What came of a comparison; ``unseen`` lasted too short to be missed."""

    compared: int
    differences: tuple[Difference, ...]
    latest_ms: int
    earliest_ms: int
    unseen: int


class _Pair(NamedTuple):
    desk: Event
    live: Event

    @property
    def late_ms(self) -> int:
        return self.live.t_ms - self.desk.t_ms


class _Spread(NamedTuple):
    """How early and how late events have been so far."""

    earliest_ms: int
    latest_ms: int


def events_of(trace: Trace, first: int = 1) -> list[Event]:
    """Edges and state entries from row ``first`` on, against the row before it, in the order of time."""
    found: list[Event] = []
    for unit in range(1, trace.n_units + 1):
        for name in UNIT_OUTPUTS:
            found += _edges(trace, f"unit{unit}.{name}", np.asarray(trace.unit(name, unit), np.bool_), first)
        found += _entries(trace, unit, first)
    for name in BANK_OUTPUTS:
        found += _edges(trace, f"bank.{name}", np.asarray(trace.bank(name), np.bool_), first)
    return sorted(found)


def _edges(trace: Trace, source: str, on: Bools, first: int) -> Iterator[Event]:
    for row in np.flatnonzero(on[first:] != on[first - 1 : -1]) + first:
        yield Event(int(trace.t_ms[row]), source, "on" if on[row] else "off")


def _entries(trace: Trace, unit: int, first: int) -> Iterator[Event]:
    codes = trace.unit_state[:, unit - 1]
    for row in np.flatnonzero(codes[first:] != codes[first - 1 : -1]) + first:
        yield Event(int(trace.t_ms[row]), f"unit{unit}.state", trace.state(int(row), unit))


def compare(desk: Sequence[Event], live: Sequence[Event], uncertainty_ms: int, end_ms: int) -> Likeness:
    """What differs by more than the uncertainty explains; both records go to ``end_ms`` or further."""
    pairs, missing, extra, unseen = list[_Pair](), list[Event](), list[Event](), 0
    for source in sorted({event.source for event in (*desk, *live)}):
        of_desk, of_live = ([e for e in events if e.source == source] for events in (desk, live))
        met = list(_paired(of_desk, of_live))
        pairs += [_Pair(d, e) for d, e in met if d is not None and e is not None]
        alone = [[d for d, e in met if d and not e], [e for d, e in met if e and not d]]
        for events, whole, lacks in ((alone[0], of_desk, missing), (alone[1], of_live, extra)):
            brief = _brief(events, whole, uncertainty_ms)
            unseen += len(brief)
            lacks += [event for event in events if event not in brief]
    pairs.sort()
    late = [pair.late_ms for pair in pairs]
    latest_ms, earliest_ms = max(late, default=0), min(late, default=0)
    seen_to_ms = end_ms - uncertainty_ms - max(latest_ms, -earliest_ms, 0)
    told = [Difference(What.MISSING, event) for event in missing if event.t_ms <= seen_to_ms]
    told += [Difference(What.EXTRA, event) for event in extra if event.t_ms <= seen_to_ms]
    told += _out_of_time(pairs, uncertainty_ms)
    told += _out_of_order(pairs, uncertainty_ms)
    told.sort(key=lambda difference: difference.event)
    return Likeness(len(pairs), tuple(told), latest_ms, earliest_ms, unseen)


def _paired(desk: list[Event], live: list[Event]) -> Iterator[tuple[Event | None, Event | None]]:
    """Events of one source with their fellows: in their order, or the nearest where some have none."""
    if [event.became for event in desk] == [event.became for event in live]:
        yield from zip(desk, live, strict=True)
        return
    costs = _costs(desk, live)
    i = j = 0
    while i < len(desk) or j < len(live):
        if i < len(desk) and costs[i, j] == costs[i + 1, j] + GAP_MS:
            yield desk[i], None
            i += 1
        elif j < len(live) and costs[i, j] == costs[i, j + 1] + GAP_MS:
            yield None, live[j]
            j += 1
        else:
            yield desk[i], live[j]
            i, j = i + 1, j + 1


def _costs(desk: list[Event], live: list[Event]) -> dict[tuple[int, int], int]:
    """From the i-th and j-th on: least sum of time differences and gaps."""
    n, m = len(desk), len(live)
    costs = {(n, m): 0}
    for i, j in itertools.product(range(n, -1, -1), range(m, -1, -1)):
        ways = []
        if i < n:
            ways.append(costs[i + 1, j] + GAP_MS)
        if j < m:
            ways.append(costs[i, j + 1] + GAP_MS)
        if i < n and j < m and desk[i].became == live[j].became:
            ways.append(costs[i + 1, j + 1] + abs(live[j].t_ms - desk[i].t_ms))
        if ways:
            costs[i, j] = min(ways)
    return costs


def _brief(alone: list[Event], whole: list[Event], uncertainty_ms: int) -> set[Event]:
    """Of events without a fellow, those that began or ended what lasted too short to be surely seen."""
    found: set[Event] = set()
    for event, following in itertools.pairwise(whole):
        if event in alone and event not in found and following.t_ms - event.t_ms <= uncertainty_ms:
            found |= {event, following} & set(alone)
    return found


def _spreads(pairs: list[_Pair]) -> dict[int, _Spread]:
    """For each moment of the desk: the spread of the events before it."""
    late: defaultdict[int, list[int]] = defaultdict(list)
    for pair in pairs:
        late[pair.desk.t_ms].append(pair.late_ms)
    spread, found = _Spread(0, 0), {}
    for t_ms in sorted(late):
        found[t_ms] = spread
        spread = _Spread(min(spread.earliest_ms, *late[t_ms]), max(spread.latest_ms, *late[t_ms]))
    return found


def _out_of_time(pairs: list[_Pair], uncertainty_ms: int) -> Iterator[Difference]:
    spreads = _spreads(pairs)
    for pair in pairs:
        before = spreads[pair.desk.t_ms]
        if pair.late_ms > before.latest_ms + uncertainty_ms:
            yield Difference(What.LATE, pair.desk, pair.late_ms)
        elif pair.late_ms < before.earliest_ms - uncertainty_ms:
            yield Difference(What.EARLY, pair.desk, -pair.late_ms)


def _out_of_order(pairs: list[_Pair], uncertainty_ms: int) -> Iterator[Difference]:
    """Neighbours on the line that came the other way round at the desk, too far apart to change places."""
    spreads = _spreads(pairs)
    on_line = sorted(pairs, key=lambda pair: (pair.live.t_ms, pair.desk))
    for first, second in itertools.pairwise(on_line):
        apart_ms = first.desk.t_ms - second.desk.t_ms
        before = spreads[second.desk.t_ms]
        if apart_ms > uncertainty_ms + before.latest_ms - before.earliest_ms:
            yield Difference(What.SWAPPED, second.desk, apart_ms, first.desk)


def verdicts_apart(desk: Sequence[Finding], live: Sequence[Finding], uncertainty_ms: int) -> list[str]:
    """Each finding whose verdict is not its fellow's, in words; see the module's text for what may be."""
    ours, theirs = _numbered(desk), _numbered(live)
    told = [f"{name}: not judged {where}" for name, where in _lacking(ours, theirs)]
    for name in [name for name in ours if name in theirs]:
        d, e = ours[name], theirs[name]
        if d.verdict is not e.verdict and not _may_be_open(d, e, uncertainty_ms):
            told.append(f"{name[0]}: {_words(d)} at the desk, {_words(e)} on the line")
    return told


_Name = tuple[str, int]


def _numbered(findings: Sequence[Finding]) -> dict[_Name, Finding]:
    """By name; expectations may share one, so with a number."""
    seen: Counter[str] = Counter()
    found: dict[_Name, Finding] = {}
    for finding in findings:
        found[finding.name, seen[finding.name]] = finding
        seen[finding.name] += 1
    return found


def _lacking(ours: dict[_Name, Finding], theirs: dict[_Name, Finding]) -> Iterator[tuple[str, str]]:
    yield from ((name[0], "on the line") for name in ours if name not in theirs)
    yield from ((name[0], "at the desk") for name in theirs if name not in ours)


def _may_be_open(desk: Finding, live: Finding, uncertainty_ms: int) -> bool:
    if live.verdict is not Verdict.INCONCLUSIVE or desk.margin is None or live.margin is None:
        return False
    moved_ms = round(1000.0 * abs(desk.margin - live.margin))
    return desk.margin_unit == live.margin_unit == "s" and moved_ms <= uncertainty_ms


def _words(finding: Finding) -> str:
    margin = "" if finding.margin is None else f"margin {finding.margin:+.3g} {finding.margin_unit}"
    seen = ", ".join(filter(None, (finding.detail, margin)))
    return finding.verdict.value + (f" ({seen})" if seen else "")
