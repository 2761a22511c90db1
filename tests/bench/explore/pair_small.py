"""Small worlds of two units: what comes from a few places only, so that a search closes within seconds."""

from __future__ import annotations

from functools import cache

from controller.settings import Setpoints
from sim_plant.bench.explore.pair_search import PairOrder, PairSearch, search_pair

ONE_SLOT = PairOrder(Setpoints(), only=("demand",), slots=1)
TWO_SLOTS = PairOrder(Setpoints(), only=("demand",), slots=2)

ANY_ORDER = PairOrder(
    Setpoints(drain_capacity_m3h=5, resume_s=90), only=("demand", "queue", "old debt", "head start"), slots=1
)
"""One slot, as two units have it on so small a drain; the order of the queue is as it may be in full time.

A motor has rested when its unit may move again after power return: nothing blocks a call in full time.
"""


@cache
def explored(order: PairOrder) -> PairSearch:
    """A small world, explored."""
    return search_pair(order)
