"""Requirements on power-up, power dips and a stopped program."""

from __future__ import annotations

import numpy as np

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.feedwater import prestart_fault
from sim_plant.bench.monitors.flushing import start_flush_margin_ms
from sim_plant.bench.monitors.observed import UNIT_OUTPUTS, Observed
from sim_plant.bench.monitors.reactions import never
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ms, shortest_ms

BANK_ACTUATORS = ("booster_run", "dosing_run")
HALT_S = 2.5  # stated by SR-43
WATCHDOG_HALF_PERIOD_S = 0.5  # the pulse is 1 Hz


def quiet_after_boot(obs: Observed) -> Tally:
    """SR-42."""
    sp = obs.setpoints
    tally = obs.tally(f"outputs 0 for {sp.boot_s:g} s, then start flush and pre-start before the first pump")
    for boot, until in _lives(obs):
        _all_quiet(obs, tally, boot, until)
        first = min(
            ((row, unit) for unit in obs.units if (row := _first_start(obs, unit, boot, until)) is not None),
            default=None,
        )
        if first is not None:
            row, unit = first
            margin_ms, text = start_flush_margin_ms(obs, unit, row)
            tally.timed(int(obs.t[row]), unit, margin_ms, text)
            fault = prestart_fault(obs, boot, row)
            if fault:
                tally.broken(int(obs.t[row]), unit, f"first pump start {fault}", trigger=False)
    return tally


def _lives(obs: Observed) -> list[tuple[int, int]]:
    """Spans between a power-up and the next loss of power."""
    return forms.spans(obs.powered)


def _all_quiet(obs: Observed, tally: Tally, boot: int, until: int) -> None:
    """No actuator is energised in the first seconds; the alarm relay and the watchdog may live."""
    least_ms = shortest_ms(obs.setpoints.boot_s, obs.scan_ms)
    if int(obs.t[until - 1] - obs.t[boot]) < least_ms:
        return
    outputs = [(unit, name) for unit in obs.units for name in UNIT_OUTPUTS]
    outputs += [(0, name) for name in BANK_ACTUATORS]
    on = [np.flatnonzero(obs.on(name, unit)[boot:until]) for unit, name in outputs]
    first = [(boot + int(rows[0]), *output) for rows, output in zip(on, outputs, strict=True) if len(rows)]
    if not first:
        tally.held(int(obs.t[boot]), 0, "all outputs stayed 0")
        return
    row, unit, name = min(first)
    quiet_ms = int(obs.t[row] - obs.t[boot])
    text = f"{name} on {quiet_ms / 1000:.1f} s after power-up"
    tally.timed(int(obs.t[boot]), unit, quiet_ms - least_ms, text)


def _first_start(obs: Observed, unit: int, boot: int, until: int) -> int | None:
    row = forms.next_row(obs.rises("pump", unit), boot - 1)
    return row if row is not None and row < until else None


def power_dips(obs: Observed) -> Tally:
    """SR-54."""
    sp = obs.setpoints
    tally = obs.tally(f"after a dip: outputs 0 for {sp.boot_s:g} s, whole start flush, feed before pump")
    for boot, until in _lives(obs):
        if boot == 0:
            continue  # the power-up at the beginning is no dip
        _all_quiet(obs, tally, boot, until)
        for unit in obs.units:
            start = _first_start(obs, unit, boot, until)
            if start is not None:
                margin_ms, text = start_flush_margin_ms(obs, unit, start)
                tally.timed(int(obs.t[start]), unit, margin_ms, text)
            wrong = obs.on("pump", unit) & ~obs.on("feed_valve", unit)
            wrong[:boot] = False
            wrong[until:] = False
            never(obs, tally, unit, wrong, allowed_ms=obs.scan_ms, what="pump without feed valve")
    return tally


def program_halts(obs: Observed) -> Tally:
    """SR-43."""
    tally = obs.tally(f"all unit outputs 0 and alarm relay dropped within {HALT_S:g} s")
    pulses = forms.changes(obs.on("watchdog"))
    live_ms = ms(HALT_S) + obs.scan_ms
    energised = obs.on("alarm_relay").copy()
    for unit in obs.units:
        for name in UNIT_OUTPUTS:
            energised |= obs.on(name, unit)
    silent = forms.since_ms(obs.t, pulses) >= ms(3 * WATCHDOG_HALF_PERIOD_S)
    for start, end in forms.spans(silent & obs.powered):
        halted = forms.last_row(pulses, start)
        if halted is None or not energised[halted] or not obs.powered[halted:start].all():
            continue
        off = np.flatnonzero(~energised[halted:end])
        took_row = halted + int(off[0]) if len(off) else end
        took_ms = forms.length_ms(obs.t, (halted, took_row))
        if len(off) or took_ms > live_ms:
            text = f"outputs 0 {took_ms / 1000:.1f} s after the last pulse"
            tally.timed(int(obs.t[halted]), 0, live_ms - took_ms, text)
    return tally


RULES = (
    Requirement(
        "SR-42",
        "After power-up valves, pumps, booster and dosing stay off for {boot_s:g} s, and the first pump "
        "starts only after a whole start flush and the pre-start of the bank.",
        "sequence",
        ("stored pressure, unexpected start", "membrane, mechanical"),
        ("boot_s", "start_flush_s", "settle_s", "header_ready_bar", "header_ready_s"),
        quiet_after_boot,
    ),
    Requirement(
        "SR-43",
        "Program stopped (no watchdog pulse): pumps and valves off and the alarm relay dropped within 2.5 s "
        "of the last pulse.",
        "response",
        ("loss of availability", "all others"),
        (),
        program_halts,
    ),
    Requirement(
        "SR-54",
        "After a power dip of any length all outputs stay off for {boot_s:g} s, and each unit takes a whole "
        "start flush before it produces.",
        "sequence",
        ("membrane, mechanical", "scaling and fouling"),
        ("boot_s", "start_flush_s", "settle_s"),
        power_dips,
    ),
)
