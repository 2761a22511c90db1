"""Electrical conductivity of salt water and what instruments make of it.

kappa = c Lambda with Lambda = L0 - (B1 L0 + B2) sqrt(c) / (1 + B a sqrt(c)): the limiting law of Debye,
Hueckel and Onsager with a finite ion size (Robinson and Stokes, Electrolyte Solutions; from memory).
Conductivities uS/cm, molar conductivities S cm2/mol, concentrations mol/L or mg/L.
"""

from __future__ import annotations

import math

from sim_plant.process.solutions import relative_permittivity
from sim_plant.process.water import ICE_POINT_K, NACL_KG_MOL, density_kg_m3, viscosity_pa_s

# Limiting ionic conductivity: value at 25 degC and its slope, curvature and third term in (t - 25).
# Harned and Owen's fit of the classical measurements, 5 to 55 degC; from memory.
SODIUM = (50.15, 1.09160, 0.47150e-2, -0.1150e-4)
POTASSIUM = (73.50, 1.43262, 0.40563e-2, -0.3183e-4)
CHLORIDE = (76.35, 1.54037, 0.46500e-2, -0.1285e-4)
ION_SIZE_ANGSTROM = 4.0
REFERENCE_DEGC = 25.0

Ion = tuple[float, float, float, float]


def limiting_conductivity(ion: Ion, degc: float) -> float:
    """Conductivity of one ion at no concentration, S cm2/mol. Valid 5 to 55 degC.

    >>> round(limiting_conductivity(SODIUM, 5.0), 1)
    30.3
    """
    away = degc - REFERENCE_DEGC
    return ion[0] + away * (ion[1] + away * (ion[2] + away * ion[3]))


def molar_conductivity(cation: Ion, mol_l: float, degc: float) -> float:
    """Molar conductivity of the chloride of ``cation``, S cm2/mol.

    Valid 0 to 0.2 mol/L within 1 %, to 0.35 mol/L within 3 %; 5 to 45 degC.

    >>> round(molar_conductivity(SODIUM, 0.01, 25.0), 1)
    118.6
    """
    limit = limiting_conductivity(cation, degc) + limiting_conductivity(CHLORIDE, degc)
    thermal = relative_permittivity(degc) * (degc + ICE_POINT_K)
    relaxation = 8.204e5 / (thermal * math.sqrt(thermal))
    electrophoresis = 8.25 / (viscosity_pa_s(degc) * math.sqrt(thermal))
    root = math.sqrt(mol_l)
    finite = 1.0 + 50.29 / math.sqrt(thermal) * ION_SIZE_ANGSTROM * root
    return limit - (relaxation * limit + electrophoresis) * root / finite


def nacl_us_cm(mgl: float, degc: float) -> float:
    """Conductivity of sodium chloride, uS/cm, not compensated. Valid 0 to 20 000 mg/L, 5 to 45 degC.

    >>> round(nacl_us_cm(2000.0, 25.0), -1)
    3870.0
    """
    mol_l = mgl * 1e-6 / NACL_KG_MOL
    return 1000.0 * mol_l * molar_conductivity(SODIUM, mol_l, degc)


def kcl_us_cm(molality: float, degc: float) -> float:
    """Conductivity of the potassium chloride standards of cells, uS/cm. Valid 0 to 0.1 mol/kg, 5 to 45 degC.

    >>> round(kcl_us_cm(0.01, 25.0), -1)
    1410.0
    """
    mol_l = molality * density_kg_m3(degc) / 1000.0 / (1.0 + 0.0304 * molality)  # salt takes 30 cm3/mol
    return 1000.0 * mol_l * molar_conductivity(POTASSIUM, mol_l, degc)


def nacl_mgl(us_cm: float, degc: float) -> float:
    """Sodium chloride that conducts so well: ``nacl_us_cm`` the other way round, by bisection.

    >>> round(nacl_mgl(nacl_us_cm(700.0, 25.0), 25.0), 6)
    700.0
    """
    low, high = 0.0, us_cm  # no salt water has less than 1 uS/cm for each mg/L at 5 degC or above
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if nacl_us_cm(middle, degc) > us_cm else (middle, high)
    return 0.5 * (low + high)


def at_25_degc(us_cm: float, degc: float, per_k: float = 0.02) -> float:
    """Linear temperature compensation to 25 degC: kappa / (1 + alpha (t - 25)).

    Raises ValueError where the divisor is not positive.

    >>> round(at_25_degc(1800.0, 17.0), 1)
    2142.9
    """
    divisor = 1.0 + per_k * (degc - REFERENCE_DEGC)
    if divisor <= 0.0:
        raise ValueError(f"degc = {degc:g}: no compensation with {per_k:g} for each K")
    return us_cm / divisor


def temperature_coefficient(us_cm_low: float, us_cm_high: float, degc_low: float, degc_high: float) -> float:
    """Mean linear coefficient between two temperatures, 1/K, of the lower one's conductivity.

    >>> round(temperature_coefficient(1000.0, 1200.0, 25.0, 35.0), 3)
    0.02
    """
    return (us_cm_high / us_cm_low - 1.0) / (degc_high - degc_low)


def tds_factor(mgl: float, us_cm: float) -> float:
    """Dissolved solids for each uS/cm.

    >>> tds_factor(2000.0, 4000.0)
    0.5
    """
    return mgl / us_cm
