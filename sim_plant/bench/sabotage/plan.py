"""Every change there is, derived from the tables, and a sample of them."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from functools import cache

from sim_plant.bench.sabotage import matrix, memory, rules, steps, timers
from sim_plant.bench.sabotage.change import Change

KINDS = {
    "move": "a move dropped, led elsewhere or made in a weaker trip class",
    "answer": "an event that the matrix blocks, remembers or refuses",
    "also": "a remembered target that the machine refuses",
    "rule": "a protection of a unit taken out",
    "shared": "a shared cause taken out",
    "clear": "a reset that does not wait",
    "global": "a rule above all states taken out",
    "guard": "a step taken to be complete at once",
    "output": "an output dropped, or driven where it is off",
    "retained": "a retained field lost",
    "alarm": "an alarm that never comes",
    "timer": "a timer moved",
}
"""Kinds of change in words, in the order of the report."""


@cache
def all_changes() -> dict[str, Change]:
    """By id, in the order of the tables. Ids are distinct, and so are the changes."""
    parts = (matrix, rules, steps, memory, timers)
    found = [change for part in parts for change in part.changes()]
    named = {change.id: change for change in found}
    if len(named) != len(found):
        raise ValueError("two changes have one id")
    return named


def sampled(changes: Sequence[Change], one_in: int, seed: int) -> list[Change]:
    """One change in so many of every kind, drawn by the seed and by nothing else, in their order."""
    drawn: set[str] = set()
    for kind in {change.kind for change in changes}:
        ids = [change.id for change in changes if change.kind == kind]
        lots = sorted(ids, key=lambda one: hashlib.sha256(f"{seed}/{one}".encode()).hexdigest())
        drawn.update(lots[: math.ceil(len(ids) / one_in)])
    return [change for change in changes if change.id in drawn]
