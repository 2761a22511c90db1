"""Properties of water and of dilute salt water, SI units.

Concentrations are kg/m3 (1 kg/m3 = 1000 mg/L), temperatures degC, pressures Pa.
"""

from __future__ import annotations

from sim_plant.process.compiled import compiled

GAS_CONSTANT = 8.314462618  # J/(mol K), exact by definition of the SI
NACL_KG_MOL = 0.0584428  # molar mass of sodium chloride
GRAVITY_M_S2 = 9.80665
ICE_POINT_K = 273.15


@compiled
def viscosity_pa_s(degc: float) -> float:
    """Viscosity of pure water at 0.1 MPa.

    Four-term fit of the IAPWS supplementary release on liquid water at 0.1 MPa (coefficients from
    memory, held against IAPWS R12-08 values in tests/published). Valid 0 to 110 degC.
    """
    t = (degc + ICE_POINT_K) / 300.0
    return 1e-6 * float(280.68 * t**-1.9 + 511.45 * t**-7.7 + 61.131 * t**-19.6 + 0.45903 * t**-40.0)


def density_kg_m3(degc: float) -> float:
    """Density of pure water at 101.325 kPa.

    Formula of Tanaka et al., Metrologia 38 (2001) 301 (coefficients from memory, held against
    IAPWS-95 values in tests/published). Stated for 0 to 40 degC, within 0.01 % up to 50 degC.
    """
    return 999.974950 * (1.0 - (degc - 3.983035) ** 2 * (degc + 301.797) / (522528.9 * (degc + 69.34881)))


def hydrostatic_pa(height_m: float, degc: float) -> float:
    """Pressure of a column of water: rho g h."""
    return density_kg_m3(degc) * GRAVITY_M_S2 * height_m


@compiled
def osmotic_pa_per_kg_m3(degc: float, ratio_to_nacl: float) -> float:
    """Osmotic pressure for each kg/m3 of salt: pi / c = 2 phi R T / M with phi = 0.93.

    A constant osmotic coefficient is within 5 % of sodium chloride from 0.5 to 35 kg/m3 and 5 to
    45 degC. ``ratio_to_nacl`` is below 1 for mixed natural salts, whose mean ion is heavier.
    """
    return 2.0 * 0.93 * GAS_CONSTANT * (degc + ICE_POINT_K) / NACL_KG_MOL * ratio_to_nacl


@compiled
def permeability_factor(degc: float) -> float:
    """Laminar permeability (cartridge filters) against its value at 25 degC: mu(25 degC) / mu(t).

    2.2 % per degC near 25 degC. A membrane gains more, see ``membrane.temperature_factor``.
    """
    return viscosity_pa_s(25.0) / viscosity_pa_s(degc)
