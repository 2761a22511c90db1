"""Requirements on flushes with the pump off, on the flush slots, and on how long a flush valve is open."""

from __future__ import annotations

import numpy as np

from controller.signals import Verb
from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.causes import COMMAND_ACTS_MS, other_cause
from sim_plant.bench.monitors.observed import BAD_AFTER_S, Observed
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import longest_ms, ms, reaction_ms, shortest_ms
from sim_plant.bench.trace import Bools

STOP_FLUSH_START_S = 125.0  # stated by SR-19: token wait of 120 s and 5 s
SLOT_TAKEN_S = 5.0  # the second of these: so fast a slot that has become free is taken
ON_SLACK_S = 5.0  # stated by SR-18 for a flush with the pump on


def start_flush_margin_ms(obs: Observed, unit: int, start: int) -> tuple[int, str]:
    """How well the flush before a pump start at row ``start`` was done: (least margin, words).

    The last flush since the pump was last on and since power-up counts, and no other: it must have
    lasted the whole start flush without a break, and the flush valve must then have been shut for the
    settling time.
    """
    sp = obs.setpoints
    whole_ms = shortest_ms(sp.start_flush_s, obs.scan_ms)
    settle_ms = shortest_ms(sp.settle_s, obs.scan_ms)
    since = max(
        forms.last_row(obs.falls("pump", unit), start - 1) or 0,
        forms.last_row(obs.boots, start) or 0,
    )
    flushes = [span for span in resting_flushes(obs, unit) if since <= span[0] and span[1] <= start]
    if not flushes:
        return -whole_ms, "pump started without a start flush"
    lasted_ms = forms.length_ms(obs.t, flushes[-1])
    shut = forms.last_row(obs.falls("flush_valve", unit), start)
    settled_ms = 0 if shut is None or obs.on("flush_valve", unit)[start] else int(obs.t[start] - obs.t[shut])
    text = f"flushed {lasted_ms / 1000:.1f} s, settled {settled_ms / 1000:.1f} s"
    return min(lasted_ms - whole_ms, settled_ms - settle_ms), text


def resting_flushes(obs: Observed, unit: int) -> list[tuple[int, int]]:
    """Spans with feed and flush open and the pump off."""
    return obs.kept_spans("resting", unit, lambda: obs.resting_flush(unit))


def start_flush_first(obs: Observed) -> Tally:
    """SR-02."""
    sp = obs.setpoints
    tally = obs.tally(f"{sp.start_flush_s:g} s flushed, {sp.settle_s:g} s settled")
    for unit in obs.units:
        for start in obs.rises("pump", unit).tolist():
            margin_ms, text = start_flush_margin_ms(obs, unit, start)
            tally.timed(int(obs.t[start]), unit, margin_ms, text)
    return tally


def whole_after_cut(obs: Observed) -> Tally:
    """SR-03."""
    sp = obs.setpoints
    tally = obs.tally(f"{sp.start_flush_s:g} s after a flush that was cut")
    for unit in obs.units:
        cuts = [span for span in resting_flushes(obs, unit) if span[1] < obs.n and _was_cut(obs, unit, span)]
        starts = obs.rises("pump", unit)
        judged = {forms.next_row(starts, end - 1) for _, end in cuts}
        for start in sorted(row for row in judged if row is not None):
            margin_ms, text = start_flush_margin_ms(obs, unit, start)
            tally.timed(int(obs.t[start]), unit, margin_ms, text)
    return tally


def _was_cut(obs: Observed, unit: int, span: tuple[int, int]) -> bool:
    """Whether a flush ended early: too short for any flush, or too short to start on and disturbed."""
    sp = obs.setpoints
    lasted_ms = forms.length_ms(obs.t, span)
    if lasted_ms >= shortest_ms(sp.start_flush_s, obs.scan_ms):
        return False
    end = span[1]
    return lasted_ms < shortest_ms(sp.stop_flush_s, obs.scan_ms) or bool(
        other_cause(obs, unit, end - 20, end, but=("tank", "demand", "quality", "dosing"))
    )


