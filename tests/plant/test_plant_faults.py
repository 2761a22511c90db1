"""The vocabulary of faults: closed, checked, and every word of it moves something."""

from __future__ import annotations

import numpy as np
import pytest

from sim_plant.faults import FAULTS, Fault, UnsupportedFault, check
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters

DEMO_VALUES = {
    "stuck_at": None,  # chosen from the range
    "gain": 0.5,
    "slow": 60.0,
    "current": 8.0,
    "worn": 0.7,
    "torn_oring": 4.0,
    "fouled": 0.8,
    "eroded": 1.5,
    "wrong_dose": 0.3,
    "blocked": 0.0,
    "dip": 1.0,
    "chlorine": 0.5,
    "tds": 6000.0,
    "temperature": 35.0,
    "leak": 0.3,
}


def example(target: str, kind: str) -> Fault:
    spec = FAULTS[target, kind]
    value = None
    if spec.value_unit:
        value = DEMO_VALUES.get(kind)
        if value is None:
            value = spec.lo + 0.37 * (spec.hi - spec.lo)
    return Fault(target, kind, 1 if spec.per_unit else 0, value)


def story(rig, fault: Fault | None) -> np.ndarray:
    """A short life with every state in it; what inputs and truth showed, one row a second."""
    rows = []

    def watch(what, seconds):
        for _ in range(seconds):
            rig.hold(what, 1)
            inputs = rig.plant.inputs()
            flat = [*inputs.bank, *(value for unit in inputs.units for value in unit), *inputs.unit_age_ms]
            rows.append([float(v) for v in flat] + [*rig.plant.unit_truth.ravel(), *rig.plant.bank_truth])

    if fault is not None:
        rig.plant.inject(fault)
    rig.dosing = False
    watch("idle", 5)
    rig.dosing = True
    for quantity, value in (("tds", 3500.0), ("temperature", 26.0), ("chlorine", 0.2)):
        if fault is None or fault.target != "source":
            rig.plant.inject(Fault("source", quantity, 0, value))
    for what, seconds in (
        ("flush", 40),
        ("settle", 5),
        ("produce", 60),
        ("purge", 10),
        ("produce", 20),
        ("idle", 20),
    ):
        watch(what, seconds)
    rig.plant.operate("selector_auto", 1, False)
    rig.plant.operate("isolator_on", 1, False)
    rig.plant.operate("reset_button", 0, True)
    rig.plant.operate("estop_healthy", 0, False)
    rig.plant.operate("bank_run", 0, False)
    rig.plant.set_tank_pct(99.0)
    watch("produce", 3)
    rig.plant.set_tank_pct(5.0)
    watch("idle", 3)
    return np.array(rows)


@pytest.fixture(scope="module")
def healthy_story():
    return {}


HAPPEN_NEVER_IN_A_HEALTHY_LIFE = {
    # closed is what the story always shows: these have their own tests or contacts below
    "motor_healthy": "stuck_closed",
    "discharge_ok": "stuck_closed",
    "permeate_ok": "stuck_closed",
    "skid_dry": "stuck_closed",
    "supply_healthy": "stuck_closed",
    "drive_healthy": "stuck_closed",
    "antiscalant_ok": "stuck_closed",
    "dosing_healthy": "stuck_closed",
    "source_wet": "stuck_closed",
    "floor_dry": "stuck_closed",
    "sump_ok": "stuck_closed",
}
TRIPS = {
    "motor_healthy": Fault("motor", "overload", 1),
    "skid_dry": Fault("skid", "leak", 1),
    "drive_healthy": Fault("booster", "trip"),
    "antiscalant_ok": Fault("antiscalant", "empty"),
    "source_wet": Fault("source", "dry"),
    "floor_dry": Fault("floor", "leak"),
    "sump_ok": Fault("drain", "blocked", 0, 0.0),
    "permeate_ok": Fault("product_header", "shut"),
}


TOO_SLOW_FOR_A_SHORT_LIFE = [("membrane", "oxidised")]  # has a test of its own, over hours
TOO_QUICK_FOR_A_LOOK_EACH_SECOND = [("feed_header", "hammer")]  # has a test of its own
SEEN_IN_A_SHORT_LIFE = [
    pair
    for pair in FAULTS
    if HAPPEN_NEVER_IN_A_HEALTHY_LIFE.get(pair[0]) != pair[1]
    and pair not in TOO_SLOW_FOR_A_SHORT_LIFE + TOO_QUICK_FOR_A_LOOK_EACH_SECOND
]


