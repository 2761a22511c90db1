"""One line that says how the plant stands and who is at it."""

from __future__ import annotations

from collections.abc import Sequence

from sim_plant.serve.links import Served
from sim_plant.serve.loop import PlantLoop, Seen
from sim_plant.serve.remote_io import RemoteIo

LEGEND = "units: F feed valve open, X flush valve open, P pump runs, - not"
_NAMED = 4  # so many writers or lost devices are named


class Status:
    """Makes the line; the rate of requests is the one since it was last made."""

    def __init__(self, loop: PlantLoop, io: RemoteIo, served: Sequence[Served]) -> None:
        self._loop, self._io, self._served = loop, io, served
        self._last = (0, 0.0)

    def line(self, now_s: float) -> str:
        """As of now, a moment of a monotonic clock."""
        parts = [
            plant_words(self._loop.seen),
            self._writers(),
            f"{self._requests_per_s(now_s):.0f} requests/s",
            f"{self._loop.overruns} overruns, p99 {self._loop.late_p99_ms():.1f} ms late",
        ]
        if self._loop.left_out_ms:
            parts.append(
                f"{self._loop.left_out_ms / 1000:.1f} s LEFT OUT: simulated time is behind the clock"
            )
        failures = [one.server.counts.last_failure for one in self._served if one.server.counts.last_failure]
        return " | ".join([*parts, *failures])

    def _requests_per_s(self, now_s: float) -> float:
        requests = sum(one.server.counts.requests for one in self._served)
        (before, then_s), self._last = self._last, (requests, now_s)
        return (requests - before) / (now_s - then_s) if now_s > then_s > 0.0 else 0.0

    def _writers(self) -> str:
        """Who writes; which devices nobody writes to, when there are others to which somebody does."""
        devices = [device.name for device in self._io.wiring.devices]
        found = dict.fromkeys(writer for name in devices if (writer := self._io.writer(name)))
        if not found:
            return "nobody writes"
        peers = [w.peer if w.owner is None else f"{w.peer} as owner {w.owner}" for w in found]
        lost = self._io.lost_devices()
        return f"written by {_some(peers)}" + (f", not to {_some(lost)}" if lost else "")


def plant_words(seen: Seen) -> str:
    """Simulated time, header, tank, and each unit by its number: "1 F-P"; LEGEND explains it."""
    minutes, seconds = divmod(seen.t_ms // 1000, 60)
    clock = f"{minutes // 60:02}:{minutes % 60:02}:{seconds:02}"
    signs = " ".join(
        f"{number} " + "".join(sign if on else "-" for sign, on in zip("FXP", unit, strict=True))
        for number, unit in enumerate(seen.units, 1)
    )
    return f"{clock} header {seen.header_bar:.2f} bar, tank {seen.tank_pct:.1f} %, {signs}"


def _some(names: Sequence[str]) -> str:
    more = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")
