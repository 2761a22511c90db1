"""A stored record where the simulation stands otherwise: wishes are about time only."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from importlib.metadata import version
from typing import Any

from sim_plant.desk.about import about_record
from sim_plant.desk.picture import PICTURE_VERSION
from sim_plant.desk.recording import Recording
from sim_plant.desk.source import Latest
from sim_plant.desk.wishes import SPEED_MOST, Back, Deed, Order, Pace, Pause, RefusedError, Save, Scans, Wish

PICTURE_S = 0.1
Answer = dict[str, Any]


class Replay:
    """Shows a record; a ``Source``."""

    takes_wishes = False

    def __init__(
        self,
        recording: Recording,
        speed: float | None = 1.0,
        clock: Callable[[], float] = time.monotonic,
        paused: bool = True,
    ) -> None:
        """``speed`` None is as fast as a record goes."""
        self.latest = Latest()
        self._recording, self._clock = recording, clock
        self._about = about_record(recording, version("skidproof"))
        self._lock = threading.Lock()  # what is wished for is done by the thread of whoever asks
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="replay", daemon=True)
        self._speed, self._paused, self._row = speed, paused, 0
        self._begin()
        self._show()

    def about(self) -> dict[str, Any]:
        """What does not change."""
        return self._about

    def history(self, unit: int, from_ms: int, to_ms: int, points: int) -> dict[str, Any]:
        """What trends are drawn from."""
        return self._recording.history(unit, from_ms, to_ms, points)

    def ask(self, wish: Wish) -> Future[Answer]:
        """Time is let go, held or moved at once; RefusedError for everything else."""
        if isinstance(wish, Order | Deed | Save):
            raise RefusedError(
                "this is the record of a run that is over: nothing can be commanded or broken in it"
            )
        future: Future[Answer] = Future()
        with self._lock:
            self._move()
            text = self._set_time(wish)
            self._begin()
            self._show()
        future.set_result({"ok": True, "text": text})
        return future

    def start(self) -> None:
        """Let time go."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread and wait for it."""
        self._over.set()
        self._thread.join()

    @property
    def last_s(self) -> float:
        """Where the record ends."""
        return self._recording.last_ms / 1000.0

    def go_to(self, to_s: float) -> None:
        """Stand at that moment; RefusedError when it is not in the record."""
        self.ask(Back(kind="back", to_s=to_s))

    def go_on(self) -> None:
        """Show what is due now, if it is another moment than before."""
        with self._lock:
            if self._move():
                self._show()

    def _run(self) -> None:
        while not self._over.wait(PICTURE_S):
            self.go_on()

    def _begin(self) -> None:
        """Time goes on from here."""
        self._from_s, self._from_ms = self._clock(), int(self._recording.trace.t_ms[self._row])

    @property
    def _factor(self) -> float:
        return SPEED_MOST if self._speed is None else self._speed

    def _move(self) -> bool:
        """To the scan that is due; at the last one time stands still."""
        if self._paused:
            return False
        before = self._row
        due_ms = self._from_ms + (self._clock() - self._from_s) * 1000.0 * self._factor
        self._row = self._recording.row_at(due_ms)
        self._paused = self._row == len(self._recording.trace.t_ms) - 1
        return self._paused or self._row != before

    def _set_time(self, wish: Pace | Pause | Scans | Back) -> str:
        if isinstance(wish, Pace):
            self._speed = None if wish.speed == "max" else float(wish.speed)
            return f"{self._factor:g} times real time"
        last = len(self._recording.trace.t_ms) - 1
        if isinstance(wish, Pause):
            if not wish.on and self._row == last:
                raise RefusedError("the record ends here: go to an earlier moment")
            self._paused = wish.on
            return "time stands still" if wish.on else "time goes on"
        if isinstance(wish, Scans):
            if self._row == last:
                raise RefusedError("the record ends here: go to an earlier moment")
            done = min(wish.count, last - self._row)
            self._row, self._paused = self._row + done, True
            return f"{done} scan{'s' if done > 1 else ''} on"
        self._row, self._paused = self._row_of(wish.to_s), True
        return f"at {self._recording.trace.t_ms[self._row] / 1000:g} s; time stands still"

    def _row_of(self, to_s: float) -> int:
        first_s, last_s = self._recording.first_ms / 1000.0, self._recording.last_ms / 1000.0
        if not first_s <= to_s <= last_s:
            raise RefusedError(f"{to_s:g} s is not in the record: it goes from {first_s:g} s to {last_s:g} s")
        return self._recording.row_at(round(to_s * 1000.0))

    def _show(self) -> None:
        picture = {
            "version": PICTURE_VERSION,
            **self._recording.draw(self._row),
            "settings": 0,
            "pace": {
                "speed": "max" if self._speed is None else self._speed,
                "paused": self._paused,
                "real": self._factor,
            },
            "broken": "",
            "busy": "",
        }
        self.latest.put(json.dumps(picture, separators=(",", ":"), allow_nan=False).encode())
