"""What every operator of such a unit has seen: the plant must show it too."""

from __future__ import annotations

import numpy as np
import pytest

from sim_plant.faults import Fault
from sim_plant.process.parameters import PlantParameters


def permeate_tds_over(rig, seconds):
    return np.array([rig.hold("produce", 1).true("permeate_tds_mgl") for _ in range(seconds)])


def test_permeate_tds_is_lower_after_a_purge_and_rises_through_production(producing):
    before = producing.true("permeate_tds_mgl")
    producing.hold("purge", 20)
    after = permeate_tds_over(producing, 400)
    lowest = int(after.argmin())
    assert lowest < 120
    assert after[lowest] < 0.95 * before
    assert (np.diff(after[lowest:]) >= 0).all()


def test_permeate_flow_falls_sharply_while_the_flush_valve_is_open(producing):
    before = producing.true("permeate_m3h")
    producing.hold("purge", 3)
    assert producing.true("permeate_m3h") < 0.4 * before


def test_start_up_peak_after_idle_outlasts_30_s_of_blanking_but_not_120_s(make_rig):
    """Given a night at rest and a start flush, the first permeate is far too salty, for about a minute."""
    rig = make_rig().hold("idle", 5).hold("flush", 120).hold("settle", 5)
    tds = permeate_tds_over(rig, 150)
    assert tds[:20].max() > 2 * 300
    above = np.flatnonzero(tds > 200)
    assert 50 <= above[-1] + 1 <= 110
    assert tds[30:61].min() > 200, "an alarm of 30 s after 30 s of blanking would come"
    assert tds[120:].max() < 170


def test_permeate_side_grows_saltier_the_longer_it_stands(producing):
    producing.hold("flush", 75)
    standing = [producing.hold("idle", 1200, 500).true("permeate_tds_mgl") for _ in range(4)]
    assert (np.diff(standing) > 0).all()
    assert standing[-1] > 1000


@pytest.mark.parametrize("degc", [20, 25, 30])
def test_permeate_flow_rises_two_to_three_and_a_half_percent_per_degree(make_rig, degc):
    def permeate(t):
        source = PlantParameters().source.model_copy(update={"temperature_degc": float(t)})
        rig = make_rig(parameters=PlantParameters(source=source)).hold("idle", 5)
        # the pressure is held by the pump curve, so look at flow per net pressure in still fresh water
        rig.hold("produce", 3)
        drive = rig.true("membrane_bar") - 0.71 * 3.2 - 0.4
        return rig.true("permeate_m3h") / drive

    assert 0.02 <= permeate(degc + 0.5) / permeate(degc - 0.5) - 1 <= 0.035


def test_second_flush_pulls_the_header_down(make_rig):
    rig = make_rig(6, regulated=False)
    rig.hz = 47.0
    rig.hold("idle", 5).hold("produce", 300)
    headers = []
    for flushing in (1, 2):
        rig.set_unit(flushing, "purge")
        headers.append(rig.hold("produce", 10).true("header_bar"))
    assert headers[1] < headers[0] - 0.1


def test_a_blanked_restrictor_accumulates_concentrate_until_a_purge(make_rig):
    unit = PlantParameters().unit.model_copy(update={"restrictor_kv_m3h": 0.0})
    rig = make_rig(parameters=PlantParameters(unit=unit)).hold("idle", 5).hold("flush", 60)
    fresh = rig.hold("produce", 10).true("permeate_m3h")
    late = rig.hold("produce", 120).true("permeate_m3h")
    assert rig.true("concentrate_m3h") == 0.0
    assert late < 0.8 * fresh
    rig.hold("purge", 60)
    assert rig.hold("produce", 10).true("permeate_m3h") > 0.9 * fresh


def test_pressure_bleeds_off_through_the_restrictor_after_a_stop(producing):
    producing.hold("settle", 2).hold("idle", 15)
    assert producing.true("membrane_bar") < 0.3
    assert producing.true("suction_bar") < 0.3


def test_unit_that_floods_the_drain_raises_the_sump(make_rig):
    rig = make_rig(6).hold("idle", 5)
    rig.plant.inject(Fault("drain", "blocked", 0, 0.2))
    rig.hold("produce", 5)
    assert rig.reads("sump_ok", 0) == 1.0
    assert rig.until("produce", lambda: rig.reads("sump_ok", 0) == 0.0, 120) > 5
    rig.until("produce", lambda: rig.reads("floor_dry", 0) == 0.0, 300)


def test_tank_overflows_and_its_floats_tell(make_rig):
    rig = make_rig(1)
    rig.plant.set_demand_m3h(0)
    rig.plant.set_tank_pct(97.9)
    assert rig.reads("tank_not_overfull", 0) == 1.0
    rig.hold("idle", 5).until("produce", lambda: rig.reads("tank_not_overfull", 0) == 0.0, 600)
    assert rig.hold("produce", 1).true("pump_closed") == 0.0
    rig.plant.set_tank_pct(5)
    assert rig.reads("tank_above_low", 0) == 0.0
