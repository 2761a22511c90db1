"""Requirements on what people do at the panel: E-stop, selector, reset, maintenance, chatter."""

from __future__ import annotations

import numpy as np

from controller.signals import Verb
from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.observed import BUTTON_LONGEST_S, UNIT_OUTPUTS, Observed
from sim_plant.bench.monitors.reactions import answers
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ms, reaction_ms
from sim_plant.bench.trace import BANK_DI, UNIT_DI, Bools, Ints

ESTOP_S = 0.5  # stated by SR-33
SELECTOR_PUMP_S, SELECTOR_FEED_S = 0.5, 5.0  # stated by SR-50
WATCHED_MS = 2000  # outputs are watched so long after a reset that must do nothing
CHATTER_CHANGES = 8  # changes in one second that count as chatter; 10 Hz makes 10 or more
CHATTER_SPACING_MS = 900  # one change a second, less one scan
MAINT_STOP_S = 10.0  # settling added to the longest wait for a slot
NO_CHATTER = ("dosing_pulse",)  # pulses by nature

BANK_LATCHES = ("estop_healthy", "tank_not_overfull", "source_wet", "floor_dry", "sump_ok", "drive_healthy")
UNIT_LATCHES = ("motor_healthy", "discharge_ok", "skid_dry")


def estop(obs: Observed) -> Tally:
    """SR-33."""
    tally = obs.tally(f"all outputs 0 within {ESTOP_S:g} s; nothing on release before a reset")
    opened = obs.open("estop_healthy")
    outputs = [(unit, name) for unit in obs.units for name in UNIT_OUTPUTS] + [(0, "booster_run")]
    for unit, name in outputs:
        answers(
            obs, tally, unit, opened, obs.on(name, unit), 0.0, allowance_s=ESTOP_S, what=f"{name} 0 after"
        )
    for start, end in forms.spans(opened):
        if int(obs.t[-1] - obs.t[start]) < reaction_ms(0.0, obs.scan_ms, ESTOP_S):
            continue
        for unit, name in outputs:
            rise = forms.next_row(obs.rises(name, unit), start)
            if rise is not None and not _freed(obs, unit, start, end, rise):
                text = f"{name} on after the E-stop without a reset that followed its release"
                tally.broken(int(obs.t[rise]), unit, text)
        tally.held(int(obs.t[start]), 0)
    return tally


def _freed(obs: Observed, unit: int, start: int, end: int, rise: int) -> bool:
    """Whether an output may come on at row ``rise`` after an E-stop in the rows ``start`` to ``end``.

    A reset after the release frees a unit. One that rested in OFF or MAINTENANCE all that time stays there
    (narrative 3.5, E30) and is freed by its selector alone. The booster serves every unit that is free.
    """
    if unit == 0:
        return any(_freed(obs, one, start, end, rise) for one in obs.units)
    if forms.any_between(obs.resets(unit), end, rise):
        return True
    turned = forms.any_between(obs.rises("selector_auto", unit), end, rise)
    return turned and _put_away(obs, unit, start, end)


def _put_away(obs: Observed, unit: int, start: int, end: int) -> bool:
    """Whether the unit rested with its selector OFF, or in maintenance, through all of these rows."""
    first = max(start - 1, 0)
    away = obs.open("selector_auto", unit) | _out_for_maintenance(obs, unit) | ~obs.powered
    driven = any(obs.on(name, unit)[first] for name in UNIT_OUTPUTS)
    return bool(away[first:end].all()) and not driven


def _out_for_maintenance(obs: Observed, unit: int) -> Bools:
    """Rows between a request for maintenance that must have been taken and the return to service."""
    out = np.zeros(obs.n, np.bool_)
    for asked in obs.commands(Verb.MAINTAIN, unit).tolist():
        rest = _at_rest(obs, unit, asked)
        if rest is not None and not _may_be_refused(obs, unit, asked):
            out[rest : forms.next_row(obs.commands(Verb.RETURN_TO_SERVICE, unit), asked) or obs.n] = True
    return out


def selector_off(obs: Observed) -> Tally:
    """SR-50."""
    tally = obs.tally(f"pump 0 within {SELECTOR_PUMP_S:g} s, feed 0 within {SELECTOR_FEED_S:g} s")
    limits = (("pump", SELECTOR_PUMP_S), ("feed_valve", SELECTOR_FEED_S))
    for unit in obs.units:
        off = obs.open("selector_auto", unit)
        for name, limit_s in limits:
            output = obs.on(name, unit)
            answers(obs, tally, unit, off, output, 0.0, allowance_s=limit_s, what=f"{name} 0 after")
        for name in ("pump", "feed_valve", "flush_valve"):
            for row in obs.rises(name, unit).tolist():
                if off[row] and row > 0 and off[row - 1]:
                    tally.broken(int(obs.t[row]), unit, f"{name} on while the selector is OFF")
    return tally


