"""The bench that a test written in Python is lent."""

from __future__ import annotations

import pytest

from controller.unit.states import UnitState
from sim_plant.bench.approach import NotReachedError
from sim_plant.bench.evidence.exports import finding_text
from sim_plant.bench.evidence.summary import GRAVE
from sim_plant.bench.in_pytest.verdicts import requirement_properties
from sim_plant.bench.rig import Rig
from sim_plant.bench.runner import Workshop, not_exercised
from sim_plant.bench.targets import TargetError
from sim_plant.bench.verdicts import Finding
from sim_plant.site import Site


class Bench:
    """Lends rigs in prepared states and judges what was done with them.

    A rig is judged from its cold start on. Requirements that compare a run with one without its disturbance
    are not exercised here: that takes a case file.
    """

    def __init__(self, site: Site, workshop: Workshop, item: pytest.Item) -> None:
        self.site, self._workshop, self._item = site, workshop, item
        self._rig: Rig | None = None
        self._unit = 0
        self._judged_rows = 0

    def __call__(self, state: str, unit: int) -> Rig:
        """A rig with the unit in the state, as it has just been entered; the one lent before is judged.

        The test fails when the controller does not come there. ValueError for an unknown state or unit.
        """
        self.settle()
        if not 1 <= unit <= self.site.units:
            raise ValueError(f"unit = {unit}: must lie in 1 to {self.site.units}, the units of the site")
        wanted = UnitState(state)
        try:
            self._rig = self._workshop.prepared(unit, wanted)
        except (NotReachedError, TargetError) as error:
            pytest.fail(f"not carried out: {error}", pytrace=False)
        self._unit, self._judged_rows = unit, 0
        return self._rig

    def judge(self, *named: str) -> dict[str, Finding]:
        """Findings by requirement, of all that the rig has seen.

        The test fails when a requirement failed or stayed open, or when one that is ``named`` here was
        not put to the test.
        """
        if self._rig is None:
            raise ValueError("there is nothing to judge: no rig was lent")
        self._judged_rows = self._rig.recorder.rows
        findings = self._workshop.judge(self._rig.trace())
        self._item.user_properties += requirement_properties(findings)
        broken = [finding for finding in findings if finding.verdict in GRAVE]
        broken += not_exercised(named, self._unit, findings)
        if broken:
            pytest.fail("\n".join(map(finding_text, broken)), pytrace=False)
        return {finding.name: finding for finding in findings}

    def settle(self) -> None:
        """Judge what has been seen since the last judgement, if anything."""
        if self._rig is not None and self._rig.recorder.rows != self._judged_rows:
            self.judge()
