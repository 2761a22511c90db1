"""Pressures and flows of the feed network: one Newton solve over header, suctions and membranes.

Unknown are the header pressure h and, for each unit, suction x and membrane pressure y. Small
compliances C make every node well posed, also with all valves shut:

    C dx/dt = Q_in(h, x) - Q_pump(x, y)
    C dy/dt = Q_pump(x, y) - Q_concentrate(y) - Q_permeate(y)
    C dh/dt = Q_booster(h) - sum Q_in(h, x)

taken implicitly, so any step is stable. Each unit's two unknowns are eliminated for h, so the work
grows with the number of units only. After the solve the flows are rebuilt from the outlets upstream;
that closes the water balance to rounding whatever is left of the residual.
"""

from __future__ import annotations

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled
from sim_plant.process.hydraulics import (
    LAMINAR,
    LEAST_SPEED,
    flow_through,
    lag,
    prefilter_pa,
    pump_flow_m3_s,
    regulated_kv,
)
from sim_plant.process.layout import Floats
from sim_plant.process.membrane import cell_film, flux_step, temperature_factor
from sim_plant.process.water import osmotic_pa_per_kg_m3, permeability_factor

ITERATIONS = 25
TOLERANCE_PA = 1.0
STILL_PA = 1e-3  # less is nothing
LONGEST_MOVE_PA = 4e5  # no pressure moves further in one iteration
VACUUM_PA = -1e5
CAVITATION_PA = 7e4  # the pump loses its head between this above vacuum and vacuum
W_U1, W_U2, W_V1, W_V2, W_X0, W_Y0 = range(6)  # columns of the scratch array


@compiled
def solve_pressures(
    p: Floats, u: Floats, b: Floats, uf: Floats, bf: Floats, work: Floats, dt_s: float
) -> None:
    """Update pressures, membrane fluxes and flows of all units and of the header."""
    degc = b[at.B_TEMPERATURE]
    a_t, thin = temperature_factor(degc), permeability_factor(degc)
    osmotic = osmotic_pa_per_kg_m3(degc, p[at.P_OSMOTIC])
    h0 = b[at.B_HEADER]
    for i in range(u.shape[0]):
        work[i, W_X0] = u[i, at.U_SUCTION]
        work[i, W_Y0] = u[i, at.U_MEMBRANE]
        _permeate_back_pressure(p, u[i], b, uf[i, at.UF_BACK_LEAK], dt_s)
    damping, last = 1.0, 1e12
    for _ in range(ITERATIONS):
        move = _iterate(p, u, b, uf, bf, work, dt_s, h0, a_t, thin, osmotic, damping)
        if move < TOLERANCE_PA:
            break
        # A check valve at its point of opening makes full steps jump to and fro; shorter ones settle.
        damping = max(0.5 * damping, 0.1) if move > 0.7 * last else min(2.0 * damping, 1.0)
        last = move
    _come_to_rest(u, b)
    _rebuild_flows(p, u, b, uf, work, dt_s, h0, a_t, osmotic)


