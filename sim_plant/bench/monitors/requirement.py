"""What a requirement is: words for the reader, and a check on what was observed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from controller.settings import Setpoints
from sim_plant.bench.monitors.observed import Context, Observed
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.trace import Trace
from sim_plant.bench.verdicts import Finding


@dataclass(frozen=True)
class Requirement:
    """One requirement of the control narrative, judged from a trace alone.

    ``statement`` may name setpoints in braces; ``text`` fills them in. ``kind`` is "invariant",
    "response" or "sequence"; ``hazard`` says in words what it guards against; ``setpoints`` names
    every setpoint that its limits depend on.
    """

    id: str
    statement: str
    kind: str
    hazard: tuple[str, ...]
    setpoints: tuple[str, ...]
    check: Callable[[Observed], Tally]

    def judge(self, trace: Trace, setpoints: Setpoints, context: Context) -> Finding:
        """The finding for one trace."""
        return self.judge_observed(Observed(trace, setpoints, context))

    def judge_observed(self, observed: Observed) -> Finding:
        """As ``judge``, on a trace that is already opened; saves work when many requirements follow."""
        return self.check(observed).finding(self.id, observed.context.since_ms)

    def text(self, setpoints: Setpoints) -> str:
        """The statement with the values of these setpoints."""
        return self.statement.format(**setpoints.model_dump())
