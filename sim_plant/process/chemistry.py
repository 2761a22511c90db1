"""Calcium carbonate in feed and concentrate, and antiscalant dosing.

Two views of the same question. The indices of the trade (Langelier, Ryznar, Puckorius) need four
analyses and a closed form. The saturation index solves the carbonate system: ions pair, activities are
corrected, and the concentrate's pH follows from the carbon dioxide that passes the membrane. Calcium and
alkalinity are mg/L as CaCO3, as laboratories print them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sim_plant.process.solutions import debye_huckel_slope
from sim_plant.process.water import ICE_POINT_K, NACL_KG_MOL

CACO3_MG_MMOL = 100.087  # 1 mmol of calcium, 2 mmol of alkalinity
PASSES = 60  # of the speciation; it settles in about ten
DAVIES = 0.3


@dataclass(frozen=True)
class Water:
    """An analysis: mg/L, mg/L as CaCO3, degC."""

    tds_mgl: float
    calcium_mgl: float
    alkalinity_mgl: float
    ph: float
    degc: float

    def __post_init__(self) -> None:
        amounts = (self.tds_mgl, self.calcium_mgl, self.alkalinity_mgl)
        if not all(0.0 < amount < math.inf for amount in amounts):
            raise ValueError(f"amounts must be positive and finite: {amounts}")
        if not (4.0 <= self.ph <= 10.5 and 0.0 <= self.degc <= 90.0):
            raise ValueError(f"pH = {self.ph:g}, degC = {self.degc:g}: outside 4 to 10.5 and 0 to 90")


def langelier_terms(water: Water) -> tuple[float, float, float, float]:
    """A, B, C, D of the closed form, for total solids, temperature, calcium, alkalinity.

    A = (log10 TDS - 1)/10, B = -13.12 log10(t + 273) + 34.55, C = log10 Ca - 0.4, D = log10 alkalinity
    (published pages). Between 15 and 50 degC printed tables of B lie 0.07 to 0.11 lower.
    """
    return (
        (math.log10(water.tds_mgl) - 1.0) / 10.0,
        -13.12 * math.log10(water.degc + 273.0) + 34.55,
        math.log10(water.calcium_mgl) - 0.4,
        math.log10(water.alkalinity_mgl),
    )


def saturation_ph(terms: tuple[float, float, float, float]) -> float:
    """pH at which the water neither dissolves nor drops calcium carbonate: 9.3 + A + B - (C + D).

    >>> round(saturation_ph((0.20, 1.57, 2.30, 2.00)), 2)
    6.77
    """
    a, b, c, d = terms
    return 9.3 + a + b - (c + d)


def langelier(water: Water) -> float:
    """Langelier index, pH - pHs: above 0 the water tends to scale.

    >>> round(langelier(Water(2000.0, 250.0, 200.0, 7.5, 25.0)), 3)
    0.181
    """
    return water.ph - saturation_ph(langelier_terms(water))


def ryznar(water: Water) -> float:
    """Ryznar index, 2 pHs - pH: below about 6 the water tends to scale.

    >>> round(ryznar(Water(2000.0, 250.0, 200.0, 7.5, 25.0)), 2)
    7.14
    """
    return 2.0 * saturation_ph(langelier_terms(water)) - water.ph


def puckorius(water: Water) -> float:
    """Puckorius index, 2 pHs - pHeq with pHeq = 1.485 log10(alkalinity) + 4.54 (published page).

    >>> round(puckorius(Water(2000.0, 250.0, 200.0, 7.5, 25.0)), 2)
    6.68
    """
    equilibrium_ph = 1.485 * math.log10(water.alkalinity_mgl) + 4.54
    return 2.0 * saturation_ph(langelier_terms(water)) - equilibrium_ph


def concentrated(water: Water, factor: float, ph: float | None = None) -> Water:
    """The same water with its salts concentrated; the pH is kept unless one is given."""
    return replace(
        water,
        tds_mgl=water.tds_mgl * factor,
        calcium_mgl=water.calcium_mgl * factor,
        alkalinity_mgl=water.alkalinity_mgl * factor,
        ph=water.ph if ph is None else ph,
    )


def index_ph(water: Water, factor: float) -> float:
    """pH of the concentrate by the rule of the index: pH + log10 CF, as carbon dioxide passes the membrane.

    >>> round(index_ph(Water(2000.0, 250.0, 200.0, 7.5, 25.0), 2.0), 2)
    7.8
    """
    return water.ph + math.log10(factor)


@dataclass(frozen=True)
class Constants:
    """log10 of the equilibrium constants of the carbonate system, kelvin scale; ``at`` makes them."""

    k1: float  # CO2 + H2O = HCO3- + H+
    k2: float  # HCO3- = CO3-- + H+
    kw: float
    pair_bicarbonate: float  # Ca++ + HCO3- = CaHCO3+
    pair_carbonate: float  # Ca++ + CO3-- = CaCO3
    calcite: float  # solubility product

    @staticmethod
    def at(degc: float) -> Constants:
        """Plummer and Busenberg, Geochim. Cosmochim. Acta 46 (1982) 1011, from memory; 0 to 90 degC.

        >>> c = Constants.at(25.0)
        >>> round(c.k1, 2), round(c.k2, 2), round(c.calcite, 2)
        (-6.35, -10.33, -8.48)
        """
        t = degc + ICE_POINT_K
        log = math.log10(t)
        return Constants(
            -356.3094 - 0.06091964 * t + 21834.37 / t + 126.8339 * log - 1684915.0 / t**2,
            -107.8871 - 0.03252849 * t + 5151.79 / t + 38.92561 * log - 563713.9 / t**2,
            # water's ion product, a straight line in 1/T about 25 degC (enthalpy 55.8 kJ/mol, from memory)
            -13.995 - 2915.0 * (1.0 / t - 1.0 / 298.15),
            1209.120 + 0.31294 * t - 34765.05 / t - 478.782 * log,
            -1228.732 - 0.299444 * t + 35512.75 / t + 485.818 * log,
            -171.9065 - 0.077993 * t + 2839.319 / t + 71.595 * log,
        )


def activity_coefficients(ionic_strength: float, degc: float) -> tuple[float, float]:
    """Activity coefficients of an ion of charge 1 and of charge 2 by Davies' equation.

    log10 gamma = -A z2 (sqrt I / (1 + sqrt I) - 0.3 I). Valid to 0.5 mol/kg.

    >>> [round(g, 3) for g in activity_coefficients(0.1, 25.0)]
    [0.781, 0.372]
    """
    root = math.sqrt(ionic_strength)
    exponent = -debye_huckel_slope(degc) * (root / (1.0 + root) - DAVIES * ionic_strength)
    return 10.0**exponent, 10.0 ** (4.0 * exponent)


@dataclass(frozen=True)
class Carbonate:
    """A solved carbonate system: free ions in mol/L, activities of CO2, and the saturation index."""

    calcium: float
    bicarbonate: float
    carbonate: float
    carbon_dioxide: float
    saturation_index: float


def background_mol_l(water: Water) -> float:
    """Ionic strength of what the analysis does not name, taken as sodium chloride.

    The named part is calcium and bicarbonate; when it exceeds the dissolved solids there is no rest.
    """
    calcium_mmol = water.calcium_mgl / CACO3_MG_MMOL
    bicarbonate_mmol = 2.0 * water.alkalinity_mgl / CACO3_MG_MMOL
    rest_mgl = water.tds_mgl - 40.078 * calcium_mmol - 61.017 * bicarbonate_mmol
    return max(rest_mgl, 0.0) * 1e-6 / NACL_KG_MOL


def carbonate(water: Water) -> Carbonate:
    """Solve the carbonate system at the water's pH.

    Calcium is free or paired, alkalinity is HCO3- + 2 CO3-- + pairs + OH- - H+; activities by Davies.
    Within about 0.1 of a full model from 5 to 50 degC below 10 g/L.
    """
    k = Constants.at(water.degc)
    total_calcium = water.calcium_mgl / CACO3_MG_MMOL / 1000.0
    alkalinity = 2.0 * water.alkalinity_mgl / CACO3_MG_MMOL / 1000.0
    rest, a_h = background_mol_l(water), 10.0**-water.ph
    calcium, bicarbonate, g1, g2 = total_calcium, alkalinity, 1.0, 1.0
    co3 = 0.0
    for _ in range(PASSES):
        ionic_strength = (
            rest + 2.0 * calcium + 0.5 * bicarbonate + 2.0 * co3 + abs(0.5 * (bicarbonate - 2.0 * calcium))
        )
        g1, g2 = activity_coefficients(ionic_strength, water.degc)
        ratio = 10.0**k.k2 * g1 / (a_h * g2)  # CO3-- for each HCO3-
        pair1 = 10.0**k.pair_bicarbonate * g2 * calcium  # CaHCO3+ for each HCO3-
        pair2 = 10.0**k.pair_carbonate * g2 * g2 * calcium * ratio  # CaCO3 for each HCO3-
        free = alkalinity - 10.0**k.kw / (a_h * g1) + a_h / g1
        bicarbonate = max(free, 1e-12) / (1.0 + 2.0 * ratio + pair1 + 2.0 * pair2)
        co3 = ratio * bicarbonate
        held = 10.0**k.pair_bicarbonate * g2 * bicarbonate + 10.0**k.pair_carbonate * g2 * g2 * co3
        calcium = total_calcium / (1.0 + held)
    product = calcium * g2 * co3 * g2
    carbon_dioxide = a_h * bicarbonate * g1 / 10.0**k.k1
    return Carbonate(calcium, bicarbonate, co3, carbon_dioxide, math.log10(product) - k.calcite)


def concentrate_ph(feed: Water, factor: float) -> float:
    """pH of the concentrate when carbon dioxide is the same on both sides, by bisection.

    >>> round(concentrate_ph(Water(2000.0, 250.0, 200.0, 7.5, 25.0), 2.0), 1)
    7.8
    """
    wanted = carbonate(feed).carbon_dioxide
    low, high = max(feed.ph - 0.5, 4.0), min(feed.ph + 2.0, 10.5)
    for _ in range(40):
        middle = 0.5 * (low + high)
        here = carbonate(concentrated(feed, factor, middle)).carbon_dioxide
        low, high = (middle, high) if here > wanted else (low, middle)
    return 0.5 * (low + high)


def concentrate_saturation_index(feed: Water, factor: float) -> float:
    """Calcite saturation index of the concentrate, carbon dioxide held.

    >>> feed = Water(2000.0, 250.0, 200.0, 7.5, 25.0)
    >>> 0.6 < concentrate_saturation_index(feed, 2.0) - carbonate(feed).saturation_index < 0.9
    True
    """
    return carbonate(concentrated(feed, factor, concentrate_ph(feed, factor))).saturation_index


def dose_ml_min(feed_l_min: float, dose_mgl: float, density_kg_l: float, product_share: float = 1.0) -> float:
    """Rate of the dosing pump for a dose of product in the feed: Q dose / (rho w).

    ``product_share`` is the mass share of product in the tank, 1 for neat.

    >>> round(dose_ml_min(40.0, 3.0, 1.0, 0.15), 3)
    0.8
    """
    return feed_l_min * dose_mgl / (1000.0 * density_kg_l * product_share)


def dose_mgl(feed_m3h: float, pump_ml_h: float, density_kg_l: float, product_share: float = 1.0) -> float:
    """Dose that a pump rate makes in a feed: the other way round.

    >>> round(dose_mgl(10.0, 30.0, 1.0), 6)
    3.0
    """
    return pump_ml_h * density_kg_l * product_share / feed_m3h
