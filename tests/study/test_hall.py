"""What a study says of headers and tank, and what it says when a table is missing."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from sim_plant.site import demo_folder, load_site
from sim_plant.study.analysis import StudyFile, read_study
from sim_plant.study.hall import Hall, buffer_lines, hall_lines, hall_of, hall_plots, header_lines, write_hall
from sim_plant.study.points import Figures, Order, Point, order_of
from sim_plant.study.scaling import Saturation


@cache
def nursery() -> tuple[StudyFile, Order]:
    site = load_site(demo_folder())
    file, analysis = read_study(site.folder)
    return file, order_of(site.file.plant, site.setpoints, site.units, analysis, file.limits, 1)


def figures(degc: float, net_m3h: float) -> Figures:
    """As of six units of the nursery; only what headers and tank ask for matters here."""
    none = Saturation(0.0, 0.0, 0.0, 0.0, 7.0)
    return Figures(
        Point(1200.0, 20.0, 1.0, degc), 0.58, net_m3h, 95.0, 120.0, 2.5, none, 1.1, 5.7, 7.9, 10.0, 60.0,
        12.6, 2.30, 0.94, 3.4, 3.05, 3.85, 3.26, 2.95, 0.6, 1, True, (),
    )  # fmt: skip


CHOSEN = (figures(22.0, 8.04), figures(25.0, 8.40))


def hall(**tables: object) -> Hall:
    """Without seasons, which take a while, unless asked."""
    file, order = nursery()
    return hall_of(file.model_copy(update={"season": None} | tables), order, CHOSEN)


def test_the_nursery_is_told_what_its_pipes_carry_and_how_its_tank_gets_through_the_day() -> None:
    pipes, tank = hall().headers, hall().buffer
    assert pipes is not None
    assert tank is not None
    assert tank.unit_m3h == pytest.approx(1.34)  # the coldest water's share of a unit
    assert "carry 2 with 6 units, and one flush with up to 7" in " ".join(header_lines(pipes))
    told = buffer_lines(tank)
    # beyond 6.7 m3/h: 23.2 m3 in the morning, 15.9 of it made good by noon, 21.2 in the evening; over 0.85
    assert "5 units flat out: demand met, level down to 24 %; a tank of 33.5 m3 just does." in told
    assert any(text.startswith("5 units as called: demand not met for") for text in told)
    assert any(text.startswith("Called sooner, with tank_first_pct") for text in told)


def test_without_its_table_a_part_is_left_out_and_says_what_to_write(tmp_path: Path) -> None:
    empty = hall(headers=None, demand=None)
    assert hall_lines(empty) == [
        "headers: Left out: study.toml has no [headers]. docs/study.md says what to write there.",
        "buffer: Left out: study.toml has no [demand]. docs/study.md says what to write there.",
        "season: Left out: study.toml has no [season]. docs/study.md says what to write there.",
    ]
    assert hall_plots(empty) == ([], [], [])
    assert write_hall(empty, tmp_path) == []


def test_pipes_that_carry_fewer_flushes_than_the_setpoints_let_name_the_setpoint_to_change() -> None:
    file, order = nursery()
    assert file.headers is not None
    wide = order.setpoints.model_copy(update={"drain_capacity_m3h": 30.0, "booster_capacity_m3h": 30.0})
    roomy = Order(order.plant, wide, order.units, order.analysis, order.limits, order.seed)
    pipes = hall_of(file, roomy, CHOSEN).headers
    assert pipes is not None
    assert pipes.slots == 6
    told = header_lines(pipes)
    assert "In the way of one more: feed 2.01 m/s, at most 2." in told  # (3 x 2.3 + 3 x 3.85) in 57 mm
    assert any(text.startswith("To do: booster_capacity_m3h = ") for text in told)


def test_a_product_header_that_loses_more_than_the_plant_counts_on_says_so() -> None:
    file, _ = nursery()
    assert file.headers is not None
    narrow = file.headers.model_copy(
        update={"product": file.headers.product.model_copy(update={"bore_mm": 40.0})}
    )
    pipes = hall(headers=narrow).headers
    assert pipes is not None
    assert any(
        text.startswith("[plant.header] product_loss_bar = 0.1 is less") for text in header_lines(pipes)
    )