@pytest.mark.parametrize(("target", "kind"), SEEN_IN_A_SHORT_LIFE)
def test_every_fault_changes_what_is_seen_or_what_is_true(make_rig, healthy_story, target, kind):
    """Given the same life with and without the fault, something differs by more than a thousandth."""
    if not healthy_story:
        healthy_story["rows"] = story(make_rig(regulated=False), None)
    healthy, broken = healthy_story["rows"], story(make_rig(regulated=False), example(target, kind))
    scale = np.maximum(abs(healthy).max(axis=0), 0.01)
    assert (abs(broken - healthy) / scale).max() > 1e-3


@pytest.mark.parametrize(("contact", "fault"), TRIPS.items())
def test_a_contact_welded_closed_hides_its_trip(make_rig, contact, fault):
    rig = make_rig(1).hold("idle", 5).hold("produce", 60)
    unit = 1 if FAULTS[contact, "stuck_closed"].per_unit else 0
    rig.plant.inject(fault)
    rig.until("produce", lambda: rig.reads(contact, unit) == 0.0, 600)
    rig.plant.inject(Fault(contact, "stuck_closed", unit))
    assert rig.reads(contact, unit) == 1.0
    rig.plant.clear(Fault(contact, "stuck_closed", unit))
    assert rig.reads(contact, unit) == 0.0


@pytest.mark.parametrize("contact", ["discharge_ok", "supply_healthy", "dosing_healthy"])
def test_the_remaining_contacts_can_be_welded_over_a_cut_wire(make_rig, contact):
    rig = make_rig(1)
    unit = 1 if FAULTS[contact, "stuck_closed"].per_unit else 0
    rig.plant.inject(Fault(contact, "stuck_open", unit))
    assert rig.reads(contact, unit) == 0.0
    rig.plant.inject(Fault(contact, "stuck_closed", unit))
    assert rig.reads(contact, unit) == 1.0


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (Fault("suctoin", "open_circuit", 1), "near: suction"),
        (Fault("suction", "opencircuit", 1), "open_circuit"),
        (Fault("suction", "stuck_at", 1), "needs a value"),
        (Fault("suction", "open_circuit", 1, 3.0), "takes no value"),
        (Fault("restrictor", "plugged", 1, 1.5), "must lie in 0 to 1 fraction"),
        (Fault("restrictor", "plugged", 1, float("nan")), "must lie in 0 to 1"),
        (Fault("restrictor", "plugged", 0, 0.5), "unit = 0 must lie in 1 to 6"),
        (Fault("restrictor", "plugged", 7, 0.5), "unit = 7 must lie in 1 to 6"),
        (Fault("drain", "blocked", 1, 0.5), "belongs to the bank"),
        (Fault("suction", "spike", 1, 1.0, period_s=1.0, width_s=2.0), "less than period_s = 1"),
        (Fault("suction", "gain", 1, 1.1, period_s=1.0), "takes neither period_s nor width_s"),
        (Fault("suction", "swapped", 1, other="header"), "must be a loop beside it"),
        (Fault("suction", "swapped", 1, other="suction"), "must be a loop beside it"),
        (Fault("suction", "stuck", 1, other="membrane"), "takes no other loop"),
    ],
)
def test_a_fault_that_the_plant_cannot_do_is_refused_in_words(fault, words):
    with pytest.raises(UnsupportedFault, match=words):
        check(fault, 6)


def test_a_refused_fault_leaves_the_plant_untouched(make_rig):
    plant = make_rig(1).plant
    before = plant.active()
    with pytest.raises(UnsupportedFault):
        plant.inject(Fault("pump", "worn", 1))
    assert plant.active() == before


def test_the_same_fault_again_replaces_the_first_and_clears_as_one():
    plant = Plant(2, PlantParameters())
    plant.inject(Fault("pump", "worn", 2, 0.9))
    plant.inject(Fault("pump", "worn", 2, 0.6))
    plant.inject(Fault("drain", "blocked", 0, 0.5))
    assert plant.active() == (Fault("pump", "worn", 2, 0.6), Fault("drain", "blocked", 0, 0.5))
    plant.clear(Fault("pump", "worn", 2))
    assert plant.active() == (Fault("drain", "blocked", 0, 0.5),)


