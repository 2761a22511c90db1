"""Why a campaign of faults does not put some requirements to the test, and which cases do."""

from __future__ import annotations

from collections.abc import Iterable

from sim_plant.bench.cases import Run

CHANCE = "none of these cells brought its trigger about"

REASONS = {
    "SR-03": "the start after a flush that was cut comes later than these cells end",
    "SR-07": "the start after a low suction comes later than these cells end",
    "SR-13": "starts that come too often need more than an hour",
    "SR-25": "no line of the catalogue leaves a loop between sound and broken",
    "SR-27": "the tank does not fill up within these cells",
    "SR-43": "the program would have to be stopped, which only a target in a process of its own allows",
    "SR-44": "a step of the wall clock is not the plant's",
    "SR-45": "the link must be lost and come back, and a fault of a campaign stays",
    "SR-47": "the heartbeat of the bank stops between plant and controller, not in the plant",
    "SR-48": "it compares a run with the same run undisturbed, which cells are not judged by",
    "SR-49": "it needs somebody who commands a unit in maintenance",
    "SR-56": "it needs somebody who writes setpoints",
    "SR-57": "it needs somebody who acknowledges alarms",
    "SR-58": "it needs a contact or a command that chatters",
}
"""For requirements whose trigger faults of the plant hardly bring about. Whoever triggers one needs none."""
LIVE_REASONS = {"SR-55": "the bench does not read the journal of a live controller"}


def why_idle(requirement: str, runs: Iterable[Run], live: bool = False) -> str:
    """The reason in words, for a requirement that no cell put to the test, and the site's cases that do."""
    reasons = {**REASONS, **LIVE_REASONS} if live else REASONS
    files = sorted({run.source for run in runs if requirement in run.case.requirements})
    told = f"; put to the test by {', '.join(files)}" if files else "; no case of the site names it either"
    return reasons.get(requirement, CHANCE) + told
