"""Evidence counts only for what it was made of."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from paper_samples import DIP, evidence, nursery, passed, taken

from controller.files import InputError
from sim_plant.bench.cases import load_cases
from sim_plant.papers.book import numbers


def test_evidence_of_this_site_counts(tmp_path: Path) -> None:
    site = nursery()
    run = next(run for run in load_cases(site) if DIP in run.source)
    found = taken(evidence(tmp_path / "e", site, [passed(run)]), site)
    assert (found.refused, found.passed_over) == ((), ())
    assert [result.run_id for result in found.results] == [run.run_id]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"site": "other"}, "made for the site other"),
        ({"version": "0.0.1"}, "made with version 0.0.1"),
        ({"target": "mine:Controller"}, "made with mine:Controller"),
        ({"settings": {**numbers(nursery().setpoints), "purge_s": 21.0}}, "purge_s = 21, not 20"),
        ({"plant": {}}, "other values of the simulated plant"),
    ],
)
def test_evidence_of_something_else_is_refused(
    tmp_path: Path, changed: dict[str, object], words: str
) -> None:
    site = nursery()
    run = load_cases(site)[0]
    found = taken(evidence(tmp_path / "e", site, [passed(run)], **changed), site)
    assert found.results == ()
    assert words in found.refused[0]


def test_a_run_of_a_case_that_was_changed_is_passed_over(tmp_path: Path) -> None:
    site = nursery()
    run = load_cases(site)[0]
    old, gone = replace(passed(run), case="As it was"), replace(passed(run), run_id="gone")
    found = taken(evidence(tmp_path / "e", site, [old, gone]), site)
    assert found.results == ()
    assert [line.split(": ")[1] for line in found.passed_over] == [
        "the case was changed since",
        "the site has no such case now",
    ]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": "skidproof run 1"}'])
def test_what_is_no_evidence_is_refused_with_a_line(tmp_path: Path, text: str) -> None:
    (tmp_path / "run.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"run\.json"):
        taken(tmp_path, nursery())
