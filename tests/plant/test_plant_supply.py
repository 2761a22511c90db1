"""What the supply does to motors, contactors, drive and 24 V."""

from __future__ import annotations

import math

import pytest

from sim_plant.faults import Fault


def running(make_rig, n=2):
    return make_rig(n).hold("idle", 5).hold("flush", 20).hold("settle", 5).hold("produce", 30)


def test_starting_current_decays_from_its_multiple_to_full_load(make_rig):
    """6 at rest, then 1 + 5 exp(-t / tau) with the run-up's time constant of 0.5 s / 3."""
    rig = make_rig().hold("idle", 5).hold("settle", 5)
    seen = [rig.hold("produce", 0.01, 10).true("motor_current_ratio") for _ in range(80)]
    first = next(k for k, current in enumerate(seen) if current > 0)
    assert seen[first] == 6.0
    for k in (10, 20, 40):
        assert seen[first + k] == pytest.approx(1 + 5 * math.exp(-k * 0.01 / (0.5 / 3)), rel=1e-6)


@pytest.mark.parametrize(("seconds", "stays"), [(0.01, True), (0.02, True), (0.05, False), (0.2, False)])
def test_contactors_outlast_a_gap_of_twenty_milliseconds_and_no_longer_one(make_rig, seconds, stays):
    rig = running(make_rig)
    rig.plant.inject(Fault("supply", "interrupted", 0, seconds))
    seen = [rig.hold("produce", 0.01, 10).true("pump_closed") for _ in range(40)]
    assert all(seen) == stays


def test_a_gap_comes_once_and_then_the_pumps_all_start_together_and_pull_the_voltage_down(make_rig):
    rig = running(make_rig, 6)
    rig.plant.inject(Fault("supply", "interrupted", 0, 2.0))
    rig.hold("produce", 1.5)
    assert rig.true("powered", 0) == 0.0
    assert rig.reads("membrane_ma") < -6
    lowest = min(rig.hold("produce", 0.1).true("supply_ratio", 0) for _ in range(10) if rig.t_ms > 0)
    assert lowest < 0.9
    rig.hold("produce", 30)
    assert rig.true("pump_closed") == 1.0
    assert rig.true("supply_ratio", 0) > 0.95


@pytest.mark.parametrize(
    ("pct", "holds", "closes"), [(90, True, True), (70, True, False), (55, False, False)]
)
def test_a_brown_out_keeps_contactors_down_to_drop_out_and_lets_none_close_below_pick_up(
    make_rig, pct, holds, closes
):
    rig = running(make_rig)
    rig.set_unit(2, "idle")
    rig.hold("produce", 10)
    rig.plant.inject(Fault("supply", "sag", 0, pct))
    rig.set_unit(2, "produce")
    rig.hold("produce", 5)
    assert rig.true("pump_closed", 1) == float(holds)
    assert rig.true("pump_closed", 2) == float(closes)
    assert rig.reads("supply_healthy", 0) == float(pct == 90)


def test_a_brown_out_below_half_voltage_takes_the_24_v_too(make_rig):
    rig = running(make_rig)
    rig.plant.inject(Fault("supply", "sag", 0, 40.0))
    rig.hold("produce", 5)
    assert rig.true("powered", 0) == 0.0
    assert rig.true("feed_valve_open") == 0.0
    rig.plant.clear(Fault("supply", "sag"))
    assert rig.hold("produce", 10).true("pump_closed") == 1.0


def test_with_a_phase_lost_running_motors_overheat_and_standing_ones_hum_until_they_trip(make_rig):
    rig = running(make_rig)
    rig.set_unit(2, "idle")
    rig.hold("produce", 10)
    rig.plant.inject(Fault("supply", "phase_lost"))
    rig.set_unit(2, "produce")
    rig.hold("produce", 2)
    assert rig.reads("supply_healthy", 0) == rig.reads("drive_healthy", 0) == 0.0
    assert rig.true("motor_current_ratio", 1) == pytest.approx(1.7)
    assert rig.true("motor_current_ratio", 2) == pytest.approx(6.0)
    assert rig.until("produce", lambda: rig.reads("motor_healthy", 2) == 0.0, 10) == pytest.approx(4, abs=0.3)
    assert rig.until("produce", lambda: rig.reads("motor_healthy", 1) == 0.0, 30) == pytest.approx(
        18, abs=0.5
    )


def test_24_v_lost_alone_kills_contacts_loops_and_coils_but_not_the_supply(make_rig):
    rig = running(make_rig)
    rig.plant.inject(Fault("supply", "control_lost"))
    for image in (*rig.plant.inputs().units, rig.plant.inputs().bank):
        assert not any(image)
    rig.hold("produce", 5)
    assert rig.true("pump_closed") == rig.true("feed_valve_open") == 0.0
    assert rig.true("supply_ratio", 0) == 1.0
    assert rig.true("booster_hz", 0) < 1.0
    rig.plant.clear(Fault("supply", "control_lost"))
    assert rig.reads("isolator_on") == 1.0
    assert rig.hold("produce", 10).true("pump_closed") == 1.0


def test_the_diverter_falls_to_drain_without_its_24_v(make_rig):
    rig = running(make_rig)
    assert rig.true("product_m3h", 0) > 1
    rig.plant.inject(Fault("supply", "control_lost"))
    rig.hold("produce", 0.3)
    assert rig.true("permeate_m3h") > 0.1
    assert rig.hold("produce", 0.5).true("product_m3h", 0) < 0.2


def test_a_lost_speed_reference_trips_the_drive_until_it_is_back(make_rig):
    rig = running(make_rig)
    rig.plant.inject(Fault("speed_reference", "lost"))
    assert rig.hold("produce", 10).reads("drive_healthy", 0) == 0.0
    assert rig.true("booster_hz", 0) < 0.01
    assert rig.reads("booster_running", 0) == 0.0
    rig.plant.clear(Fault("speed_reference", "lost"))
    assert rig.hold("produce", 10).true("booster_hz", 0) == pytest.approx(50)


@pytest.mark.parametrize("ma", [float("nan"), float("inf")])
def test_an_analogue_output_that_is_no_number_is_refused_and_changes_nothing(make_rig, ma):
    rig = running(make_rig)
    before = rig.plant.snapshot().numbers
    outputs = rig.outputs(rig.plant._safe.units[0])
    with pytest.raises(ValueError, match="finite"):
        rig.plant.step(outputs._replace(bank=outputs.bank._replace(booster_speed_cmd_ma=ma)), 100)
    assert (rig.plant.snapshot().numbers == before).all()
