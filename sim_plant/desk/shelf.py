"""Copies of a run for going back: a bounded number, the older the further apart."""

from __future__ import annotations

from dataclasses import dataclass

from sim_plant.bench.rig import RigSnapshot
from sim_plant.desk.wishes import Deed

KEPT_MAX = 240


@dataclass(frozen=True)
class Kept:
    """A run at one moment, before its scan; ``coming`` are deeds that are put off, with when they are due."""

    t_ms: int
    rig: RigSnapshot
    coming: tuple[tuple[int, Deed], ...]
    states: tuple[int, ...]


class Shelf:
    """Copies in order of time; the first is never given up."""

    def __init__(self, most: int = KEPT_MAX) -> None:
        self._most = most
        self._kept: list[Kept] = []

    def __len__(self) -> int:
        return len(self._kept)

    def times_ms(self) -> list[int]:
        """The moments that are kept."""
        return [kept.t_ms for kept in self._kept]

    def add(self, kept: Kept) -> None:
        """Keep it; when there are too many, the one whose absence makes the smallest gap for its age goes."""
        self._kept.append(kept)
        if len(self._kept) <= self._most:
            return
        times = self.times_ms()
        now_ms = times[-1]

        def gap(place: int) -> float:
            return (times[place + 1] - times[place - 1]) / (now_ms - times[place])

        del self._kept[min(range(1, len(times) - 1), key=gap)]

    def before(self, t_ms: int) -> Kept:
        """The last copy from before that moment; copies from then on are forgotten."""
        while len(self._kept) > 1 and self._kept[-1].t_ms >= t_ms:
            self._kept.pop()
        return self._kept[-1]
