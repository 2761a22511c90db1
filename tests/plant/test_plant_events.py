"""Profiles of the day, surges and sinking of the source, and what new faults of loops show."""

from __future__ import annotations

import numpy as np
import pytest

from sim_plant.faults import Fault
from sim_plant.process.membrane import temperature_factor
from sim_plant.process.parameters import Day, PlantParameters, Source, Tank


def running(make_rig, n=1, **options):
    return make_rig(n, **options).hold("idle", 5).hold("flush", 20).hold("settle", 5).hold("produce", 60)


# --- profiles ------------------------------------------------------------------------------------------


def test_demand_follows_its_profile_in_straight_lines_and_across_midnight(make_rig):
    tank = Tank(demand_profile_h_m3h=((6, 2), (12, 8), (18, 4)))
    seen = {}
    for start_h in (6, 9, 12, 15, 21, 0, 3):
        rig = make_rig(parameters=PlantParameters(tank=tank, day=Day(start_h=start_h)))
        seen[start_h] = rig.hold("idle", 0.1).true("demand_m3h", 0)
    expected = {6: 2, 9: 5, 12: 8, 15: 6, 21: 3.5, 0: 3, 3: 2.5}
    assert seen == pytest.approx(expected, abs=1e-3)


def test_the_hours_pass_with_the_run(make_rig):
    tank = Tank(demand_profile_h_m3h=((0, 0), (1, 6)))
    rig = make_rig(parameters=PlantParameters(tank=tank)).hold("idle", 1800, 500)
    assert rig.true("demand_m3h", 0) == pytest.approx(3.0, rel=1e-3)


def test_a_demand_set_by_hand_overrules_the_profile_and_a_surge_comes_on_top(make_rig):
    rig = make_rig(parameters=PlantParameters(tank=Tank(demand_profile_h_m3h=((0, 2),))))
    rig.plant.set_demand_m3h(7)
    assert rig.hold("idle", 1).true("demand_m3h", 0) == pytest.approx(7)
    rig.plant.inject(Fault("tank", "demand_surge", 0, 24.0))
    assert rig.hold("idle", 1).true("demand_m3h", 0) == pytest.approx(31)


def test_the_source_follows_its_profiles_and_a_fault_overrules_them(make_rig):
    source = Source(
        tds_profile_h_mgl=((0, 3000), (12, 4200)),
        temperature_profile_h_degc=((0, 20), (12, 26)),
        chlorine_profile_h_mgl=((0, 0), (12, 1.2)),
    )
    rig = make_rig(parameters=PlantParameters(source=source, day=Day(start_h=3))).hold("idle", 60)
    names = ("feed_tds_mgl", "feed_degc", "chlorine_mgl")
    assert [rig.true(n, 0) for n in names] == pytest.approx([3300, 21.5, 0.3], rel=1e-2)
    rig.plant.inject(Fault("source", "temperature", 0, 40.0))
    assert rig.hold("idle", 60).true("feed_degc", 0) == pytest.approx(40.0)
    rig.plant.clear(Fault("source", "temperature"))
    assert rig.hold("idle", 60).true("feed_degc", 0) == pytest.approx(21.5, rel=1e-2)


def test_membranes_gain_three_percent_a_degree():
    assert temperature_factor(25.0) == 1.0
    assert temperature_factor(25.5) / temperature_factor(24.5) - 1 == pytest.approx(0.030, abs=5e-4)


# --- the feed header -----------------------------------------------------------------------------------


def test_a_pulse_raises_the_header_while_it_lasts(make_rig):
    rig = running(make_rig, regulated=False)
    before = rig.true("header_bar")
    rig.plant.inject(Fault("feed_header", "pulse", 0, 2.0))
    assert rig.hold("produce", 0.5).true("header_bar") == pytest.approx(before + 2, abs=0.3)
    rig.plant.clear(Fault("feed_header", "pulse"))
    assert rig.hold("produce", 2).true("header_bar") == pytest.approx(before, abs=0.05)


def test_a_hammer_passes_once_shows_at_header_and_open_suctions_and_moves_no_water(make_rig):
    rig = running(make_rig, 2)
    rig.set_unit(2, "idle")
    rig.hold("produce", 60)
    idle = rig.reads("suction_ma", 2)
    header, suction, feed = rig.reads("header_ma", 0), rig.reads("suction_ma", 1), rig.true("feed_m3h", 0)
    rig.plant.inject(Fault("feed_header", "hammer", 0, 8.0))
    rig.hold("produce", 0.1)
    assert rig.reads("header_ma", 0) > header + 1  # half a step of 8 bar behind a lag of 0.2 s
    assert rig.reads("suction_ma", 1) > suction + 1
    assert rig.reads("suction_ma", 2) == pytest.approx(idle, abs=0.02)
    assert rig.true("feed_m3h", 0) == pytest.approx(feed, rel=1e-3)
    rig.hold("produce", 5)
    assert rig.reads("header_ma", 0) == pytest.approx(header, abs=0.02)


