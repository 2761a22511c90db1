"""Arithmetic of pipes, valves and pumps about a site: friction, Kv, suction, surge, speed, power.

The kernel lumps pipework into Kv values and pump curves; with these functions one finds them.
"""

from __future__ import annotations

import math

from sim_plant.process.solutions import vapour_pressure_pa
from sim_plant.process.water import GRAVITY_M_S2, density_kg_m3, viscosity_pa_s

LAMINAR_RE = 2300.0
KV_DENSITY_KG_M3 = 1000.0  # the density in the definition of Kv
KV_PER_CV = 0.865  # m3/h at 1 bar for each US gallon a minute at 1 psi
J_PER_KWH = 3.6e6


def velocity_m_s(flow_m3h: float, bore_m: float) -> float:
    """Mean velocity in a round pipe: Q / (pi D2 / 4).

    >>> round(velocity_m_s(0.6, 0.0161), 3)
    0.819
    """
    return flow_m3h / 3600.0 / (math.pi * bore_m**2 / 4.0)


def reynolds(velocity: float, bore_m: float, degc: float) -> float:
    """Reynolds number of water in a round pipe: v D rho / mu.

    >>> round(reynolds(0.8187, 0.0161, 20.0), -2)
    13100.0
    """
    return velocity * bore_m * density_kg_m3(degc) / viscosity_pa_s(degc)


def friction_factor(re: float, relative_roughness: float) -> float:
    """Darcy friction factor: 64/Re to Re 2300, above it Colebrook and White's equation.

    1/sqrt(f) = -2 log10(e/D / 3.7 + 2.51 / (Re sqrt(f))), solved by repetition from a rough pipe. Between
    2300 and 4000 the truth is uncertain. Raises ValueError unless Re > 0 and 0 <= e/D <= 0.05.

    >>> round(friction_factor(1e5, 1e-4), 4)
    0.0185
    """
    if not (re > 0.0 and 0.0 <= relative_roughness <= 0.05):
        raise ValueError(f"Re = {re:g}, relative roughness = {relative_roughness:g} make no pipe")
    if re <= LAMINAR_RE:
        return 64.0 / re
    x = 8.0  # 1/sqrt(f)
    for _ in range(30):
        x = -2.0 * math.log10(relative_roughness / 3.7 + 2.51 * x / re)
    return x**-2


def pipe_loss_pa(flow_m3h: float, bore_m: float, length_m: float, roughness_m: float, degc: float) -> float:
    """Loss of a straight pipe full of water: f L/D rho v2/2 (Darcy and Weisbach); 0 at no flow.

    >>> round(pipe_loss_pa(0.6, 0.0161, 5.0, 4.5e-5, 20.0) / 1e5, 2)
    0.03
    """
    if flow_m3h == 0.0:
        return 0.0
    velocity = velocity_m_s(flow_m3h, bore_m)
    f = friction_factor(reynolds(velocity, bore_m, degc), roughness_m / bore_m)
    return f * length_m / bore_m * density_kg_m3(degc) * velocity**2 / 2.0


def kv_from_cv(cv: float) -> float:
    """Kv of a valve whose Cv is given in US gallons a minute: 0.865 Cv (IEC 60534).

    >>> kv_from_cv(1.0)
    0.865
    """
    return KV_PER_CV * cv


def cv_from_kv(kv_m3h: float) -> float:
    """Cv of a valve with this Kv.

    >>> round(cv_from_kv(1.0), 3)
    1.156
    """
    return kv_m3h / KV_PER_CV


def kv_from_zeta(zeta: float, bore_m: float) -> float:
    """Kv of a fitting with a loss coefficient: area sqrt(2 x 1 bar / (zeta 1000 kg/m3)).

    >>> round(kv_from_zeta(2.0, 0.02), 2)
    11.31
    """
    return 3600.0 * math.pi * bore_m**2 / 4.0 * math.sqrt(2e5 / (zeta * KV_DENSITY_KG_M3))


def npsh_available_m(surface_pa: float, level_above_pump_m: float, loss_m: float, degc: float) -> float:
    """Net positive suction head from a tank: (p - pv) / (rho g) + z - loss; ``surface_pa`` absolute.

    >>> round(npsh_available_m(101325.0, 1.0, 0.5, 20.0), 1)
    10.6
    """
    column_m = (surface_pa - vapour_pressure_pa(degc)) / (density_kg_m3(degc) * GRAVITY_M_S2)
    return column_m + level_above_pump_m - loss_m


def surge_pa(wave_m_s: float, velocity_change_m_s: float, density: float = 1000.0) -> float:
    """Pressure rise when a flow is stopped at once: rho a dv (Joukowsky).

    The wave runs at 300 to 500 m/s in plastic and 1000 to 1300 m/s in metal (from memory).

    >>> surge_pa(1200.0, 1.5) / 1e5
    18.0
    """
    return density * wave_m_s * velocity_change_m_s


def shaft_power_w(flow_m3h: float, rise_pa: float, efficiency: float) -> float:
    """Shaft power of a pump: Q dp / eta.

    >>> round(shaft_power_w(0.48, 10e5, 0.5), 1)
    266.7
    """
    return flow_m3h / 3600.0 * rise_pa / efficiency


def least_speed_ratio(static_m: float, shutoff_m: float) -> float:
    """Speed ratio below which a pump gives nothing against a static head: sqrt(Hstat / H0).

    >>> round(least_speed_ratio(20.0, 50.0), 3)
    0.632
    """
    return math.sqrt(static_m / shutoff_m)


def energy_kwh_m3(feed_pa: float, recovery: float, efficiency: float) -> float:
    """Energy for each m3 of permeate without energy recovery: P / (eta R).

    >>> round(energy_kwh_m3(10e5, 0.5, 0.5), 3)
    1.111
    """
    return feed_pa / (efficiency * recovery) / J_PER_KWH
