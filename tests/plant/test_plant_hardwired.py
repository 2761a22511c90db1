"""The wires that act whatever the program does, and the feedbacks that tell of them."""

from __future__ import annotations

import pytest

from sim_plant.faults import Fault


def test_estop_drops_every_enable_and_the_booster(make_rig):
    rig = make_rig(2).hold("idle", 5).hold("produce", 5)
    rig.plant.operate("estop_healthy", 0, False)
    assert rig.reads("estop_healthy", 0) == 0.0
    rig.hold("produce", 0.2)
    assert [rig.true("pump_closed", unit) for unit in (1, 2)] == [0.0, 0.0]
    assert rig.reads("enable_closed") == 0.0
    assert rig.reads("pump_running") == 1.0, "the main contactor is not in the chain"
    assert rig.reads("booster_running", 0) == 0.0


def test_watchdog_relay_drops_the_enables_two_seconds_after_the_last_change(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 5)
    rig.watchdog_alive = False
    rig.hold("produce", 0.1)  # the last change
    took = rig.until("produce", lambda: rig.true("pump_closed") == 0.0, 5)
    assert took == pytest.approx(2.0, abs=0.2)
    rig.watchdog_alive = True
    assert rig.hold("produce", 1).true("pump_closed") == 1.0


def test_discharge_switch_opens_the_main_contactor(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 30)
    rig.plant.inject(Fault("restrictor", "plugged", 1, 1.0))
    rig.plant.inject(Fault("membrane", "fouled", 1, 0.1))
    rig.until("produce", lambda: rig.reads("discharge_ok") == 0.0, 60)
    rig.hold("produce", 0.2)
    assert rig.reads("pump_running") == 0.0
    assert rig.true("pump_closed") == 0.0


def test_discharge_switch_closes_again_only_below_its_reset(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 30)
    rig.plant.inject(Fault("restrictor", "plugged", 1, 1.0))
    rig.plant.inject(Fault("membrane", "fouled", 1, 0.1))
    rig.until("produce", lambda: rig.reads("discharge_ok") == 0.0, 60)
    rig.until("produce", lambda: rig.reads("discharge_ok") == 1.0, 60)
    assert rig.true("membrane_bar") < 14.0


def test_locked_rotor_trips_the_protector_after_six_seconds(make_rig):
    rig = make_rig().hold("idle", 5).hold("settle", 2)
    rig.plant.inject(Fault("pump", "locked", 1))
    took = rig.until("produce", lambda: rig.reads("motor_healthy") == 0.0, 20)
    assert took == pytest.approx(6.0, abs=0.3)
    assert rig.hold("produce", 0.2).reads("pump_running") == 0.0


def test_isolator_off_takes_the_motor_whatever_the_contactors_say(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 5)
    rig.plant.operate("isolator_on", 1, False)
    assert rig.hold("produce", 0.1).true("pump_closed") == 0.0
    assert rig.reads("pump_running") == 1.0


def test_welded_main_contactor_runs_only_while_its_enable_is_closed(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 5)
    rig.plant.inject(Fault("pump_contactor", "welded", 1))
    assert rig.hold("idle", 1).true("pump_closed") == 0.0
    assert rig.reads("pump_running") == 1.0
    assert rig.reads("enable_closed") == 0.0


@pytest.mark.parametrize(("dt_ms", "late_ms"), [(10, 50), (20, 60)])
def test_mirror_contact_follows_its_contactor_after_50_ms(make_rig, dt_ms, late_ms):
    rig = make_rig().hold("idle", 1)
    steps = 0
    while rig.reads("pump_running") == 0.0:
        rig.hold("produce", dt_ms / 1000, dt_ms)
        steps += 1
        assert steps < 20
    assert steps * dt_ms == late_ms


def test_suction_switch_tells_above_half_a_bar(make_rig):
    rig = make_rig().hold("idle", 5)
    assert rig.reads("suction_ok") == 0.0
    assert rig.hold("settle", 5).reads("suction_ok") == 1.0


def test_supply_relay_opens_when_all_motors_start_at_once_and_not_one_after_another(make_rig):
    rig = make_rig(6).hold("idle", 5)
    rig.hold("produce", 0.1)
    assert rig.reads("supply_healthy", 0) == 0.0
    assert rig.hold("produce", 2).reads("supply_healthy", 0) == 1.0
    rig.hold("idle", 10)
    for unit in range(1, 7):
        rig.set_unit(unit, "produce")
        for _ in range(20):
            assert rig.hold("idle", 0.1).reads("supply_healthy", 0) == 1.0


