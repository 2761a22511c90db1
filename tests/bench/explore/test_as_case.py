"""What was found becomes a case that breaks the same requirement at full time scale."""

from __future__ import annotations

from pathlib import Path

import pytest
from planted import WHERE

from controller.firmware import Controller
from controller.settings import Setpoints
from sim_plant.bench.case_text import case_toml
from sim_plant.bench.cases import load_case
from sim_plant.bench.explore.as_case import as_case
from sim_plant.bench.explore.search import Bound, Order, changed, search
from sim_plant.bench.runner import Workshop
from sim_plant.bench.verdicts import Verdict
from sim_plant.site import demo_folder, load_site

SITE = load_site(demo_folder(), ["start_flush_s=60", "start_flush_max_s=120", "water_good_s=10"])
REPRODUCED = (
    "maintenance_forgotten",
    "discharge_switch_recorded_in_a_start",
    "low_suction_ignored_in_a_purge",
)


@pytest.mark.parametrize("name", REPRODUCED)
def test_the_case_of_a_shortest_sequence_breaks_the_same_requirement(name: str, tmp_path: Path) -> None:
    planted = WHERE[name]
    found = search(
        Order(Setpoints(), f"planted:{name}", planted.only),
        bound=Bound(states=20_000),
        until=planted.requirement,
    )
    case = as_case(found, found.violations[planted.requirement])
    assert case.not_said == []
    path = tmp_path / "found.case.toml"
    path.write_text(case_toml(case.table), encoding="utf-8")
    run = load_case(path, SITE)[0]

    sound = Workshop(SITE, Controller, 1).carry_out(run)
    with changed(f"planted:{name}"):
        broken = Workshop(SITE, Controller, 1).carry_out(run)

    assert {f.name: f.verdict for f in broken.requirements}[planted.requirement] is Verdict.FAIL
    assert {f.name: f.verdict for f in sound.requirements}[planted.requirement] is not Verdict.FAIL
