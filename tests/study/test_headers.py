"""Headers: worst load, flushes that they carry, and geometry that makes no pipe. Losses: tests/published."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest

from controller.files import InputError
from controller.settings import Setpoints
from sim_plant.process.pipes import pipe_loss_pa
from sim_plant.site import demo_folder
from sim_plant.study.analysis import STUDY_FILE, read_study
from sim_plant.study.header_table import Headers, Pipe
from sim_plant.study.headers import (
    UNITS_MOST,
    Load,
    advice,
    broken_by,
    flushes_carried,
    lines_of,
    segments_of,
    units_carried,
    worst_flows_m3h,
)

LOADS = {"feed": Load(2.3, 3.4), "product": Load(1.36, 0.35), "drain": Load(0.94, 3.05)}
DEGC = 22.0


def headers(bore_mm: float = 57.0, **changed: float) -> Headers:
    return Headers(feed=Pipe(bore_mm=bore_mm), product=Pipe(bore_mm=57), drain=Pipe(bore_mm=57), **changed)


def test_one_unit_at_the_end_of_a_bare_pipe_has_the_loss_of_that_pipe() -> None:
    table = headers(lead_k=0.0)
    (piece,) = segments_of(table.feed, table, [2.3], DEGC)
    assert piece.loss_bar * 1e5 == pytest.approx(pipe_loss_pa(2.3, 0.057, 10.0, 1e-5, DEGC))


def test_a_bend_costs_k_times_half_rho_v_squared() -> None:
    """7.0686 m3/h in 50 mm is 1 m/s; at 4 degC water weighs 1000 kg/m3, so that K = 2 costs 1000 Pa."""
    bare, bent = headers(lead_k=0.0), headers(lead_k=2.0)
    pipe, flow = Pipe(bore_mm=50), [7.0685835]
    more = segments_of(pipe, bent, flow, 4.0)[0].loss_bar - segments_of(pipe, bare, flow, 4.0)[0].loss_bar
    assert more * 1e5 == pytest.approx(1000.0, rel=1e-4)


@pytest.mark.parametrize("units", range(1, UNITS_MOST + 1))
def test_what_leaves_at_the_branches_is_what_came_in(units: int) -> None:
    table, flows = headers(), worst_flows_m3h(LOADS["feed"], units, 1)
    pieces = segments_of(table.feed, table, flows, DEGC)
    assert pieces[0].flow_m3h == pytest.approx(2.3 * (units - 1) + 3.4)
    left = [a.flow_m3h - b.flow_m3h for a, b in zip(pieces, [*pieces[1:], None], strict=True) if b]
    assert [*left, pieces[-1].flow_m3h] == pytest.approx(flows)
    assert pieces[-1].sum_bar == pytest.approx(sum(piece.loss_bar for piece in pieces))


@pytest.mark.parametrize("name", LOADS)
@pytest.mark.parametrize("flushing", [1, 2, 3])
def test_no_other_units_flushing_load_the_header_more(name: str, flushing: int) -> None:
    """Every choice of up to so many of six, beside the one that is taken for the worst."""
    table, load = headers(), LOADS[name]
    worst = lines_of(table, LOADS, 6, flushing, DEGC)[("feed", "product", "drain").index(name)]
    for count in range(flushing + 1):
        for chosen in combinations(range(6), count):
            flows = [load.flush_m3h if unit in chosen else load.produce_m3h for unit in range(6)]
            pieces = segments_of(worst.pipe, table, flows, DEGC)
            assert pieces[-1].sum_bar <= worst.loss_bar * (1 + 1e-12)
            assert pieces[0].velocity_m_s <= worst.velocity_m_s * (1 + 1e-12)


def test_the_flushes_that_are_carried_hold_every_limit_and_one_more_breaks_one() -> None:
    carried = flushes_carried(headers(), LOADS, 6, DEGC)
    assert 0 < carried < 6
    assert all(broken_by(headers(), LOADS, 6, k, DEGC) == () for k in range(carried + 1))
    assert broken_by(headers(), LOADS, 6, carried + 1, DEGC)


def test_a_narrow_header_carries_none_and_names_what_is_in_the_way() -> None:
    narrow = headers(40.0)
    assert flushes_carried(narrow, LOADS, 6, DEGC) == 0
    velocity, loss = broken_by(narrow, LOADS, 6, 1, DEGC)
    assert velocity == "feed 3.29 m/s, at most 2"  # (5 x 2.3 + 3.4) / 3600 / (pi x 0.04^2 / 4)
    assert loss.startswith("feed ")
    assert loss.endswith(" bar, at most 0.2")


def test_wider_pipe_carries_at_least_as_many_units() -> None:
    counts = [units_carried(headers(bore), LOADS, DEGC) for bore in (20.0, 40.0, 57.0, 70.0)]
    assert counts == sorted(counts)
    assert counts[0] == 0 < counts[-1] < UNITS_MOST


def test_the_advice_gives_the_slots_that_the_headers_carry() -> None:
    """All six may flush by these setpoints; the pipes carry two."""
    roomy = Setpoints(drain_capacity_m3h=40, booster_capacity_m3h=40, purge_interval_s=1200)
    for header, capacity in (("feed", "booster_capacity_m3h"), ("drain", "drain_capacity_m3h")):
        text = advice(roomy, 6, roomy.flush_slots(6), 2, [header])
        name, value = text.removesuffix(" gives 2").split(" = ")
        assert name == capacity
        assert roomy.model_copy(update={name: float(value)}).flush_slots(6) == 2
    assert advice(roomy, 6, 2, 2, []) == ""
    assert "wider pipe" in advice(roomy, 6, 2, 0, ["feed"])


def test_advice_that_leaves_purges_no_time_says_so() -> None:
    hasty = Setpoints(drain_capacity_m3h=40, booster_capacity_m3h=40, purge_interval_s=350, purge_s=40)
    assert "purge_interval_s = 350 is too short" in advice(hasty, 6, hasty.flush_slots(6), 1, ["drain"])


WATER = (demo_folder() / STUDY_FILE).read_text(encoding="utf-8").split("\n[demand]")[0]
GOOD = "".join(f"[headers.{name}]\nbore_mm = 57\n" for name in ("feed", "product", "drain"))
BAD = {
    "no drain": (GOOD.split("[headers.drain]")[0], "headers.drain is missing"),
    "no bore": (GOOD.replace("bore_mm = 57", "", 1), "headers.feed.bore_mm is missing"),
    "negative": (GOOD.replace("57", "-57", 1), "headers.feed.bore_mm = -57: must be at least 5"),
    "bore in m": (GOOD.replace("57", "0.057", 1), "headers.feed.bore_mm = 0.057: must be at least 5"),
    "unit in the key": (GOOD.replace("_mm", "_m", 1), "bore_m is not a known key: the key is bore_mm"),
    "too rough": (
        f"[headers]\nroughness_mm = 4\n{GOOD}",
        "roughness_mm = 4 is more than 0.05 of feed.bore_mm",
    ),
    "no limit": (GOOD + "velocity_most_m_s = 0\n", "velocity_most_m_s = 0: must be more than 0"),
}


@pytest.mark.parametrize(("table", "reason"), BAD.values(), ids=BAD)
def test_a_bad_geometry_is_refused_with_the_reason(tmp_path: Path, table: str, reason: str) -> None:
    (tmp_path / STUDY_FILE).write_text(f"{WATER}\n{table}", encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_study(tmp_path)
    assert reason in str(told.value)


def test_a_table_of_bores_alone_is_enough(tmp_path: Path) -> None:
    (tmp_path / STUDY_FILE).write_text(f"{WATER}\n{GOOD}", encoding="utf-8")
    assert read_study(tmp_path)[0].headers == headers()