def slots_kept(obs: Observed) -> Tally:
    """SR-17."""
    slots = obs.context.flush_slots
    tally = obs.tally(f"{slots} flush valve(s) at once")
    open_now = np.sum([obs.on("flush_valve", unit) for unit in obs.units], axis=0)
    # Two images of one bank may be a scan apart, so an overlap of a single scan is no overlap.
    lasting = np.minimum(open_now[:-1], open_now[1:]) if obs.n > 1 else open_now
    for unit in obs.units:
        for row in obs.rises("flush_valve", unit).tolist():
            end = forms.next_row(obs.falls("flush_valve", unit), row) or obs.n
            inside = lasting[row:end]
            most = int(inside.max(initial=1))
            worst = row + int(np.argmax(inside)) if most > 1 else row
            tally.counted(int(obs.t[worst]), unit, slots - most, "units", f"{most} flush valves open")
    return tally


def flush_bounded(obs: Observed) -> Tally:
    """SR-18."""
    sp = obs.setpoints
    off_s = sp.start_flush_max_s + sp.flush_lead_s + sp.flush_tail_s
    on_s = max(sp.quality_flush_s, sp.purge_s) + ON_SLACK_S
    tally = obs.tally(f"flush valve open {off_s:g} s with the pump off, {on_s:g} s with it on")
    for unit in obs.units:
        flush, pump = obs.on("flush_valve", unit), obs.on("pump", unit)
        for state, most_s, words in ((flush & ~pump, off_s + 0.5, "off"), (flush & pump, on_s, "on")):
            limit_ms = ms(most_s) + obs.scan_ms
            for span in forms.spans(state):
                open_ms = forms.length_ms(obs.t, span)
                if span[1] < obs.n or open_ms > limit_ms:
                    text = f"open {open_ms / 1000:.1f} s, pump {words}"
                    tally.timed(int(obs.t[span[0]]), unit, limit_ms - open_ms, text)
    return tally


def stop_flush_done(obs: Observed) -> Tally:
    """SR-19."""
    sp = obs.setpoints
    tally = obs.tally(
        f"stop flush of {sp.stop_flush_s:g} s starts within {STOP_FLUSH_START_S:g} s, or is repaid within "
        f"{sp.debt_repay_min:g} min or by the next start flush"
    )
    for unit in obs.units:
        for stop in obs.falls("pump", unit).tolist():
            if _ordinary_stop(obs, unit, stop):
                _judge_stop(obs, tally, unit, stop)
    return tally


def _ordinary_stop(obs: Observed, unit: int, stop: int) -> bool:
    """A stop by command, by a full tank or by the bank selector, with nothing worse beside it."""
    recent = slice(max(0, obs.row_at(int(obs.t[stop]) - COMMAND_ACTS_MS)), stop + 1)
    full = obs.above("tank_level_ma", obs.setpoints.tank_stop_pct - 0.01)[recent].any()
    deselected = obs.open("bank_run")[recent].any()
    told = forms.any_between(obs.commands(Verb.STOP, unit), recent.start, stop)
    return bool(full or deselected or told) and not _disturbed(obs, unit, recent.start, stop)


def _disturbed(obs: Observed, unit: int, first: int, last: int) -> bool:
    """Whether something stood in the way of a flush: a trip, bad water, a person at the selector."""
    ordinary = ("command", "tank", "bank selector", "demand", "quality", "feedback", "dosing", "antiscalant")
    low_when_shut = ("suction", "suction switch", "header")  # says nothing while the feed valve is shut
    maintain = forms.any_between(obs.commands(Verb.MAINTAIN, unit), first, last)
    own = (_no_water(obs, unit) | _suction_unknown(obs, unit))[first : last + 1].any()
    return bool(maintain or own or other_cause(obs, unit, first, last, but=(*ordinary, *low_when_shut)))