def test_power_off_drops_all_and_every_input_reads_its_loss_state(make_rig):
    rig = make_rig(2).hold("idle", 5).hold("produce", 20)
    rig.plant.set_power(False)
    for image in (*rig.plant.inputs().units, rig.plant.inputs().bank):
        assert not any(value is True for value in image)
        assert all(value == 0.0 for value in image)
    rig.hold("produce", 0.1)
    assert rig.true("pump_closed") == 0.0
    assert rig.true("powered", 0) == 0.0
    rig.hold("produce", 5)
    assert rig.true("feed_valve_open") == 0.0
    assert rig.true("membrane_bar") < 6
    rig.plant.set_power(True)
    assert rig.reads("isolator_on") == 1.0
    assert rig.hold("idle", 1).true("pump_closed") == 0.0


def test_lost_unit_io_ages_freezes_and_drops_its_outputs_after_two_seconds(make_rig):
    rig = make_rig(2).hold("idle", 5).hold("produce", 20)
    before = rig.plant.inputs().units[0]
    rig.plant.inject(Fault("unit_io", "lost", 1))
    rig.hold("idle", 1.9)  # the module does not hear it
    assert rig.true("pump_closed") == 1.0
    assert rig.plant.inputs().unit_age_ms == (1900, 0)
    rig.hold("produce", 0.3)
    assert rig.true("pump_closed") == 0.0
    assert rig.true("pump_closed", 2) == 1.0
    assert rig.plant.inputs().units[0] == before
    rig.plant.clear(Fault("unit_io", "lost", 1))
    assert rig.plant.inputs().unit_age_ms == (0, 0)
    assert rig.hold("produce", 1).true("pump_closed") == 1.0


def test_dosing_pulse_comes_once_a_stroke_and_is_held_three_tenths(make_rig):
    rig = make_rig()
    rig.dosing_pct = 50.0  # 100 mL/h in strokes of 0.05 mL: one every 1.8 s
    seen = [rig.hold("idle", 0.1).reads("dosing_pulse", 0) for _ in range(1803)]
    rises = [k for k in range(1, len(seen)) if seen[k] > seen[k - 1]]
    assert len(rises) == 100
    assert sum(seen) == 3 * len(rises)
    assert rig.true("dose_ml", 0) == pytest.approx(5.0, abs=0.05)


def test_no_stroke_without_the_dosing_output(make_rig):
    rig = make_rig()
    rig.dosing = False
    assert sum(rig.hold("idle", 0.1).reads("dosing_pulse", 0) for _ in range(600)) == 0
    assert rig.reads("dosing_running", 0) == 0.0


@pytest.mark.parametrize(
    ("switch", "unit", "words"),
    [("selector_auto", 3, "1 to 2"), ("estop_healthy", 1, "must be 0"), ("kettle", 0, "no switch 'kettle'")],
)
def test_a_switch_that_does_not_exist_is_refused(make_rig, switch, unit, words):
    with pytest.raises(ValueError, match=words):
        make_rig(2).plant.operate(switch, unit, True)


def test_high_float_drops_the_pumps_and_comes_back_two_percent_lower(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 5)
    rig.plant.set_demand_m3h(0)
    rig.plant.set_tank_pct(98.5)
    assert rig.hold("produce", 0.1).true("pump_closed") == 0.0
    rig.plant.set_tank_pct(97.0)
    assert rig.reads("tank_not_overfull", 0) == 0.0
    rig.plant.set_tank_pct(95.0)
    assert rig.hold("produce", 0.1).true("pump_closed") == 1.0


def test_watchdog_relay_is_healthy_for_its_time_after_power_return(make_rig):
    rig = make_rig().hold("idle", 5)
    rig.watchdog_alive = False
    rig.plant.set_power(False)
    rig.hold("idle", 5)
    rig.plant.set_power(True)
    assert rig.hold("produce", 1).true("pump_closed") == 1.0
    assert rig.hold("produce", 2).true("pump_closed") == 0.0


def test_diverter_falls_to_drain_with_the_power(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 60)
    assert rig.true("product_m3h", 0) > 1
    rig.plant.set_power(False)
    rig.hold("produce", 0.2)
    assert rig.true("permeate_m3h") > 0.1, "pressure still stands in the membranes"
    assert rig.hold("produce", 0.3).true("product_m3h", 0) < 0.1
