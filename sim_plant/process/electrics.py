"""Contactors, motors, drive, protector, switches and the hard-wired protections.

The hard-wired layer acts whatever the program does: the E-stop, the high-high float and the watchdog
relay open every enable contactor, the E-stop also takes the booster drive's torque; the discharge
switch and the motor protector sit in the coil circuit of the main contactor.
"""

from __future__ import annotations

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled
from sim_plant.process.hydraulics import lag, toward
from sim_plant.process.layout import Floats

SHUT, OPEN = 1.0, 2.0  # values of the force columns


@compiled
def step_bank_electrics(p: Floats, b: Floats, bf: Floats, bank_out: Floats, dt_s: float) -> None:
    """Watchdog relay and booster drive. ``bank_out`` is the bank's output image as numbers."""
    if bank_out[at.O_WATCHDOG] != b[at.B_WATCHDOG_LAST]:
        b[at.B_WATCHDOG_LAST] = bank_out[at.O_WATCHDOG]
        b[at.B_WATCHDOG_AGE] = 0.0
    else:
        b[at.B_WATCHDOG_AGE] += dt_s
    b[at.B_DRIVE_RUNS] = 0.0
    if bank_out[at.O_BOOSTER] > 0.0 and b[at.B_POWER] > 0.0 and b[at.B_ESTOP] > 0.0 and bf[at.BF_TRIP] == 0.0:
        b[at.B_DRIVE_RUNS] = 1.0
        wanted = min(max((bank_out[at.O_SPEED_MA] - 4.0) * 60.0 / 16.0, 0.0), 60.0)
        ramp = p[at.P_BOOSTER_RAMP] * (0.1 if bf[at.BF_SLOW_DRIVE] > 0.0 else 1.0)
        b[at.B_HZ] = toward(b[at.B_HZ], wanted, ramp * dt_s)
    else:
        b[at.B_HZ] = lag(b[at.B_HZ], 0.0, dt_s, p[at.P_BOOSTER_COAST])


@compiled
def enables_permitted(p: Floats, b: Floats) -> bool:
    """The chain in series with every enable coil: E-stop, high-high float, watchdog relay, supply."""
    return bool(
        b[at.B_POWER] > 0.0
        and b[at.B_ESTOP] > 0.0
        and b[at.B_FLOAT_HIGH_OK] > 0.0
        and b[at.B_WATCHDOG_AGE] <= p[at.P_WATCHDOG]
    )


@compiled
def step_unit_electrics(p: Floats, u: Floats, b: Floats, uf: Floats, dt_s: float) -> None:
    """I/O module, coils, mirror contacts, protector, pump speed and valve travel of one unit."""
    _step_module(p, u, b, uf, dt_s)
    live = b[at.B_POWER] > 0.0
    coil = live and u[at.U_OUT_PUMP] > 0.0 and u[at.U_PSHH] > 0.0 and u[at.U_PROTECTOR] > 0.0
    u[at.U_MAIN] = 1.0 if (coil and uf[at.UF_NO_CLOSE] == 0.0) or uf[at.UF_WELDED] > 0.0 else 0.0
    u[at.U_ENABLE] = 1.0 if u[at.U_OUT_ENABLE] > 0.0 and enables_permitted(p, b) else 0.0
    _step_mirror(u, at.U_MAIN, at.U_MAIN_SEEN, at.U_MAIN_TIMER, p[at.P_MIRROR], dt_s)
    _step_mirror(u, at.U_ENABLE, at.U_ENABLE_SEEN, at.U_ENABLE_TIMER, p[at.P_MIRROR], dt_s)
    _step_motor(p, u, b, uf, dt_s)
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
        u[at.U_MAIN] > 0.0 and u[at.U_ENABLE] > 0.0 and u[at.U_ISOLATOR] > 0.0 and b[at.B_POWER] > 0.0
    )


@compiled
def supply_sag(p: Floats, u: Floats, b: Floats) -> None:
    """Supply relay: opens while starting motors pull the voltage down by more than its limit.

    A starting motor draws ``starting multiple`` times full load at rest and falls linearly to full
    load at speed (a crude but common picture, no source). A lone motor may always start.
    """
    share = u[:, at.U_CURRENT].sum() / (u.shape[0] * p[at.P_START_MULTIPLE])
    healthy = p[at.P_SAG] * share < p[at.P_SAG_RELAY] or u.shape[0] == 1
    b[at.B_SUPPLY_OK] = 1.0 if b[at.B_POWER] > 0.0 and healthy else 0.0


@compiled
def _step_module(p: Floats, u: Floats, b: Floats, uf: Floats, dt_s: float) -> None:
    if uf[at.UF_IO_LOST] == 0.0:
        u[at.U_IO_AGE] = 0.0
        return
    u[at.U_IO_AGE] += dt_s
    if u[at.U_IO_AGE] >= p[at.P_MODULE_TIMEOUT] - 1e-9 or b[at.B_POWER] == 0.0:
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
def _step_motor(p: Floats, u: Floats, b: Floats, uf: Floats, dt_s: float) -> None:
    live = motor_live(u, b)
    locked = uf[at.UF_LOCKED] > 0.0
    multiple = p[at.P_START_MULTIPLE]
    u[at.U_CURRENT] = multiple - (multiple - 1.0) * u[at.U_SPEED] if live else 0.0
    if live and locked:
        u[at.U_HEAT] += dt_s / p[at.P_LOCKED_TRIP]
    else:
        u[at.U_HEAT] = max(u[at.U_HEAT] - dt_s / p[at.P_COOL], 0.0)
    if uf[at.UF_OVERLOAD] > 0.0 or u[at.U_HEAT] >= 1.0 - 1e-9:
        u[at.U_PROTECTOR] = 0.0
        u[at.U_HEAT] = 1.0
    elif u[at.U_HEAT] == 0.0:
        u[at.U_PROTECTOR] = 1.0
    if live and not locked:
        u[at.U_SPEED] = lag(u[at.U_SPEED], 1.0, dt_s, p[at.P_RUN_UP_TAU])
    else:
        u[at.U_SPEED] = 0.0 if locked else lag(u[at.U_SPEED], 0.0, dt_s, p[at.P_COAST_TAU])


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
