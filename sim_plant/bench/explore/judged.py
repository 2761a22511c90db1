"""The edges of a memory as they are judged, once for all states that have them and are remembered alike.

States of one memory differ in what the observer remembers, and many memories have the same scenes, outputs
and states entered. So the edges of a memory are a ``Pattern``, and what becomes of a pattern for what is
remembered is worked out once.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.signals import UnitOutputs
from controller.unit.states import UnitState
from sim_plant.bench.explore.base import Passed, Scene
from sim_plant.bench.explore.edge import Edge, Limits, Seen
from sim_plant.bench.explore.given import Given
from sim_plant.bench.explore.observer import look, pass_time
from sim_plant.bench.explore.required import REQUIRED, Broken, broken


class Like(NamedTuple):
    """Scenes that an observer cannot tell apart and that lead from a memory to the same."""

    scene: Scene  # the first of them
    given: Given
    out: UnitOutputs
    entered: UnitState
    goes_on: bool  # the pump would be driven if all were well, and quality alone is not
    times: int


class Judged(NamedTuple):
    """What becomes of a pattern's edges: what is remembered after each, and what it breaks."""

    seen: list[bytes]
    broken: list[list[Broken]]
    counted: list[int]  # how often each requirement applied


class Pattern:
    """All edges out of a memory but for the memories that they lead to."""

    def __init__(self, state: UnitState, was: UnitOutputs, likes: tuple[Like, ...], limits: Limits) -> None:
        self.likes = likes
        self._state, self._was, self._limits = state, was, limits
        self._judged: dict[Seen, Judged] = {}

    def __len__(self) -> int:
        return len(self._judged)

    def judged(self, seen: Seen) -> Judged:
        """Every edge, when this is remembered."""
        found = self._judged.get(seen)
        if found is None:
            found = self._judged[seen] = self._judge(seen)
        return found

    def _judge(self, seen: Seen) -> Judged:
        at = [pass_time(seen, self._was, self._state, passed, self._limits) for passed in Passed]
        found = Judged([], [], [0] * len(REQUIRED))
        for like in self.likes:
            e = edge_of(self._state, self._was, at[like.scene.passed], like, self._limits)
            found.seen.append(bytes(look(e)))
            found.broken.append(broken(e, found.counted, like.times))
        return found


def edge_of(state: UnitState, was: UnitOutputs, seen: Seen, like: Like, limits: Limits) -> Edge:
    """One scan as it is judged; ``seen`` is remembered when it begins."""
    return Edge(was, state, like.given, like.out, like.entered, seen, limits, like.goes_on)
