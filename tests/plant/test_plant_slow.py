"""What builds up slowly: antiscalant, scale, fouling, dirt in the prefilter, and a blanked restrictor."""

from __future__ import annotations

import math

import pytest

from sim_plant.faults import Fault
from sim_plant.process import layout as at
from sim_plant.process.duty import net_recovery
from sim_plant.process.parameters import PlantParameters, Scaling, Unit
from sim_plant.process.wear import held_saturation


def parameters(**scaling):
    return PlantParameters(scaling=Scaling(**scaling))


def start(rig, dosing=True):
    rig.dosing = dosing
    return rig.hold("idle", 5).hold("flush", 60).hold("settle", 5)


# --- antiscalant -------------------------------------------------------------------------------------


def test_steady_antiscalant_in_the_feed_is_dose_over_flow(make_rig):
    """50 mL/h of 1.1 kg/L into 2.33 m3/h is 23.6 mg/L."""
    rig = start(make_rig()).hold("produce", 3600)
    assert rig.true("antiscalant_feed_mgl", 0) == pytest.approx(50 * 1.1 / rig.true("feed_m3h", 0), rel=0.01)


def test_no_antiscalant_passes_so_the_tail_has_it_concentrated_by_the_mass_balance(make_rig):
    rig = start(make_rig()).hold("produce", 3600)
    recovery = rig.true("permeate_m3h") / rig.true("feed_m3h", 1)
    factor = rig.true("antiscalant_tail_mgl") / rig.true("antiscalant_feed_mgl", 0)
    assert factor == pytest.approx(1 / (1 - recovery), rel=0.01)


def test_an_empty_antiscalant_tank_washes_out_with_the_header_volume(make_rig):
    """200 L against 2.33 m3/h: a time constant of 309 s."""
    rig = start(make_rig()).hold("produce", 3000)
    before, flow = rig.true("antiscalant_feed_mgl", 0), rig.true("feed_m3h", 0)
    rig.plant.inject(Fault("antiscalant", "empty"))
    rig.hold("produce", 309)
    left = rig.true("antiscalant_feed_mgl", 0) / before
    assert left == pytest.approx(math.exp(-flow / 3600 * 309 / 0.2), rel=0.02)


def test_a_siphoning_line_doses_and_pulses_without_being_asked(make_rig):
    rig = make_rig()
    rig.dosing = False
    rig.plant.inject(Fault("dosing", "siphoning", 0, 100.0))
    pulses = sum(rig.hold("idle", 0.1).reads("dosing_pulse", 0) for _ in range(1000))
    assert pulses > 100
    assert rig.true("dose_ml", 0) == pytest.approx(100 * 100 / 3600, abs=0.06)


# --- scale ---------------------------------------------------------------------------------------------


def test_saturation_of_the_tail_is_that_of_the_feed_times_its_concentration_factor(make_rig):
    rig = start(make_rig(parameters=parameters(feed_saturation_ratio=0.8))).hold("produce", 600)
    factor = rig.true("tail_tds_mgl") / rig.true("feed_tds_mgl", 0)
    assert rig.true("saturation_tail_ratio") == pytest.approx(0.8 * factor, rel=1e-3)


@pytest.mark.parametrize(("share", "held"), [(0.0, 1.0), (0.5, 2.0), (1.0, 3.0), (4.0, 3.0)])
def test_antiscalant_holds_more_up_to_its_design_dose_and_no_more_beyond(share, held):
    assert held_saturation(3.0, share) == held


def hours_of(rig, hours):
    return rig.hold("produce", hours * 3600, 500)


def test_no_scale_grows_with_the_dose_and_some_grows_without(make_rig):
    with_dose, without = start(make_rig()), start(make_rig(), dosing=False)
    for rig in (with_dose, without):
        hours_of(rig, 3)
    assert with_dose.true("scale_ratio") == 0.0
    assert without.true("scale_ratio") > 0.02


def test_scale_begins_only_after_its_induction_time_and_sooner_the_more_oversaturated(make_rig):
    """At S = 2.47 and nothing held, 1800 s of induction last 1800 / 1.47 s; at twice the S, 1800 / 3.9."""
    begins = []
    for saturation in (1.0, 2.0):
        scaling = parameters(feed_saturation_ratio=saturation, induction_s=1800)
        rig = start(make_rig(parameters=scaling), dosing=False)
        begins.append(rig.until("produce", lambda rig=rig: rig.true("scale_ratio") > 0, 3600))
    assert begins[0] == pytest.approx(1800 / 1.47, rel=0.12)
    assert begins[1] == pytest.approx(1800 / 3.94, rel=0.25)


def test_a_flush_with_feed_water_sets_the_induction_clock_back_and_a_short_purge_does_not(make_rig):
    """Three times 18 min reach beyond the induction of 41 min, unless a flush comes between."""
    scale = {}
    for between, seconds in (("flush", 120), ("purge", 20)):
        rig = start(make_rig(), dosing=False)
        for _ in range(3):
            rig.hold("produce", 1080, 500).hold(between, seconds)
        scale[between] = rig.true("scale_ratio")
    assert scale["flush"] == 0.0
    assert scale["purge"] > 0.0


