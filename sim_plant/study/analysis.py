"""The feed-water analysis of a site: read, held against itself, refused in one line when it cannot be.

    SITE/study.toml    [water] the analysis, [limits] what must hold, [sweep] what is tried,
                       optional: [demand] what is drawn over a day, [headers] the pipes of the bank,
                       [season] how units fail and are serviced

Nothing is corrected silently. ``balanced`` makes up for a difference of charges with one ion, when asked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, ValidationError, model_validator

from controller.files import InputError, explain, read_toml
from sim_plant.process.chemistry import CACO3_MG_MMOL, Water
from sim_plant.process.speciation import IONS, SILICA_GRAM_MOL, Mixture, solve
from sim_plant.process.water import NACL_KG_MOL
from sim_plant.study.demand import Demand
from sim_plant.study.header_table import Headers
from sim_plant.study.season_table import Season
from sim_plant.study.tables import Numbers
from sim_plant.study.tables import Table as _Table

STUDY_FILE = "study.toml"
BALANCE_MOST_PCT = 10.0  # own choice: twice what Standard Methods 1030 E allows above 10 meq/L
BALANCE_GOOD_PCT = 5.0  # Standard Methods 1030 E, from memory: sums of 10 to 800 meq/L
# Dissolved solids for each uS/cm: published pages give 0.55 to 0.8 for natural waters; wider on both sides
FACTOR_LEAST, FACTOR_MOST = 0.45, 0.95
_MG_EACH_MEQ_CACO3 = CACO3_MG_MMOL / 2.0

Mgl = Annotated[float, Field(ge=0, le=40000)]


class WaterTable(_Table):
    """One analysis; mg/L of the ion itself, but alkalinity, which laboratories print as CaCO3."""

    calcium_mgl: Mgl
    magnesium_mgl: Mgl
    sodium_mgl: Mgl
    potassium_mgl: Mgl = 0.0
    alkalinity_mgl_caco3: Mgl
    sulfate_mgl: Mgl
    chloride_mgl: Mgl
    nitrate_mgl: Mgl = 0.0
    fluoride_mgl: Mgl = 0.0
    silica_mgl: Mgl = Field(description="dissolved silica as SiO2")
    ph: float = Field(ge=4, le=10)
    temperature_degc: Numbers = Field(min_length=2, max_length=2, description="coldest and warmest")
    silt_density_index: float = Field(ge=0, le=6.7, description="15 min, ASTM D4189; 6.67 is its end")
    conductivity_us_cm: float = Field(0, ge=0, le=80000, description="at 25 degC; 0 for not measured")

    @model_validator(mode="after")
    def _cold_before_warm(self) -> Self:
        low, high = self.temperature_degc
        if not 1.0 <= low <= high <= 45.0:
            raise ValueError(
                f"temperature_degc = [{low:g}, {high:g}]: must be the coldest and the warmest, 1 to 45"
            )
        return self


class Limits(_Table):
    """What must hold. Defaults are own choices: the suppliers' written limits override them."""

    calcite_index: float = Field(1.5, ge=0, le=3, description="log10 of saturation, antiscalant dosed")
    gypsum_index: float = Field(0.3, ge=-1, le=1, description="the same of gypsum")
    silica_index: float = Field(0.0, ge=-1, le=0.5, description="the same of amorphous silica")
    permeate_tds_mgl: float = Field(200, gt=0, le=5000, description="mean over a cycle")
    silt_density_index: float = Field(5, gt=0, le=6.7, description="common practice, no source")
    recovery_least: float = Field(0, ge=0, lt=1, description="net recovery that is worth having")
    drain_over_feed: float = Field(
        1.1, gt=1, le=2, description="a flush is done when the drain conducts so much more than feed"
    )
    flush_margin: float = Field(1.25, ge=1, le=3, description="a proposed flush is so much longer")
    pump_efficiency: float = Field(0.5, gt=0, le=1, description="unit pump with motor, wire to water")
    booster_efficiency: float = Field(0.5, gt=0, le=1, description="booster with motor and drive")


class Sweep(_Table):
    """What is tried. Temperatures are those of the analysis: coldest, middle, warmest."""

    purge_interval_s: Numbers = (300.0, 600.0, 1200.0, 2400.0)
    purge_s: Numbers = (10.0, 20.0, 40.0)
    restrictor_share: Numbers = Field((0.7, 1.0, 1.4), description="of the fitted Kv; 0 is blanked")

    @model_validator(mode="after")
    def _in_bounds(self) -> Self:
        bounds = {"purge_interval_s": (120, 7200), "purge_s": (5, 120), "restrictor_share": (0, 4)}
        for name, (low, high) in bounds.items():
            values = getattr(self, name)
            if not 1 <= len(values) <= 12 or not all(low <= v <= high for v in values):
                raise ValueError(f"{name}: must be 1 to 12 numbers, each {low} to {high}")
        return self


class StudyFile(_Table):
    """All of study.toml."""

    water: WaterTable
    limits: Limits = Limits()
    sweep: Sweep = Sweep()
    demand: Demand | None = None
    headers: Headers | None = None
    season: Season | None = None


