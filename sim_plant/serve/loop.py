"""The plant in real time: one step of physics at each absolute moment, in exchange with its I/O.

A moment that has passed before the loop came to it is an overrun. The plant is then stepped once for each of
them, so that simulated time keeps up with the wall clock; but no more than ``CATCH_UP_MS`` at once, since
what is driven and what is shown stand still in the meantime. What lies beyond is left out and counted.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from controller.signals import Outputs
from sim_plant.plant import Plant
from sim_plant.serve.remote_io import RemoteIo
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

CATCH_UP_MS = 1_000
_LATENESS_KEPT = 1_000  # moments
_HEADER, _TANK = BANK_TRUTH.index("header_bar"), BANK_TRUTH.index("tank_pct")
_FEED, _FLUSH, _PUMP = (
    UNIT_TRUTH.index(name) for name in ("feed_valve_open", "flush_valve_open", "pump_closed")
)


class UnitSeen(NamedTuple):
    """What a person would see at a skid."""

    feed_open: bool
    flush_open: bool
    pump_runs: bool


class Seen(NamedTuple):
    """What a person would see at the plant, as of the last step."""

    t_ms: int
    header_bar: float
    tank_pct: float
    units: tuple[UnitSeen, ...]


class PlantLoop:
    """Steps a plant and exchanges images with its I/O. ``run`` belongs to one thread; others may read.

    The first input image is there before ``run``. ``now_ns`` is monotonic.
    """

    def __init__(
        self,
        plant: Plant,
        io: RemoteIo,
        scan_ms: int,
        now_ns: Callable[[], int] = time.monotonic_ns,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.overruns = 0  # moments that were skipped
        self.left_out_ms = 0  # simulated time that could not be made up for
        self.late_ns: deque[int] = deque(maxlen=_LATENESS_KEPT)  # of the last moments
        self._plant, self._io, self._scan_ms = plant, io, scan_ms
        self._now_ns, self._sleep = now_ns, sleep
        self._steps = 0
        io.publish(plant.inputs())
        self.seen = self._look()

    def run(self, go_on: Callable[[], bool]) -> None:
        """Step while ``go_on`` holds, the first time one scan from now; raises what the plant raises."""
        period_ns = self._scan_ms * 1_000_000
        next_ns = self._now_ns() + period_ns
        while go_on():
            self._sleep(max(next_ns - self._now_ns(), 0) / 1e9)
            late_ns = max(self._now_ns() - next_ns, 0)
            moments = 1 + late_ns // period_ns
            self.late_ns.append(late_ns)
            self._advance(moments)
            next_ns += moments * period_ns

    def late_p99_ms(self) -> float:
        """Lateness of the last moments that all but one in a hundred stay below; 0.0 before the first."""
        late = sorted(self.late_ns.copy())
        return late[len(late) * 99 // 100] / 1e6 if late else 0.0

    def _advance(self, moments: int) -> None:
        steps = min(moments, max(CATCH_UP_MS // self._scan_ms, 1))
        self.overruns += moments - 1
        self.left_out_ms += (moments - steps) * self._scan_ms
        outputs: Outputs = self._io.drive()
        for _ in range(steps):
            self._plant.step(outputs, self._scan_ms)
        self._steps += steps
        self._io.publish(self._plant.inputs())
        self.seen = self._look()

    def _look(self) -> Seen:
        bank = self._plant.bank_truth
        units = tuple(
            UnitSeen(unit[_FEED] > 0.5, unit[_FLUSH] > 0.5, unit[_PUMP] > 0.5)
            for unit in self._plant.unit_truth.tolist()
        )
        return Seen(self._steps * self._scan_ms, float(bank[_HEADER]), float(bank[_TANK]), units)