def _no_water(obs: Observed, unit: int) -> Bools:
    """No feed pressure although the feed valve is open, or although the booster has had time to make it.

    Behind a valve that has just opened it rises first: nothing is said of it in the blanking time.
    """
    sp = obs.setpoints
    lost = obs.below("suction_ma", sp.suction_trip_bar, unit) | obs.open("suction_ok", unit)
    risen = forms.held(obs.t, obs.on("feed_valve", unit), ms(sp.suction_blank_s))
    tried = forms.held(obs.t, obs.on("booster_run"), ms(sp.header_rise_max_s))
    header_low = obs.below("header_ma", sp.header_ready_bar) & tried
    return np.asarray((lost & risen) | header_low)


def _suction_unknown(obs: Observed, unit: int) -> Bools:
    """The suction loop has been no measurement for so long that the unit must be locked out (SR-26)."""
    return forms.held(obs.t, obs.bad("suction_ma", unit), shortest_ms(BAD_AFTER_S, obs.scan_ms))


def _judge_stop(obs: Observed, tally: Tally, unit: int, stop: int) -> None:
    sp = obs.setpoints
    at_ms = int(obs.t[stop])
    start_limit_ms = ms(STOP_FLUSH_START_S) + obs.scan_ms
    repay_limit_ms = longest_ms(60 * sp.debt_repay_min, obs.scan_ms)
    restart = forms.next_row(obs.rises("pump", unit), stop)
    horizon = restart if restart is not None else obs.n
    flushes = [span for span in resting_flushes(obs, unit) if stop <= span[0] < horizon]
    begun_ms = int(obs.t[flushes[0][0]]) - at_ms if flushes else int(obs.t[-1]) - at_ms
    if begun_ms > start_limit_ms and _had_slot(obs, unit, stop):
        text = f"no stop flush for {begun_ms / 1000:.1f} s though a slot was free"
        tally.timed(at_ms, unit, start_limit_ms - begun_ms, text)
        return
    whole_ms = shortest_ms(sp.stop_flush_s, obs.scan_ms)
    if flushes and _ended_short(obs, unit, flushes[0], whole_ms):
        lasted_ms = forms.length_ms(obs.t, flushes[0])
        tally.timed(at_ms, unit, lasted_ms - whole_ms, f"stop flush lasted {lasted_ms / 1000:.1f} s")
        return
    whole = [span[0] for span in flushes if forms.length_ms(obs.t, span) >= whole_ms]
    if whole:
        waited_ms = int(obs.t[whole[0]]) - at_ms
        limit_ms = start_limit_ms if waited_ms <= start_limit_ms else repay_limit_ms
        if waited_ms <= repay_limit_ms or not _disturbed(obs, unit, stop, whole[0]):
            tally.timed(at_ms, unit, limit_ms - waited_ms, f"stop flush after {waited_ms / 1000:.1f} s")
    elif restart is not None:
        margin_ms, text = start_flush_margin_ms(obs, unit, restart)
        tally.timed(at_ms, unit, margin_ms, f"no stop flush; before the next start {text}")
    elif int(obs.t[-1]) - at_ms > repay_limit_ms and not _disturbed(obs, unit, stop, obs.n - 1):
        waited_ms = int(obs.t[-1]) - at_ms
        tally.timed(at_ms, unit, repay_limit_ms - waited_ms, f"owed for {waited_ms / 1000:.0f} s")


def _ended_short(obs: Observed, unit: int, flush: tuple[int, int], whole_ms: int) -> bool:
    """Whether a stop flush was ended before its time though nothing and nobody interrupted it."""
    start, end = flush
    if end >= obs.n or forms.length_ms(obs.t, flush) >= whole_ms:
        return False
    told = forms.any_between(obs.commands(Verb.STOP, unit), start, end)
    return not told and not _disturbed(obs, unit, start, end)