def test_scale_costs_flow_passes_salt_and_raises_the_loss_at_the_tail(make_rig):
    rig = start(make_rig()).hold("produce", 600)
    flow, salt = rig.true("permeate_m3h"), rig.true("permeate_tds_mgl")
    loss = rig.plant._a.u[0, at.U_WEAR_LOSS]
    rig.plant.inject(Fault("membrane", "scaled", 1, 0.2))
    rig.hold("produce", 600)
    assert rig.true("permeate_m3h") < 0.95 * flow
    assert rig.true("permeate_tds_mgl") > 1.05 * salt
    assert rig.plant._a.u[0, at.U_WEAR_LOSS] == pytest.approx(loss * (1 + 2 * -math.log(0.8)))


def test_scale_stays_when_its_cause_has_gone(make_rig):
    rig = hours_of(start(make_rig(), dosing=False), 2)
    rig.dosing = True
    grown = rig.hold("flush", 300).true("scale_ratio")
    assert rig.hold("produce", 600).true("scale_ratio") == grown > 0


# --- fouling and prefilter -----------------------------------------------------------------------------


def test_fouling_follows_the_water_filtered_on_each_square_metre(make_rig):
    unit = PlantParameters().unit.model_copy(update={"fouling_per_m": 0.5})
    rig = hours_of(start(make_rig(parameters=PlantParameters(unit=unit))), 2)
    assert rig.true("fouling_ratio") == pytest.approx(0.5 * rig.true("permeate_total_m3") / 64, rel=1e-9)
    assert rig.true("permeate_total_m3") == pytest.approx(2 * 1.4, rel=0.05)


def test_a_bypassed_prefilter_fouls_the_membranes_faster(make_rig):
    healthy, bypassed = start(make_rig()), start(make_rig())
    bypassed.plant.inject(Fault("prefilter", "bypassing", 1, 10.0))
    before = healthy.true("fouling_ratio")
    gained = [hours_of(rig, 1).true("fouling_ratio") - before for rig in (healthy, bypassed)]
    assert gained[1] == pytest.approx(10 * gained[0], rel=1e-3)


def test_a_prefilter_doubles_its_loss_with_the_volume_stated(make_rig):
    unit = PlantParameters().unit.model_copy(update={"prefilter_doubles_m3": 3.0, "fouling_per_m": 0.0})
    rig = start(make_rig(parameters=PlantParameters(unit=unit)))
    rig.hold("produce", 60)
    first = loss_of_prefilter(rig), rig.true("prefilter_total_m3")
    rig.hold("produce", 3600)
    second = loss_of_prefilter(rig), rig.true("prefilter_total_m3")
    assert second[0] / first[0] == pytest.approx((1 + second[1] / 3) / (1 + first[1] / 3), rel=0.01)


def loss_of_prefilter(rig):
    """Header less suction less the feed valve's own loss, for each m3/h."""
    flow = rig.true("feed_m3h", 1)
    return (rig.true("header_bar") - rig.true("suction_bar") - (flow / 6) ** 2) / flow - 0.005


# --- a blanked restrictor ------------------------------------------------------------------------------


def blanked(**changes):
    unit = {"restrictor_kv_m3h": 0.0, "salt_permeability_lmh": 1e-9, "fouling_per_m": 0.0} | changes
    return PlantParameters(unit=Unit(**unit))


def kg_on_the_feed_side(rig):
    cells = rig.plant._a.u[0, at.U_CELL : at.U_CELL + 4]
    return float(cells.sum()) * 0.040 / 4


def test_a_blanked_unit_keeps_all_the_salt_of_its_feed(make_rig):
    """Closed form, no passage: salt(t) = salt(0) + c_feed x permeate, while nothing else leaves."""
    rig = start(make_rig(parameters=blanked())).hold("produce", 5)
    salt, volume = kg_on_the_feed_side(rig), rig.true("permeate_total_m3")
    rig.hold("produce", 60)
    assert rig.true("concentrate_m3h") == 0.0
    gained = kg_on_the_feed_side(rig) - salt
    assert gained == pytest.approx(3.2 * (rig.true("permeate_total_m3") - volume), rel=1e-6)


def test_recovery_of_a_blanked_unit_is_set_by_its_purge_alone(make_rig):
    """In the steady cycle all salt leaves with the purge: its mean concentration is c_feed / (1 - R)."""
    rig = start(make_rig(parameters=blanked()))
    for _ in range(12):
        volumes = cycle(rig, 120, 30)
    made, fed, purged, purged_kg = volumes
    recovery = 1 - purged / fed
    assert made / fed == pytest.approx(recovery, rel=0.01)
    assert purged_kg / purged == pytest.approx(3.2 / (1 - recovery), rel=0.01)
    again = net_recovery(made * 3600 / 150, fed * 3600 / 150, 150, 0.0, 0.0)
    assert again == pytest.approx(recovery, rel=0.01)


def cycle(rig, produce_s, purge_s):
    """(permeate, feed, purge water in m3, purged salt in kg) of one cycle."""
    made = fed = purged = 0.0
    drained_kg = rig.plant._a.b[at.B_SALT_DRAIN]
    for what, seconds in (("produce", produce_s), ("purge", purge_s)):
        for _ in range(seconds * 10):
            rig.hold(what, 0.1)
            made += rig.true("permeate_m3h") / 36000
            fed += rig.true("feed_m3h", 1) / 36000
            purged += rig.true("concentrate_m3h") / 36000
    return made, fed, purged, rig.plant._a.b[at.B_SALT_DRAIN] - drained_kg
