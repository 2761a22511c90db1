"""Our values of osmotic pressure, water, conductivity, scaling and dosing."""

from __future__ import annotations

from controller.settings import Setpoints
from sim_plant.process import (
    chemistry,
    conductivity,
    normalise,
    solutions,
    sources,
    water,
)
from sim_plant.process import layout as at
from tests.published.registry import BAR, DEMO, Given, by

KPA, MS = 1e3, 1e-3
SEA_SALT_RATIO = 0.905  # one constant against sodium chloride must serve all three values


# --- osmotic pressure ------------------------------------------------------------------------------


@by("water.osmotic_pa_per_kg_m3")
def osmotic_of_nacl(g: Given) -> float:
    return water.osmotic_pa_per_kg_m3(g["degc"], 1.0) * g["nacl_mgl"] * at.MGL / BAR


@by("solutions.nacl_osmotic_coefficient")
def osmotic_coefficient(g: Given) -> float:
    return solutions.nacl_osmotic_coefficient(g["m_mol_kg"], g["degc"])


@by("water.osmotic_pa_per_kg_m3", "solutions.nacl_solution_density_kg_m3")
def osmotic_of_sea_salt(g: Given) -> float:
    """The density is that of sodium chloride, 0.1 % below that of sea water."""
    kg_m3 = g["sa_g_kg"] / 1000 * solutions.nacl_solution_density_kg_m3(g["sa_g_kg"], g["degc"])
    return water.osmotic_pa_per_kg_m3(g["degc"], SEA_SALT_RATIO) * kg_m3 / BAR


@by("solutions.van_t_hoff_pa")
def osmotic_ideal(g: Given) -> float:
    return solutions.van_t_hoff_pa(g["nacl_mgl"] * at.MGL, g["degc"]) / BAR


@by("water.osmotic_pa_per_kg_m3")
def osmotic_of_the_demo(_g: Given) -> list[float]:
    """The demo's water, and pure sodium chloride."""
    ratios = DEMO.source.osmotic_ratio_to_nacl, 1.0
    return [water.osmotic_pa_per_kg_m3(25.0, ratio) / BAR for ratio in ratios]


@by("normalise.osmotic_estimate_bar")
def osmotic_estimate(g: Given) -> float:
    return normalise.osmotic_estimate_bar(g["c_mgl"], g["degc"])


@by("water.osmotic_pa_per_kg_m3")
def osmotic_ratio(_g: Given) -> float:
    return water.osmotic_pa_per_kg_m3(5.0, 1.0) / water.osmotic_pa_per_kg_m3(25.0, 1.0)


# --- water and conductivity ------------------------------------------------------------------------


@by("water.density_kg_m3")
def density(g: Given) -> float:
    return water.density_kg_m3(g["degc"])


@by("water.viscosity_pa_s")
def viscosity(g: Given) -> float:
    return water.viscosity_pa_s(g["degc"]) / MS


@by("solutions.vapour_pressure_pa")
def vapour_pressure(g: Given) -> float:
    return solutions.vapour_pressure_pa(g["degc"]) / KPA


@by("solutions.nacl_solution_density_kg_m3")
def density_of_nacl(g: Given) -> float:
    return solutions.nacl_solution_density_kg_m3(g["nacl_mgl"] * at.MGL, g["degc"])


@by("conductivity.kcl_us_cm")
def kcl(g: Given) -> float:
    return conductivity.kcl_us_cm(g["m_mol_kg"], g["degc"])


@by("conductivity.temperature_coefficient")
def kcl_slope(g: Given) -> float:
    return 100 * conductivity.temperature_coefficient(g["k25_us_cm"], g["k35_us_cm"], 25.0, 35.0)


@by("conductivity.at_25_degc")
def compensated(g: Given) -> float:
    return conductivity.at_25_degc(g["k_t_us_cm"], g["degc"], g["alpha_per_k"])