@compiled
def _iterate(
    p: Floats,
    u: Floats,
    b: Floats,
    uf: Floats,
    bf: Floats,
    work: Floats,
    dt_s: float,
    h0: float,
    a_t: float,
    thin: float,
    osmotic: float,
    damping: float,
) -> float:
    """One damped Newton step; the largest move in Pa that the full step asked for.

    ``a_t`` is the temperature factor of the membranes, ``thin`` that of laminar flow.
    """
    h = b[at.B_HEADER]
    store = p[at.P_COMPLIANCE] / dt_s
    booster, slope = _booster(p, b, bf, h)
    f_header = p[at.P_HEADER_COMPLIANCE] / dt_s * (h - h0) - booster
    diagonal = p[at.P_HEADER_COMPLIANCE] / dt_s + slope
    for i in range(u.shape[0]):
        unit, broken = u[i], uf[i]
        x, y = unit[at.U_SUCTION], unit[at.U_MEMBRANE]
        q_in, d_in = _inlet(p, unit, broken, h - x, thin)
        q_pump, d_x, d_y = _pump(p, unit, broken, x, y)
        q_out, d_out = _outlet(p, unit, broken, y, a_t, osmotic)
        f1 = store * (x - work[i, W_X0]) - q_in + q_pump
        f2 = store * (y - work[i, W_Y0]) - q_pump + q_out
        a, c = store + d_in + d_x, store + d_y + d_out
        det = a * c - d_x * d_y
        work[i, W_U1] = (c * f1 + d_y * f2) / det
        work[i, W_U2] = (d_x * f1 + a * f2) / det
        work[i, W_V1] = c * d_in / det
        work[i, W_V2] = d_x * d_in / det
        f_header += q_in + d_in * work[i, W_U1]
        diagonal += d_in * (1.0 - work[i, W_V1])
    dh = min(h + _limited(-f_header / diagonal), bf[at.BF_DIP]) - h
    b[at.B_HEADER] += damping * dh
    largest = abs(dh)
    for i in range(u.shape[0]):
        dx = _limited(-work[i, W_U1] + work[i, W_V1] * dh)
        dy = _limited(-work[i, W_U2] + work[i, W_V2] * dh)
        u[i, at.U_SUCTION] = max(u[i, at.U_SUCTION] + damping * dx, VACUUM_PA)
        u[i, at.U_MEMBRANE] = max(u[i, at.U_MEMBRANE] + damping * dy, VACUUM_PA)
        largest = max(largest, abs(dx), abs(dy))
    return float(largest)


@compiled
def _come_to_rest(u: Floats, b: Floats) -> None:
    """End a decay that would never end: numbers near zero slow the arithmetic down."""
    if abs(b[at.B_HEADER]) < STILL_PA:
        b[at.B_HEADER] = 0.0
    for i in range(u.shape[0]):
        if abs(u[i, at.U_SUCTION]) < STILL_PA and abs(u[i, at.U_MEMBRANE]) < STILL_PA:
            u[i, at.U_SUCTION], u[i, at.U_MEMBRANE] = 0.0, 0.0


@compiled
def _limited(move_pa: float) -> float:
    return min(max(move_pa, -LONGEST_MOVE_PA), LONGEST_MOVE_PA)


@compiled
def _booster(p: Floats, b: Floats, bf: Floats, h: float) -> tuple[float, float]:
    """Flow into the header less the minimum-flow line, and its fall with header pressure.

    A borehole that declines takes head away, a surge of the supply adds some. The water stands below
    the pump: a header at vacuum draws nothing through a stopped or dry booster.
    """
    speed = b[at.B_SHAFT_HZ] / 50.0 if bf[at.BF_DRY] == 0.0 else 0.0
    rise = max(h, 0.0) + b[at.B_DECLINE] - bf[at.BF_PULSE]
    flow = pump_flow_m3_s(rise, speed, p[at.P_BOOSTER_HEAD], p[at.P_BOOSTER_K], p[at.P_BOOSTER_R])
    slope = 0.0
    if flow > 0.0 and h > 0.0:
        slope = 1.0 / (2.0 * p[at.P_BOOSTER_K] * flow + p[at.P_BOOSTER_R] * max(speed, LEAST_SPEED))
    if p[at.P_MINIMUM_KV] == 0.0:
        return flow, slope
    quadratic = p[at.P_MINIMUM_KV] ** -2
    back = flow_through(h, quadratic, LAMINAR)
    return flow - back, slope + (1.0 / (2.0 * quadratic * back + LAMINAR) if h > 0.0 else 0.0)


