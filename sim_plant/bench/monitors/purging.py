"""Requirements on flushes with the pump on: how often, how long, how many."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.observed import Observed
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import longest_ms, ms, shortest_ms, timer_tolerance_ms

EVIDENCE_SLACK_MS = 500  # reaction tolerance on the time in which a purge must show itself


@dataclass(frozen=True)
class RunningFlush:
    """One opening of the flush valve with the pump on, rows ``start`` to ``end``."""

    start: int
    end: int
    lasted_ms: int
    evidence: bool
    cut: bool  # ended by the pump, not by the valve; or not ended in this record
    quality: bool  # its length is nearer to a quality flush than to a purge


def running_flushes(obs: Observed, unit: int) -> list[RunningFlush]:
    """All flushes with the pump on that began while it ran."""
    pump = obs.on("pump", unit)
    sp = obs.setpoints
    found = []
    for start, end in forms.spans(obs.running_flush(unit)):
        if start == 0 or not pump[start - 1]:
            continue
        lasted_ms = forms.length_ms(obs.t, (start, end))
        quality = abs(lasted_ms - ms(sp.quality_flush_s)) < abs(lasted_ms - ms(sp.purge_s))
        cut = end >= obs.n or not pump[end]
        found.append(RunningFlush(start, end, lasted_ms, _evident(obs, unit, start, end), cut, quality))
    return found


def _evident(obs: Observed, unit: int, start: int, end: int) -> bool:
    """Whether pressure fell or flow rose as an open flush valve makes them, soon after it opened."""
    sp = obs.setpoints
    last = obs.row_at(int(obs.t[start]) + ms(sp.purge_evidence_s) + EVIDENCE_SLACK_MS)
    rows = slice(start, min(last + 1, end))
    reference = float(obs.value("membrane_ma", unit)[start - 1])
    fell = obs.below("membrane_ma", sp.purge_evidence_ratio * reference, unit)[rows].any()
    rose = obs.above("concentrate_flow_ma", sp.purge_evidence_flow_m3h, unit)[rows].any()
    return bool(fell or rose)


def purged_often(obs: Observed) -> Tally:
    """SR-15."""
    sp = obs.setpoints
    limit_s = 2 * sp.purge_interval_s + sp.purge_s
    tally = obs.tally(f"{limit_s:g} s between two purges, or the unit stops")
    for unit in obs.units:
        flushes = running_flushes(obs, unit)
        done = [
            flush.end
            for flush in flushes
            if flush.evidence and not flush.cut and flush.lasted_ms >= shortest_ms(sp.purge_s, obs.scan_ms)
        ]
        for start, stop in forms.spans(obs.on("pump", unit)):
            # The interval runs from the proven start, which may come so much later than the pump.
            _gaps(obs, tally, unit, start, stop, [row for row in done if start < row <= stop], limit_s)
    return tally


def _gaps(
    obs: Observed, tally: Tally, unit: int, start: int, stop: int, done: list[int], limit_s: float
) -> None:
    """Judge the gaps of one pump run: start to purge, purge to purge, purge to stop."""
    sp = obs.setpoints
    closed_by_stop = stop < obs.n
    anchors = [start, *done, min(stop, obs.n - 1)]
    for number, (begin, end) in enumerate(itertools.pairwise(anchors)):
        limit_ms = longest_ms(limit_s, obs.scan_ms) + (ms(sp.pressure_rise_s) if number == 0 else 0)
        gap_ms = int(obs.t[end] - obs.t[begin])
        last = number == len(anchors) - 2
        stopped_for_it = (
            last and closed_by_stop and gap_ms >= shortest_ms(2 * sp.purge_interval_s, obs.scan_ms)
        )
        if gap_ms > limit_ms or not last or stopped_for_it:
            tally.timed(int(obs.t[begin]), unit, limit_ms - gap_ms, f"{gap_ms / 1000:.1f} s without a purge")


def purge_length(obs: Observed) -> Tally:
    """SR-16."""
    sp = obs.setpoints
    tally = obs.tally(f"{sp.purge_s:g} s, or {sp.quality_flush_s:g} s for quality, +/-0.5 s or 2 %")
    for unit in obs.units:
        for flush in running_flushes(obs, unit):
            if flush.cut:
                continue
            nominal_s = sp.quality_flush_s if flush.quality else sp.purge_s
            off_ms = abs(flush.lasted_ms - ms(nominal_s))
            margin_ms = timer_tolerance_ms(nominal_s) + obs.scan_ms - off_ms
            given_up = not flush.evidence and flush.lasted_ms >= shortest_ms(sp.purge_evidence_s, obs.scan_ms)
            if margin_ms < 0 and given_up and flush.lasted_ms < ms(nominal_s):
                continue
            text = f"flushed {flush.lasted_ms / 1000:.1f} s for {nominal_s:g} s"
            tally.timed(int(obs.t[flush.start]), unit, margin_ms, text)
    return tally


RULES = (
    Requirement(
        "SR-15",
        "While a unit produces, no more than twice {purge_interval_s:g} s and one purge lie between the ends "
        "of two purges that showed themselves at the field; else the unit stops.",
        "invariant",
        ("scaling and fouling",),
        (
            "purge_interval_s",
            "purge_s",
            "purge_evidence_s",
            "purge_evidence_ratio",
            "purge_evidence_flow_m3h",
            "pressure_rise_s",
        ),
        purged_often,
    ),
    Requirement(
        "SR-16",
        "A purge lasts {purge_s:g} s and a quality flush {quality_flush_s:g} s, unless a stop or a trip ends "
        "it, or it is given up because it does not show itself in {purge_evidence_s:g} s.",
        "response",
        ("scaling and fouling",),
        ("purge_s", "quality_flush_s", "purge_evidence_s", "purge_evidence_ratio", "purge_evidence_flow_m3h"),
        purge_length,
    ),
)