@by("conductivity.molar_conductivity")
def molar_conductivity(g: Given) -> float:
    return conductivity.molar_conductivity(conductivity.SODIUM, g["c_mol_l"], 25.0)


@by("conductivity.nacl_us_cm")
def conductivity_of_nacl(g: Given) -> float:
    return conductivity.nacl_us_cm(g["nacl_mgl"], g["degc"])


@by("conductivity.kcl_us_cm")
def library_against_kcl(g: Given) -> float:
    """The library's printed conductivity against ours, which must stand for the standard table."""
    return g["library_us_cm"] / conductivity.kcl_us_cm(0.01, g["degc"])


@by("sources.measured")
def loop_factors(_g: Given) -> list[float]:
    """What the plant's permeate and feed conductivity loops make of 1 g/L."""
    return list(scales())


@by("sources.measured")
def instrument_scale(g: Given) -> float:
    """The permeate instrument's scale, which is the sodium chloride scale of such tables."""
    return scales()[0] * g["ec_us_cm"]


def scales() -> tuple[float, float]:
    """mg/L for each uS/cm of permeate and feed, as the loops of the demo show 1 g/L."""
    loops = sources.measured(DEMO)
    return 1000 / loops["permeate_cond_ma"][1], 1000 / (1000 * loops["feed_cond_ma"][1])


# --- calcium carbonate -----------------------------------------------------------------------------


def analysis(g: Given) -> chemistry.Water:
    degc = (g["degf"] - 32) / 1.8 if "degf" in g else g["degc"]
    return chemistry.Water(g["tds_mgl"], g["ca_mgl"], g["alk_mgl"], g["ph"], degc)


BRACKISH = chemistry.Water(2000, 250, 200, 7.5, 25)


@by("chemistry.saturation_ph")
def ph_from_terms(g: Given) -> float:
    return chemistry.saturation_ph((g["a"], g["b"], g["c"], g["d"]))


@by("chemistry.saturation_ph", "chemistry.langelier_terms")
def saturation_ph(g: Given) -> float:
    return chemistry.saturation_ph(chemistry.langelier_terms(analysis(g)))


@by("chemistry.langelier")
def langelier(g: Given) -> float:
    return chemistry.langelier(analysis(g))


@by("chemistry.ryznar")
def ryznar(g: Given) -> float:
    return chemistry.ryznar(analysis(g))


@by("chemistry.puckorius")
def puckorius(g: Given) -> float:
    return chemistry.puckorius(analysis(g))


@by("chemistry.langelier", "chemistry.concentrated")
def langelier_shift(g: Given) -> float:
    return chemistry.langelier(chemistry.concentrated(BRACKISH, g["cf"])) - chemistry.langelier(BRACKISH)


@by("chemistry.langelier", "chemistry.concentrated", "chemistry.index_ph")
def langelier_shift_co2(g: Given) -> float:
    concentrate = chemistry.concentrated(BRACKISH, g["cf"], chemistry.index_ph(BRACKISH, g["cf"]))
    return chemistry.langelier(concentrate) - chemistry.langelier(BRACKISH)


@by("chemistry.carbonate")
def calcite(g: Given) -> float:
    return chemistry.carbonate(analysis(g)).saturation_index


@by("chemistry.concentrate_saturation_index")
def concentrate_calcite(g: Given) -> float:
    return chemistry.concentrate_saturation_index(analysis(g), g["cf"])


@by("chemistry.dose_ml_min")
def dose_rate(g: Given) -> float:
    return chemistry.dose_ml_min(g["qf_l_min"], g["dose_mgl"], g["rho_kg_l"], g.get("w", 1.0))


@by("chemistry.dose_mgl")
def dose_of_the_demo(_g: Given) -> float:
    """The firmware's default, mL of product for each m3 of feed; product of 1.1 kg/L."""
    return chemistry.dose_mgl(1.0, Setpoints().dosing_ml_m3, 1.1)
