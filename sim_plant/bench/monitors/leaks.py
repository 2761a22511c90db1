"""Requirements on leaks, the drain sump, and feed valves that close together."""

from __future__ import annotations

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.causes import link_lost, other_cause
from sim_plant.bench.monitors.observed import UNIT_OUTPUTS, Observed
from sim_plant.bench.monitors.reactions import answers
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ms, reaction_ms, shortest_ms, spacing_ms
from sim_plant.bench.trace import Bools

HALT_S = 2.5  # stated by SR-43
SELECTOR_FEED_S = 5.0  # stated by SR-50
SUMP_PUMP_S, SUMP_FLUSH_S, SUMP_CLEAR_S = 2.5, 5.0, 60.0  # stated by SR-32; the first for a debounce of 2 s


def skid_leak(obs: Observed) -> Tally:
    """SR-30."""
    sp = obs.setpoints
    tally = obs.tally(f"the unit's outputs 0 within {sp.leak_s + 0.5:g} s, the others unchanged")
    for unit in obs.units:
        wet = obs.open("skid_dry", unit)
        for name in UNIT_OUTPUTS:
            for answer in answers(
                obs, tally, unit, wet, obs.on(name, unit), sp.leak_s, what=f"{name} 0 after"
            ):
                if answer.full:
                    _others_run_on(obs, tally, unit, answer.row)
    return tally


def _others_run_on(obs: Observed, tally: Tally, unit: int, row: int) -> None:
    """No other pump stops with the leaking unit unless it has a reason of its own."""
    first, last = row - 5, row + 10
    for other in obs.units:
        stop = forms.next_row(obs.falls("pump", other), first)
        if other == unit or stop is None or stop > last:
            continue
        if not other_cause(obs, other, stop - 20, stop):
            tally.broken(int(obs.t[stop]), other, f"stopped with the leak of unit {unit}", trigger=False)


def floor_leak(obs: Observed) -> Tally:
    """SR-31."""
    sp = obs.setpoints
    tally = obs.tally(f"all units and booster 0 within {sp.leak_s + 0.5:g} s")
    wet = obs.open("floor_dry")
    for unit in obs.units:
        for name in UNIT_OUTPUTS:
            answers(obs, tally, unit, wet, obs.on(name, unit), sp.leak_s, what=f"{name} 0 after")
    answers(obs, tally, 0, wet, obs.on("booster_run"), sp.leak_s, what="booster 0 after")
    return tally


def sump_high(obs: Observed) -> Tally:
    """SR-32."""
    sp = obs.setpoints
    flush_s = SUMP_FLUSH_S - SUMP_PUMP_S + 0.5
    tally = obs.tally(
        f"pumps 0 within {sp.leak_s + 0.5:g} s, flush 0 within {sp.leak_s + flush_s:g} s, "
        f"no flush until clear {SUMP_CLEAR_S:g} s"
    )
    high = obs.open("sump_ok")
    blocked = _sump_blocks(obs, high)
    for unit in obs.units:
        answers(obs, tally, unit, high, obs.on("pump", unit), sp.leak_s, what="pump 0 after")
        answers(
            obs,
            tally,
            unit,
            high,
            obs.on("flush_valve", unit),
            sp.leak_s,
            allowance_s=flush_s,
            what="flush 0 after",
        )
        for row in obs.rises("flush_valve", unit).tolist():
            if blocked[row]:
                tally.broken(int(obs.t[row]), unit, "flush opened with the sump not clear for 60 s")
    return tally


def _sump_blocks(obs: Observed, high: Bools) -> Bools:
    """Rows in which no flush may open: sump high for its debounce, and not clear for long enough since."""
    blocked = np.zeros(obs.n, np.bool_)
    late_ms = reaction_ms(obs.setpoints.leak_s, obs.scan_ms)
    for start, end in forms.spans(high):
        if forms.length_ms(obs.t, (start, end)) > late_ms:
            first = obs.row_at(int(obs.t[start]) + late_ms)
            clear_ms = int(obs.t[min(end, obs.n - 1)]) + shortest_ms(SUMP_CLEAR_S, obs.scan_ms)
            blocked[first : int(np.searchsorted(obs.t, clear_ms))] = True
    return blocked


def closures_apart(obs: Observed) -> Tally:
    """SR-52: closures that are cut at once count for nothing; a deadline may force the others together."""
    sp = obs.setpoints
    tally = obs.tally(f"{sp.feed_close_gap_s:g} s between feed closures of two units")
    closures = sorted(
        (int(row), unit)
        for unit in obs.units
        for row in obs.falls("feed_valve", unit)
        if not _cut_at_once(obs, unit, int(row))
    )
    for number, (row, unit) in enumerate(closures):
        neighbour = _closure_before(obs, closures[:number], row, unit)
        if neighbour is None or _could_not_wait(obs, unit, row, neighbour[0]):
            continue
        before, first = neighbour
        apart_ms = int(obs.t[row] - obs.t[before])
        text = f"{apart_ms / 1000:.1f} s after unit {first}"
        tally.timed(int(obs.t[row]), unit, apart_ms - spacing_ms(sp.feed_close_gap_s), text)
    return tally


