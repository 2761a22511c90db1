"""The duty arithmetic of a study beside the whole bank; ``tests.study.duty_day`` does 50 banks for a day."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.unit.outputs import GOOD_WATER_S as GOOD_WATER_OF_THE_FIRMWARE_S
from sim_plant.site import demo_folder, load_site
from sim_plant.study.analysis import read_study
from sim_plant.study.points import GOOD_WATER_S, Order, Point, at_point, figures_of, order_of, starts_h_most
from tests.study.duty_day import TANK_M3, Drawn, Row, day_of, drawn_sites
from tests.study.whole_bank import HOUR_SCANS, Rises, WholeBank

OFTEN = Point(230.0, 20.0, 1.0, 24.0)
CYCLES, HOURS = 2, 1


def bank_of_one(**tank: float) -> Order:
    site = load_site(demo_folder())
    file, analysis = read_study(site.folder)
    plant = site.file.plant.model_copy(update={"tank": site.file.plant.tank.model_copy(update=tank)})
    return order_of(plant, site.setpoints, 1, analysis, file.limits, 1)


@pytest.mark.parametrize("diverter", [False, True])
def test_the_closed_formula_says_what_the_bank_puts_into_the_tank(diverter: bool) -> None:
    """Two whole cycles. A diverter that is left out of the formula would be 40 s in 250, 16 %."""
    order = bank_of_one(volume_m3=TANK_M3, demand_m3h=0.0)
    unit = order.plant.unit.model_copy(update={"has_diverter": diverter})
    order = replace(order, plant=order.plant.model_copy(update={"unit": unit}))
    drawn = Drawn(1, order, OFTEN, figures_of(order, OFTEN))

    row = Row(drawn, day_of(drawn, CYCLES * 250.0 / 3600.0))

    assert row.off_pct == pytest.approx(0.0, abs=0.5)
    assert row.purges_off == pytest.approx(0.0, abs=1e-9)
    assert row.day.stops == 0


def test_the_study_waits_for_good_water_as_long_as_the_firmware() -> None:
    assert GOOD_WATER_S == GOOD_WATER_OF_THE_FIRMWARE_S


def test_a_small_tank_starts_a_unit_hardly_as_often_as_the_study_says_at_most() -> None:
    """Half of its product is drawn; flushes and waits take their time in the bank and none in the formula."""
    order = bank_of_one(volume_m3=0.6, demand_m3h=0.69)
    bank = WholeBank(at_point(order, OFTEN), 90.0)
    starts = Rises(bank.plant, "pump_closed")
    for _ in range(HOURS * HOUR_SCANS):
        bank.scan()
        starts.look()

    assert 0.5 * starts_h_most(order, 1.38) < starts.count / HOURS < starts_h_most(order, 1.38)


def test_the_same_seed_draws_the_same_sites() -> None:
    first, again = drawn_sites(1, 3)
    assert drawn_sites(1, 3) == (first, again)
    assert drawn_sites(1, 4)[0] != first
