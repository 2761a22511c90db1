"""Laws of the plant beside independent packages, over the whole range in which they are used.

A comparison names its box, the bound that holds everywhere in it, and ``seen``: the worst error on an
even grid over the box when it was written down. A test repeats both. The kernel's own laws come first.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import fluids
import gsw
import iapws
import numpy as np
from iapws import IAPWS95, IAPWS97
from phreeqpython import PhreeqPython
from scipy.optimize import brentq

from sim_plant.process import chemistry, conductivity, pipes, solutions, speciation, water
from sim_plant.study import headers
from tests.published.ours_water import SEA_SALT_RATIO

KELVIN, ATMOSPHERE_MPA = 273.15, 0.101325
WATER_KG_MOL, GAS_CONSTANT = 0.01801528, 8.314462618
Function = Callable[..., float]


@dataclass(frozen=True)
class Comparison:
    """Ours and theirs as functions of the same arguments; ``absolute``: the error is a difference."""

    what: str
    by: str
    library: str
    axes: tuple[str, ...]
    box: tuple[tuple[float, float], ...]
    ours: Function
    theirs: Function
    bound: float
    seen: float
    why: str
    absolute: bool = False

    def error(self, *at: float) -> float:
        """Of ours against theirs at one point."""
        ours, theirs = self.ours(*at), self.theirs(*at)
        return abs(ours - theirs) if self.absolute else abs(ours / theirs - 1.0)

    def worst(self) -> float:
        """Greatest error on an even grid: 7 points along every axis, 4 where there are four axes."""
        each = 4 if len(self.box) == 4 else 7
        axes = [np.linspace(low, high, each).tolist() for low, high in self.box]
        return max(self.error(*at) for at in itertools.product(*axes))


@cache
def _water(degc: float) -> IAPWS95:
    return IAPWS95(T=degc + KELVIN, P=ATMOSPHERE_MPA)


def _viscosity(degc: float) -> float:
    return float(iapws._iapws._Viscosity(_water(degc).rho, degc + KELVIN))


_HEADER = headers.Pipe(bore_mm=100.0)
_HEADERS = headers.Headers(feed=_HEADER, product=_HEADER, drain=_HEADER, roughness_mm=0.1)


def _ours_header_pa(bore_mm: float, unit_m3h: float, units: float, degc: float) -> float:
    pipe = _HEADER.model_copy(update={"bore_mm": bore_mm})
    return 1e5 * headers.segments_of(pipe, _HEADERS, [unit_m3h] * round(units), degc)[-1].sum_bar


def _theirs_header_pa(bore_mm: float, unit_m3h: float, units: float, degc: float) -> float:
    """Both take a pipe as laminar up to Re 2300; that is no law, so it is put in."""
    bore_m, rho, mu, loss_pa = bore_mm / 1000, _water(degc).rho, _viscosity(degc), 0.0
    for left in range(round(units), 0, -1):
        v = left * unit_m3h / 3600 / (math.pi / 4 * bore_m**2)
        re = fluids.Reynolds(V=v, D=bore_m, rho=rho, mu=mu)
        f = (
            fluids.friction.friction_laminar(re)
            if re <= 2300
            else fluids.friction.Colebrook(re, 1e-4 / bore_m)
        )
        length, k = (10.0, 2.0) if left == round(units) else (1.5, 0.5)
        loss_pa += fluids.dP_from_K(fluids.K_from_f(f, length, bore_m) + k, rho, v)
    return loss_pa


@cache
def _phreeqc(database: str) -> PhreeqPython:
    engine = PhreeqPython(database=database)
    engine.ip.run_string(
        "SELECTED_OUTPUT 1\n-reset false\nUSER_PUNCH 1\n-headings aw rho sc si ph co2\n"
        '10 PUNCH ACT("H2O"), RHO, SC, SI("Calcite"), -LA("H+"), ACT("CO2")\n'
    )
    return engine


def _solve(database: str, *lines: str) -> dict[str, float]:
    """Speciate one solution; the numbers that ``_phreeqc`` asks for, by name."""
    engine = _phreeqc(database)
    engine.ip.run_string("SOLUTION 1\n" + "\n".join(lines) + "\nEND\n")
    names, *_, numbers = engine.ip.get_selected_output_array()
    return dict(zip(names, numbers, strict=True))


@cache
def _nacl(mgl: float, degc: float) -> dict[str, float]:
    """A solution of ``mgl`` of sodium chloride, in mg for each litre of solution."""
    ions = (f"Na {mgl / 58.4428}", f"Cl {mgl / 58.4428}")
    return _solve("pitzer.dat", f"temp {degc}", "units mmol/L", "density 1.0 calculate", *ions)


def _osmotic_pa(activity: float, degc: float) -> float:
    return -GAS_CONSTANT * (degc + KELVIN) * math.log(activity) * _water(degc).rho / WATER_KG_MOL


def _osmotic_nacl(g_l: float, degc: float) -> float:
    return _osmotic_pa(_nacl(1000 * g_l, degc)["aw"], degc)


def _sea_salt_pa(g_kg: float, degc: float) -> float:
    """The pressure at which water in the salty side is worth as much as pure water outside (TEOS-10)."""
    outside = gsw.chem_potential_water_t_exact(0.0, degc, 0.0)
    dbar = brentq(lambda p: gsw.chem_potential_water_t_exact(g_kg, degc, p) - outside, 0.0, 1e4)
    return 1e4 * float(dbar)


def _sea_salt_kg_m3(g_kg: float, degc: float) -> float:
    return g_kg / 1000 * float(gsw.rho_t_exact(g_kg, degc, 0.0))


def _analysis(calcium: float, alkalinity: float, ph: float, degc: float) -> chemistry.Water:
    return chemistry.Water(3200.0, calcium, alkalinity, ph, degc)


def _carbonate(water_: chemistry.Water) -> dict[str, float]:
    """The same water in the library: what is not calcium or alkalinity is sodium and chloride."""
    rest = chemistry.background_mol_l(water_) * 1000
    calcium, alkalinity = water_.calcium_mgl / 100.087, 2 * water_.alkalinity_mgl / 100.087
    spare = alkalinity - 2 * calcium  # mmol/L of charge that sodium or chloride must carry
    return _solve(
        "phreeqc.dat", f"temp {water_.degc}", f"pH {water_.ph}", "units mmol/kgw", f"Ca {calcium}",
        f"Alkalinity {alkalinity}", f"Na {rest + max(spare, 0.0)}", f"Cl {rest + max(-spare, 0.0)}",
    )  # fmt: skip


def _calcite(calcium: float, alkalinity: float, ph: float, degc: float) -> float:
    return _carbonate(_analysis(calcium, alkalinity, ph, degc))["si"]


def _calcite_of_concentrate(calcium: float, alkalinity: float, ph: float, factor: float) -> float:
    feed = _analysis(calcium, alkalinity, ph, 24.0)
    co2 = _carbonate(feed)["co2"]

    def surplus(concentrate_ph: float) -> float:
        return math.log(_carbonate(chemistry.concentrated(feed, factor, concentrate_ph))["co2"] / co2)

    solved = brentq(surplus, ph - 0.3, ph + 1.2, xtol=1e-6)
    return _carbonate(chemistry.concentrated(feed, factor, float(solved)))["si"]


def _mixed(calcium: float, sulfate: float, alkalinity: float, degc: float) -> speciation.Mixture:
    """A natural water by mmol/kg of three ions; sodium or chloride makes the charges even."""
    magnesium, potassium, chloride = 0.6 * calcium, 0.3, 25.0
    sodium = 2 * sulfate + alkalinity + chloride - 2 * calcium - 2 * magnesium - potassium
    mmol = (calcium, magnesium, max(sodium, 0.0), potassium, alkalinity, sulfate,
            chloride + max(-sodium, 0.0), 0.0, 0.0, 0.5)  # fmt: skip
    return speciation.Mixture(*(amount / 1000 for amount in mmol), ph=7.5, degc=degc)


def _mixed_there(water_: speciation.Mixture, database: str = "phreeqc.dat") -> dict[str, float]:
    m = water_
    engine = _phreeqc_of_mixtures(database)
    ions = {"Ca": m.calcium, "Mg": m.magnesium, "Na": m.sodium, "K": m.potassium, "S(6)": m.sulfate,
            "Cl": m.chloride, "Si": m.silica, "Alkalinity": m.alkalinity}  # fmt: skip
    lines = "\n".join(f"{name} {mol}" for name, mol in ions.items())
    engine.ip.run_string(f"SOLUTION 1\ntemp {m.degc}\npH {m.ph}\nunits mol/kgw\n{lines}\nEND\n")
    names, *_, numbers = engine.ip.get_selected_output_array()
    return dict(zip(names, numbers, strict=True))


@cache
def _phreeqc_of_mixtures(database: str) -> PhreeqPython:
    engine = PhreeqPython(database=database)
    engine.ip.run_string(
        "SELECTED_OUTPUT 1\n-reset false\nUSER_PUNCH 1\n-headings calcite gypsum silica aw\n"
        '10 PUNCH SI("Calcite"), SI("Gypsum"), SI("SiO2(a)"), ACT("H2O")\n'
    )
    return engine


def _ours_mixed(mineral: str) -> Function:
    return lambda *at: float(getattr(speciation.solve(_mixed(*at)), mineral))


def _theirs_mixed(mineral: str) -> Function:
    return lambda *at: _mixed_there(_mixed(*at))[mineral]


def _particles_pa(*at: float) -> float:
    """The kernel's law as a study sets it up: 0.93 R T for each mole of dissolved particles in a litre."""
    kelvin = at[3] + KELVIN
    return 0.93 * GAS_CONSTANT * kelvin * 1000 * speciation.solve(_mixed(*at)).particles


