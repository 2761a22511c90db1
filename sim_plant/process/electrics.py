"""Contactors, motors, drive, protector, switches and the hard-wired protections.

The hard-wired layer acts whatever the program does: the E-stop, the high-high float and the watchdog
relay open every enable contactor, the E-stop also takes the booster drive's torque; the discharge
switch and the motor protector sit in the coil circuit of the main contactor.

Coils, 24 V and motors hang on one supply. A contactor closes above its pick-up voltage and then holds
down to its drop-out voltage; the 24 V lives from half voltage up; both outlast a gap of ``hold_up_s``.
"""

from __future__ import annotations

import math

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled
from sim_plant.process.hydraulics import lag, toward
from sim_plant.process.layout import Floats

SHUT, OPEN = 1.0, 2.0  # values of the force columns
LEAST_CONTROL = 0.5  # share of nominal voltage: below it the 24 V is gone, own choice
LEAST_DRIVE = 0.65  # below it the drive trips on undervoltage, own choice
LEAST_REFERENCE_MA = 2.0  # a 4..20 mA reference below it is taken for a broken wire
HUNTING_HZ = 0.1
TWO_PHASE_CURRENT = 1.7  # multiple of full load on two phases, about sqrt(3)
TWO_PHASE_HEAT = 0.25  # of the heating of a locked rotor, own choice
LEAST_START = 0.5  # a motor on two phases that turns slower does not run up


@compiled
def step_supply(p: Floats, b: Floats, bf: Floats, bank_out: Floats, dt_s: float) -> None:
    """Voltage of the supply: off, sagging, or away for ``bf[BF_INTERRUPTION]`` seconds, once."""
    mains = bf[at.BF_MAINS]
    if bf[at.BF_INTERRUPTION] > 0.0:
        away = min(bf[at.BF_INTERRUPTION], b[at.B_INTERRUPTED] + dt_s)
        if away > b[at.B_INTERRUPTED] and away > p[at.P_HOLD_UP_S] + 1e-9:
            mains = 0.0
        b[at.B_INTERRUPTED] += dt_s
    else:
        b[at.B_INTERRUPTED] = 0.0
    b[at.B_MAINS] = mains if b[at.B_POWER] > 0.0 else 0.0
    b[at.B_VOLTAGE] = b[at.B_MAINS] * (1.0 - b[at.B_SAG])
    step_control(b, bf, bank_out)


@compiled
def step_control(b: Floats, bf: Floats, bank_out: Floats) -> None:
    """Whether the 24 V of inputs, outputs and coils is there, and whether the drive is healthy."""
    live = b[at.B_POWER] > 0.0 and b[at.B_MAINS] >= LEAST_CONTROL and bf[at.BF_CONTROL_LOST] == 0.0
    b[at.B_CONTROL] = 1.0 if live else 0.0
    sound = bf[at.BF_TRIP] == 0.0 and bf[at.BF_PHASE_LOST] == 0.0 and b[at.B_MAINS] >= LEAST_DRIVE
    told = bank_out[at.O_SPEED_MA] >= LEAST_REFERENCE_MA and bf[at.BF_REFERENCE_LOST] == 0.0
    b[at.B_DRIVE_OK] = 1.0 if sound and told else 0.0


