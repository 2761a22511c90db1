"""Transport through a reverse-osmosis membrane and mixing beside it, SI.

Solution-diffusion with film theory, local to one well-mixed cell:

    Jw = A (dP - dpi),   Js = B (Cm - Cp),   Cm - Cp = (Cb - Cp) exp(Jw / k)

Fluxes m/s, concentrations kg/m3. Cp is the concentration of the whole permeate side, which is one
mixed volume; the flux never turns back (osmotic suck-back of an idle unit is not modelled).
"""

from __future__ import annotations

import math

from sim_plant.process.compiled import compiled

MOST_POLARISATION = 3.0  # exp(3) = 20: far beyond film theory, only keeps nonsense finite
LEAST_CROSS_FLOW = 0.02  # of nominal: film coefficient of a nearly still channel


@compiled
def polarisation(flux_m_s: float, k_m_s: float) -> float:
    """(Cm - Cp) / (Cb - Cp) by film theory: exp(Jw / k)."""
    return math.exp(min(flux_m_s / k_m_s, MOST_POLARISATION))


@compiled
def film_coefficient(k_nominal_m_s: float, flow_ratio: float) -> float:
    """Film coefficient in a spacer-filled channel, k ~ sqrt(cross-flow).

    The exponent is common practice, no source; correlations give 0.4 to 0.6.
    """
    return k_nominal_m_s * math.sqrt(max(flow_ratio, LEAST_CROSS_FLOW))


@compiled
def cell_film(k_nominal_m_s: float, nominal: float, feed: float, concentrate: float, share: float) -> float:
    """Film coefficient in the middle of a cell at ``share`` (0..1) of the way along; flows in m3/s."""
    return film_coefficient(k_nominal_m_s, (feed + (concentrate - feed) * share) / nominal)


@compiled
def flux_step(flux: float, a: float, drive_pa: float, osmotic_pa: float, k: float) -> tuple[float, float]:
    """One Newton step for Jw = A (drive - osmotic exp(Jw/k)): (flux, d flux / d drive).

    ``drive_pa`` is feed less permeate pressure, ``osmotic_pa`` the osmotic difference in the bulk
    (negative while the permeate side is saltier). The flux is 0 where the drive cannot overcome it.
    """
    e = polarisation(flux, k)
    slope = 1.0 + max(a * osmotic_pa * e / k, 0.0)
    new = flux + (a * (drive_pa - osmotic_pa * e) - flux) / slope
    if new <= 0.0:
        return 0.0, 0.0
    return new, a / slope


@compiled
def decay_mean(x: float) -> float:
    """(1 - exp(-x)) / x, 1 at x = 0."""
    if x < 1e-4:
        return 1.0 - x / 2.0 + x * x / 6.0
    return -math.expm1(-x) / x


@compiled
def decay_mean_mean(x: float) -> float:
    """(1 - decay_mean(x)) / x, 1/2 at x = 0."""
    if x < 1e-3:
        return 0.5 - x / 6.0 + x * x / 24.0
    return (1.0 - decay_mean(x)) / x


@compiled
def mix(c: float, source_rate: float, sink_rate: float, volume: float, dt_s: float) -> tuple[float, float]:
    """Well-mixed volume over one step: V dC/dt = source - sink C, solved exactly.

    ``source_rate`` kg/s, ``sink_rate`` m3/s. Returns the concentration at the end and its mean over
    the step, so that V (C1 - C0) = (source - sink * mean) dt holds to rounding.
    """
    x = sink_rate * dt_s / volume
    change = (source_rate - sink_rate * c) * dt_s / volume
    return max(c + change * decay_mean(x), 0.0), c + change * decay_mean_mean(x)