def resets_do_no_more(obs: Observed) -> Tally:
    """SR-51."""
    tally = obs.tally("no output on by a reset while its cause stands, nor by a held button")
    for unit in obs.units:
        standing = _latch_standing(obs, unit)
        for row in _all_resets(obs, unit).tolist():
            last = obs.row_at(int(obs.t[row]) + WATCHED_MS)
            if standing[max(row - 1, 0) : last + 1].all() and int(obs.t[last] - obs.t[row]) >= WATCHED_MS:
                tally.held(int(obs.t[row]), unit, "reset with the cause present")
                _no_rise(obs, tally, unit, row, last)
        for start in _held_presses(obs):
            if standing[start]:
                tally.held(int(obs.t[start]), unit, "button held")
                until = forms.next_row(obs.resets(unit), start)
                _no_rise(obs, tally, unit, start, until if until is not None else obs.n - 1)
    return tally


def _latch_standing(obs: Observed, unit: int) -> Bools:
    """Rows in which a contact whose trip latches is open for this unit."""
    opened = np.zeros(obs.n, np.bool_)
    for name in BANK_LATCHES:
        opened |= obs.open(name)
    for name in UNIT_LATCHES:
        opened |= obs.open(name, unit)
    return opened


def _all_resets(obs: Observed, unit: int) -> Ints:
    """Every reset edge of the button, however long it is held, and every reset command."""
    edges = np.asarray([start for start, _ in obs.presses()], np.int64)
    return np.unique(np.concatenate((edges, obs.commands(Verb.RESET, unit))))


def _held_presses(obs: Observed) -> list[int]:
    """Rows where a press begins that is too long to be a reset."""
    longest_ms = ms(BUTTON_LONGEST_S) + obs.scan_ms
    return [span[0] for span in obs.presses() if forms.length_ms(obs.t, span) > longest_ms]


def _no_rise(obs: Observed, tally: Tally, unit: int, first: int, last: int) -> None:
    """None of the unit's outputs becomes 1 in the rows first..last."""
    for name in UNIT_OUTPUTS:
        rise = forms.next_row(obs.rises(name, unit), first - 1)
        if rise is not None and rise <= last:
            tally.broken(int(obs.t[rise]), unit, f"{name} on by a reset that must do nothing", trigger=False)


def maintenance_is_dead(obs: Observed) -> Tally:
    """SR-49."""
    tally = obs.tally("all four outputs 0 from rest until the return to service")
    for unit in obs.units:
        for asked in obs.commands(Verb.MAINTAIN, unit).tolist():
            until = forms.next_row(obs.commands(Verb.RETURN_TO_SERVICE, unit), asked) or obs.n
            rest = _at_rest(obs, unit, asked)
            if rest is None or rest >= until or _may_be_refused(obs, unit, asked):
                continue
            tally.held(int(obs.t[rest]), unit)
            for name in UNIT_OUTPUTS:
                rise = forms.next_row(obs.rises(name, unit), rest)
                if rise is not None and rise < until:
                    tally.broken(int(obs.t[rise]), unit, f"{name} on in maintenance")
    return tally


def _may_be_refused(obs: Observed, unit: int, asked: int) -> bool:
    """A request may be refused while booting, in an E-stop, or when enough units are out already."""
    sp = obs.setpoints
    booting = forms.since_ms(obs.t, obs.boots)[asked] < ms(sp.boot_s + 1.0)
    stopped = forms.last_row(forms.rises(obs.open("estop_healthy")), asked)
    unreset = stopped is not None and not forms.any_between(obs.resets(unit), stopped, asked)
    out = 0
    for other in obs.units:
        last_asked = forms.last_row(obs.commands(Verb.MAINTAIN, other), asked)
        returned = forms.last_row(obs.commands(Verb.RETURN_TO_SERVICE, other), asked)
        out += other != unit and last_asked is not None and (returned is None or returned < last_asked)
    return bool(booting or unreset or out >= sp.max_in_maintenance)