@compiled
def step_bank_electrics(p: Floats, b: Floats, bf: Floats, bank_out: Floats, dt_s: float) -> None:
    """Watchdog relay and booster drive. ``bank_out`` is the bank's output image as numbers."""
    if bank_out[at.O_WATCHDOG] != b[at.B_WATCHDOG_LAST]:
        b[at.B_WATCHDOG_LAST] = bank_out[at.O_WATCHDOG]
        b[at.B_WATCHDOG_AGE] = 0.0
    else:
        b[at.B_WATCHDOG_AGE] += dt_s
    if b[at.B_CONTROL] == 0.0:
        b[at.B_WATCHDOG_AGE] = 0.0  # the relay starts its time anew when the 24 V is back
    b[at.B_DRIVE_RUNS] = 0.0
    live = b[at.B_CONTROL] > 0.0 and b[at.B_ESTOP] > 0.0 and b[at.B_DRIVE_OK] > 0.0
    if bank_out[at.O_BOOSTER] > 0.0 and live:
        b[at.B_DRIVE_RUNS] = 1.0
        wanted = min(max((bank_out[at.O_SPEED_MA] - 4.0) * 60.0 / 16.0, 0.0), 60.0)
        ramp = p[at.P_BOOSTER_RAMP] * (0.1 if bf[at.BF_SLOW_DRIVE] > 0.0 else 1.0)
        b[at.B_HZ] = toward(b[at.B_HZ], wanted, ramp * dt_s)
    else:
        b[at.B_HZ] = lag(b[at.B_HZ], 0.0, dt_s, p[at.P_BOOSTER_COAST])
    b[at.B_SHAFT_HZ] = b[at.B_HZ]
    if b[at.B_DRIVE_RUNS] > 0.0 and bf[at.BF_HUNTING] > 0.0:
        swing = bf[at.BF_HUNTING] * math.sin(2.0 * math.pi * HUNTING_HZ * b[at.B_TIME])
        b[at.B_SHAFT_HZ] = max(b[at.B_HZ] + swing, 0.0)


@compiled
def enables_permitted(p: Floats, b: Floats) -> bool:
    """The chain in series with every enable coil: E-stop, high-high float, watchdog relay, supply."""
    return bool(
        b[at.B_CONTROL] > 0.0
        and b[at.B_ESTOP] > 0.0
        and b[at.B_FLOAT_HIGH_OK] > 0.0
        and b[at.B_WATCHDOG_AGE] <= p[at.P_WATCHDOG]
    )


@compiled
def step_unit_electrics(p: Floats, u: Floats, b: Floats, uf: Floats, bf: Floats, dt_s: float) -> None:
    """I/O module, coils, mirror contacts, protector, pump speed and valve travel of one unit."""
    _step_module(p, u, b, uf, dt_s)
    live = b[at.B_CONTROL] > 0.0
    coil = live and u[at.U_OUT_PUMP] > 0.0 and u[at.U_PSHH] > 0.0 and u[at.U_PROTECTOR] > 0.0
    coil = coil and uf[at.UF_NO_CLOSE] == 0.0
    u[at.U_MAIN] = 1.0 if _contactor(p, b, u[at.U_MAIN], coil) or uf[at.UF_WELDED] > 0.0 else 0.0
    enabled = u[at.U_OUT_ENABLE] > 0.0 and enables_permitted(p, b)
    u[at.U_ENABLE] = 1.0 if _contactor(p, b, u[at.U_ENABLE], enabled) else 0.0
    u[at.U_LIVE] = 1.0 if motor_live(u, b) else 0.0
    _step_mirror(u, at.U_MAIN, at.U_MAIN_SEEN, at.U_MAIN_TIMER, p[at.P_MIRROR], dt_s)
    _step_mirror(u, at.U_ENABLE, at.U_ENABLE_SEEN, at.U_ENABLE_TIMER, p[at.P_MIRROR], dt_s)
    _step_motor(p, u, uf, bf[at.BF_PHASE_LOST] > 0.0, dt_s)
    u[at.U_FEED_X] = _step_valve(
        u[at.U_FEED_X],
        live and u[at.U_OUT_FEED] > 0.0,
        uf[at.UF_FEED_FORCE],
        uf[at.UF_FEED_TRAVEL],
        p[at.P_FEED_TRAVEL],
        dt_s,
    )
    u[at.U_FLUSH_X] = _step_valve(
        u[at.U_FLUSH_X],
        live and u[at.U_OUT_FLUSH] > 0.0,
        uf[at.UF_FLUSH_FORCE],
        uf[at.UF_FLUSH_TRAVEL],
        p[at.P_FLUSH_TRAVEL],
        dt_s,
    )


@compiled
def motor_live(u: Floats, b: Floats) -> bool:
    """The motor has voltage: main and enable contacts closed, isolator on, supply present."""
    return bool(
        u[at.U_MAIN] > 0.0 and u[at.U_ENABLE] > 0.0 and u[at.U_ISOLATOR] > 0.0 and b[at.B_MAINS] > 0.0
    )


@compiled
def _contactor(p: Floats, b: Floats, closed: float, coil: bool) -> bool:
    """Closes above the pick-up voltage, holds down to the drop-out voltage."""
    least = p[at.P_DROP_OUT] if closed > 0.0 else p[at.P_PICK_UP]
    return bool(coil and b[at.B_VOLTAGE] >= least)