@compiled
def _inlet(p: Floats, u: Floats, uf: Floats, dp: float, thin: float) -> tuple[float, float]:
    """Flow through hand valve, check valve, feed valve and prefilter, and its slope."""
    kv = p[at.P_FEED_KV] * u[at.U_FEED_X] + uf[at.UF_FEED_LEAK]
    if dp <= 0.0 or kv < 1e-12 or u[at.U_HAND_VALVE] == 0.0:
        return 0.0, 0.0
    loaded = 1.0 + u[at.U_LOADED] / p[at.P_PREFILTER_DOUBLES]
    cartridge = p[at.P_PREFILTER] * (0.02 if uf[at.UF_COLLAPSED] > 0.0 else loaded)
    linear = prefilter_pa(cartridge, 1.0, 1.0 / thin) + uf[at.UF_PREFILTER] / p[at.P_NOMINAL_FEED] + LAMINAR
    quadratic = kv**-2
    flow = flow_through(dp, quadratic, linear)
    return flow, 1.0 / (2.0 * quadratic * flow + linear)


@compiled
def _pump(p: Floats, u: Floats, uf: Floats, x: float, y: float) -> tuple[float, float, float]:
    """Flow from suction to membranes through pump and bypass: (Q, dQ/dx, -dQ/dy)."""
    speed = u[at.U_SPEED]
    wet = min(max((x - VACUUM_PA) / CAVITATION_PA, 0.0), 1.0)
    head = p[at.P_PUMP_HEAD] * uf[at.UF_HEAD] * wet
    flow = pump_flow_m3_s(y - x, speed, head, p[at.P_PUMP_K], p[at.P_PUMP_R])
    d_x, d_y = 0.0, 0.0
    if flow > 0.0:
        d_y = 1.0 / (2.0 * p[at.P_PUMP_K] * flow + p[at.P_PUMP_R] * max(speed, LEAST_SPEED))
        d_x = d_y
        if 0.0 < wet < 1.0:
            d_x += d_y * p[at.P_PUMP_HEAD] * uf[at.UF_HEAD] * speed**2 / CAVITATION_PA
    if x > y:
        quadratic = p[at.P_BYPASS_KV] ** -2
        bypass = flow_through(x - y, quadratic, LAMINAR)
        slope = 1.0 / (2.0 * quadratic * bypass + LAMINAR)
        return flow + bypass, d_x + slope, d_y + slope
    return flow, d_x, d_y


@compiled
def outlet_kv(p: Floats, u: Floats, uf: Floats) -> float:
    """Kv of restrictor and flush valve together."""
    flush = p[at.P_FLUSH_KV] * u[at.U_FLUSH_X] + uf[at.UF_FLUSH_LEAK]
    restrictor = p[at.P_RESTRICTOR_KV] * uf[at.UF_RESTRICTOR]
    return float(restrictor) + regulated_kv(flush, u[at.U_REGULATOR], p[at.P_FLUSH_REGULATOR])


@compiled
def _outlet(p: Floats, u: Floats, uf: Floats, y: float, a_t: float, osmotic: float) -> tuple[float, float]:
    """Permeate and concentrate together and their slope; the flows and fluxes are left in ``u``."""
    permeate, d_permeate = _permeate(p, u, uf, y, a_t, osmotic)
    concentrate, d_concentrate = 0.0, 0.0
    kv = outlet_kv(p, u, uf)
    module = p[at.P_MODULE] * u[at.U_WEAR_LOSS]
    left = y - 0.25 * module * permeate * permeate
    if kv > 1e-12 and left > 0.0:
        quadratic, linear = module + kv**-2, module * permeate + LAMINAR
        concentrate = flow_through(left, quadratic, linear)
        fall = module * (concentrate + 0.5 * permeate) * d_permeate
        d_concentrate = max(1.0 - fall, 0.0) / (2.0 * quadratic * concentrate + linear)
    u[at.U_Q_PERMEATE] = permeate
    u[at.U_Q_CONCENTRATE] = concentrate
    return permeate + concentrate, d_permeate + d_concentrate


