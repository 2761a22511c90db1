"""The plant's functions against values from outside; each value's source and basis is in values.toml."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from sim_plant.faults import Fault
from sim_plant.field import instruments
from sim_plant.plant import Plant
from sim_plant.process import hydraulics, membrane, network, packing, salt, water
from sim_plant.process import layout as at
from sim_plant.process.parameters import PlantParameters, Source, Unit

VALUES = tomllib.loads((Path(__file__).parent / "values.toml").read_text(encoding="utf-8"))
BAR = 1e5


def points(section):
    return [tuple(point) for point in VALUES[section]["points"]]


@pytest.mark.parametrize(("kg_m3", "degc", "bar"), points("osmotic_nacl"))
def test_osmotic_pressure_of_sodium_chloride(kg_m3, degc, bar):
    ours = water.osmotic_pa_per_kg_m3(degc, 1.0) * kg_m3 / BAR
    assert ours == pytest.approx(bar, rel=VALUES["osmotic_nacl"]["tolerance"])


@pytest.mark.parametrize(("g_kg", "degc", "bar"), points("osmotic_sea_salt"))
def test_osmotic_pressure_of_sea_salt(g_kg, degc, bar):
    table = VALUES["osmotic_sea_salt"]
    kg_m3 = g_kg * (water.density_kg_m3(degc) + 0.75 * g_kg) / 1000  # sea salt adds about 0.75 kg/m3 per g/kg
    ours = water.osmotic_pa_per_kg_m3(degc, table["ratio_to_nacl"]) * kg_m3 / BAR
    assert ours == pytest.approx(bar, rel=table["tolerance"])


def test_osmotic_pressure_follows_absolute_temperature():
    table = VALUES["osmotic_temperature"]
    ratio = water.osmotic_pa_per_kg_m3(5.0, 1.0) / water.osmotic_pa_per_kg_m3(25.0, 1.0)
    assert ratio == pytest.approx(table["expected"], abs=table["tolerance_abs"])


@pytest.mark.parametrize("ratio", [PlantParameters().source.osmotic_ratio_to_nacl, 1.0])
def test_osmotic_pressure_obeys_the_rule_of_thumb(ratio):
    table = VALUES["osmotic_rule"]
    assert table["low"] <= water.osmotic_pa_per_kg_m3(25.0, ratio) / BAR <= table["high"]


@pytest.mark.parametrize(("degc", "mpa_s"), points("viscosity"))
def test_viscosity_of_water(degc, mpa_s):
    assert water.viscosity_pa_s(degc) * 1e3 == pytest.approx(mpa_s, rel=VALUES["viscosity"]["tolerance"])


@pytest.mark.parametrize(("degc", "kg_m3"), points("density"))
def test_density_of_water(degc, kg_m3):
    assert water.density_kg_m3(degc) == pytest.approx(kg_m3, rel=VALUES["density"]["tolerance"])


@pytest.mark.parametrize(("degc", "factor"), points("temperature_factor"))
def test_permeability_follows_viscosity(degc, factor):
    assert water.permeability_factor(degc) == pytest.approx(
        factor, rel=VALUES["temperature_factor"]["tolerance"]
    )


def test_permeability_per_degree_obeys_the_rule_of_thumb():
    table = VALUES["temperature_rule"]
    assert (
        table["low"] <= water.permeability_factor(25.5) / water.permeability_factor(24.5) - 1 <= table["high"]
    )


def unit_at_fixed_feed(k_m_s):
    """A unit of 7 m2 fed with 8 L/min of 2000 mg/L at 10 bar until it is steady, by the kernel's functions.

    Returns (permeate L/min, permeate mg/L, concentrate mg/L).
    """
    feed, mean_flow = 8.0 / 60000, (8.0 + 5.0) / 2 * 60 / 1000
    unit = Unit(
        cells=8, membrane_area_m2=7.0, permeability_lmh_bar=3.5, salt_permeability_lmh=0.15,
        mass_transfer_m_s=k_m_s, feed_side_l=3.0, permeate_hold_up_l=1.2, module_loss_bar=0.4,
        nominal_feed_m3h=mean_flow * 8 / 6.5, nominal_concentrate_m3h=mean_flow * 5 / 6.5,
    )  # fmt: skip
    source = Source(tds_mgl=2000, temperature_degc=25.0)
    plant = Plant(1, PlantParameters(unit=unit, source=source))
    p, u, b, uf = plant._a.p, plant._a.u[0], plant._a.b, plant._a.unit_faults[0]
    u[at.U_PERMEATE_PRESSURE] = 0.2 * BAR
    for _ in range(20000):
        permeate, _slope = network._permeate(p, u, uf, 10.0 * BAR, 1.0, 0.794 * BAR)
        u[at.U_Q_PERMEATE], u[at.U_Q_CONCENTRATE], u[at.U_Q_FEED] = permeate, feed - permeate, feed
        salt.step_unit_salt(p, u, b, uf, 0.1)
    return permeate * 60000, u[at.U_PERMEATE_TDS] * 1000, u[at.U_CELL + 7] * 1000


@pytest.mark.parametrize(
    ("section", "k_m_s"), [("unit_without_polarisation", 1e-2), ("unit_with_polarisation", 4e-5)]
)
def test_cells_stand_for_the_channel_of_one_unit(section, k_m_s):
    table = VALUES[section]
    for ours, expected, tolerance in zip(
        unit_at_fixed_feed(k_m_s), table["expected"], table["tolerance"], strict=True
    ):
        assert ours == pytest.approx(expected, rel=tolerance)


def test_polarisation_of_the_demo_unit_is_that_of_good_design():
    plant = Plant(1, PlantParameters())
    u, p = PlantParameters().unit, plant._a.p
    flux = u.nominal_permeate_m3h / 3600 / u.membrane_area_m2
    tail = membrane.film_coefficient(p[at.P_K], u.nominal_concentrate_m3h / 3600 / p[at.P_Q_MEAN])
    table = VALUES["polarisation_design"]
    assert table["low"] <= membrane.polarisation(flux, tail) <= table["high"]


def test_four_cells_wash_out_as_four_tanks_in_series():
    table = VALUES["tanks_in_series"]
    cells, dt_s, steps = [0.0] * 4, 0.1, 1000
    for _ in range(steps):
        inflow = 1.0
        for j in range(4):
            cells[j], inflow = membrane.mix(cells[j], inflow, 1.0, steps * dt_s / 4, dt_s)
    assert cells[3] == pytest.approx(table["expected"], abs=table["tolerance_abs"])


def test_pressure_drop_of_a_valve():
    table = VALUES["kv"]
    flow = hydraulics.flow_through(table["expected"] * BAR, packing.kv_si(1.5) ** -2, 1.0)
    assert flow * 3600 == pytest.approx(1.2, rel=table["tolerance"])


def test_pumps_obey_the_affinity_laws():
    """At the head ratio of the law, the flow must have the flow ratio of the law."""
    flow_ratio, head_ratio = VALUES["affinity"]["expected"]
    v = packing.pack(PlantParameters(), 6)
    curve = v[at.P_BOOSTER_HEAD], v[at.P_BOOSTER_K], v[at.P_BOOSTER_R]
    full = hydraulics.pump_flow_m3_s(3.2 * BAR, 1.0, *curve)
    slow = hydraulics.pump_flow_m3_s(3.2 * BAR * head_ratio, 0.9, *curve)
    assert full > 1e-3
    assert slow / full == pytest.approx(flow_ratio, rel=VALUES["affinity"]["tolerance"])


def test_a_prefilter_is_laminar():
    ours = hydraulics.prefilter_pa(0.1, 2.0, water.viscosity_pa_s(10.0) / water.viscosity_pa_s(25.0))
    assert ours == pytest.approx(VALUES["prefilter"]["expected"], rel=VALUES["prefilter"]["tolerance"])


def test_pressure_of_a_metre_of_water():
    ours = water.hydrostatic_pa(1.0, 20.0) / 100
    assert ours == pytest.approx(VALUES["level"]["expected"], rel=VALUES["level"]["tolerance"])


@pytest.mark.parametrize("name", ["permeate_tds_per_us", "feed_tds_per_us"])
def test_conductivity_factors_are_those_of_natural_waters(name):
    table = VALUES["conductivity_factor"]
    assert table["low"] <= getattr(PlantParameters().field, name) <= table["high"]


def test_starting_current_is_that_of_direct_on_line_motors():
    table = VALUES["starting_current"]
    assert table["low"] <= PlantParameters().supply.starting_multiple <= table["high"]


def test_starting_time_is_that_of_a_small_pump():
    table = VALUES["starting_time"]
    assert table["low"] <= PlantParameters().unit.run_up_s <= table["high"]


def test_measurements_and_failures_of_a_loop_keep_to_their_bands():
    table = VALUES["measuring_range"]
    assert table["measurement"] == [instruments.LEAST_MA, instruments.MOST_MA]
    plant = Plant(1, PlantParameters())
    for kind, beyond in (
        ("open_circuit", lambda ma: ma <= table["failure"][0]),
        ("short_circuit", lambda ma: ma >= table["failure"][1]),
    ):
        plant.inject(Fault("suction", kind, 1))
        assert beyond(plant.inputs().units[0].suction_ma)
        plant.clear(Fault("suction", kind, 1))


def test_every_section_names_its_basis_and_its_source():
    for name, table in VALUES.items():
        assert table["basis"] in ("published", "library", "memory"), name
        assert table["source"], name


def test_at_least_thirty_values_are_published_or_from_a_library():
    """Values recalled from memory and mere arithmetic do not count."""
    count = 0
    for table in VALUES.values():
        if table["basis"] != "memory":
            expected = table.get("points", table.get("expected", [0]))
            count += len(expected) if isinstance(expected, list) else 1
    assert count >= 30