@dataclass(frozen=True)
class Analysis:
    """A water that balances; ``notes`` say what a reader should know of it."""

    table: WaterTable
    notes: tuple[str, ...] = ()

    @property
    def tds_mgl(self) -> float:
        """Sum of what is dissolved, bicarbonate in full."""
        return sum(_ions_mgl(self.table).values()) + self.table.silica_mgl

    @property
    def degc(self) -> tuple[float, float, float]:
        """Coldest, middle and warmest."""
        low, high = self.table.temperature_degc
        return low, 0.5 * (low + high), high

    def mixture(self, degc: float) -> Mixture:
        """In mol for each kg of water. A litre is taken to weigh 1 kg; the salt in it is no water."""
        water_kg = 1.0 - self.tds_mgl * 1e-6
        mol = {
            name: mgl / 1000.0 / IONS[name].gram_mol / water_kg for name, mgl in _ions_mgl(self.table).items()
        }
        alkalinity = mol.pop("bicarbonate")
        silica = self.table.silica_mgl / 1000.0 / SILICA_GRAM_MOL / water_kg
        return Mixture(**mol, alkalinity=alkalinity, silica=silica, ph=self.table.ph, degc=degc)

    def langelier_water(self, degc: float) -> Water:
        """For the closed form of the Langelier index; hardly any water has no calcium at all."""
        t = self.table
        calcium = max(t.calcium_mgl / IONS["calcium"].gram_mol * CACO3_MG_MMOL, 1e-3)
        return Water(self.tds_mgl, calcium, max(t.alkalinity_mgl_caco3, 1e-3), t.ph, degc)

    def osmotic_ratio(self, degc: float) -> float:
        """Osmotic pressure against the same mass of sodium chloride: particles for each kg of salt."""
        particles = solve(self.mixture(degc)).particles
        kg_each_kg = self.tds_mgl * 1e-6 / (1.0 - self.tds_mgl * 1e-6)
        return particles / (2.0 * kg_each_kg / NACL_KG_MOL)


def read_study(folder: Path, balance_with: str | None = None) -> tuple[StudyFile, Analysis]:
    """A site's study.toml and its analysis; InputError when it cannot be used."""
    data = read_toml(folder / STUDY_FILE)
    try:
        file = StudyFile.model_validate(data, strict=True)
    except ValidationError as error:
        raise InputError(explain(STUDY_FILE, error, StudyFile)) from error
    return file, checked(file.water, balance_with)


def checked(table: WaterTable, balance_with: str | None = None) -> Analysis:
    """The analysis when it holds together; InputError says what does not."""
    notes: list[str] = []
    if balance_with is not None:
        table, note = balanced(table, balance_with)
        notes.append(note)
    off_pct = balance_pct(table)
    if abs(off_pct) > BALANCE_MOST_PCT:
        more, less = ("cations", "anions") if off_pct > 0 else ("anions", "cations")
        raise InputError(
            f"{STUDY_FILE}: water: {more} exceed {less} by {abs(off_pct):.1f} % of their sum, at most "
            f"{BALANCE_MOST_PCT:g} %; ask the laboratory, or make it up with --balance-with ION"
        )
    if abs(off_pct) > BALANCE_GOOD_PCT:
        notes.append(f"ions balance to {abs(off_pct):.1f} % only; Standard Methods 1030 E asks for 5 %")
    analysis = Analysis(table, tuple(notes))
    if not 50.0 <= analysis.tds_mgl <= 20000.0:
        raise InputError(
            f"{STUDY_FILE}: water: dissolved solids of {analysis.tds_mgl:.0f} mg/L: must lie in 50 to 20000, "
            "for which the plant's laws hold"
        )
    if table.conductivity_us_cm > 0.0:
        _check_conductivity(analysis)
    return analysis


def _check_conductivity(analysis: Analysis) -> None:
    measured = analysis.table.conductivity_us_cm
    factor = analysis.tds_mgl / measured
    if not FACTOR_LEAST <= factor <= FACTOR_MOST:
        raise InputError(
            f"{STUDY_FILE}: water.conductivity_us_cm = {measured:g}: the ions come to {analysis.tds_mgl:.0f} "
            f"mg/L, {factor:.3g} for each uS/cm, outside {FACTOR_LEAST:g} to {FACTOR_MOST:g}; is one of them "
            "in another unit?"
        )


def _ions_mgl(table: WaterTable) -> Mapping[str, float]:
    """mg/L by ion; alkalinity is taken as bicarbonate."""
    bicarbonate = table.alkalinity_mgl_caco3 / _MG_EACH_MEQ_CACO3 * IONS["bicarbonate"].gram_mol
    return {
        name: bicarbonate if name == "bicarbonate" else float(getattr(table, f"{name}_mgl")) for name in IONS
    }


def _sums_meq_l(table: WaterTable) -> tuple[float, float]:
    """Cations and anions."""
    meq = {name: mgl / IONS[name].gram_mol * IONS[name].charge for name, mgl in _ions_mgl(table).items()}
    return sum(v for v in meq.values() if v > 0.0), -sum(v for v in meq.values() if v < 0.0)


def balance_pct(table: WaterTable) -> float:
    """Cations less anions in % of their sum (Standard Methods 1030 E); InputError for water without ions."""
    cations, anions = _sums_meq_l(table)
    if cations + anions == 0.0:
        raise InputError(f"{STUDY_FILE}: water: there are no ions in it")
    return 100.0 * (cations - anions) / (cations + anions)


def balanced(table: WaterTable, ion: str) -> tuple[WaterTable, str]:
    """The table with one ion changed until charges are even, and what was done; else InputError."""
    name = f"{ion}_mgl"
    if ion not in IONS or name not in WaterTable.model_fields:
        known = ", ".join(n for n in IONS if f"{n}_mgl" in WaterTable.model_fields)
        raise InputError(f"--balance-with {ion}: must be one of {known}")
    cations, anions = _sums_meq_l(table)
    before = float(getattr(table, name))
    after = before + (anions - cations) / IONS[ion].charge * IONS[ion].gram_mol
    if after < 0.0:
        raise InputError(
            f"--balance-with {ion}: there would be less than none of it; the difference is of the other sign"
        )
    note = f"{ion} taken as {after:.4g} mg/L in place of {before:.4g}, to make the charges even, as asked"
    return table.model_copy(update={name: after}), note
