"""What a study proposes passes the bench; ``python -m tests.study.waters`` does every water and case."""

from __future__ import annotations

from pathlib import Path

from tests.study.waters.proof import NAMES, NURSERY, tried

FEW = ("flush-cut-by-stop", "tds-far-too-high-locks-out", "tank-fills-and-empties")
"""Cases that follow the setpoints."""


def test_the_proposal_for_a_bank_without_restrictors_passes_what_follows_its_setpoints(
    tmp_path: Path,
) -> None:
    outcome = tried("rain", tmp_path / "rain", wanted=FEW)
    assert outcome.wrong == ()
    assert outcome.runs == outcome.passed >= 6


def test_for_a_water_that_suits_no_membrane_nothing_is_proposed_and_the_limits_are_named(
    tmp_path: Path,
) -> None:
    outcome = tried("pit", tmp_path / "pit")
    assert outcome.wrong == ()
    assert outcome.runs == 0
    assert not (tmp_path / "pit" / "study" / "site").exists()


def test_there_are_six_waters_beside_the_nursery_and_one_that_suits_nobody() -> None:
    assert len(set(NAMES) - {NURSERY, "pit"}) == 6
