"""Reasons for which a unit may rightly stop, as far as they show at the field.

Needed wherever a requirement says that something must NOT stop a unit: the stop counts against the
requirement only when no other reason stands. Reasons that never reach the field (a plan of the target's
own) cannot be seen; what demand control does is recognised from the tank level.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from controller.signals import Verb
from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.observed import Observed
from sim_plant.bench.monitors.tolerance import ms, shortest_ms
from sim_plant.bench.trace import Bools, Ints

COMMAND_ACTS_MS = 3000  # a stop that follows a command within this time is the command's
BROKEN_MS, BELIEVED_AGAIN_MS = 2000, 10000  # a loop broken for so long must be good for so long (narrative 2)
FLUSH_SHUT_MS = 4000  # a flush valve that has not closed shows 5 s after its command; less one second
LINK_LOST = "unit_io lost"  # the one fault that shows in the bench's marks only, and in the outputs

UnitCause = Callable[[Observed, int], Bools]
BankCause = Callable[[Observed], Bools]


def release_levels(obs: Observed) -> Ints:
    """Tank levels, in tenths of a percent, at which demand control releases one more unit.

    The calling levels spread evenly from ``tank_first_pct`` to ``tank_last_pct``; each unit is released
    ``tank_release_pct`` higher, the first one at ``tank_stop_pct`` (narrative 4.5).
    """
    sp = obs.setpoints
    released = np.linspace(sp.tank_first_pct, sp.tank_last_pct, len(obs.units)) + sp.tank_release_pct
    released[0] = sp.tank_stop_pct
    return np.round(10 * released).astype(np.int64)


def demand_fell(obs: Observed, unit: int) -> Bools:
    """Rows in which demand control may release a unit: the level passed a step upwards just before.

    A release may wait for the pace of changes and for the least run of the unit.
    """
    sp = obs.setpoints
    level = np.round(10 * obs.value("tank_level_ma")).astype(np.int64)
    passed = np.zeros(obs.n, np.bool_)
    for step in release_levels(obs):
        passed[1:] |= (level[1:] >= step) & (level[:-1] < step)
    pace_ms = ms(sp.demand_change_s * len(obs.units)) + COMMAND_ACTS_MS
    recent = forms.after(obs.t, np.flatnonzero(passed), pace_ms)
    least_run_ms = ms(60 * sp.min_run_min)
    run_ms = forms.age_ms(obs.t, obs.on("pump", unit))
    run_over = (run_ms >= least_run_ms) & (run_ms < least_run_ms + COMMAND_ACTS_MS)
    return np.asarray(recent | run_over)


def commanded(obs: Observed, unit: int) -> Bools:
    """Rows just after a command that ends a run."""
    rows = np.concatenate([obs.commands(verb, unit) for verb in (Verb.STOP, Verb.MAINTAIN)])
    return forms.after(obs.t, np.sort(rows), COMMAND_ACTS_MS)


def link_lost(obs: Observed, unit: int) -> Bools:
    """Rows between the injection and the clearing of a lost link to the unit's I/O."""
    lost = np.zeros(obs.n, np.bool_)
    for mark in obs.trace.marks:
        if mark.unit == unit and mark.text.startswith(LINK_LOST) and mark.what in ("inject", "clear"):
            lost[obs.row_at(mark.t_ms) :] = mark.what == "inject"
    return lost


def blanked(obs: Observed, unit: int) -> Bools:
    """Rows in which quality is not judged: after a pump start, in a running flush and after it."""
    return obs.kept("blanked", unit, lambda: _blanked(obs, unit))


def _blanked(obs: Observed, unit: int) -> Bools:
    sp = obs.setpoints
    since_start = forms.since_ms(obs.t, obs.rises("pump", unit))
    flush = obs.running_flush(unit)
    since_flush = forms.since_ms(obs.t, forms.falls(flush))
    starting = since_start < ms(sp.tds_blank_start_s)
    return np.asarray(starting | flush | (since_flush < ms(sp.tds_blank_purge_s)))


def poor_quality(obs: Observed, unit: int) -> Bools:
    """Quality loop broken, or the permeate of a running pump bad while it is judged."""
    bad = obs.tds_above(obs.setpoints.tds_alarm_mgl, unit) & obs.on("pump", unit) & ~blanked(obs, unit)
    return np.asarray(bad | obs.bad("permeate_cond_ma", unit))


def no_pressure(obs: Observed, unit: int) -> Bools:
    """Membrane pressure low although the pump is on and the flush valve shut.

    After a start for as long as a healthy start may take; later, when a flush valve may have stuck
    open, for the time of the diagnosis (narrative 3.7). A loop that was broken and has just come back
    shows no pressure yet that a start could be proven by.
    """
    pump = obs.on("pump", unit)
    pressing = pump & ~obs.on("flush_valve", unit)
    rise_ms = ms(obs.setpoints.pressure_rise_s) - 1000
    failed = forms.held(obs.t, pressing, rise_ms)
    failed |= forms.held(obs.t, pressing, FLUSH_SHUT_MS) & forms.held(obs.t, pump, rise_ms)
    broken = forms.held(obs.t, obs.bad("membrane_ma", unit), BROKEN_MS - obs.scan_ms)
    doubtful = forms.after(obs.t, forms.falls(broken), BELIEVED_AGAIN_MS)
    shown = obs.above("membrane_ma", obs.setpoints.pressure_rise_bar, unit) & ~doubtful
    return np.asarray(failed & ~shown)