@compiled
def supply_sag(p: Floats, u: Floats, b: Floats, bf: Floats) -> None:
    """Voltage at the motors, and the supply relay, which opens when it is too low or a phase is lost.

    A starting motor draws ``starting multiple`` times full load at rest, falling to full load with the
    time constant of its run-up (a crude but common picture, no source). The sag is in proportion to
    the current of all. A lone motor may always start.
    """
    current = 0.0
    for i in range(u.shape[0]):
        current += u[i, at.U_CURRENT]
    sag = p[at.P_SAG] * current / (u.shape[0] * p[at.P_START_MULTIPLE]) if u.shape[0] > 1 else 0.0
    b[at.B_SAG] = min(sag, 1.0)
    b[at.B_VOLTAGE] = b[at.B_MAINS] * (1.0 - b[at.B_SAG])
    healthy = 1.0 - b[at.B_VOLTAGE] < p[at.P_SAG_RELAY] and bf[at.BF_PHASE_LOST] == 0.0
    b[at.B_SUPPLY_OK] = 1.0 if healthy else 0.0


@compiled
def _step_module(p: Floats, u: Floats, b: Floats, uf: Floats, dt_s: float) -> None:
    if uf[at.UF_IO_LOST] == 0.0:
        u[at.U_IO_AGE] = 0.0
        return
    u[at.U_IO_AGE] += dt_s
    if u[at.U_IO_AGE] >= p[at.P_MODULE_TIMEOUT] - 1e-9 or b[at.B_CONTROL] == 0.0:
        for column in range(at.UNIT_DOS):
            u[at.U_OUT + column] = 0.0


@compiled
def _step_mirror(u: Floats, real: int, seen: int, timer: int, delay_s: float, dt_s: float) -> None:
    if u[real] == u[seen]:
        u[timer] = 0.0
        return
    u[timer] += dt_s
    if u[timer] >= delay_s - 1e-9:
        u[seen] = u[real]
        u[timer] = 0.0


@compiled
def _step_motor(p: Floats, u: Floats, uf: Floats, phase_lost: bool, dt_s: float) -> None:
    live = u[at.U_LIVE] > 0.0
    stalled = uf[at.UF_LOCKED] > 0.0 or (phase_lost and u[at.U_SPEED] < LEAST_START)
    multiple = p[at.P_START_MULTIPLE]
    u[at.U_CURRENT] = multiple - (multiple - 1.0) * u[at.U_SPEED] if live else 0.0
    if live and phase_lost:
        u[at.U_CURRENT] = max(u[at.U_CURRENT], TWO_PHASE_CURRENT)
    if live and (stalled or phase_lost):
        u[at.U_HEAT] += dt_s / p[at.P_LOCKED_TRIP] * (1.0 if stalled else TWO_PHASE_HEAT)
    else:
        u[at.U_HEAT] = max(u[at.U_HEAT] - dt_s / p[at.P_COOL], 0.0)
    if uf[at.UF_OVERLOAD] > 0.0 or u[at.U_HEAT] >= 1.0 - 1e-9:
        u[at.U_PROTECTOR] = 0.0
        u[at.U_HEAT] = 1.0
    elif u[at.U_HEAT] == 0.0:
        u[at.U_PROTECTOR] = 1.0
    if uf[at.UF_LOCKED] > 0.0:
        u[at.U_SPEED] = 0.0
    elif live and not stalled:
        u[at.U_SPEED] = lag(u[at.U_SPEED], 1.0, dt_s, p[at.P_RUN_UP_TAU])
    else:
        u[at.U_SPEED] = lag(u[at.U_SPEED], 0.0, dt_s, p[at.P_COAST_TAU])


@compiled
def _step_valve(
    x: float, energised: bool, force: float, fault_travel_s: float, travel_s: float, dt_s: float
) -> float:
    target = 1.0 if energised else 0.0
    if force == SHUT:
        target = 0.0
    elif force == OPEN:
        target = 1.0
    slowest = fault_travel_s if fault_travel_s > 0.0 else travel_s
    return toward(x, target, dt_s / slowest)