def test_a_fault_of_one_unit_stays_with_it(make_rig):
    rig = make_rig(3).hold("idle", 5).hold("produce", 60)
    rig.plant.inject(Fault("pump", "worn", 2, 0.6))
    rig.hold("produce", 30)
    assert rig.true("membrane_bar", 2) < 0.75 * rig.true("membrane_bar", 1)
    assert rig.true("membrane_bar", 3) == pytest.approx(rig.true("membrane_bar", 1), rel=1e-6)


def test_every_fault_says_its_unit_its_range_and_its_lines_of_the_catalogue():
    for (target, kind), spec in FAULTS.items():
        assert spec.text, (target, kind)
        assert spec.lo <= spec.hi
        assert bool(spec.value_unit) == (spec.hi > spec.lo), (target, kind)
        assert all(f[0] == "F" and 1 <= int(f[1:]) <= 94 for f in spec.ids)


def test_oxidised_membranes_pass_more_salt_and_water_by_the_hour_and_for_good(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 600)
    flow, tds = rig.true("permeate_m3h"), rig.true("permeate_tds_mgl")
    rig.plant.inject(Fault("membrane", "oxidised", 1))
    rig.hold("produce", 4 * 3600, 500)
    rig.plant.clear(Fault("membrane", "oxidised", 1))
    rig.hold("produce", 300)
    assert rig.true("permeate_tds_mgl") > 1.08 * tds
    assert rig.true("permeate_m3h") > 1.005 * flow


def test_a_shut_hand_valve_leaves_the_suction_without_water(make_rig):
    rig = make_rig(2).hold("idle", 5)
    rig.plant.operate("feed_hand_valve", 1, False)
    rig.hold("settle", 10)
    assert rig.true("suction_bar") < 0.1 < rig.true("suction_bar", 2)
    rig.plant.operate("feed_hand_valve", 1, True)
    assert rig.hold("settle", 5).true("suction_bar") > 2.5


def test_a_shut_product_valve_opens_the_permeate_switch_and_the_relief_holds(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 60)
    rig.plant.operate("product_valve", 0, False)
    took = rig.until("produce", lambda: rig.reads("permeate_ok") == 0.0, 20)
    assert took < 5
    product_bar = rig.hold("produce", 10).plant._a.u[0, 2] / 1e5
    assert 1.4 < product_bar < 2.0
    assert rig.true("product_m3h", 0) == 0.0


def test_dips_of_the_header_reach_the_suction_within_a_second(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 60)
    rig.plant.inject(Fault("feed_header", "dip", 0, 0.6))
    rig.hold("produce", 1)
    assert rig.true("header_bar") <= 0.6 + 1e-9
    assert rig.reads("suction_ma") < 0.8
    rig.plant.clear(Fault("feed_header", "dip"))
    assert rig.hold("produce", 2).true("suction_bar") > 2


def test_a_dry_source_gives_no_water(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 60)
    rig.plant.inject(Fault("source", "dry"))
    rig.hold("produce", 20)
    assert rig.true("feed_m3h", 0) == pytest.approx(0.0, abs=0.05)
    assert rig.reads("source_wet", 0) == 0.0


@pytest.mark.parametrize(
    ("fault", "bar"), [(("worn", 0.5), 8.0), (("air_bound", None), 6.0), (("reversed", None), 8.0)]
)
def test_a_bad_pump_misses_the_pressure_of_a_healthy_start(make_rig, fault, bar):
    rig = make_rig().hold("idle", 5).hold("settle", 5)
    rig.plant.inject(Fault("pump", fault[0], 1, fault[1]))
    assert rig.hold("produce", 15).true("membrane_bar") < bar


def test_a_plugged_restrictor_raises_the_pressure_beyond_the_trip_of_16_bar(make_rig):
    rig = make_rig().hold("idle", 5).hold("produce", 60)
    rig.plant.inject(Fault("restrictor", "plugged", 1, 1.0))
    assert rig.until("produce", lambda: rig.true("membrane_bar") > 16, 600) > 0


def test_flushed_water_counts_from_the_last_pump_run(make_rig):
    rig = make_rig().hold("idle", 5).hold("flush", 60)
    assert rig.true("flushed_l") == pytest.approx(2.5 / 3.6 * 58, rel=0.05)
    assert rig.hold("produce", 1).true("flushed_l") == 0.0
