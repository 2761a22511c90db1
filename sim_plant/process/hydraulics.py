"""Laws of single pieces of pipework, SI: flow m3/s, pressure Pa.

Every law returns a flow that never runs backwards (the plant has check valves) and is smooth enough
for Newton's method; a small laminar term keeps slopes finite where the flow stops.
"""

from __future__ import annotations

import math

from sim_plant.process.compiled import compiled

LAMINAR = 1.8e6  # Pa s/m3, 0.005 bar for each m3/h: slope of a nearly still pipe
LEAST_SPEED = 0.1  # keeps the slope of a stopped pump finite


@compiled
def flow_through(dp_pa: float, quadratic: float, linear: float) -> float:
    """Flow that solves dp = quadratic Q^2 + linear Q; 0 for dp <= 0. ``linear`` must be positive.

    A valve has quadratic = 1 / Kv^2, Kv in m3/s at 1 Pa (definition of Kv, IEC 60534).
    """
    if dp_pa <= 0.0:
        return 0.0
    return 2.0 * dp_pa / (linear + math.sqrt(linear * linear + 4.0 * quadratic * dp_pa))


@compiled
def pump_flow_m3_s(rise_pa: float, speed: float, shutoff_pa: float, k: float, r: float) -> float:
    """Flow of a centrifugal pump against a pressure rise; ``speed`` 1 is rated.

    Solves rise = H0 n^2 - K Q^2 - r n Q, which obeys the affinity laws: n times the flow at n^2 times
    the head. 0 when the head is too small.
    """
    return flow_through(shutoff_pa * speed**2 - rise_pa, k, r * max(speed, LEAST_SPEED))


@compiled
def regulated_kv(kv_si: float, dp_pa: float, regulator_pa: float) -> float:
    """Kv of a valve behind an elastomer flow regulator, which closes up as the pressure rises.

    Kv / sqrt(1 + dp / regulator): the flow tends to Kv sqrt(regulator), whatever the pressure.
    """
    return kv_si / math.sqrt(1.0 + max(dp_pa, 0.0) / regulator_pa)


@compiled
def prefilter_pa(clean_pa: float, flow_ratio: float, viscosity_ratio: float) -> float:
    """Pressure drop of a cartridge filter: laminar, dp = dp0 (Q/Q0) (mu/mu0)."""
    return clean_pa * flow_ratio * viscosity_ratio


@compiled
def toward(value: float, target: float, most: float) -> float:
    """``value`` moved to ``target`` by no more than ``most``."""
    return min(max(target, value - most), value + most)


@compiled
def lag(value: float, target: float, dt_s: float, tau_s: float) -> float:
    """First-order lag, exact for a constant target; it arrives, so that no tail of tiny numbers slows us."""
    away = (value - target) * math.exp(-dt_s / tau_s)
    return target + away if abs(away) > 1e-12 else target