def _had_slot(obs: Observed, unit: int, stop: int) -> bool:
    """Whether a slot was there for the taking in the wait of a stopping unit, and nothing stood in the way.

    Free for the whole wait; then a booster that stands is no excuse, because the flush calls for it. Or free
    for a while with water at hand: a unit that stops is first in the queue (narrative 4.4), so a slot that
    nobody takes at once was its own.
    """
    at_ms = int(obs.t[stop])
    first = obs.row_at(at_ms + ms(obs.setpoints.coast_s))
    last = obs.row_at(at_ms + ms(STOP_FLUSH_START_S))
    if _disturbed(obs, unit, stop, last):
        return False
    spare = obs.kept("slot spare", unit, lambda: _slot_spare(obs, unit))[first : last + 1]
    times = obs.t[first : last + 1]
    longest_ms = max((forms.length_ms(times, span) for span in forms.spans(spare)), default=0)
    untaken = longest_ms > ms(SLOT_TAKEN_S) + obs.scan_ms
    return untaken or bool(obs.slot_free(unit)[stop : last + 1].all())


def _slot_spare(obs: Observed, unit: int) -> Bools:
    """Whether the header is ready and the other units leave a slot, which a start keeps until it is proven.

    An open feed valve with the pump off counts as such a start; it may also be a stop that is coasting.
    """
    sp = obs.setpoints
    taken = np.zeros(obs.n, np.int64)
    for other in obs.units:
        if other == unit:
            continue
        pump_ms = forms.age_ms(obs.t, obs.on("pump", other))
        starting = obs.on("feed_valve", other) & (pump_ms < reaction_ms(sp.pressure_rise_s, obs.scan_ms))
        taken += obs.on("flush_valve", other) | starting
    header = obs.good("header_ma") & (obs.value("header_ma") >= sp.header_ready_bar)
    return np.asarray((taken < obs.context.flush_slots) & header & obs.on("booster_run"))


RULES = (
    Requirement(
        "SR-02",
        "A pump starts only after its feed and flush valves were both open, unbroken, for {start_flush_s:g} "
        "s and the flush valve then shut for {settle_s:g} s, since the pump last ran.",
        "sequence",
        ("membrane, mechanical", "scaling and fouling"),
        ("start_flush_s", "settle_s"),
        start_flush_first,
    ),
    Requirement(
        "SR-03",
        "After a flush that was cut the next start takes a whole start flush of {start_flush_s:g} s; "
        "nothing is carried over.",
        "sequence",
        ("membrane, mechanical",),
        ("start_flush_s", "stop_flush_s", "settle_s"),
        whole_after_cut,
    ),
    Requirement(
        "SR-17",
        "No more units have the flush valve open at once than there are flush slots; the closing tail "
        "counts.",
        "invariant",
        ("flooding", "water hammer"),
        (
            "unit_feed_m3h",
            "unit_concentrate_m3h",
            "flush_drain_m3h",
            "flush_feed_m3h",
            "booster_capacity_m3h",
            "drain_capacity_m3h",
        ),
        slots_kept,
    ),
    Requirement(
        "SR-18",
        "The flush valve is never open longer than {start_flush_max_s:g} s and its lead and tail with the "
        "pump off, nor longer than the longest flush and 5 s with the pump on.",
        "invariant",
        ("flooding", "pump and motor damage"),
        ("start_flush_max_s", "flush_lead_s", "flush_tail_s", "quality_flush_s", "purge_s"),
        flush_bounded,
    ),
    Requirement(
        "SR-19",
        "After a stop by command, a full tank or the bank selector, a stop flush of {stop_flush_s:g} s "
        "starts within 125 s; a unit that got no slot repays it within {debt_repay_min:g} min, or by the "
        "start flush of its next start.",
        "sequence",
        ("scaling and fouling",),
        (
            "stop_flush_s",
            "debt_repay_min",
            "start_flush_s",
            "settle_s",
            "tank_stop_pct",
            "coast_s",
            "pressure_rise_s",
            "header_ready_bar",
            "header_rise_max_s",
            "suction_trip_bar",
            "suction_blank_s",
            "feedback_s",
        ),
        stop_flush_done,
    ),
)
