"""Between the true value and the wire."""

from __future__ import annotations

import numpy as np
import pytest

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, from_ma, names, signal_named
from sim_plant.faults import Fault
from sim_plant.field.instruments import hash32, noise

UNIT_LOOPS = {
    "suction_ma": "suction_bar",
    "membrane_ma": "membrane_bar",
    "permeate_flow_ma": "permeate_m3h",
    "concentrate_flow_ma": "concentrate_m3h",
}
BANK_LOOPS = {
    "header_ma": "header_bar",
    "feed_flow_ma": "feed_m3h",
    "feed_temp_ma": "feed_degc",
    "booster_speed_ma": "booster_hz",
    "tank_level_ma": "tank_pct",
}


@pytest.mark.parametrize(("loop", "quantity"), UNIT_LOOPS.items())
def test_a_settled_unit_loop_reads_its_true_quantity(producing, loop, quantity):
    span = next(s.hi - s.lo for s in UNIT_SIGNALS if s.name == loop)
    assert producing.reads(loop) == pytest.approx(producing.true(quantity), abs=0.003 * span)


@pytest.mark.parametrize(("loop", "quantity"), BANK_LOOPS.items())
def test_a_settled_bank_loop_reads_its_true_quantity(producing, loop, quantity):
    span = next(s.hi - s.lo for s in BANK_SIGNALS if s.name == loop)
    assert producing.reads(loop, 0) == pytest.approx(producing.true(quantity, 0), abs=0.003 * span)


def test_conductivity_reads_dissolved_solids_over_the_site_factor(producing):
    assert producing.reads("permeate_cond_ma") == pytest.approx(
        producing.true("permeate_tds_mgl") / 0.5, abs=4
    )
    assert producing.reads("feed_cond_ma", 0) == pytest.approx(3200 / 0.64 / 1000, abs=0.03)


def test_every_measured_loop_stays_inside_the_measuring_range(make_rig):
    """NAMUR NE 43: a measurement is 3.8 to 20.5 mA; only a fault may leave it."""
    rig = make_rig().hold("idle", 5).hold("produce", 5)  # permeate far above the range of its cell
    image = rig.plant.inputs()
    loops = (
        image.units[0][len(names(UNIT_SIGNALS, Kind.DI)) :] + image.bank[len(names(BANK_SIGNALS, Kind.DI)) :]
    )
    assert all(3.8 <= current <= 20.5 for current in loops)
    assert image.units[0].permeate_cond_ma == 20.5


def test_a_conductivity_loop_is_slower_than_a_pressure_loop(make_rig):
    rig = make_rig().hold("idle", 60)
    rig.plant.inject(Fault("source", "tds", 0, 6000.0))
    rig.hold("idle", 5)
    assert rig.true("feed_tds_mgl", 0) > 5700
    assert rig.reads("feed_cond_ma", 0) < 8.0
    rig.hold("idle", 30)
    assert rig.reads("feed_cond_ma", 0) == pytest.approx(6000 / 0.64 / 1000, rel=0.01)


def test_noise_has_no_bias_and_the_stated_spread():
    values = np.array([noise(7, step, 3) for step in range(20000)])
    assert abs(values.mean()) < 0.03
    assert values.std() == pytest.approx(1.0, rel=0.03)
    assert abs(values).max() < 2.45


def test_noise_of_two_channels_and_of_two_seeds_is_unrelated():
    a, b, c = (np.array([noise(s, step, ch) for step in range(5000)]) for s, ch in ((1, 1), (1, 2), (2, 1)))
    assert abs(np.corrcoef(a, b)[0, 1]) < 0.05
    assert abs(np.corrcoef(a, c)[0, 1]) < 0.05


def test_every_bit_of_the_hash_is_set_half_of_the_time():
    bits = np.array([[hash32(5, step, 0) >> bit & 1 for bit in range(32)] for step in range(4000)])
    assert abs(bits.mean(axis=0) - 0.5).max() < 0.04


@pytest.fixture
def steady(producing):
    return producing


@pytest.mark.parametrize(
    ("kind", "value", "low", "high"),
    [
        ("stuck_at", 2.5, 2.49, 2.51),
        ("offset", 0.5, 13.0, 13.1),
        ("gain", 1.2, 15.0, 15.2),
        ("current", 12.0, 12.49, 12.51),
        ("open_circuit", None, -6.26, -6.24),
        ("short_circuit", None, 31.2, 31.3),
    ],
)
def test_a_loop_fault_shows_at_once_and_leaves_no_trace(steady, kind, value, low, high):
    before = steady.reads("membrane_ma")
    fault = Fault("membrane", kind, 1, value)
    steady.plant.inject(fault)
    assert low <= steady.reads("membrane_ma") <= high
    steady.plant.clear(fault)
    assert steady.reads("membrane_ma") == before


def test_a_drifting_loop_drifts_by_the_minute(steady):
    before = steady.reads("suction_ma")
    steady.plant.inject(Fault("suction", "drift", 1, -0.2))
    steady.hold("produce", 120)
    assert steady.reads("suction_ma") == pytest.approx(before - 0.4, abs=0.02)


def test_a_stuck_loop_keeps_its_last_value_while_the_true_one_moves(steady):
    before = steady.reads("membrane_ma")
    steady.plant.inject(Fault("membrane", "stuck", 1))
    steady.hold("purge", 10)
    assert steady.reads("membrane_ma") == before
    assert steady.true("membrane_bar") < 6


def test_a_slow_loop_follows_with_its_time_constant(steady):
    steady.plant.inject(Fault("membrane", "slow", 1, 90.0))
    before = steady.reads("membrane_ma")
    steady.hold("purge", 90)
    end = steady.true("membrane_bar")
    left = (steady.reads("membrane_ma") - end) / (before - end)
    assert left == pytest.approx(np.exp(-1), abs=0.05)


def test_a_noisy_loop_spreads_as_asked(steady):
    steady.plant.inject(Fault("permeate_cond", "noise", 1, 5.0))
    values = np.array([steady.hold("produce", 0.1).reads("permeate_cond_ma") for _ in range(600)])
    assert values.std() == pytest.approx(50.0, rel=0.15)


def test_loops_are_rounded_to_the_step_of_the_converter(steady):
    steps = (
        np.array([steady.hold("produce", 0.1).plant.inputs().units[0].membrane_ma for _ in range(50)]) / 0.005
    )
    assert abs(steps - steps.round()).max() < 1e-6
    assert from_ma(signal_named(UNIT_SIGNALS, "membrane_ma"), 12.0) == 12.5
