"""Requirement monitors: each requirement of the control narrative, judged from a trace.

A monitor reads field signals, plant truth and the bench's marks, never the state that a target reports,
so it judges our firmware, a live PLC and a trace typed by hand alike. Two requirements on the target's data
port (``dataport``) read what that port answered, and say nothing of a target without one. Limits come from
the setpoints, tolerances from ``tolerance``.
"""

from __future__ import annotations

from controller.settings import Setpoints
from sim_plant.bench.monitors import (
    comparing,
    dataport,
    feedwater,
    flushing,
    images,
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

__all__ = ["REQUIREMENTS", "Context", "Requirement", "judge_all"]

_MODULES = (
    comparing,
    dataport,
    feedwater,
    flushing,
    images,
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

REQUIREMENTS: tuple[Requirement, ...] = tuple(
    sorted((rule for module in _MODULES for rule in module.RULES), key=lambda rule: rule.id)
)


def judge_all(trace: Trace, setpoints: Setpoints, context: Context) -> list[Finding]:
    """One finding for each requirement, in the order of their numbers."""
    observed = Observed(trace, setpoints, context)
    return [requirement.judge_observed(observed) for requirement in REQUIREMENTS]