@compiled
def _permeate(p: Floats, u: Floats, uf: Floats, y: float, a_t: float, osmotic: float) -> tuple[float, float]:
    """Permeate of all cells and its slope with membrane pressure; one Newton step of the fluxes."""
    cells = int(p[at.P_CELLS])
    area = p[at.P_AREA] / cells
    a = p[at.P_A] * a_t * uf[at.UF_A] * u[at.U_WEAR_A]
    feed, concentrate = u[at.U_Q_PERMEATE] + u[at.U_Q_CONCENTRATE], u[at.U_Q_CONCENTRATE]
    loss = p[at.P_MODULE] * u[at.U_WEAR_LOSS] * (0.5 * (feed + concentrate)) ** 2
    total, slope = 0.0, 0.0
    for j in range(cells):
        share = (j + 0.5) / cells
        k = cell_film(p[at.P_K], p[at.P_Q_MEAN], feed, concentrate, share)
        drive = y - loss * share - u[at.U_PERMEATE_PRESSURE]
        bulk = osmotic * (u[at.U_CELL + j] - u[at.U_PERMEATE_TDS])
        flux, d_flux = flux_step(u[at.U_FLUX + j], a, drive, bulk, k)
        u[at.U_FLUX + j] = flux
        total += flux * area
        slope += d_flux * area
    return total, slope


@compiled
def flows_to_tank(p: Floats, u: Floats, b: Floats) -> bool:
    """The permeate diverter, if there is one, leads to the tank; it falls to drain without its 24 V."""
    return bool(p[at.P_DIVERTER] == 0.0 or (u[at.U_OUT_DIVERT] > 0.0 and b[at.B_CONTROL] > 0.0))


@compiled
def _permeate_back_pressure(p: Floats, u: Floats, b: Floats, leak_s: float, dt_s: float) -> None:
    """Pressure behind the membranes: that of the line it flows into, or what an idle side keeps.

    A leaking check valve lets the pressure of the product header creep back into an idle unit; the
    little water that comes with it is left out, as all back-flow through membranes is.
    """
    line = b[at.B_PRODUCT_PRESSURE] if flows_to_tank(p, u, b) else 0.0
    if u[at.U_Q_PERMEATE] > 0.0 or u[at.U_PERMEATE_PRESSURE] > line:
        u[at.U_PERMEATE_PRESSURE] = line
    elif leak_s > 0.0:
        u[at.U_PERMEATE_PRESSURE] = lag(u[at.U_PERMEATE_PRESSURE], b[at.B_PRODUCT_PRESSURE], dt_s, leak_s)


@compiled
def _rebuild_flows(
    p: Floats,
    u: Floats,
    b: Floats,
    uf: Floats,
    work: Floats,
    dt_s: float,
    h0: float,
    a_t: float,
    osmotic: float,
) -> None:
    """Flows from the outlets upstream, so that in = out + stored at every node."""
    store = p[at.P_COMPLIANCE] / dt_s
    total = 0.0
    for i in range(u.shape[0]):
        _outlet(p, u[i], uf[i], u[i, at.U_MEMBRANE], a_t, osmotic)
        out = u[i, at.U_Q_PERMEATE] + u[i, at.U_Q_CONCENTRATE]
        u[i, at.U_Q_FEED] = out
        through = out + store * (u[i, at.U_MEMBRANE] - work[i, W_Y0])
        u[i, at.U_Q_INLET] = through + store * (u[i, at.U_SUCTION] - work[i, W_X0])
        total += u[i, at.U_Q_INLET]
        loss = p[at.P_MODULE] * u[i, at.U_WEAR_LOSS] * (0.5 * (out + u[i, at.U_Q_CONCENTRATE])) ** 2
        u[i, at.U_REGULATOR] = max(u[i, at.U_MEMBRANE] - loss, 0.0)
        if u[i, at.U_LIVE] > 0.0:
            u[i, at.U_FLUSHED] = 0.0
        else:
            u[i, at.U_FLUSHED] += u[i, at.U_Q_CONCENTRATE] * dt_s
    b[at.B_Q_FEED] = total + p[at.P_HEADER_COMPLIANCE] / dt_s * (b[at.B_HEADER] - h0)
    b[at.B_IN] += b[at.B_Q_FEED] * dt_s