def _at_rest(obs: Observed, unit: int, asked: int) -> int | None:
    """First row at which a unit asked into maintenance must have come to rest; None if it did not.

    A unit that runs, or has stopped so lately that its stop flush may still come, waits for its slot
    and flushes first; a unit in any other flush closes it.
    """
    patience_ms = ms(obs.setpoints.token_wait_s + MAINT_STOP_S)
    energised = np.zeros(obs.n, np.bool_)
    for name in UNIT_OUTPUTS:
        energised |= obs.on(name, unit)
    ends = forms.falls(energised)
    at_asked = forms.next_row(ends, asked) if energised[asked] else asked
    stops = obs.falls("pump", unit)
    running = bool(obs.on("pump", unit)[max(asked - 1, 0)])
    stop = forms.next_row(stops, asked - 1) if running else forms.last_row(stops, asked)
    if stop is None or int(obs.t[asked] - obs.t[stop]) > patience_ms:
        return None if running else at_asked
    latest = obs.row_at(int(obs.t[stop]) + patience_ms)
    flush = forms.next_row(obs.rises("flush_valve", unit), stop)
    if flush is None or flush > latest:
        return max(latest, asked)
    end = forms.next_row(ends, flush)
    return None if end is None else max(end, asked)


def chatter_tamed(obs: Observed) -> Tally:
    """SR-58."""
    tally = obs.tally("one change of each valve output a second; a stop still wins")
    for unit in obs.units:
        chatter = _chatter(obs, unit)
        for start, end in forms.spans(chatter):
            tally.held(int(obs.t[start]), unit)
            for name in ("feed_valve", "flush_valve"):
                _slow_enough(obs, tally, unit, name, start, end)
        for row in obs.commands(Verb.STOP, unit).tolist():
            if chatter[row]:
                last = obs.row_at(int(obs.t[row]) + reaction_ms(0.0, obs.scan_ms))
                if obs.on("pump", unit)[row : last + 1].all() and last < obs.n - 1:
                    tally.broken(int(obs.t[row]), unit, "stop not taken in chatter")
    return tally


def _slow_enough(obs: Observed, tally: Tally, unit: int, name: str, start: int, end: int) -> None:
    changes = forms.changes(obs.on(name, unit))
    inside = changes[(changes >= start) & (changes <= end)]
    closest = forms.tightest(obs.t[inside], 1)
    if closest is not None:
        at, distance_ms = closest
        text = f"{name} changed twice in {distance_ms / 1000:.1f} s"
        tally.timed(int(obs.t[inside[at]]), unit, distance_ms - CHATTER_SPACING_MS, text)


def _chatter(obs: Observed, unit: int) -> Bools:
    """Rows with a contact of the unit or the bank, or with commands, that change many times a second."""
    window = max(1, round(1000 / obs.scan_ms))
    columns = [obs.on(name, unit) for name in UNIT_DI]
    columns += [obs.on(name) for name in BANK_DI if name not in NO_CHATTER]
    chatter = np.zeros(obs.n, np.bool_)
    for column in columns:
        changes = forms.changes(column)
        if len(changes) >= CHATTER_CHANGES:
            chatter |= _crowded(obs, changes, window)
    told = np.sort(np.concatenate([obs.commands(verb, unit) for verb in Verb]))
    return chatter | _crowded(obs, told, window)


def _crowded(obs: Observed, rows: Ints, window: int) -> Bools:
    """Rows whose window of one second, looking forward or back, holds enough of ``rows``."""
    crowded = np.zeros(obs.n, np.bool_)
    if len(rows) < CHATTER_CHANGES:
        return crowded
    for first, last in zip(rows, rows[CHATTER_CHANGES - 1 :], strict=False):
        if last - first < window:
            crowded[first : last + 1] = True
    return crowded


RULES = (
    Requirement(
        "SR-33",
        "E-stop open: every pump, enable, feed and flush output and the booster enable off within 0.5 s; "
        "nothing comes on by its release, only after a reset that follows it. A unit that rested in OFF or "
        "maintenance meanwhile needs its selector turned to AUTO instead.",
        "response",
        ("stored pressure, unexpected start", "electrical, inrush"),
        (),
        estop,
    ),
    Requirement(
        "SR-49",
        "A unit in maintenance keeps its four outputs off through every command, reset, call and power "
        "cycle, until it is returned to service.",
        "invariant",
        ("stored pressure, unexpected start",),
        ("max_in_maintenance", "boot_s", "token_wait_s"),
        maintenance_is_dead,
    ),
    Requirement(
        "SR-50",
        "Selector OFF: pump off within 0.5 s, feed valve off within 5 s, and both stay off, through a reboot "
        "too, until it is back in AUTO.",
        "response",
        ("stored pressure, unexpected start",),
        (),
        selector_off,
    ),
    Requirement(
        "SR-51",
        "A reset with the cause present brings no output on; a held button is ignored.",
        "invariant",
        ("stored pressure, unexpected start", "pump and motor damage"),
        (),
        resets_do_no_more,
    ),
    Requirement(
        "SR-58",
        "A contact or command that chatters at 10 Hz changes each valve output at most once a second, and a "
        "stop still wins.",
        "invariant",
        ("water hammer", "pump and motor damage"),
        (),
        chatter_tamed,
    ),
)
