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
from sim_plant.process.compiled import compiled_inside
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
    P_PICK_UP,  # share of nominal voltage
    P_DROP_OUT,
    P_HOLD_UP_S,
    P_HEADER_VOLUME,
    P_ANTISCALANT,  # kg for each mL of product
    P_START_H,
    P_TDS_DESIGN,  # kg/m3
    P_SATURATION,
    P_HELD,
    P_HELD_DOSE,  # kg/m3 in the feed
    P_INDUCTION,
    P_GROWTH,  # 1/s
    P_FOULING,  # 1/m
    P_PREFILTER_DOUBLES,  # m3
    P_COUNT,
) = range(79)

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
    U_INDUCTION,  # 0..1, scale grows at 1
    U_SCALE,  # -ln of the permeability lost to scale
    U_FOULING,  # -ln of the permeability lost to fouling
    U_LOADED,  # m3 through the prefilter
    U_WEAR_A,  # factors of permeability, salt passage and module loss: 1 when new
    U_WEAR_B,
    U_WEAR_LOSS,
    U_SATURATION,  # of the last cell
    U_TOTAL,  # m3 of permeate
    U_LIVE,  # the motor has voltage
    U_IO_AGE,
    U_Q_FEED,
    U_Q_PERMEATE,
    U_Q_CONCENTRATE,
    U_Q_INLET,  # through feed valve
    U_AUTO,  # switches and hand valves
    U_ISOLATOR,
    U_HAND_VALVE,
    U_OUT,  # outputs held by the I/O module: UNIT_DOS columns
) = range(41)
U_CELL = U_OUT + UNIT_DOS  # kg/m3, MAX_CELLS columns
U_FLUX = U_CELL + MAX_CELLS  # m/s, MAX_CELLS columns
U_ANTISCALANT = U_FLUX + MAX_CELLS  # kg/m3, MAX_CELLS columns
U_COUNT = U_ANTISCALANT + MAX_CELLS
U_OUT_FEED, U_OUT_FLUSH, U_OUT_PUMP, U_OUT_ENABLE, U_OUT_DIVERT, U_OUT_BEACON = range(U_OUT, U_CELL)
# the bank's output image
O_BOOSTER, O_DOSING, O_ALARM, O_WATCHDOG, O_HORN, O_SPEED_MA, O_RATE_MA = range(BANK_OUTS)

# --- state of the bank ---------------------------------------------------------------------------
(
    B_HEADER,
    B_HZ,
    B_SHAFT_HZ,  # with the swing of a drive that hunts
    B_DECLINE,  # Pa that the source has lost
    B_TDS,
    B_TEMPERATURE,
    B_CHLORINE,  # mg/L
    B_TANK,  # m3
    B_TANK_SALT,  # kg
    B_TANK_TDS,
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
    B_DEMAND_SET,  # m3/s set by a person, or FREE: the profile holds
    B_POWER,
    B_MAINS,  # voltage of the supply, share of nominal
    B_SAG,  # share that the motors pull it down
    B_VOLTAGE,  # what is left of it at the motors and coils
    B_CONTROL,  # 24 V present
    B_INTERRUPTED,  # s since the supply was interrupted
    B_DRIVE_OK,
    B_ESTOP,
    B_RESET,
    B_RUN,
    B_PRODUCT_VALVE,
    B_STEP,
    B_TIME,  # s
    B_SEED,
    B_HAMMER,  # Pa, mean over the step
    B_HAMMER_LEFT,  # s
    B_ANTISCALANT,  # kg/m3 in the feed header
    B_ANTISCALANT_FEED,  # its mean over the step
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
    B_ANTISCALANT_IN,
    B_ANTISCALANT_OUT,
    B_COUNT,
) = range(59)

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
    UF_SCALE,  # further -ln of permeability
    UF_FOULING,  # rate multiplied by
    UF_BACK_LEAK,  # s, time constant of the permeate check valve's leak; 0 none
    UF_COUNT,
) = range(23)
(
    BF_DIP,  # Pa, header cannot exceed it
    BF_TDS,  # kg/m3 of the source, or FREE: the profile holds; as the next two
    BF_TEMPERATURE,
    BF_CHLORINE,  # mg/L
    BF_DECLINE,  # Pa/s
    BF_PULSE,  # Pa
    BF_HAMMER,  # Pa
    BF_HUNTING,  # Hz
    BF_REFERENCE_LOST,
    BF_SURGE,  # m3/s
    BF_SIPHON,  # mL/s
    BF_MAINS,  # share of nominal voltage
    BF_INTERRUPTION,  # s
    BF_PHASE_LOST,
    BF_CONTROL_LOST,
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
) = range(25)
NO_DIP = 1e9
FREE = -1.0  # of a quantity that is never negative

