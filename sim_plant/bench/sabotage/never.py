"""Why no run can touch an entry, where the program itself can tell; of all others nothing is said."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import controller
from controller.settings import Setpoints
from controller.unit import states, table
from controller.unit.protections import RULES, Rule
from controller.unit.states import Event
from sim_plant.bench.sabotage.change import Change
from sim_plant.bench.sabotage.rules import raised


def why_never(change: Change, setpoints: Setpoints) -> str:
    """The reason, "" when there is none that is known."""
    if change.kind in ("move", "answer", "also"):
        event = change.entry.split("/")[1]
        return "" if event in _named() else f"no line of the logic raises {event}"
    if change.kind == "rule":
        (rule,) = (rule for place, rule in enumerate(RULES) if raised("unit", place) == change.touch)
        return _missing(rule, setpoints)
    if change.kind == "timer" and change.entry not in _named():
        missing = [_missing(rule, setpoints) for rule in RULES if rule.delay == change.entry]
        return missing[0] if missing and all(missing) else ""
    return ""


def _missing(rule: Rule, setpoints: Setpoints) -> str:
    """Says that the instrument of a rule is not fitted; "" when it is."""
    if not rule.only_with or getattr(setpoints, rule.only_with):
        return ""
    return f"{rule.only_with} = 0: what the rule looks at is not fitted here"


@cache
def _named() -> frozenset[str]:
    """Every attribute that the firmware names, but for the two files that list all events."""
    lists = {Path(states.__file__), Path(table.__file__)}
    assert controller.__file__ is not None
    named: set[str] = set()
    for path in Path(controller.__file__).parent.rglob("*.py"):
        if path not in lists:
            nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            named.update(node.attr for node in nodes if isinstance(node, ast.Attribute))
    return frozenset(named)


assert {Event.LOW_SUCTION.name, Event.DONE.name} <= _named()
