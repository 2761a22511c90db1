"""Checks that restate a definition or a closed form (basis: arithmetic).

They prove units and bookkeeping, not physics, and are counted apart from the published values. The
expected numbers were computed outside the project with plain arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest

from controller.signals import Kind, Signal, from_ma, to_ma
from sim_plant.plant import Plant
from sim_plant.process import duty, hydraulics, membrane, network, packing, salt
from sim_plant.process import layout as at
from sim_plant.process.parameters import PlantParameters, Source, Unit

PRESSURE = Signal("p", "PT", Kind.AI, "", "", "bar", 0.0, 16.0)


@pytest.mark.parametrize(("ma", "bar"), [(12.0, 8.0), (3.8, -0.2)])
def test_loop_scaling(ma, bar):
    assert from_ma(PRESSURE, ma) == pytest.approx(bar, abs=1e-3)
    assert to_ma(PRESSURE, bar) == pytest.approx(ma, abs=1e-3)


def test_permeability_unit():
    unit = Unit(permeability_lmh_bar=1.0)
    assert packing.pack(PlantParameters(unit=unit), 1)[at.P_A] == pytest.approx(2.777777778e-12, rel=1e-9)


def test_film_theory_modulus():
    assert membrane.polarisation(30 * at.LMH, 4e-5) == pytest.approx(1.231624, rel=1e-5)


@pytest.mark.parametrize(
    ("volumes", "share"), [(1, 0.6321206), (2, 0.8646647), (3, 0.9502129), (4.605170186, 0.99)]
)
@pytest.mark.parametrize("steps", [1, 7, 500])
def test_mixed_volume_washes_out_exactly_in_any_number_of_steps(volumes, share, steps):
    c = 1.0
    for _ in range(steps):
        c, _mean = membrane.mix(c, 0.0, 1.0, 100.0, 100.0 * volumes / steps)
    assert 1 - c == pytest.approx(share, abs=1e-6)


def test_time_to_95_percent_of_a_lag():
    assert hydraulics.lag(0.0, 1.0, 269.6159, 90.0) == pytest.approx(0.95, abs=1e-6)


def test_salt_of_an_idle_permeate_side_after_an_hour():
    tau_s, c = 1.142857 * 3600, 0.030
    for _ in range(3600):
        c, _mean = membrane.mix(c, 1.2e-3 / tau_s * 2.0, 1.2e-3 / tau_s, 1.2e-3, 1.0)
    assert c * 1000 == pytest.approx(1178.782, rel=1e-4)


def test_salt_evens_out_across_an_idle_membrane():
    """3 L of 3200 mg/L against 1.2 L of 30 mg/L end at 2294 mg/L on both sides."""
    unit = Unit(feed_side_l=3.0, permeate_hold_up_l=1.2, salt_permeability_lmh=20.0)
    plant = Plant(1, PlantParameters(unit=unit, source=Source(tds_mgl=3200)))
    u = plant._a.u[0]
    u[at.U_CELL : at.U_CELL + 4], u[at.U_PERMEATE_TDS] = 3.2, 0.030
    for _ in range(2000):
        plant.step(plant._safe, 500)
    assert u[at.U_PERMEATE_TDS] * 1000 == pytest.approx(2294.2857, rel=1e-4)
    assert np.allclose(u[at.U_CELL : at.U_CELL + 4], u[at.U_PERMEATE_TDS], rtol=1e-3)


def start_up(seconds):
    flow, c = 3.0 / 60000, 1.178782
    for _ in range(round(seconds * 10)):
        c, _mean = membrane.mix(c, flow * 0.030, flow, 1.2e-3, 0.1)
    return c * 1000


def test_start_up_peak_a_minute_after_the_start():
    assert start_up(60) == pytest.approx(124.2978, rel=1e-4)


def test_start_up_peak_falls_below_500_after_21_seconds():
    assert start_up(21.3) > 500 > start_up(21.6)


def test_net_product_between_flushes():
    assert duty.net_production_m3h(3.0, 900, 30) * 1000 == pytest.approx(174.19355, rel=1e-6)


def test_flush_share_and_cycle_recovery():
    l_min = 0.06
    assert duty.flush_water_share(8 * l_min, 900, 12 * l_min, 30) == pytest.approx(0.047619, rel=1e-5)
    assert duty.net_recovery(3 * l_min, 8 * l_min, 900, 12 * l_min, 30) == pytest.approx(0.357143, rel=1e-5)


def test_ten_units_between_flushes():
    assert duty.net_production_m3h(3.0, 900, 30, units=10) * 1000 / 60 == pytest.approx(29.03226, rel=1e-6)


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


@pytest.mark.parametrize(("produce_s", "interrupt_s"), [(-1, 10), (10, -1), (0, 0)])
def test_duty_of_impossible_times_is_refused(produce_s, interrupt_s):
    with pytest.raises(ValueError, match="times must be positive"):
        duty.production_share(produce_s, interrupt_s)


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
    assert 0.1 < recovery < 0.7984375
    assert u[at.U_CELL + 3] / 2.0 == pytest.approx(1 / (1 - recovery), rel=1e-6)