def test_a_sinking_borehole_takes_head_by_the_hour_and_gives_it_back(make_rig):
    rig = running(make_rig, 6, regulated=False).hold("produce", 300)
    before = rig.true("header_bar")
    rig.plant.inject(Fault("source", "decline", 0, 6.0))
    falls = [before - rig.hold("produce", 300).true("header_bar") for _ in range(2)]
    assert 0.2 < falls[0] < 0.5
    assert falls[1] == pytest.approx(2 * falls[0], rel=0.2)
    rig.plant.clear(Fault("source", "decline"))
    assert rig.hold("produce", 30).true("header_bar") == pytest.approx(before, abs=0.05)


def test_a_hunting_booster_swings_header_and_speed_at_a_tenth_of_a_hertz(make_rig):
    rig = running(make_rig, 6, regulated=False)
    rig.plant.inject(Fault("booster", "hunting", 0, 4.0))
    speed, header = np.array(
        [(rig.hold("produce", 0.1).true("booster_hz", 0), rig.true("header_bar")) for _ in range(300)]
    ).T
    assert (speed.max() - 50, 50 - speed.min()) == pytest.approx((4, 4), abs=0.05)
    rises = np.flatnonzero(np.diff(np.sign(speed - 50)) > 0)
    assert np.diff(rises) == pytest.approx(100, abs=1)
    assert 0.3 < (header.max() - header.min()) / 2 < 0.8


def test_a_leaking_check_valve_lets_the_product_headers_pressure_back_into_an_idle_unit(make_rig):
    rig = make_rig(2)
    rig.set_unit(1, "idle")
    rig.plant.operate("product_valve", 0, False)
    rig.hold("idle", 5).hold("flush", 20).hold("settle", 5).hold("produce", 60)
    assert rig.true("permeate_bar", 1) < 0.1
    rig.plant.inject(Fault("permeate_check_valve", "leak", 1, 0.05))
    rig.hold("produce", 60)
    assert rig.true("permeate_bar", 1) > 1.0
    assert rig.reads("permeate_ok", 1) == 0.0


def test_a_drain_asked_for_more_than_it_takes_fills_its_sump_at_the_difference(make_rig):
    """Six units and two of them flushing send about 9.8 m3/h into a drain of 9."""
    rig = make_rig(6).hold("idle", 5).hold("flush", 1).hold("produce", 120)
    rig.set_unit(1, "purge")
    rig.set_unit(2, "purge")
    rig.hold("produce", 10)
    sump, spare = rig.true("sump_m3", 0), rig.true("drain_m3h", 0) - 9.0
    assert spare > 0.3
    rig.hold("produce", 30)
    assert rig.true("sump_m3", 0) - sump == pytest.approx(spare * 30 / 3600, rel=0.05)


# --- loops ---------------------------------------------------------------------------------------------


def test_a_spike_comes_at_once_and_again_each_period_for_its_width(make_rig):
    rig = running(make_rig)
    level = rig.reads("suction_ma")
    rig.plant.inject(Fault("suction", "spike", 1, -1.5, period_s=4.0, width_s=0.5))
    low = [rig.reads("suction_ma") < level - 1]
    low += [rig.hold("produce", 0.1).reads("suction_ma") < level - 1 for _ in range(99)]
    assert np.flatnonzero(low).tolist() == [*range(5), *range(40, 45), *range(80, 85)]


def test_a_quantised_loop_reads_in_steps(make_rig):
    rig = running(make_rig)
    rig.plant.inject(Fault("membrane", "quantised", 1, 0.5))
    values = np.array([rig.hold("purge", 0.5).reads("membrane_ma") for _ in range(20)])
    assert np.unique(values).size > 3
    assert abs(values / 0.5 - np.round(values / 0.5)).max() < 0.01


def test_two_swapped_loops_read_each_others_current(make_rig):
    rig = running(make_rig)
    suction, membrane = (getattr(rig.plant.inputs().units[0], n) for n in ("suction_ma", "membrane_ma"))
    rig.plant.inject(Fault("suction", "swapped", 1))
    image = rig.plant.inputs().units[0]
    assert (image.suction_ma, image.membrane_ma) == (membrane, suction)
    rig.plant.clear(Fault("suction", "swapped", 1))
    image = rig.plant.inputs().units[0]
    assert (image.suction_ma, image.membrane_ma) == (suction, membrane)


def test_a_swap_with_a_named_loop_carries_that_loops_own_fault_along(make_rig):
    rig = running(make_rig)
    rig.plant.inject(Fault("suction", "swapped", 1, other="permeate_flow"))
    rig.plant.inject(Fault("permeate_flow", "open_circuit", 1))
    assert rig.plant.inputs().units[0].suction_ma == 0.0
    assert rig.plant.inputs().units[0].permeate_flow_ma > 4.0


def test_the_totaliser_counts_the_permeate(make_rig):
    rig = running(make_rig)
    before, flow = rig.true("permeate_total_m3"), []
    for _ in range(600):
        flow.append(rig.hold("produce", 0.1).true("permeate_m3h"))
    assert rig.true("permeate_total_m3") - before == pytest.approx(sum(flow) / 36000, rel=1e-9)