# --- daily profiles: count of points, then hour and value of each ---------------------------------
PR_TDS, PR_TEMPERATURE, PR_CHLORINE, PR_DEMAND, PROFILES = range(5)
MAX_POINTS = 24
PROFILE_COLUMNS = 1 + 2 * MAX_POINTS

# --- measuring loops: constants, faults, state; one row for each loop, unit loops first ------------
L_LO, L_SPAN, L_TAU, L_NOISE, L_COLUMN, L_SCALE, L_COUNT = range(7)  # measures column * scale
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
    LF_SPIKE,  # signal unit
    LF_PERIOD,
    LF_WIDTH,
    LF_STEP,  # signal unit
    LF_SWAP,  # 1 + row of the loop whose wire it got, 0 none
    LF_COUNT,
) = range(15)
LS_VALUE, LS_DRIFT, LS_LAST, LS_SPIKE_S, LS_WIRE, LS_COUNT = range(6)  # LS_LAST, LS_WIRE mA
T_COLUMN, T_SCALE, T_COUNT = range(3)  # a true quantity is column * scale


class Arrays(NamedTuple):
    """All that one plant is; N units, loops and contacts count the units' first, then the bank's."""

    p: Floats  # (P_COUNT,) parameters
    loops: Floats  # (loops, L_COUNT) constants of the measuring loops
    profiles: Floats  # (PROFILES, PROFILE_COLUMNS)
    unit_map: Floats  # (UNIT_TRUTHS, T_COUNT)
    bank_map: Floats  # (BANK_TRUTHS, T_COUNT)
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
    work: Floats  # (N, WORK) scratch, as the next
    true: Floats  # (loops,)
    di: NDArray[np.bool_]  # (contacts,) image


WORK = 6
UNIT_TRUTHS, BANK_TRUTHS = len(UNIT_TRUTH), len(BANK_TRUTH)


def state_size(n_units: int) -> int:
    """Length of the buffer of all that changes and that a snapshot keeps."""
    loops, contacts = n_units * UNIT_AIS + BANK_AIS, n_units * UNIT_DIS + BANK_DIS
    unit = U_COUNT + UF_COUNT + UNIT_TRUTHS
    bank = B_COUNT + BF_COUNT + BANK_OUTS + BANK_TRUTHS
    return n_units * unit + bank + loops * (LF_COUNT + LS_COUNT + 1) + contacts


def scratch_size(n_units: int) -> int:
    """Length of the buffer of what need not outlive a step."""
    return n_units * WORK + n_units * UNIT_AIS + BANK_AIS


def views(constants: Floats, state: Floats, scratch: Floats, di: NDArray[np.bool_], n_units: int) -> Arrays:
    """Views of the buffers under their names; the one place that knows their order.

    Called by the plant to fill the arrays and by the kernel on every step: three buffers pass into
    compiled code faster than twenty arrays.
    """
    n, loops, contacts = n_units, n_units * UNIT_AIS + BANK_AIS, n_units * UNIT_DIS + BANK_DIS
    loops_end = P_COUNT + loops * L_COUNT
    profiles_end = loops_end + PROFILES * PROFILE_COLUMNS
    map_end = profiles_end + UNIT_TRUTHS * T_COUNT
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
        constants[P_COUNT:loops_end].reshape((loops, L_COUNT)),
        constants[loops_end:profiles_end].reshape((PROFILES, PROFILE_COLUMNS)),
        constants[profiles_end:map_end].reshape((UNIT_TRUTHS, T_COUNT)),
        constants[map_end:].reshape((BANK_TRUTHS, T_COUNT)),
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
        scratch[work_end:],
        di,
    )


compiled_views = compiled_inside(views)
