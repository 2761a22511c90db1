"""The bundled site's families of cases, each run a test of its own.

All of them together take about two minutes of one core. ``-k "low_feed"`` does not select a family; the
run's name does: ``-k feed``, ``-k tank``, ``-k tds``, ``-k flush``, ``-k unit``, ``-k shared``.
"""

from __future__ import annotations

from collections import Counter

import pytest

from controller.firmware import Controller
from sim_plant.bench.cases import Run, load_cases
from sim_plant.bench.evidence.exports import finding_text
from sim_plant.bench.evidence.summary import grave_findings, name_of
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.prove import batches
from sim_plant.bench.runner import Workshop
from sim_plant.bench.verdicts import RunResult, Verdict
from sim_plant.site import demo_folder, load_site

SITE = load_site(demo_folder())
RUNS = [run for batch in batches(load_cases(SITE)) for run in batch]  # those of one start together
MAIN_FAMILIES = ("full tank", "high permeate TDS", "interrupted flush", "low feed pressure")
OTHER_FAMILIES = ("alarms", "lost signals", "people and clocks", "power", "shared water", "unit protections")
NOT_AT_THE_DESK = {"SR-43"}  # a program that halts cannot be told from one that is not called


@pytest.fixture(scope="session")
def workshop() -> Workshop:
    """One for each test process: what has been prepared once is used again."""
    return Workshop(SITE, Controller, SITE.file.site.seed)


def told(result: RunResult) -> str:
    """What failed, in the words of the report."""
    findings = [finding_text(finding) for finding in grave_findings(result)]
    return "\n".join([f"{name_of(result)}: {result.verdict.value}", result.error, *findings])


@pytest.mark.parametrize("run", RUNS, ids=lambda run: run.run_id)
def test_the_firmware_passes(workshop: Workshop, run: Run) -> None:
    result = workshop.carry_out(run)
    assert result.verdict is Verdict.PASS, told(result)
    assert result.expectations, "a run that expects nothing proves nothing"


def test_each_main_family_has_cases_of_several_states() -> None:
    files = Counter(run.case.family for run in {run.source: run for run in RUNS}.values())
    assert sorted(files) == sorted((*MAIN_FAMILIES, *OTHER_FAMILIES))
    for family in MAIN_FAMILIES:
        assert files[family] >= 5
        assert len({run.state for run in RUNS if run.case.family == family}) >= 4


def test_every_requirement_that_a_desk_can_try_is_promised_by_a_case() -> None:
    """A case that does not keep its promise fails, so with all runs passing each was put to the test."""
    promised = {name for run in RUNS for name in run.case.requirements}
    assert {rule.id for rule in REQUIREMENTS} - promised == NOT_AT_THE_DESK
