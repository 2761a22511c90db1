"""Requirement monitors: each requirement of the control narrative, judged from a trace.

A monitor reads field signals, plant truth and the bench's marks, never the state that a target reports,
so it judges our firmware, a live PLC and a trace typed by hand alike. Limits come from the setpoints,
tolerances from ``tolerance``.
"""

from __future__ import annotations

from controller.settings import Setpoints
from sim_plant.bench.monitors import (
    feedwater,
    flushing,
    leaks,
    link,
    loops,
    people,
    power,
    pump,
    purging,
    quality,
    suction,
    tank,
)
from sim_plant.bench.monitors.observed import Context, Observed
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.trace import Trace
from sim_plant.bench.verdicts import Finding

__all__ = ["NOT_YET", "REQUIREMENTS", "Context", "Requirement", "judge_all"]

_MODULES = (feedwater, flushing, leaks, link, loops, people, power, pump, purging, quality, suction, tank)

REQUIREMENTS: tuple[Requirement, ...] = tuple(
    sorted((rule for module in _MODULES for rule in module.RULES), key=lambda rule: rule.id)
)

NOT_YET: dict[str, str] = {
    "SR-44": "needs the wall clock beside the trace; a trace carries monotonic time only",
    "SR-46": "the age of an image is not in the trace; quality is inside the target",
    "SR-47": "the heartbeat of the bank is inside the target and not in the trace",
    "SR-48": "compares two runs; a trace is one",
    "SR-55": "the cause of a stop is in the target's journal, not at the field",
    "SR-56": "a refused setpoint shows at the target's data port, not at the field",
    "SR-57": "acknowledging is no mark of the bench yet",
}


def judge_all(trace: Trace, setpoints: Setpoints, context: Context) -> list[Finding]:
    """One finding for each requirement, in the order of their numbers."""
    observed = Observed(trace, setpoints, context)
    return [requirement.judge_observed(observed) for requirement in REQUIREMENTS]
