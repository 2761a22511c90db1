"""Kernel and site arithmetic against closed forms and limits, where one value would say too little."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.signals import Kind, Signal, from_ma, to_ma
from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.process import (
    chemistry,
    conductivity,
    duty,
    membrane,
    motors,
    network,
    normalise,
    pipes,
    salt,
    solutions,
)
from sim_plant.process import layout as at
from sim_plant.process.parameters import PlantParameters, Source, Unit

PRESSURE = Signal("p", "PT", Kind.AI, "", "", "bar", 0.0, 16.0)
BRACKISH = chemistry.Water(2000, 250, 200, 7.5, 25)


@given(st.floats(-5, 21))
def test_a_loop_is_scaled_there_and_back(bar):
    assert from_ma(PRESSURE, to_ma(PRESSURE, bar)) == pytest.approx(bar, abs=1e-9)


def test_measurements_and_failures_of_a_loop_keep_to_their_bands():
    plant = Plant(1, PlantParameters())
    for kind, beyond in (("open_circuit", lambda ma: ma <= 3.6), ("short_circuit", lambda ma: ma >= 21.0)):
        plant.inject(Fault("suction", kind, 1))
        assert beyond(plant.inputs().units[0].suction_ma)
        plant.clear(Fault("suction", kind, 1))


# --- mixing ----------------------------------------------------------------------------------------


@settings(deadline=None)  # the first example compiles
@given(st.floats(0.01, 8), st.integers(1, 300))
def test_a_mixed_volume_washes_out_exactly_in_any_number_of_steps(volumes, steps):
    c = 1.0
    for _ in range(steps):
        c, _mean = membrane.mix(c, 0.0, 1.0, 100.0, 100.0 * volumes / steps)
    assert c == pytest.approx(math.exp(-volumes), rel=1e-9)


def test_salt_evens_out_across_an_idle_membrane_in_every_cell():
    unit = Unit(feed_side_l=3.0, permeate_hold_up_l=1.2, salt_permeability_lmh=20.0)
    a = Plant(1, PlantParameters(unit=unit, source=Source(tds_mgl=3200)))._a
    u = a.u[0]
    u[at.U_CELL : at.U_CELL + 4], u[at.U_PERMEATE_TDS] = 3.2, 0.030
    for _ in range(2000):
        salt.step_unit_salt(a.p, u, a.b, a.unit_faults[0], 0.5)
    assert np.allclose(u[at.U_CELL : at.U_CELL + 4], u[at.U_PERMEATE_TDS], rtol=1e-3)


@pytest.mark.parametrize("kv", [0.02, 0.1, 0.2645])
def test_full_rejection_concentrates_by_the_mass_balance_and_stays_below_the_osmotic_limit(kv):
    """2 g/L at 8 bar: CF = 1 / (1 - R), and R < 1 - pi_feed / P, whatever the restrictor."""
    unit = Unit(restrictor_kv_m3h=kv, salt_permeability_lmh=1e-9)
    plant = Plant(1, PlantParameters(unit=unit))
    p, u, b, uf = plant._a.p, plant._a.u[0], plant._a.b, plant._a.unit_faults[0]
    b[at.B_TDS] = 2.0
    for _ in range(20000):
        u[at.U_Q_FEED], _slope = network._outlet(p, u, uf, 8e5, 1.0, 0.80625e5)
        salt.step_unit_salt(p, u, b, uf, 1.0)
    recovery = u[at.U_Q_PERMEATE] / u[at.U_Q_FEED]
    assert 0.1 < recovery < normalise.greatest_recovery(1.6125, 8.0)
    assert u[at.U_CELL + 3] / 2.0 == pytest.approx(normalise.concentration_factor(recovery), rel=1e-6)


# --- duty ------------------------------------------------------------------------------------------


def test_a_unit_of_18_5_l_min_purged_10_s_after_every_120_s_nets_a_little_over_a_cubic_metre():
    """Common practice, no source: the duty of a small brackish unit."""
    one, ten = (duty.net_production_m3h(18.5, 120, 10, units) for units in (1, 10))
    assert 1.0 < one < 1.05
    assert 10.0 < ten < 10.5
    assert duty.net_production_m3h(18.0, 120, 10) < 1.0, "a unit of 18 L/min would miss it"


@pytest.mark.parametrize(("interval_s", "percent"), [(300, 55.6), (600, 57.7), (1200, 58.8)])
def test_net_recovery_of_the_demo_purge(interval_s, percent):
    """The demo plant's table; its rounding allows 0.15 points."""
    ours = duty.net_recovery(1.40, 2.33, interval_s, 3.4, 20, 0.35)
    assert 100 * ours == pytest.approx(percent, abs=0.15)


@settings(deadline=None)  # the first example compiles
@given(st.floats(31, 1000), st.floats(1, 25), st.floats(0.1, 100))
def test_the_time_to_fall_is_the_time_that_the_kernel_takes(start, share, tau_s):
    limit = 30 + (start - 30) * share / 26
    seconds = duty.seconds_to_fall(start, 30.0, limit, tau_s)
    assert membrane.mix(start, 30.0, 1.0, tau_s, seconds)[0] == pytest.approx(limit, rel=1e-9)


