"""Where each number of the plant lives: column names of the flat arrays that the kernel works on.

The kernel sees only float64 arrays, so that a snapshot is one copy and the compiled and the plain run
share their data. All values are SI (Pa, m3/s, m3, kg/m3, s, degC) unless the comment says otherwise.
A fault array holds what the active faults do to the plant; ``packing`` fills them all.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, names
from sim_plant.process.compiled import compiled
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

Floats = NDArray[np.float64]

BAR = 1e5
M3H = 1.0 / 3600.0
MGL = 1e-3
LITRE = 1e-3
LMH = 1e-3 / 3600.0
MAX_CELLS = 8

UNIT_DIS, UNIT_AIS, UNIT_DOS = (len(names(UNIT_SIGNALS, kind)) for kind in (Kind.DI, Kind.AI, Kind.DO))
BANK_DIS, BANK_AIS, BANK_DOS = (len(names(BANK_SIGNALS, kind)) for kind in (Kind.DI, Kind.AI, Kind.DO))
BANK_OUTS = BANK_DOS + len(names(BANK_SIGNALS, Kind.AO))

# --- parameters, one vector ----------------------------------------------------------------------
(
    P_CELLS,
    P_AREA,
    P_A,  # m/(s Pa) at 25 degC
    P_B,  # m/s at 25 degC
    P_B_PER_K,
    P_K,  # m/s at P_Q_MEAN
    P_Q_MEAN,
    P_CELL_VOLUME,
    P_HOLD_UP,
    P_FEED_KV,  # m3/s at 1 Pa, as all Kv here
    P_FEED_TRAVEL,
    P_FLUSH_KV,
    P_FLUSH_REGULATOR,
    P_FLUSH_TRAVEL,
    P_RESTRICTOR_KV,
    P_MODULE,  # Pa/(m3/s)2
    P_PREFILTER,  # Pa s/m3 at 25 degC
    P_COMPLIANCE,  # m3/Pa
    P_PUMP_HEAD,
    P_PUMP_K,  # Pa/(m3/s)2
    P_PUMP_R,  # Pa/(m3/s)
    P_BYPASS_KV,
    P_RUN_UP_TAU,
    P_COAST_TAU,
    P_LOCKED_TRIP,
    P_COOL,
    P_DIVERTER,
    P_NOMINAL_FEED,
    P_BOOSTER_HEAD,
    P_BOOSTER_K,
    P_BOOSTER_R,
    P_BOOSTER_RAMP,  # Hz/s
    P_BOOSTER_COAST,
    P_MINIMUM_KV,
    P_HEADER_COMPLIANCE,
    P_PRODUCT_STATIC,
    P_PRODUCT_KV,
    P_PRODUCT_COMPLIANCE,
    P_RELIEF,
    P_DRAIN,
    P_SUMP_HIGH,
    P_SUMP_SPILL,
    P_TANK,
    P_DOSE_FULL,  # mL/s
    P_STROKE,  # mL
    P_PULSE,
    P_STOCK_LOW,  # mL
    P_MIRROR,
    P_WATCHDOG,
    P_MODULE_TIMEOUT,
    P_PSLL,
    P_PSHH,
    P_PSHH_RESET,
    P_PSH,
    P_FLOAT_HIGH,  # 0..1
    P_FLOAT_LOW,
    P_RESOLUTION,  # mA
    P_PERMEATE_FACTOR,  # mg/L for each uS/cm
    P_FEED_FACTOR,
    P_OSMOTIC,  # ratio to sodium chloride
    P_MIXING,
    P_START_MULTIPLE,
    P_SAG,
    P_SAG_RELAY,
    P_COUNT,
) = range(65)

# --- state of one unit ---------------------------------------------------------------------------
(
    U_SUCTION,
    U_MEMBRANE,
    U_PERMEATE_PRESSURE,
    U_FEED_X,  # travel 0..1
    U_FLUSH_X,
    U_REGULATOR,  # Pa seen by the flow regulator
    U_SPEED,  # pump speed 0..1
    U_MAIN,  # contacts, 0 or 1
    U_MAIN_SEEN,  # mirror contact
    U_MAIN_TIMER,
    U_ENABLE,
    U_ENABLE_SEEN,
    U_ENABLE_TIMER,
    U_CURRENT,  # multiple of full load at the start of the step
    U_HEAT,  # 0..1, protector trips at 1
    U_PROTECTOR,
    U_PSLL,
    U_PSHH,
    U_PSH,
    U_FLUSHED,
    U_PERMEATE_TDS,
    U_OXIDISED_H,  # hours of oxidation
    U_IO_AGE,
    U_Q_FEED,
    U_Q_PERMEATE,
    U_Q_CONCENTRATE,
    U_Q_INLET,  # through feed valve
    U_AUTO,  # switches and hand valves
    U_ISOLATOR,
    U_HAND_VALVE,
    U_OUT,  # outputs held by the I/O module: UNIT_DOS columns
) = range(31)
U_CELL = U_OUT + UNIT_DOS  # kg/m3, MAX_CELLS columns
U_FLUX = U_CELL + MAX_CELLS  # m/s, MAX_CELLS columns
U_COUNT = U_FLUX + MAX_CELLS
U_OUT_FEED, U_OUT_FLUSH, U_OUT_PUMP, U_OUT_ENABLE, U_OUT_DIVERT, U_OUT_BEACON = range(U_OUT, U_CELL)
# the bank's output image
O_BOOSTER, O_DOSING, O_ALARM, O_WATCHDOG, O_HORN, O_SPEED_MA, O_RATE_MA = range(BANK_OUTS)

# --- state of the bank ---------------------------------------------------------------------------
(
    B_HEADER,
    B_HZ,
    B_TDS,
    B_TEMPERATURE,
    B_CHLORINE,  # mg/L
    B_TANK,  # m3
    B_TANK_SALT,  # kg
    B_PRODUCT_PRESSURE,
    B_PRODUCT_TDS,  # in the product header
    B_SUMP,
    B_SPILLED,
    B_STROKE,  # share of the next stroke
    B_PULSE,  # s left
    B_STOCK,  # mL
    B_DOSED,  # mL
    B_WATCHDOG_LAST,
    B_WATCHDOG_AGE,
    B_FLOAT_HIGH_OK,
    B_FLOAT_LOW_OK,
    B_SUPPLY_OK,
    B_DEMAND,  # m3/s wanted
    B_POWER,
    B_ESTOP,
    B_RESET,
    B_RUN,
    B_PRODUCT_VALVE,
    B_STEP,
    B_SEED,
    B_Q_FEED,
    B_Q_DRAIN,
    B_Q_PRODUCT,
    B_Q_DEMAND,
    B_DRIVE_RUNS,
    # totals since the start of the run, m3 and kg
    B_IN,
    B_OUT_DRAIN,
    B_OUT_USED,
    B_OUT_OVERFLOW,
    B_SALT_IN,
    B_SALT_DRAIN,
    B_SALT_USED,
    B_SALT_OVERFLOW,
    B_COUNT,
) = range(42)

# --- what faults do ------------------------------------------------------------------------------
(
    UF_FEED_FORCE,  # 0 none, 1 shut, 2 open
    UF_FEED_TRAVEL,  # s, 0 none
    UF_FEED_LEAK,  # Kv
    UF_FLUSH_FORCE,
    UF_FLUSH_TRAVEL,
    UF_FLUSH_LEAK,
    UF_HEAD,
    UF_LOCKED,
    UF_NO_CLOSE,
    UF_WELDED,
    UF_OVERLOAD,
    UF_PREFILTER,  # further Pa at nominal feed
    UF_COLLAPSED,
    UF_A,
    UF_B,
    UF_OXIDISED,
    UF_RESTRICTOR,
    UF_IO_LOST,
    UF_LEAK,
    UF_COUNT,
) = range(20)
(
    BF_DIP,  # Pa, header cannot exceed it
    BF_TDS,  # kg/m3 of the source, healthy or not
    BF_TEMPERATURE,
    BF_CHLORINE,  # mg/L
    BF_DRY,
    BF_TRIP,
    BF_SLOW_DRIVE,
    BF_DRAIN,
    BF_PRODUCT_SHUT,
    BF_EMPTY,
    BF_NO_PULSE,
    BF_DOSE,
    BF_FLOOR_LEAK,
    BF_COUNT,
) = range(14)
NO_DIP = 1e9

# --- measuring loops: constants, faults, state; one row for each loop, unit loops first ------------
L_LO, L_SPAN, L_TAU, L_NOISE, L_COUNT = range(5)
(
    LF_TAU,
    LF_GAIN,
    LF_OFFSET,
    LF_DRIFT,  # signal unit per second
    LF_NOISE,  # share of span
    LF_STUCK,  # 0 none, 1 at LF_STUCK_AT, 2 at the last current
    LF_STUCK_AT,
    LF_FORCED,  # 1: LF_CURRENT is on the wire
    LF_CURRENT,  # mA
    LF_COUNT,
) = range(10)
LS_VALUE, LS_DRIFT, LS_LAST, LS_COUNT = range(4)  # LS_LAST mA


class Arrays(NamedTuple):
    """All that one plant is; N units, loops and contacts count the units' first, then the bank's."""

    p: Floats  # (P_COUNT,) parameters
    loops: Floats  # (loops, L_COUNT) constants of the measuring loops
    u: Floats  # (N, U_COUNT) state of the units
    b: Floats  # (B_COUNT,) state of the bank
    unit_faults: Floats  # (N, UF_COUNT)
    bank_faults: Floats  # (BF_COUNT,)
    loop_faults: Floats  # (loops, LF_COUNT)
    contact_faults: Floats  # (contacts,)
    loop_state: Floats  # (loops, LS_COUNT)
    ma: Floats  # (loops,) image
    bank_out: Floats  # (BANK_OUTS,) outputs as numbers
    unit_truth: Floats  # (N, UNIT_TRUTHS)
    bank_truth: Floats  # (BANK_TRUTHS,)
    work: Floats  # (N, WORK) scratch, as the next two
    true: Floats  # (loops,)
    frozen: Floats  # (loops,)
    di: NDArray[np.bool_]  # (contacts,) image


WORK = 6
UNIT_TRUTHS, BANK_TRUTHS = len(UNIT_TRUTH), len(BANK_TRUTH)


def constants_size(n_units: int) -> int:
    """Length of the buffer of parameters and loop constants."""
    return P_COUNT + (n_units * UNIT_AIS + BANK_AIS) * L_COUNT


def state_size(n_units: int) -> int:
    """Length of the buffer of all that changes and that a snapshot keeps."""
    loops, contacts = n_units * UNIT_AIS + BANK_AIS, n_units * UNIT_DIS + BANK_DIS
    unit = U_COUNT + UF_COUNT + UNIT_TRUTHS
    bank = B_COUNT + BF_COUNT + BANK_OUTS + BANK_TRUTHS
    return n_units * unit + bank + loops * (LF_COUNT + LS_COUNT + 1) + contacts


def scratch_size(n_units: int) -> int:
    """Length of the buffer of what need not outlive a step."""
    return n_units * WORK + 2 * (n_units * UNIT_AIS + BANK_AIS)


def views(constants: Floats, state: Floats, scratch: Floats, di: NDArray[np.bool_], n_units: int) -> Arrays:
    """Views of the buffers under their names; the one place that knows their order.

    Called by the plant to fill the arrays and by the kernel on every step: three buffers pass into
    compiled code faster than seventeen arrays.
    """
    n, loops, contacts = n_units, n_units * UNIT_AIS + BANK_AIS, n_units * UNIT_DIS + BANK_DIS
    u_end = n * U_COUNT
    b_end = u_end + B_COUNT
    uf_end = b_end + n * UF_COUNT
    bf_end = uf_end + BF_COUNT
    lf_end = bf_end + loops * LF_COUNT
    cf_end = lf_end + contacts
    ls_end = cf_end + loops * LS_COUNT
    ma_end = ls_end + loops
    out_end = ma_end + BANK_OUTS
    ut_end = out_end + n * UNIT_TRUTHS
    work_end = n * WORK
    return Arrays(
        constants[:P_COUNT],
        constants[P_COUNT:].reshape((loops, L_COUNT)),
        state[:u_end].reshape((n, U_COUNT)),
        state[u_end:b_end],
        state[b_end:uf_end].reshape((n, UF_COUNT)),
        state[uf_end:bf_end],
        state[bf_end:lf_end].reshape((loops, LF_COUNT)),
        state[lf_end:cf_end],
        state[cf_end:ls_end].reshape((loops, LS_COUNT)),
        state[ls_end:ma_end],
        state[ma_end:out_end],
        state[out_end:ut_end].reshape((n, UNIT_TRUTHS)),
        state[ut_end:],
        scratch[:work_end].reshape((n, WORK)),
        scratch[work_end : work_end + loops],
        scratch[work_end + loops :],
        di,
    )


compiled_views = compiled(views)
