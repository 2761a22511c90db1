"""What goes in comes out or is still there; the step size hardly matters; nothing goes astray."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.signals import BankOutputs, Outputs, UnitOutputs
from sim_plant.faults import FAULTS, Fault
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters


def gap(before, after):
    """(in - out - change of stored) of two looks at a balance."""
    return (after[0] - before[0]) - (after[1] - before[1]) - (after[2] - before[2])


def eventful_life(rig):
    rig.hold("idle", 5).hold("flush", 40).hold("settle", 5).hold("produce", 60).hold("purge", 10)
    rig.plant.inject(Fault("product_header", "shut"))
    rig.hold("produce", 20)
    rig.plant.clear(Fault("product_header", "shut"))
    rig.plant.inject(Fault("source", "tds", 0, 6000.0))
    rig.plant.inject(Fault("drain", "blocked", 0, 0.0))
    rig.hold("produce", 200)
    rig.plant.set_power(False)
    rig.hold("produce", 5)
    rig.plant.set_power(True)
    rig.hold("produce", 30, 500).hold("idle", 10, 10)


@pytest.mark.parametrize("n_units", [1, 6])
def test_water_balance_closes_to_rounding(make_rig, n_units):
    rig = make_rig(n_units)
    rig.plant.set_demand_m3h(30)
    before = rig.plant.water_balance_m3()
    eventful_life(rig)
    after = rig.plant.water_balance_m3()
    assert after[0] > 0.1
    assert abs(gap(before, after)) < 1e-10 * 40


@pytest.mark.parametrize("n_units", [1, 6])
def test_salt_balance_closes_to_rounding(make_rig, n_units):
    rig = make_rig(n_units)
    before = rig.plant.salt_balance_kg()
    eventful_life(rig)
    after = rig.plant.salt_balance_kg()
    assert after[0] > 0.3
    assert abs(gap(before, after)) < 1e-11 * 10


def test_salt_that_overflows_is_accounted_for(make_rig):
    rig = make_rig(2)
    rig.plant.set_demand_m3h(0)
    rig.plant.inject(Fault("tank_not_overfull", "stuck_closed"))
    rig.plant.set_tank_pct(100)
    water, salt = rig.plant.water_balance_m3(), rig.plant.salt_balance_kg()
    rig.hold("idle", 5).hold("settle", 120)  # header pressure alone presses a little through
    assert rig.true("overflow_m3", 0) > 0.001
    assert abs(gap(water, rig.plant.water_balance_m3())) < 1e-9
    assert abs(gap(salt, rig.plant.salt_balance_kg())) < 1e-9


def test_the_inflow_of_a_steady_bank_is_what_its_booster_curve_says(make_rig):
    """The flows are rebuilt from the outlets; here they must agree with the pump at the inlet."""
    rig = make_rig(6, regulated=False).hold("idle", 5).hold("produce", 600)
    header, feed = rig.true("header_bar"), rig.true("feed_m3h", 0)
    booster = ((4.5 - header) / 1.5) ** 0.5 * 16.0
    assert feed + 0.15 * header**0.5 == pytest.approx(booster, rel=0.02)


@pytest.mark.parametrize("dt_ms", [20, 50, 200, 500])
def test_the_step_size_moves_pressures_by_half_a_percent_and_salt_by_one(make_rig, dt_ms):
    """Against steps of 10 ms, looked at once the valves have come to rest."""

    def life(step_ms):
        rig = make_rig()
        rows = []
        for what, seconds in (
            ("idle", 5),
            ("flush", 60),
            ("settle", 10),
            ("produce", 120),
            ("purge", 20),
            ("produce", 60),
        ):
            for _ in range(seconds // 5):
                rig.hold(what, 5, step_ms)
                rows.append(
                    [rig.true(n) for n in ("suction_bar", "membrane_bar", "permeate_m3h", "concentrate_m3h")]
                )
                rows[-1] += [rig.true("permeate_tds_mgl"), rig.true("tail_tds_mgl")]
        return np.array(rows)

    fine, coarse = life(10), life(dt_ms)
    scale = np.maximum(abs(fine), np.array([0.5, 0.5, 0.1, 0.1, 10, 10]))
    error = abs(coarse - fine) / scale
    assert error[:, :4].max() < 0.005
    assert error[:, 4:].max() < 0.01


def finite_and_positive(plant):
    truth = np.concatenate([plant.unit_truth.ravel(), plant.bank_truth])
    assert np.isfinite(truth).all()
    assert (plant.unit_truth[:, 5:7] >= 0).all(), "concentrations"
    assert (plant.unit_truth[:, 3:5] >= 0).all(), "flows out of a unit"
    assert (plant.unit_truth[:, 0:2] > -1.01).all(), "no pressure below vacuum"
    inputs = plant.inputs()
    assert all(np.isfinite(value) for image in (*inputs.units, inputs.bank) for value in image)
    assert plant.bank_truth[7] >= 0


OUTPUTS = st.builds(UnitOutputs, *[st.booleans()] * 6)
LOOPS = st.floats(0, 24)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_nonsense_in_never_gives_nan_or_negative_salt(data):
    """Any outputs, any faults, any switches, any step: the plant stays a plant."""
    n = data.draw(st.sampled_from([1, 2, 3]))
    parameters = PlantParameters()
    if data.draw(st.booleans()):
        source = parameters.source.model_copy(update={"tds_mgl": data.draw(st.sampled_from([0.0, 20000.0]))})
        unit = parameters.unit.model_copy(update={"restrictor_kv_m3h": 0.0, "cells": 8})
        parameters = PlantParameters(source=source, unit=unit)
    plant = Plant(n, parameters, seed=data.draw(st.integers(0, 2**40)))
    for _ in range(data.draw(st.integers(1, 8))):
        target, kind = data.draw(st.sampled_from(sorted(FAULTS)))
        spec = FAULTS[target, kind]
        value = data.draw(st.floats(spec.lo, spec.hi)) if spec.value_unit else None
        plant.inject(Fault(target, kind, 1 if spec.per_unit else 0, value))
        switch, unit = data.draw(
            st.sampled_from([("feed_hand_valve", 1), ("product_valve", 0), ("estop_healthy", 0)])
        )
        plant.operate(switch, unit, data.draw(st.booleans()))
        plant.set_power(data.draw(st.integers(0, 4)) > 0)
        bank = BankOutputs(
            data.draw(st.booleans()), True, True, False, False, data.draw(LOOPS), data.draw(LOOPS)
        )
        outputs = Outputs(bank, tuple(data.draw(OUTPUTS) for _ in range(n)))
        dt_ms = data.draw(st.sampled_from([10, 37, 100, 250, 500]))
        for k in range(40):
            toggled = outputs._replace(bank=bank._replace(watchdog=k % 2 == 0))
            plant.step(toggled, dt_ms)
            finite_and_positive(plant)


@pytest.mark.parametrize("n_units", [1, 64])
@pytest.mark.parametrize("what", ["idle", "settle", "purge"])
def test_smallest_and_largest_bank_run(make_rig, n_units, what):
    rig = make_rig(n_units, regulated=False).hold("idle", 2).hold(what, 60, 500)
    finite_and_positive(rig.plant)
    assert rig.plant.unit_truth.shape[0] == n_units


def test_pump_on_a_shut_feed_valve_pulls_vacuum_and_no_more(make_rig):
    rig = make_rig().hold("idle", 5).hold("flush", 30).hold("idle", 10)
    rig.set_unit(1, "produce")
    rig.at_unit[1] = rig.at_unit[1]._replace(feed_valve=False)
    rig.hold("idle", 10)
    assert -1.0 <= rig.true("suction_bar") < -0.3
    assert rig.true("membrane_bar") < 2.0


def test_water_of_no_salt_gives_permeate_of_no_salt(make_rig):
    source = PlantParameters().source.model_copy(update={"tds_mgl": 0.0})
    tank = PlantParameters().tank.model_copy(update={"tds_mgl": 0.0})
    rig = make_rig(parameters=PlantParameters(source=source, tank=tank)).hold("idle", 5).hold("produce", 60)
    assert rig.true("permeate_tds_mgl") == 0.0
    assert rig.true("tail_tds_mgl") == 0.0


@pytest.mark.parametrize("dt_ms", [0, -100, 501])
def test_a_step_outside_its_limits_is_refused(make_rig, dt_ms):
    rig = make_rig()
    with pytest.raises(ValueError, match="1 to 500"):
        rig.plant.step(rig.outputs(UnitOutputs(*[False] * 6)), dt_ms)


@pytest.mark.parametrize("n_units", [0, 65])
def test_a_bank_outside_its_limits_is_refused(n_units):
    with pytest.raises(ValueError, match="1 to 64"):
        Plant(n_units, PlantParameters())
