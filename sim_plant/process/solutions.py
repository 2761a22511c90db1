"""Sodium chloride and other dissolved salt: osmotic coefficient and pressure, density, units, blending.

The kernel uses the simple laws of ``water``; the fuller ones here say how far off those are, and serve
calculations about a site. Concentrations are kg of salt in m3 of solution unless a name says otherwise.
"""

from __future__ import annotations

import math

from sim_plant.process.water import GAS_CONSTANT, ICE_POINT_K, NACL_KG_MOL, density_kg_m3

NACL_VOLUME_M3_MOL = 16.62e-6  # apparent molar volume at no concentration, 25 degC (from memory)
NACL_VOLUME_SLOPE = 1.8e-6  # its rise with the square root of molality (from memory)
PITZER_B = 1.2  # kg^0.5/mol^0.5
PITZER_ALPHA = 2.0  # kg^0.5/mol^0.5
VACUUM_PERMITTIVITY = 8.8541878128e-12  # F/m
ELEMENTARY_CHARGE = 1.602176634e-19  # C, exact
AVOGADRO = 6.02214076e23  # 1/mol, exact
BOLTZMANN = 1.380649e-23  # J/K, exact


def relative_permittivity(degc: float) -> float:
    """Static relative permittivity of water.

    87.740 - 0.40008 t + 9.398e-4 t2 - 1.410e-6 t3: Malmberg and Maryott, J. Res. Natl. Bur. Stand. 56
    (1956) 1, coefficients from memory. Valid 0 to 100 degC.

    >>> round(relative_permittivity(25.0), 2)
    78.3
    """
    return 87.740 - 0.40008 * degc + 9.398e-4 * degc**2 - 1.410e-6 * degc**3


def debye_huckel_slope(degc: float) -> float:
    """A of log10(gamma) = -A z2 sqrt(I), kg^0.5/mol^0.5, from the physical constants.

    A ln 10 = e3 sqrt(2 N rho) / (8 pi (eps0 eps k T)^1.5): any textbook of electrochemistry.

    >>> round(debye_huckel_slope(25.0), 3)
    0.511
    """
    thermal = VACUUM_PERMITTIVITY * relative_permittivity(degc) * BOLTZMANN * (degc + ICE_POINT_K)
    charge = ELEMENTARY_CHARGE**3 * math.sqrt(2.0 * AVOGADRO * density_kg_m3(degc))
    return charge / (8.0 * math.pi * thermal * math.sqrt(thermal)) / math.log(10.0)


def nacl_molality(kg_m3: float, degc: float) -> float:
    """Moles of sodium chloride for each kg of water.

    >>> round(nacl_molality(20.0, 25.0), 4)
    0.3453
    """
    return kg_m3 / NACL_KG_MOL / (nacl_solution_density_kg_m3(kg_m3, degc) - kg_m3)


def nacl_solution_density_kg_m3(kg_m3: float, degc: float) -> float:
    """Density of a solution of sodium chloride from its apparent molar volume.

    rho = c + rho_w (1 - c V / M), V = 16.62 + 1.8 sqrt(m) cm3/mol (Masson's form, 25 degC, from memory).
    Valid 0 to 40 kg/m3, within 0.2 % from 5 to 45 degC.

    >>> round(nacl_solution_density_kg_m3(20.0, 25.0), 1)
    1011.0
    """
    water = density_kg_m3(degc)
    molality = kg_m3 / NACL_KG_MOL / water  # near enough: it only enters by its root
    volume = NACL_VOLUME_M3_MOL + NACL_VOLUME_SLOPE * math.sqrt(molality)
    return kg_m3 + water * (1.0 - kg_m3 * volume / NACL_KG_MOL)


def nacl_osmotic_coefficient(molality: float, degc: float) -> float:
    """Osmotic coefficient of sodium chloride by Pitzer's equation.

    phi - 1 = -A sqrt(m) / (1 + 1.2 sqrt(m)) + m (b0 + b1 exp(-2 sqrt(m))) + m2 C. Parameters at 25 degC
    0.0765, 0.2664, 0.00127 and their slopes with temperature: Pitzer, and Silvester and Pitzer, J. Phys.
    Chem. 81 (1977) 1822, from memory. Valid 0 to 2 mol/kg, 0 to 50 degC.

    >>> round(nacl_osmotic_coefficient(0.1, 25.0), 4)
    0.9319
    """
    away, root = degc - 25.0, math.sqrt(molality)
    slope = debye_huckel_slope(degc) * math.log(10.0) / 3.0
    b0, b1 = 0.0765 + 7.159e-4 * away, 0.2664 + 7.005e-4 * away
    c = 0.00127 - 1.054e-4 * away
    long_range = -slope * root / (1.0 + PITZER_B * root)
    return 1.0 + long_range + molality * (b0 + b1 * math.exp(-PITZER_ALPHA * root)) + molality**2 * c


def van_t_hoff_pa(kg_m3: float, degc: float) -> float:
    """Osmotic pressure of sodium chloride if its ions were ideal: 2 c R T / M.

    >>> round(van_t_hoff_pa(2.0, 25.0) / 1e5, 3)
    1.697
    """
    return 2.0 * kg_m3 * GAS_CONSTANT * (degc + ICE_POINT_K) / NACL_KG_MOL


def nacl_osmotic_pa(kg_m3: float, degc: float) -> float:
    """Osmotic pressure of sodium chloride: 2 phi m R T rho_w. Valid 0 to 100 kg/m3, 0 to 50 degC.

    >>> round(nacl_osmotic_pa(35.0, 25.0) / 1e5, 1)
    27.7
    """
    molality = nacl_molality(kg_m3, degc)
    thermal = GAS_CONSTANT * (degc + ICE_POINT_K)
    return 2.0 * nacl_osmotic_coefficient(molality, degc) * molality * thermal * density_kg_m3(degc)


def vapour_pressure_pa(degc: float) -> float:
    """Saturation pressure of water: Buck's formula, coefficients of 1996, from memory. 0 to 80 degC.

    >>> round(vapour_pressure_pa(25.0))
    3169
    """
    return 611.21 * math.exp((18.678 - degc / 234.5) * degc / (257.14 + degc))


def meq_to_mgl(meq_l: float, gram_mol: float, charge: int) -> float:
    """Milliequivalents in a litre as mg/L: meq M / |z|.

    >>> round(meq_to_mgl(4.0, 35.453, -1), 1)
    141.8
    """
    return meq_l * gram_mol / abs(charge)


def bypass_share(permeate_mgl: float, feed_mgl: float, target_mgl: float) -> float:
    """Share of feed to blend into permeate for a target: (target - permeate) / (feed - permeate).

    Raises ValueError when the target lies outside the two.

    >>> round(bypass_share(30.0, 2000.0, 300.0), 4)
    0.1371
    """
    if not permeate_mgl <= target_mgl <= feed_mgl or permeate_mgl == feed_mgl:
        raise ValueError(
            f"target_mgl = {target_mgl:g} must lie between {permeate_mgl:g} and {feed_mgl:g} mg/L"
        )
    return (target_mgl - permeate_mgl) / (feed_mgl - permeate_mgl)