def _closure_before(
    obs: Observed, earlier: list[tuple[int, int]], row: int, unit: int
) -> tuple[int, int] | None:
    """The last closure of another unit: its row and unit.

    One that a deadline forced in the same scan is passed over: it had no choice, and may not hide a closure
    a little before both.
    """
    for before, first in reversed(earlier):
        forced = before == row and _could_not_wait(obs, first, row, before)
        if first != unit and not forced:
            return before, first
    return None


def _cut_at_once(obs: Observed, unit: int, row: int) -> bool:
    """Whether a feed valve closed because all outputs are cut at once.

    E-stop, leak, isolator, power, I/O (its image grew too old), a program that stands still, or a welded
    contactor, which leads straight to a state with every output off (narrative 3.5, E18).
    """
    recent = slice(max(0, row - 6), row + 1)
    late = slice(max(0, row - 1 - round(ms(obs.setpoints.leak_s + 0.5) / obs.scan_ms)), row + 1)
    wet = obs.open("skid_dry", unit) | obs.open("floor_dry")
    cut = obs.open("estop_healthy") | obs.open("isolator_on", unit) | ~obs.powered | link_lost(obs, unit)
    cut |= obs.older(obs.setpoints.io_stale_s, unit)
    return bool(wet[late].any() or cut[recent].any()) or _welded(obs, unit, row) or _halted(obs, row)


def _welded(obs: Observed, unit: int, row: int) -> bool:
    """Whether the contactor feedback has just stood for its time with the pump off, and no longer."""
    held_s = obs.setpoints.feedback_s
    off_ms = int(forms.age_ms(obs.t, obs.on("pump_running", unit) & ~obs.on("pump", unit))[row])
    return shortest_ms(held_s, obs.scan_ms) <= off_ms <= reaction_ms(held_s, obs.scan_ms)


def _halted(obs: Observed, row: int) -> bool:
    """Whether the watchdog output has stood still for almost as long as it may (SR-43)."""
    still_ms = int(forms.since_ms(obs.t, forms.changes(obs.on("watchdog")))[row])
    return ms(HALT_S) - 500 <= still_ms <= ms(HALT_S) + obs.scan_ms


def _could_not_wait(obs: Observed, unit: int, row: int, before: int) -> bool:
    """Whether a whole gap after the closure at row ``before`` would have come too late for this valve.

    Two limits outrank the gap: SR-50 (shut 5 s after the selector went OFF) and output rule (d) (feed and
    flush open together with the pump off for the longest start flush).
    """
    sp = obs.setpoints
    last = max(row - 1, 0)  # the states that the closure ended
    off_ms = int(forms.age_ms(obs.t, obs.open("selector_auto", unit))[row])
    both_ms = int(forms.age_ms(obs.t, obs.resting_flush(unit))[last])
    limits = []
    if off_ms >= 0:
        limits.append(int(obs.t[row]) - off_ms + ms(SELECTOR_FEED_S))
    if both_ms >= 0:
        limits.append(int(obs.t[last]) - both_ms + ms(sp.start_flush_max_s))
    next_ms = int(obs.t[before]) + ms(sp.feed_close_gap_s)
    return any(next_ms > limit_ms for limit_ms in limits)


RULES = (
    Requirement(
        "SR-30",
        "Skid leak for {leak_s:g} s: the unit's four outputs off within half a second more; the other units "
        "run on.",
        "response",
        ("flooding",),
        ("leak_s",),
        skid_leak,
    ),
    Requirement(
        "SR-31",
        "Floor leak for {leak_s:g} s: all unit outputs and the booster off within half a second more.",
        "response",
        ("flooding",),
        ("leak_s",),
        floor_leak,
    ),
    Requirement(
        "SR-32",
        "Drain sump high for {leak_s:g} s: pumps off within half a second more, flush valves within 3 s, "
        "and no flush until the sump has been clear for 60 s.",
        "response",
        ("flooding",),
        ("leak_s",),
        sump_high,
    ),
    Requirement(
        "SR-52",
        "Feed valves of two units close at least {feed_close_gap_s:g} s apart, unless all outputs are cut at "
        "once by E-stop, leak, isolator, welded contactor, halted program, loss of power or of I/O. They "
        "close nearer together only as far as 5 s after selector OFF, or {start_flush_max_s:g} s of flush "
        "with the pump off, leave no room.",
        "invariant",
        ("water hammer",),
        ("feed_close_gap_s", "leak_s", "io_stale_s", "feedback_s", "start_flush_max_s"),
        closures_apart,
    ),
)