def feedback_wrong(obs: Observed, unit: int) -> Bools:
    """Contactor feedback and command disagree for longer than a contactor needs."""
    return forms.held(obs.t, obs.on("pump", unit) & ~obs.on("pump_running", unit), obs.scan_ms * 3)


def feedback_stays(obs: Observed, unit: int) -> Bools:
    """Run feedback although the pump is off; an image that has stopped changing says nothing of it."""
    fresh = obs.powered & ~obs.older(obs.setpoints.io_stale_s, unit)
    return np.asarray(obs.on("pump_running", unit) & ~obs.on("pump", unit) & fresh)


def welded(obs: Observed, unit: int) -> Bools:
    """The run feedback has stayed for longer than it may (SR-12)."""
    return forms.held(obs.t, feedback_stays(obs, unit), shortest_ms(obs.setpoints.feedback_s, obs.scan_ms))


def dosing_silent(obs: Observed) -> Bools:
    """No stroke of a healthy dosing pump for almost as long as a run may go on without one."""
    strokes = obs.rises("dosing_pulse")
    silent_ms = forms.since_ms(obs.t, strokes[obs.on("dosing_healthy")[strokes]])
    return np.asarray(silent_ms >= ms(obs.setpoints.dosing_lost_s) - 5000)


def booster_silent(obs: Observed) -> Bools:
    """The booster was commanded one scan ago and does not show that it runs: a stop may follow at once."""
    commanded_before = np.zeros(obs.n, np.bool_)
    commanded_before[1:] = obs.on("booster_run")[:-1]
    return np.asarray(commanded_before & obs.open("booster_running"))


def _unit_contact(name: str) -> UnitCause:
    return lambda obs, unit: obs.open(name, unit)


def _bank_contact(name: str) -> BankCause:
    return lambda obs: obs.open(name)


UNIT_CAUSES: dict[str, UnitCause] = {
    "command": commanded,
    "link": link_lost,
    "image": lambda obs, unit: obs.older(obs.setpoints.io_stale_s, unit),  # lost on a line: no mark says so
    "demand": demand_fell,
    "no pressure": no_pressure,
    "feedback": feedback_wrong,
    "contactor": welded,
    "selector": _unit_contact("selector_auto"),
    "isolator": _unit_contact("isolator_on"),
    "motor": _unit_contact("motor_healthy"),
    "suction switch": _unit_contact("suction_ok"),
    "discharge switch": _unit_contact("discharge_ok"),
    "permeate switch": _unit_contact("permeate_ok"),
    "skid leak": _unit_contact("skid_dry"),
    "suction": lambda obs, unit: (
        obs.bad("suction_ma", unit) | obs.below("suction_ma", obs.setpoints.suction_trip_bar, unit)
    ),
    "discharge": lambda obs, unit: (
        obs.bad("membrane_ma", unit) | obs.above("membrane_ma", obs.setpoints.discharge_trip_bar, unit)
    ),
    "quality": poor_quality,
}

BANK_CAUSES: dict[str, BankCause] = {
    "power": lambda obs: ~obs.powered,
    "heartbeat": lambda obs: obs.older(obs.setpoints.io_stale_s),
    "dosing": dosing_silent,
    "booster": booster_silent,
    "E-stop": _bank_contact("estop_healthy"),
    "supply": _bank_contact("supply_healthy"),
    "bank selector": _bank_contact("bank_run"),
    "drive": _bank_contact("drive_healthy"),
    "antiscalant": _bank_contact("antiscalant_ok"),
    "overfull": _bank_contact("tank_not_overfull"),
    "source": _bank_contact("source_wet"),
    "floor leak": _bank_contact("floor_dry"),
    "sump": _bank_contact("sump_ok"),
    "header": lambda obs: obs.bad("header_ma") | obs.below("header_ma", obs.setpoints.header_low_bar),
    "temperature": lambda obs: (
        obs.bad("feed_temp_ma") | obs.above("feed_temp_ma", obs.setpoints.temp_trip_degc)
    ),
    "oxidant": lambda obs: obs.bad("chlorine_ma") | obs.above("chlorine_ma", obs.setpoints.chlorine_trip_mgl),
    "tank": lambda obs: obs.bad("tank_level_ma") | ~obs.below("tank_level_ma", obs.setpoints.tank_stop_pct),
}

SUCTION_CAUSES = ("suction", "suction switch", "header")


def standing(obs: Observed, unit: int, name: str) -> Bools:
    """Rows in which one cause stands for one unit."""
    if name in BANK_CAUSES:
        return obs.kept(f"cause {name}", 0, lambda: np.asarray(BANK_CAUSES[name](obs)))
    return obs.kept(f"cause {name}", unit, lambda: np.asarray(UNIT_CAUSES[name](obs, unit)))


def other_cause(obs: Observed, unit: int, first: int, last: int, but: Iterable[str] = ()) -> str:
    """Name of a cause, other than those in ``but``, that stood in the rows first..last; "" when none."""
    left_out = set(but)
    for name in (*UNIT_CAUSES, *BANK_CAUSES):
        if name not in left_out and standing(obs, unit, name)[max(first, 0) : last + 1].any():
            return name
    return ""


def alarm_shown(obs: Observed, unit: int) -> Bools:
    """Rows in which the field shows an alarm: unit beacon, horn, or the alarm relay dropped out."""
    shown = obs.on("horn") | ~obs.on("alarm_relay")
    return np.asarray(shown | obs.on("beacon", unit) if unit else shown)
