"""The scaling limit under the firmware; ``python -m tests.study.week`` runs a proposal for seven days."""

from __future__ import annotations

from functools import cache

import pytest

from sim_plant.site import demo_folder, load_site
from sim_plant.study.analysis import read_study
from sim_plant.study.points import Order, Point, figures_of, order_of
from tests.study.week import held, narrowed

DEGC = 25.0


@cache
def order() -> Order:
    """One unit of the nursery."""
    site = load_site(demo_folder())
    file, analysis = read_study(site.folder)
    return order_of(site.file.plant, site.setpoints, 1, analysis, file.limits, 1)


def test_the_bank_concentrates_no_further_than_the_study_says() -> None:
    seen = held(order(), DEGC, 0.4)
    figures = figures_of(order(), Point(600.0, 20.0, 1.0, DEGC))
    assert seen.factor == pytest.approx(figures.factor, rel=0.01)
    assert seen.room == pytest.approx(figures.saturation.room(order().limits)[0], abs=0.01)
    assert seen.room > 0.0
    assert (seen.starts, seen.scale) == (1, 0.0)


def test_with_a_third_of_the_restrictor_the_limit_is_passed() -> None:
    assert held(narrowed(order()), DEGC, 0.4).room < 0.0
