"""The thread that owns a session: it lets time go, carries wishes out, and shows pictures.

Real time enters only here. The thread falls behind when it must and says so: it never tries to make up for
more than it can do.
"""

from __future__ import annotations

import contextlib
import json
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

from controller.files import InputError
from sim_plant.bench.rig import NotOfferedError
from sim_plant.bench.targets import TargetError
from sim_plant.desk.about import about_site, limits
from sim_plant.desk.casefile import case_file
from sim_plant.desk.picture import draw
from sim_plant.desk.session import Receipt, Session
from sim_plant.desk.source import Latest
from sim_plant.desk.wishes import (
    Back,
    Deed,
    Order,
    Pace,
    Pause,
    RefusedError,
    Save,
    Scans,
    Wish,
)

WISHES_MAX = 64
PICTURE_S = 0.1
SLICE_S = 0.05  # scans at a stretch; then wishes and pictures have their turn
MEASURE_S = 1.0
BEHIND_S = 0.5  # of real time; what lies further back is not made up for

Answer = dict[str, Any]
_Entry = tuple[Wish, "Future[Answer]"]


class Simulation:
    """Runs a session in a thread of its own; a ``Source``."""

    takes_wishes = True

    def __init__(
        self,
        session: Session,
        speed: float | None = 1.0,
        clock: Callable[[], float] = time.monotonic,
        paused: bool = False,
    ) -> None:
        """``speed`` None is as fast as it can."""
        self.latest = Latest()
        self._session, self._clock = session, clock
        self._about = about_site(session.site, session.seed)
        self._settings, self._settings_number = session.controller.setpoints, 0
        self._wishes: queue.Queue[_Entry] = queue.Queue(WISHES_MAX)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="simulation", daemon=True)
        self._speed, self._paused, self._broken, self._busy = speed, paused, "", ""
        self._due_s = 0.0  # real time of the next scan
        self._drawn_s, self._changed = 0.0, True
        self._measured = (0.0, 0)
        self._real = 0.0
        self._show()

    # --- from other threads ----------------------------------------------------------------------------

    def about(self) -> dict[str, Any]:
        """What does not change."""
        return self._about

    def history(self, unit: int, from_ms: int, to_ms: int, points: int) -> dict[str, Any]:
        """What trends are drawn from."""
        return self._session.history.read(unit, from_ms, to_ms, points)

    def ask(self, wish: Wish) -> Future[Answer]:
        """Hand a wish in; RefusedError when too many wait already."""
        future: Future[Answer] = Future()
        try:
            self._wishes.put_nowait((wish, future))
        except queue.Full:
            raise RefusedError("too much is asked for at once: try again in a moment") from None
        return future

    def start(self) -> None:
        """Let time go."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread and wait for it."""
        self._over.set()
        self._thread.join()

    # --- the thread ------------------------------------------------------------------------------------

    def _run(self) -> None:
        self._begin()
        while not self._over.is_set():
            self._take(self._wait_s())
            self._advance()
            now_s = self._clock()
            if self._changed and now_s - self._drawn_s >= PICTURE_S:
                self._measure(now_s)
                self._show()

    def _begin(self) -> None:
        """Time goes on from here."""
        self._due_s = self._clock()
        self._measured = (self._due_s, self._session.now_ms)

    def _wait_s(self) -> float:
        """How long nothing is due."""
        now_s = self._clock()
        until_picture_s = PICTURE_S - (now_s - self._drawn_s) if self._changed else PICTURE_S
        if self._still:
            return max(until_picture_s, 0.0)
        if self._speed is None:
            return 0.0
        return max(min(self._due_s - now_s, until_picture_s), 0.0)

    @property
    def _still(self) -> bool:
        return self._paused or bool(self._broken)

    def _take(self, wait_s: float) -> None:
        """Carry out the wishes that are there; wait so long for the first."""
        with contextlib.suppress(queue.Empty):
            self._grant(*self._wishes.get(timeout=wait_s) if wait_s > 0 else self._wishes.get_nowait())
            while True:
                self._grant(*self._wishes.get_nowait())

    def _advance(self) -> None:
        """The scans that are due, for a slice of real time at most."""
        if self._still:
            return
        end_s = self._clock() + SLICE_S
        period_s = 0.0 if self._speed is None else self._session.rig.scan_ms / 1000.0 / self._speed
        while not self._still:
            now_s = self._clock()
            if now_s >= end_s or (self._speed is not None and self._due_s > now_s):
                break
            self._scan()
            self._due_s = max(self._due_s + period_s, now_s - BEHIND_S)

    def _scan(self) -> None:
        self._changed = True
        try:
            self._session.scan()
        except (TargetError, ValueError) as error:
            self._broken = f"the run has stopped: {error}"

    # --- wishes ----------------------------------------------------------------------------------------

    def _grant(self, wish: Wish, future: Future[Answer]) -> None:
        if not future.set_running_or_notify_cancel():
            return  # whoever asked has gone
        self._changed = True
        try:
            self._carry_out(wish, future)
        except (RefusedError, InputError, NotOfferedError, TargetError) as error:
            future.set_exception(RefusedError(str(error)))
        except Exception as error:  # a defect here must not end the plant of whoever watches
            future.set_exception(RefusedError(f"this failed: {type(error).__name__}: {error}"))

    def _carry_out(self, wish: Wish, future: Future[Answer]) -> None:
        if isinstance(wish, Order):
            self._order(wish, future)
            return
        if isinstance(wish, Deed):
            receipt = self._session.do(wish)
            future.set_result({"ok": True, "text": receipt.text})
        elif isinstance(wish, Save):
            written = case_file(self._session, wish.unit, wish.title, wish.text)
            future.set_result({"ok": True, **written._asdict()})
        else:
            future.set_result({"ok": True, "text": self._set_time(wish)})

    def _order(self, order: Order, future: Future[Answer]) -> None:
        def settled(receipt: Receipt) -> None:
            if not future.done():
                future.set_result({"ok": receipt.ok, "text": f"{receipt.text}: {receipt.outcome}"})

        self._session.order(order, settled)
        if self._still and not future.done():
            future.set_result({"ok": True, "text": f"{order.words()}: waits for the next scan"})

    def _set_time(self, wish: Pace | Pause | Scans | Back) -> str:
        if isinstance(wish, Pace):
            self._speed = None if wish.speed == "max" else float(wish.speed)
            self._begin()
            return "as fast as it can" if self._speed is None else f"{self._speed:g} times real time"
        if isinstance(wish, Pause):
            self._paused = wish.on
            self._begin()
            return "time stands still" if wish.on else "time goes on"
        if isinstance(wish, Scans):
            self._paused = True
            for _ in range(wish.count):
                self._scan()
            return f"{wish.count} scan{'s' if wish.count > 1 else ''} done"
        self._busy = f"winding back to {wish.to_s:g} s"
        self._show()
        try:
            self._session.back(round(wish.to_s * 1000.0))
            self._broken = ""
        finally:
            self._busy, self._paused, self._changed = "", True, True
            self._begin()
        return f"wound back to {self._session.now_ms / 1000:g} s; time stands still"

    # --- pictures --------------------------------------------------------------------------------------

    def _measure(self, now_s: float) -> None:
        """Plant time per real time over the last second or so."""
        since_s, since_ms = self._measured
        if now_s - since_s >= MEASURE_S:
            self._real = (self._session.now_ms - since_ms) / 1000.0 / (now_s - since_s)
            self._measured = (now_s, self._session.now_ms)

    def _follow_settings(self) -> None:
        """A setpoint was changed, or changed back by going back: the facts are others now."""
        settings = self._session.controller.setpoints
        if settings is not self._settings and settings != self._settings:
            self._about = self._about | {"limits": limits(settings), "setpoints": settings.model_dump()}
            self._settings_number += 1
        self._settings = settings

    def _show(self) -> None:
        self._follow_settings()
        picture = draw(self._session)
        picture["settings"] = self._settings_number
        picture["pace"] = {
            "speed": "max" if self._speed is None else self._speed,
            "paused": self._paused,
            "real": round(self._real, 2),
        }
        picture["broken"], picture["busy"] = self._broken, self._busy
        self.latest.put(json.dumps(picture, separators=(",", ":"), allow_nan=False).encode())
        self._drawn_s, self._changed = self._clock(), False
