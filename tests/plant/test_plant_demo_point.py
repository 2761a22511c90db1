"""The default parameters reproduce the demo plant's table (own scenario, own tolerance of 3 %)."""

from __future__ import annotations

import pytest

DEMO_PRODUCING = {
    "feed_m3h": 2.33,
    "permeate_m3h": 1.40,
    "concentrate_m3h": 0.93,
    "membrane_bar": 12.5,
    "permeate_tds_mgl": 100.0,
    "tail_tds_mgl": 7900.0,
}


@pytest.mark.parametrize(("name", "demo"), DEMO_PRODUCING.items())
def test_steady_production_meets_the_demo_table(producing, name, demo):
    assert producing.true(name) == pytest.approx(demo, rel=0.03)


def test_recovery_is_sixty_percent(producing):
    assert producing.true("permeate_m3h") / producing.true("feed_m3h", 1) == pytest.approx(0.60, rel=0.03)


def test_low_pressure_flush_passes_two_and_a_half_m3h(make_rig):
    rig = make_rig().hold("idle", 5).hold("flush", 60)
    assert rig.true("concentrate_m3h") == pytest.approx(2.5, rel=0.03)


def test_purge_draws_more_feed_at_less_than_half_the_pressure(producing):
    producing.hold("purge", 20)
    assert producing.true("feed_m3h", 1) == pytest.approx(3.4, rel=0.03)
    assert producing.true("permeate_m3h") == pytest.approx(0.35, rel=0.05)
    assert 5.0 <= producing.true("membrane_bar") <= 6.0


def test_restrictor_alone_passes_about_half_a_m3h_at_header_pressure(make_rig):
    rig = make_rig().hold("idle", 5).hold("settle", 30)
    assert rig.true("concentrate_m3h") == pytest.approx(0.5, rel=0.15)
    assert rig.true("suction_bar") > 1.5


def test_booster_gives_sixteen_m3h_at_three_bar_and_fifty_hertz(make_rig):
    """Given units that draw more than the booster's rated flow, its own curve sets the header."""
    rig = make_rig(7, regulated=False).hold("idle", 5).hold("produce", 300)
    flow, header = rig.true("feed_m3h", 0), rig.true("header_bar")
    minimum_flow_m3h = 0.15 * header**0.5
    at_this_flow = 4.5 - 1.5 * ((flow + minimum_flow_m3h) / 16.0) ** 2
    assert header == pytest.approx(at_this_flow, rel=0.02)
