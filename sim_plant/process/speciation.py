"""What a natural water's ions do: pairs, activities, carbonate, and how near minerals are to falling out.

Constants are those of the open data base phreeqc.dat of the U.S. Geological Survey (Parkhurst and Appelo,
Techniques and Methods 6-A43, 2013), with activity coefficients by Truesdell and Jones. Sodium, potassium,
calcium, magnesium, bicarbonate, sulfate, silica pair as below; chloride, nitrate and fluoride stay free.
Amounts are mol for each kg of water. Valid 0 to 50 degC, ionic strength to about 0.7.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

from sim_plant.process.solutions import debye_huckel_slope, relative_permittivity
from sim_plant.process.water import GAS_CONSTANT, ICE_POINT_K

PASSES = 200  # of the speciation; it settles in 20 to 40
SETTLED = 1e-10
NEUTRAL = 0.1  # log10 gamma of what has no charge, for each mol/kg of ionic strength
DAVIES = 0.3
OSMOTIC_PER_MOLE = 0.017  # water's activity falls so for each mol/kg of particles (Garrels and Christ)


class Ion(NamedTuple):
    """One ion of an analysis; ``size`` (angstrom) and ``slope`` are those of Truesdell and Jones."""

    gram_mol: float
    charge: int
    size: float
    slope: float


IONS = {
    "calcium": Ion(40.078, 2, 5.0, 0.165),
    "magnesium": Ion(24.305, 2, 5.5, 0.20),
    "sodium": Ion(22.98977, 1, 4.08, 0.082),
    "potassium": Ion(39.0983, 1, 3.5, 0.015),
    "bicarbonate": Ion(61.0168, -1, 5.4, 0.0),
    "sulfate": Ion(96.0626, -2, 5.0, -0.04),
    "chloride": Ion(35.453, -1, 3.63, 0.017),
    "nitrate": Ion(62.0049, -1, 3.0, 0.0),
    "fluoride": Ion(18.9984, -1, 3.5, 0.0),
}
SILICA_GRAM_MOL = 60.084
_CARBONATE = Ion(60.0089, -2, 5.4, 0.0)


@dataclass(frozen=True)
class Mixture:
    """Totals in mol/kg of water; ``alkalinity`` in equivalents; ``silica`` as dissolved in all."""

    calcium: float
    magnesium: float
    sodium: float
    potassium: float
    alkalinity: float
    sulfate: float
    chloride: float
    nitrate: float
    fluoride: float
    silica: float
    ph: float
    degc: float

    def concentrated(self, factor: float, ph: float) -> Mixture:
        """The same with all that is dissolved ``factor`` times as much, at this pH."""
        names = [name for name in self.__dataclass_fields__ if name not in ("ph", "degc")]
        return replace(self, ph=ph, **{name: getattr(self, name) * factor for name in names})


@dataclass(frozen=True)
class Solved:
    """Saturation indices, log10 of ion product over solubility product; ``particles`` in mol/kg of water."""

    calcite: float
    gypsum: float
    silica: float  # amorphous
    carbon_dioxide: float  # activity
    ionic_strength: float
    particles: float


def _fit(t: float, a: float, b: float, c: float, d: float = 0.0, e: float = 0.0) -> float:
    return a + b * t + c / t + d * math.log10(t) + e / t**2


def _warmed(t: float, log_k: float, kcal: float) -> float:
    """Van 't Hoff's law from 25 degC."""
    return log_k - kcal * 4184.0 / (math.log(10.0) * GAS_CONSTANT) * (1.0 / t - 1.0 / 298.15)


class _Constants:
    """log10 of the equilibrium constants at one temperature."""

    def __init__(self, degc: float) -> None:
        t = degc + ICE_POINT_K
        self.bicarbonate = _fit(t, 107.8871, 0.03252849, -5151.79, -38.92561, 563713.9)
        self.carbon_dioxide = _fit(t, 464.1965, 0.09344813, -26986.16, -165.75951, 2248628.9)
        self.water = _fit(t, 293.29227, 0.1360833, -10576.913, -123.73158) - 6.996455e-5 * t**2
        self.bisulfate = _fit(t, -56.889, 0.006473, 2307.9, 19.8858)
        self.silicate = _fit(t, -302.3724, -0.050698, 15669.69, 108.18466, -1119669.0)
        self.calcium_carbonate = _fit(t, -1228.732, -0.299440, 35512.75, 485.818)
        self.calcium_bicarbonate = _fit(t, 1317.0071, 0.34546894, -39916.84, -517.70761, 563713.9)
        self.calcium_sulfate = _warmed(t, 2.25, 1.325)
        self.magnesium_carbonate = 0.9910 + 0.00667 * t
        self.magnesium_bicarbonate = _fit(t, 48.6721, 0.03252849, -2614.335, -18.00263, 563713.9)
        self.magnesium_sulfate = _warmed(t, 2.37, 4.550)
        self.sodium_carbonate = _warmed(t, 1.27, 8.91)
        self.sodium_bicarbonate = _warmed(t, -0.25, -1.0)
        self.sodium_sulfate = _warmed(t, 0.7, 1.120)
        self.potassium_sulfate = 3.106 - 673.6 / t
        self.calcite = _fit(t, -171.9065, -0.077993, 2839.319, 71.595)
        self.gypsum = _fit(t, 68.2401, 0.0, -3221.51, -25.0627)
        self.amorphous_silica = -0.26 - 731.0 / t


class _Activity:
    """Activity coefficients at one ionic strength."""

    def __init__(self, ionic_strength: float, degc: float) -> None:
        self.root, self.strength = math.sqrt(ionic_strength), ionic_strength
        self.a = debye_huckel_slope(degc)
        self.b = 50.29 / math.sqrt(relative_permittivity(degc) * (degc + ICE_POINT_K))  # per angstrom
        self.neutral = 10.0 ** (NEUTRAL * ionic_strength)

    def of(self, charge: int, size: float, slope: float = 0.0) -> float:
        """Truesdell and Jones: log10 gamma = -A z2 sqrt(I) / (1 + B a sqrt(I)) + b I."""
        fall = self.a * charge**2 * self.root / (1.0 + self.b * size * self.root)
        return float(10.0 ** (slope * self.strength - fall))

    def ion(self, ion: Ion) -> float:
        """That of one of the table."""
        return self.of(ion.charge, ion.size, ion.slope)

    def davies(self, charge: int) -> float:
        """For what has no size of its own."""
        return float(10.0 ** (-self.a * charge**2 * (self.root / (1.0 + self.root) - DAVIES * self.strength)))


def solve(mixture: Mixture) -> Solved:
    """Free ions and pairs at the mixture's pH, by repeated substitution.

    >>> salt = Mixture(0, 0, 0.1, 0, 0, 0, 0.1, 0, 0, 0, 7.0, 25.0)
    >>> round(solve(salt).ionic_strength, 3)
    0.1
    """
    k, m = _Constants(mixture.degc), mixture
    free = dict.fromkeys(("calcium", "magnesium", "sodium", "potassium", "carbonate", "sulfate"), 0.0)
    free |= {name: getattr(m, name) for name in free if name != "carbonate"}
    hydrogen, strength = 10.0**-m.ph, 0.0
    for name in ("calcium", "magnesium", "sodium", "potassium", "sulfate", "chloride"):
        strength += 0.5 * IONS[name].charge ** 2 * getattr(m, name)
    state = _State(m, k, hydrogen, free, max(strength, 1e-7))
    for _ in range(PASSES):
        if state.substitute() < SETTLED:
            break
    return state.solved()


class _State:
    """One speciation on its way: free ions in mol/kg, ionic strength, and what pairs hold."""

    def __init__(
        self, m: Mixture, k: _Constants, hydrogen: float, free: dict[str, float], strength: float
    ) -> None:
        self.m, self.k, self.hydrogen, self.free, self.strength = m, k, hydrogen, free, strength

    def substitute(self) -> float:
        """One pass; how far anything moved, in shares of itself."""
        m, f, before = self.m, self.free, (dict(self.free), self.strength)
        self._pairs()
        p, g = self.per, self.gamma
        hydroxide = 10.0**self.k.water / self.hydrogen / g.of(-1, 3.5)
        self.silicate_share = 10.0**self.k.silicate / self.hydrogen * g.neutral / g.of(-1, 4.0)
        silicate = m.silica * self.silicate_share / (1.0 + self.silicate_share)
        left = m.alkalinity - hydroxide + self.hydrogen / g.of(1, 9.0) - silicate
        each = 2.0 + p["bicarbonate"] + f["calcium"] * (2.0 * p["CaCO3"] + p["CaHCO3"])
        each += f["magnesium"] * (2.0 * p["MgCO3"] + p["MgHCO3"])
        each += f["sodium"] * (2.0 * p["NaCO3"] + p["NaHCO3"])
        f["carbonate"] = max(left, 0.0) / each
        c, s = f["carbonate"], f["sulfate"]
        f["calcium"] = m.calcium / (1.0 + c * (p["CaCO3"] + p["CaHCO3"]) + s * p["CaSO4"])
        f["magnesium"] = m.magnesium / (1.0 + c * (p["MgCO3"] + p["MgHCO3"]) + s * p["MgSO4"])
        f["sodium"] = m.sodium / (1.0 + c * (p["NaCO3"] + p["NaHCO3"]) + s * p["NaSO4"])
        f["potassium"] = m.potassium / (1.0 + s * p["KSO4"])
        held = p["bisulfate"] + f["calcium"] * p["CaSO4"] + f["magnesium"] * p["MgSO4"]
        held += f["sodium"] * p["NaSO4"] + f["potassium"] * p["KSO4"]
        f["sulfate"] = m.sulfate / (1.0 + held)
        self.strength = self._strength(hydroxide, silicate)
        moved = abs(self.strength - before[1]) / self.strength
        return max([moved, *(abs(f[n] - v) / f[n] for n, v in before[0].items() if f[n] > 0.0)])

    def _pairs(self) -> None:
        """Concentration of each pair for each mol/kg of its free ions, hydrogen by its activity."""
        g = self.gamma = _Activity(self.strength, self.m.degc)
        ca, mg, na, kk = (g.ion(IONS[n]) for n in ("calcium", "magnesium", "sodium", "potassium"))
        co3, so4 = g.ion(_CARBONATE), g.ion(IONS["sulfate"])
        h, k = self.hydrogen, self.k
        self.per = {
            "bicarbonate": 10.0**k.bicarbonate * h * co3 / g.of(-1, 5.4),
            "bisulfate": 10.0**k.bisulfate * h * so4 / g.davies(-1),
            "CaCO3": 10.0**k.calcium_carbonate * ca * co3 / g.neutral,
            "CaHCO3": 10.0**k.calcium_bicarbonate * h * ca * co3 / g.of(1, 6.0),
            "CaSO4": 10.0**k.calcium_sulfate * ca * so4 / g.neutral,
            "MgCO3": 10.0**k.magnesium_carbonate * mg * co3 / g.neutral,
            "MgHCO3": 10.0**k.magnesium_bicarbonate * h * mg * co3 / g.of(1, 4.0),
            "MgSO4": 10.0**k.magnesium_sulfate * mg * so4 / g.neutral,
            "NaCO3": 10.0**k.sodium_carbonate * na * co3 / g.davies(-1),
            "NaHCO3": 10.0 ** (k.sodium_bicarbonate + k.bicarbonate) * h * na * co3 / g.neutral,
            "NaSO4": 10.0**k.sodium_sulfate * na * so4 / g.of(-1, 5.4),
            "KSO4": 10.0**k.potassium_sulfate * kk * so4 / g.of(-1, 5.4),
        }

    def _single(self) -> float:
        """What carries one charge, pairs and free ions of the analysis."""
        f, p, m = self.free, self.per, self.m
        c, s = f["carbonate"], f["sulfate"]
        pairs = c * (p["bicarbonate"] + f["calcium"] * p["CaHCO3"] + f["magnesium"] * p["MgHCO3"])
        pairs += c * f["sodium"] * p["NaCO3"] + s * p["bisulfate"]
        pairs += s * (f["sodium"] * p["NaSO4"] + f["potassium"] * p["KSO4"])
        return float(pairs + f["sodium"] + f["potassium"] + m.chloride + m.nitrate + m.fluoride)

    def _double(self) -> float:
        return sum(self.free[name] for name in ("calcium", "magnesium", "carbonate", "sulfate"))

    def _strength(self, hydroxide: float, silicate: float) -> float:
        return 0.5 * (self._single() + 4.0 * self._double() + hydroxide + silicate + self.hydrogen)

    def solved(self) -> Solved:
        """Indices and what else follows from the free ions."""
        f, g, k, p = self.free, self.gamma, self.k, self.per
        calcium = f["calcium"] * g.ion(IONS["calcium"])
        carbonate = f["carbonate"] * g.ion(_CARBONATE)
        sulfate = f["sulfate"] * g.ion(IONS["sulfate"])
        neutral = f["carbonate"] * (f["calcium"] * p["CaCO3"] + f["magnesium"] * p["MgCO3"])
        neutral += f["carbonate"] * f["sodium"] * p["NaHCO3"]
        neutral += f["sulfate"] * (f["calcium"] * p["CaSO4"] + f["magnesium"] * p["MgSO4"])
        dioxide = 10.0**k.carbon_dioxide * self.hydrogen**2 * carbonate
        acid = self.m.silica / (1.0 + self.silicate_share)
        particles = self._single() + self._double() + neutral + self.m.silica + dioxide / g.neutral
        water = math.log10(1.0 - OSMOTIC_PER_MOLE * particles)
        return Solved(
            _index(calcium * carbonate, k.calcite),
            _index(calcium * sulfate, k.gypsum) + 2.0 * water,
            _index(acid * g.neutral, k.amorphous_silica) - 2.0 * water,
            dioxide,
            self.strength,
            particles,
        )


def _index(product: float, log_k: float) -> float:
    return math.log10(product) - log_k if product > 0.0 else -math.inf


def concentrate(feed: Mixture, factor: float) -> tuple[Mixture, Solved]:
    """The concentrate whose carbon dioxide is that of the feed, and its state; the pH by bisection."""
    wanted = solve(feed).carbon_dioxide
    low, high = max(feed.ph - 0.5, 4.0), min(feed.ph + 2.0, 10.5)
    for _ in range(22):
        middle = 0.5 * (low + high)
        here = solve(feed.concentrated(factor, middle)).carbon_dioxide
        low, high = (middle, high) if here > wanted else (low, middle)
    made = feed.concentrated(factor, 0.5 * (low + high))
    return made, solve(made)
