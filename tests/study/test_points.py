"""What a point of a sweep gives, held against closed forms and balances."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from sim_plant.process.duty import net_production_m3h
from sim_plant.site import demo_folder, load_site
from sim_plant.study.analysis import read_study
from sim_plant.study.flushes import done
from sim_plant.study.points import Figures, Order, Point, figures_of, order_of
from sim_plant.study.proposal import allowed_choices, choose
from sim_plant.study.scaling import most_concentrated, saturation
from sim_plant.study.unit_run import Phase

HERE = Point(600.0, 20.0, 1.0, 24.0)


@cache
def order() -> Order:
    site = load_site(demo_folder())
    file, analysis = read_study(site.folder)
    return order_of(site.file.plant, site.setpoints, site.units, analysis, file.limits, 1)


@cache
def at(point: Point) -> Figures:
    return figures_of(order(), point)


def test_a_point_is_the_same_whenever_it_is_carried_out() -> None:
    assert figures_of(order(), HERE) == at(HERE)


def test_production_lies_between_none_made_in_a_purge_and_no_purge_at_all() -> None:
    """1.38 m3/h is what a unit of the nursery is left with at hand-over, 23 L/min."""
    least = net_production_m3h(23.0, 600.0, 20.0, 6)
    assert least < at(HERE).net_production_m3h < 6 * 1.40


def test_the_concentration_factor_is_that_of_the_recovery_in_production() -> None:
    """Full rejection, steady: 1 / (1 - R); 1 % of salt passes and the last cell is mixed."""
    figures = at(HERE)
    steady = figures.unit_feed_m3h / figures.unit_concentrate_m3h
    assert figures.factor == pytest.approx(steady, rel=0.03)


def test_a_blanked_restrictor_scales_and_is_not_allowed() -> None:
    blanked = at(HERE._replace(restrictor_share=0.0))
    assert "calcite" in blanked.broken
    assert blanked.net_recovery > at(HERE).net_recovery


def test_too_short_an_interval_leaves_no_room_for_the_flushes_of_six_units() -> None:
    assert at(HERE._replace(purge_interval_s=300.0, purge_s=40.0)).broken == ("flush slots",)


def test_silt_beyond_its_limit_allows_nothing() -> None:
    strict = order().limits.model_copy(update={"silt_density_index": 3.0})
    assert figures_of(replace(order(), limits=strict), HERE).broken == ("silt",)


def test_at_the_allowed_factor_the_limit_is_met_and_just_beyond_it_is_passed() -> None:
    analysis, limits = order().analysis, order().limits
    factor, mineral, degc = most_concentrated(analysis, limits)
    room, first = saturation(analysis, factor, degc).room(limits)
    assert first == mineral
    assert room == pytest.approx(0.0, abs=1e-3)
    assert saturation(analysis, 1.01 * factor, degc).room(limits)[0] < 0


def _like(point: Point, production: float, broken: tuple[str, ...] = ()) -> Figures:
    return at(HERE)._replace(point=point, net_production_m3h=production, broken=broken)


def test_a_choice_is_allowed_only_when_it_is_at_every_temperature() -> None:
    cold, warm = HERE._replace(degc=20.0), HERE._replace(degc=28.0)
    assert allowed_choices([_like(cold, 8.0), _like(warm, 8.0)]) == [HERE[:3]]
    assert allowed_choices([_like(cold, 8.0), _like(warm, 8.0, ("gypsum",))]) == []


def test_the_fitted_restrictor_goes_before_production_and_production_before_rinsing() -> None:
    narrow = _like(HERE._replace(restrictor_share=0.7), 9.0)
    long, longer = _like(HERE._replace(purge_s=40.0), 8.0), _like(HERE._replace(purge_interval_s=1200.0), 8.1)
    assert choose([narrow, long, longer])[0] is longer
    alike = _like(HERE._replace(purge_s=40.0), 8.0999)
    assert choose([narrow, alike, longer])[0] is alike
    assert choose([_like(HERE, 8.0, ("drain",))]) == ()


def test_a_flush_is_done_when_the_drain_stays_near_the_feed() -> None:
    """A drain of 2000, 1500, 1050, 1200, 1050, 1050 mg/L every half second, feed 1000: done after 2 s."""
    rows = np.zeros((6, 8))
    rows[:, 6] = (2000, 1500, 1050, 1200, 1050, 1050)
    rows[:, 7] = range(6)
    assert done(Phase(rows), 1000.0, 1.1, 24.0).seconds == 2.0
    assert done(Phase(rows), 1000.0, 1.1, 24.0).litres == 4.0
    assert done(Phase(rows), 1000.0, 1.01, 24.0).seconds is None
