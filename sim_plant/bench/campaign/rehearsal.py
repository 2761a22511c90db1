"""How long a campaign on a live controller will take, reckoned before it begins.

Our firmware plays every state through at the desk, in simulated time and from rest to rest, as the live
controller will do it in real time. A controller with the same setpoints takes about as long.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from controller.unit.states import UnitState
from sim_plant.bench.approach import LIMIT_S, NotReachedError
from sim_plant.bench.campaign.cells import Cell, Lasts, why_over
from sim_plant.bench.live.workshop import LiveWorkshop, come_to_rest
from sim_plant.bench.rig import Rig, RigSnapshot
from sim_plant.bench.targets import DeskTarget
from sim_plant.site import Site

Start = tuple[int, UnitState]
"""A unit and the state in which it is struck."""


@dataclass(frozen=True)
class Rehearsal:
    """Seconds of the way from rest into each state and back to rest, and how long the short ones last."""

    ways_s: Mapping[Start, float]
    lasts_s: Lasts
    for_s: float

    def expected_s(self, cell: Cell) -> float:
        """From rest to rest; nothing for a cell whose state is over before its moment."""
        if why_over(cell, self.lasts_s):
            return 0.0
        return self.ways_s[cell.unit, cell.state] + cell.moment_s + self.for_s


def rehearse(site: Site, seed: int, cells: Iterable[Cell], for_s: float) -> Rehearsal:
    """Play each state through once, undisturbed, up to the latest moment of its cells.

    Where our firmware does not come into the state, or to rest again, the way counts as long as the bench
    would wait.
    """
    latest_s: dict[Start, float] = {}
    for cell in cells:
        start = cell.unit, cell.state
        latest_s[start] = max(cell.moment_s, latest_s.get(start, 0.0))
    shop = _Remembering(site, _firmware(site), seed)
    ways_s: dict[Start, float] = {}
    lasts_s: dict[Start, float] = {}
    for start, moment_s in latest_s.items():
        try:
            ways_s[start], left_s = _play(shop, start, moment_s, for_s)
        except NotReachedError:
            ways_s[start], left_s = LIMIT_S, None
        if left_s is not None:
            lasts_s[start] = left_s
    return Rehearsal(ways_s, lasts_s, for_s)


def _play(shop: LiveWorkshop, start: Start, moment_s: float, for_s: float) -> tuple[float, float | None]:
    """The way there and back, and how long the state lasted where it was over before the moment."""
    unit, state = start
    rig = shop.prepared(unit, state)
    entered_ms = rig.now_ms
    way_there_s = _since_rest_s(rig)
    left = rig.run_until(lambda: rig.state_of(unit) != state.value, moment_s)
    lasted_s = (rig.now_ms - entered_ms) / 1000.0
    rig.run_for(moment_s + for_s - lasted_s)
    ended_ms = rig.now_ms
    rig.plant = shop.new_plant()
    come_to_rest(rig, shop.site.setpoints)
    way_back_s = (rig.now_ms - ended_ms) / 1000.0 - _since_rest_s(rig)
    return way_there_s + way_back_s, lasted_s if left else None


def _since_rest_s(rig: Rig) -> float:
    """A record begins when the bank has come to rest."""
    return (rig.now_ms - int(rig.trace().t_ms[0])) / 1000.0


def _firmware(site: Site) -> DeskTarget:
    return DeskTarget(site.units, site.setpoints)


class _Remembering(LiveWorkshop):
    """Goes the way into each state once, since a controller at the desk can be copied there.

    The clock of a new rig begins at nought, and the firmware's may not go back: it is a new one, too.
    """

    def __init__(self, site: Site, target: DeskTarget, seed: int) -> None:
        super().__init__(site, target, seed)
        self._reached: dict[Start, RigSnapshot] = {}

    def _new_rig(self) -> Rig:
        self._target = _firmware(self._site)
        return super()._new_rig()

    def prepared(self, unit: int, state: UnitState) -> Rig:
        """The rig with the unit in the state, as it has just been entered."""
        if (unit, state) not in self._reached:
            super().prepared(unit, state)
            self._reached[unit, state] = self._rig.snapshot()
        self._rig.restore(self._reached[unit, state])
        return self._rig