def _mixed_pa(*at: float) -> float:
    return _osmotic_pa(_mixed_there(_mixed(*at), "pitzer.dat")["aw"], at[3])


_MIXED_AXES = ("Ca mmol/kg", "SO4 mmol/kg", "alkalinity mmol/kg", "degC")
_MIXED_BOX = ((0.5, 12), (0.5, 20), (0.5, 10), (5, 45))
IAPWS, PHREEQC = "iapws 1.5.5", "phreeqpython 1.6.2"
COMPARISONS = (
    Comparison(
        "density of water", "water.density_kg_m3", f"{IAPWS} (IAPWS-95)", ("degC",), ((1, 50),),
        water.density_kg_m3, lambda t: _water(t).rho, 5e-5, 5.3e-6,
        "a formula for 0 to 40 degC, used to 50",
    ),
    Comparison(
        "viscosity of water", "water.viscosity_pa_s", f"{IAPWS} (IAPWS R12-08)", ("degC",), ((1, 60),),
        water.viscosity_pa_s, _viscosity, 2e-4, 3.0e-5, "a fit of four terms",
    ),
    Comparison(
        "osmotic pressure of sodium chloride, the kernel's law", "water.osmotic_pa_per_kg_m3",
        f"{PHREEQC} (pitzer.dat), {IAPWS}", ("g/L", "degC"), ((0.5, 40), (5, 45)),
        lambda g, t: water.osmotic_pa_per_kg_m3(t, 1.0) * g, _osmotic_nacl, 0.05, 0.042,
        "a constant osmotic coefficient of 0.93",
    ),
    Comparison(
        "osmotic pressure of sodium chloride below 0.5 g/L, the kernel's law",
        "water.osmotic_pa_per_kg_m3", f"{PHREEQC} (pitzer.dat), {IAPWS}", ("g/L", "degC"),
        ((0.01, 0.5), (5, 45)), lambda g, t: water.osmotic_pa_per_kg_m3(t, 1.0) * g, _osmotic_nacl, 0.07,
        0.067, "dilute ions are nearly ideal; it is 0.03 bar at most",
    ),
    Comparison(
        "osmotic pressure of sea salt, the kernel's law", "water.osmotic_pa_per_kg_m3",
        "gsw 3.6.23 (TEOS-10)", ("g/kg", "degC"), ((1, 35), (5, 35)),
        lambda g, t: water.osmotic_pa_per_kg_m3(t, SEA_SALT_RATIO) * _sea_salt_kg_m3(g, t), _sea_salt_pa,
        0.06, 0.047, "one ratio to sodium chloride for all; worst where it hardly matters, 1 g/kg",
    ),
    Comparison(
        "osmotic pressure of sodium chloride, the fuller law", "solutions.nacl_osmotic_pa",
        f"{PHREEQC} (pitzer.dat), {IAPWS}", ("g/L", "degC"), ((0.01, 40), (5, 45)),
        solutions.nacl_osmotic_pa, _osmotic_nacl, 0.01, 0.0053, "another evaluation of the same measurements",
    ),
    Comparison(
        "density of sodium chloride solution", "solutions.nacl_solution_density_kg_m3",
        f"{PHREEQC} (pitzer.dat)", ("g/L", "degC"), ((0.1, 40), (5, 45)),
        solutions.nacl_solution_density_kg_m3, lambda g, t: 1000 * _nacl(1000 * g, t)["rho"], 2e-3, 1.5e-3,
        "the salt's volume is that at 25 degC",
    ),
    Comparison(
        "vapour pressure of water", "solutions.vapour_pressure_pa", f"{IAPWS} (IAPWS-IF97)", ("degC",),
        ((1, 60),), solutions.vapour_pressure_pa, lambda t: 1e6 * IAPWS97(T=t + KELVIN, x=0).P, 1e-3, 3.8e-4,
        "a fit",
    ),
    Comparison(
        "permittivity of water", "solutions.relative_permittivity", f"{IAPWS} (IAPWS R8-97)", ("degC",),
        ((1, 60),), solutions.relative_permittivity, lambda t: _water(t).epsilon, 3e-3, 1.9e-3,
        "older measurements",
    ),
    Comparison(
        "conductivity of sodium chloride near 25 degC", "conductivity.nacl_us_cm",
        f"{PHREEQC} (pitzer.dat)", ("g/L", "degC"), ((0.05, 20), (24, 26)),
        lambda g, t: conductivity.nacl_us_cm(1000 * g, t), lambda g, t: _nacl(1000 * g, t)["sc"], 0.03, 0.024,
        "the library reads 0.9 % low at the standard",
    ),
    Comparison(
        "conductivity of sodium chloride, 5 to 45 degC", "conductivity.nacl_us_cm",
        f"{PHREEQC} (pitzer.dat)", ("g/L", "degC"), ((0.05, 20), (5, 45)),
        lambda g, t: conductivity.nacl_us_cm(1000 * g, t), lambda g, t: _nacl(1000 * g, t)["sc"], 0.09, 0.081,
        "the library is 8 % low at 5 and 5 % high at 45 degC at the standard",
    ),
    Comparison(
        "friction factor, turbulent", "pipes.friction_factor", "fluids 1.3.1 (Colebrook)",
        ("log10 Re", "e/D"), ((3.62, 8), (0, 0.05)), lambda x, e: pipes.friction_factor(10**x, e),
        lambda x, e: fluids.friction_factor(Re=10**x, eD=e, Method="Colebrook"), 1e-9, 1.2e-14,
        "the same equation",
    ),
    Comparison(
        "friction factor, laminar", "pipes.friction_factor", "fluids 1.3.1", ("log10 Re", "e/D"),
        ((0, 3.3), (0, 0.05)), lambda x, e: pipes.friction_factor(10**x, e),
        lambda x, e: fluids.friction_factor(Re=10**x, eD=e), 1e-12, 0.0, "the same law",
    ),
    Comparison(
        "loss of a header with branches, to its last unit", "headers.segments_of",
        f"fluids 1.3.1 (Colebrook), {IAPWS}", ("bore mm", "m3/h of a unit", "units", "degC"),
        ((25, 200), (0.3, 3), (1, 24), (5, 45)), _ours_header_pa, _theirs_header_pa, 1e-4, 2.0e-5,
        "the same equation; properties of water are fits",
    ),
    Comparison(
        "Cv of a Kv", "pipes.cv_from_kv", "fluids 1.3.1", ("m3/h",), ((0.01, 100),), pipes.cv_from_kv,
        fluids.control_valve.Kv_to_Cv, 1e-3, 2.6e-5, "0.865 is rounded",
    ),
    Comparison(
        "saturation index of calcite", "chemistry.carbonate", f"{PHREEQC} (phreeqc.dat)",
        ("Ca mg/L as CaCO3", "alkalinity mg/L as CaCO3", "pH", "degC"),
        ((30, 600), (30, 500), (6.5, 8.5), (5, 45)),
        lambda *w: chemistry.carbonate(_analysis(*w)).saturation_index, _calcite, 0.05, 0.018,
        "activities by Davies, sodium pairs left out; 3200 mg/L in all", absolute=True,
    ),
    Comparison(
        "saturation index of calcite in the concentrate", "chemistry.concentrate_saturation_index",
        f"{PHREEQC} (phreeqc.dat), equal CO2", ("Ca mg/L as CaCO3", "alkalinity mg/L as CaCO3", "pH", "CF"),
        ((30, 600), (30, 500), (6.5, 8.0), (1.2, 4)),
        lambda ca, alk, ph, cf: chemistry.concentrate_saturation_index(_analysis(ca, alk, ph, 24.0), cf),
        _calcite_of_concentrate, 0.1, 0.08, "as above, to 13 g/L; 24 degC", absolute=True,
    ),
    *(
        Comparison(
            f"saturation index of {name} in a mixed water", "speciation.solve", f"{PHREEQC} (phreeqc.dat)",
            _MIXED_AXES, _MIXED_BOX, _ours_mixed(mineral), _theirs_mixed(mineral), 0.02, seen,
            "the same constants, so it is the solution that is tested; minor pairs left out", absolute=True,
        )
        for name, mineral, seen in (
            ("calcite", "calcite", 2.76e-3), ("gypsum", "gypsum", 1.0e-3),
            ("amorphous silica", "silica", 3.93e-6),
        )
    ),
    Comparison(
        "osmotic pressure of a mixed water, by its particles", "speciation.solve",
        f"{PHREEQC} (pitzer.dat), {IAPWS}",
        _MIXED_AXES, _MIXED_BOX, _particles_pa, _mixed_pa, 0.08, 0.066,
        "one osmotic coefficient for all, pairs counted as one particle",
    ),
)  # fmt: skip
