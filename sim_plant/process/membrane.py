"""Transport through a reverse-osmosis membrane and mixing beside it, SI.

Solution-diffusion with film theory, local to one well-mixed cell:

    Jw = A (dP - dpi),   Js = B (Cm - Cp),   Cm - Cp = (Cb - Cp) exp(Jw / k)

Fluxes m/s, concentrations kg/m3. Cp is the concentration of the whole permeate side, which is one
mixed volume; the flux never turns back (osmotic suck-back of an idle unit is not modelled).
"""

from __future__ import annotations

import math

from sim_plant.process.compiled import compiled

ACTIVATION_K = 2640.0
ICE_POINT_K = 273.15
MOST_POLARISATION = 3.0  # exp(3) = 20: far beyond film theory, only keeps nonsense finite
LEAST_CROSS_FLOW = 0.02  # of nominal: film coefficient of a nearly still channel


@compiled
def temperature_factor(degc: float) -> float:
    """Water permeability A against its value at 25 degC: exp(2640 K (1/298.15 K - 1/T)).

    An activation law with the constant that makers of elements print in their correction formulas
    (from memory). It gives 3.0 % per degC at 25 degC, as practice has it; the viscosity of water alone
    would give 2.2 %, because the polymer opens with warmth too.
    """
    return math.exp(ACTIVATION_K * (1.0 / 298.15 - 1.0 / (degc + ICE_POINT_K)))


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
def mean_of_decay(x: float) -> float:
    """(1 - (1 - exp(-x)) / x) / x, 1/2 at x = 0; below 0.05 its series, to 1e-12."""
    if x < 0.05:
        return 0.5 - x / 6.0 * (1.0 - x / 4.0 * (1.0 - x / 5.0 * (1.0 - x / 6.0 * (1.0 - x / 7.0))))
    return (1.0 + math.expm1(-x) / x) / x


@compiled
def mix(c: float, source_rate: float, sink_rate: float, volume: float, dt_s: float) -> tuple[float, float]:
    """Well-mixed volume over one step: V dC/dt = source - sink C, solved exactly.

    ``source_rate`` kg/s, ``sink_rate`` m3/s. Returns the concentration at the end and its mean over
    the step, so that V (C1 - C0) = (source - sink * mean) dt holds to rounding.
    """
    x = sink_rate * dt_s / volume
    change = (source_rate - sink_rate * c) * dt_s / volume
    mean = mean_of_decay(x)
    return max(c + change * (1.0 - x * mean), 0.0), c + change * mean