@given(st.floats(0.001, 0.98), st.floats(0.5, 0.9999))
def test_salt_that_does_not_leave_with_the_permeate_is_in_the_concentrate(recovery, rejection):
    permeate = recovery * normalise.mean_permeate_ratio(recovery, rejection)
    concentrate = (1 - recovery) * normalise.concentration_factor(recovery, rejection)
    assert permeate + concentrate == pytest.approx(1.0, rel=1e-9)


def test_the_log_mean_lies_between_feed_and_concentrate():
    for recovery in np.linspace(0.01, 0.95, 20):
        factor = normalise.log_mean_factor(float(recovery))
        assert 1 < factor < (1 + normalise.concentration_factor(float(recovery))) / 2


def test_actual_at_standard_conditions_is_normalised_to_itself():
    assert normalise.normalised_flow(3.0, (7.0, 0.9), (7.0, 0.9)) == pytest.approx(3.0)


# --- chemistry, conductivity, pipes ------------------------------------------------------------------


@settings(max_examples=50, deadline=None)
@given(st.floats(1, 20000), st.floats(5, 45))
def test_the_solution_that_conducts_so_well_is_found_again(mgl, degc):
    assert conductivity.nacl_mgl(conductivity.nacl_us_cm(mgl, degc), degc) == pytest.approx(mgl, rel=1e-6)


@settings(max_examples=50, deadline=None)
@given(st.floats(1.01, 6))
def test_a_concentrate_scales_more_than_its_feed_and_less_than_the_index_says(factor):
    feed = chemistry.carbonate(BRACKISH).saturation_index
    shift = chemistry.concentrate_saturation_index(BRACKISH, factor) - feed
    by_index = chemistry.langelier(
        chemistry.concentrated(BRACKISH, factor, chemistry.index_ph(BRACKISH, factor))
    ) - chemistry.langelier(BRACKISH)
    assert 0 < shift < by_index


@given(st.floats(0.1, 50), st.floats(1, 500), st.floats(0.05, 1))
def test_rate_and_dose_are_each_other_the_other_way_round(feed_m3h, ml_h, share):
    dose = chemistry.dose_mgl(feed_m3h, ml_h, 1.1, share)
    assert 60 * chemistry.dose_ml_min(feed_m3h * 1000 / 60, dose, 1.1, share) == pytest.approx(ml_h)


@given(st.floats(0.01, 100), st.floats(0.001, 5))
def test_a_blend_has_the_salt_of_its_target(permeate, share_of_gap):
    feed = permeate + 100
    target = permeate + 20 * share_of_gap
    x = solutions.bypass_share(permeate, feed, target)
    assert (1 - x) * permeate + x * feed == pytest.approx(target)


@given(st.floats(2400, 1e8), st.floats(0, 0.05))
def test_friction_solves_its_equation_and_grows_with_roughness(re, roughness):
    f = pipes.friction_factor(re, roughness)
    right = -2 * math.log10(roughness / 3.7 + 2.51 / (re * math.sqrt(f)))
    assert 1 / math.sqrt(f) == pytest.approx(right, rel=1e-9)
    assert f >= pipes.friction_factor(re, 0.0)


def test_a_still_pipe_loses_nothing_and_double_the_flow_up_to_four_times_as_much():
    assert pipes.pipe_loss_pa(0.0, 0.05, 10.0, 1e-5, 20.0) == 0.0
    one, two = (pipes.pipe_loss_pa(flow, 0.05, 10.0, 1e-5, 20.0) for flow in (5.0, 10.0))
    assert 3.2 < two / one < 4.0


@given(st.floats(0.001, 1000))
def test_kv_and_cv_are_each_other_the_other_way_round(kv):
    assert pipes.kv_from_cv(pipes.cv_from_kv(kv)) == pytest.approx(kv)


@given(st.integers(1, 64), st.floats(0.1, 5), st.floats(0.1, 60))
def test_a_longer_stagger_never_raises_the_peak(units, starting_s, stagger_s):
    sooner, later = (
        motors.peak_a(units, 1.5, 6.0, motors.most_starting(units, starting_s, s))
        for s in (stagger_s, 2 * stagger_s)
    )
    assert 1.5 * (units - 1) + 9.0 <= later <= sooner <= 9.0 * units


REFUSED = {
    "times must be positive": lambda: duty.production_share(-1, 10),
    "produce_s = 0, interrupt_s = 0": lambda: duty.production_share(0, 0),
    "never reached": lambda: duty.seconds_to_fall(100, 30, 30, 10),
    "Re = 0": lambda: pipes.friction_factor(0.0, 0.0),
    "Re = nan": lambda: pipes.friction_factor(math.nan, 0.0),
    "relative roughness = 0.06": lambda: pipes.friction_factor(1e5, 0.06),
    "target_mgl = 2001 must lie": lambda: solutions.bypass_share(30, 2000, 2001),
    "between 30 and 30": lambda: solutions.bypass_share(30, 30, 30),
    "no compensation": lambda: conductivity.at_25_degc(100, -25.0),
    "amounts must be positive and finite": lambda: chemistry.Water(1000, 0, 100, 7, 25),
    "nan": lambda: chemistry.Water(math.nan, 10, 100, 7, 25),
    "pH = 2": lambda: chemistry.Water(1000, 100, 100, 2, 25),
}


@pytest.mark.parametrize("message", REFUSED)
def test_what_cannot_be_is_refused_with_what_was_given(message):
    with pytest.raises(ValueError, match=message):
        REFUSED[message]()
