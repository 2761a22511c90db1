"""The real-time loop: the one place that has a clock.

A thread scans at absolute moments of the monotonic clock. A scan that ends after its next moment is an
overrun: the moments that have passed are skipped and counted, never caught up with. The main thread only
watches: signals, a scan that does not come back, the status line. If the loop stops, the watchdog pulse stops
with it, because it is one of the firmware's outputs.

Whatever ends the loop (a signal, a crash, a driver that fails), the safe image is the last one driven.

Wall time is for records. Once a second it is compared with the monotonic clock; a step is journalled (E38)
and changes nothing else.
"""

from __future__ import annotations

import contextlib
import gc
import queue
import signal
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from typing import Protocol

from controller.drivers.base import Driver
from controller.firmware import Controller
from controller.notify import Notifier
from controller.parts.journal import Entry
from controller.signals import Command, safe_outputs

CLOCK_STEP_S = 2.0
STALL_S = 1.0  # a scan that has not come back for so long is told while it hangs
OVERRUN_EVERY_S = 10.0  # one journal line at most in this time, with the number of periods missed
STATUS_S = 10.0
STOP_S = 2.0  # the loop has so long to end by itself; the I/O falls back after as long
WATCH_S = 0.2
SWITCH_S = 0.000_5  # a scan waits so long at most for a thread that computes; Python's own value is 5 ms
_TEXT_MAX = 8_000  # of a traceback

STOPPED, CRASHED = 0, 1
"""Exit codes."""


class Clock:
    """The clocks of the machine."""

    def now_ns(self) -> int:
        """Monotonic time."""
        return time.monotonic_ns()

    def wall_ns(self) -> int:
        """Wall time since 1970, UTC."""
        return time.time_ns()

    def sleep_until(self, moment_ns: int) -> None:
        """Sleep until that moment of the monotonic clock; not at all when it has passed."""
        rest_ns = moment_ns - self.now_ns()
        if rest_ns > 0:
            time.sleep(rest_ns / 1e9)


class Records(Protocol):
    """Where journal lines go; ``controller.journal.Journal`` is one."""

    def add(self, entry: Entry, wall_ns: int) -> None:
        """Take one line; never waits."""


class Keeping(Protocol):
    """Where the retained text goes; ``controller.store.Keeper`` is one."""

    def offer(self, text: str) -> None:
        """Take the text of this scan; never waits."""


class Onlooker(Protocol):
    """Somebody who sees each scan and may give commands; ``controller.panel.service.Panel`` is one.

    Both are called by the scanning thread, right before and right after a scan; neither may wait.
    """

    def commands(self, now_ms: int) -> tuple[Command, ...]:
        """Commands for the scan that comes now."""

    def scanned(self, now_ms: int) -> None:
        """The scan is over; until the next one the firmware may be looked at."""


class WallWatch:
    """Finds steps of the wall clock against the monotonic one."""

    def __init__(self) -> None:
        self._looked_ns: int | None = None
        self._offset_ns = 0

    def step_s(self, now_ns: int, wall_ns: int) -> float:
        """Looks once a second; seconds that the wall clock has stepped since, 0.0 when it has not."""
        first = self._looked_ns is None
        if self._looked_ns is not None and now_ns - self._looked_ns < 1_000_000_000:
            return 0.0
        step_s = (wall_ns - now_ns - self._offset_ns) / 1e9
        self._looked_ns, self._offset_ns = now_ns, wall_ns - now_ns
        return 0.0 if first or abs(step_s) <= CLOCK_STEP_S else step_s


class Loop:
    """Scans until it is told to stop. ``run`` belongs to one thread, ``watch`` and ``status`` to another."""

    def __init__(
        self,
        controller: Controller,
        driver: Driver,
        records: Records,
        keeping: Keeping,
        notifier: Notifier,
        scan_ms: int,
        clock: Clock | None = None,
    ) -> None:
        self.scans = 0
        self.overruns = 0  # periods without a scan
        self.late_ns: deque[int] = deque(maxlen=6_000)  # lateness of the last scans' beginnings
        self.clock = clock or Clock()
        self.onlooker: Onlooker | None = None
        self._controller, self._driver = controller, driver
        self._records, self._keeping, self._notifier = records, keeping, notifier
        self._period_ns = scan_ms * 1_000_000
        self._safe = safe_outputs(controller.n_units)
        self._wall = WallWatch()
        self._asked: queue.SimpleQueue[tuple[Future[None], Callable[[int], None]]] = queue.SimpleQueue()
        self._began_ns = self.clock.now_ns()  # of the scan in progress, or of the last one
        self._over = False  # the safe image has been driven, for good
        self._stalled = False
        self._told_overruns = 0
        self._told_ns = -round(OVERRUN_EVERY_S * 1e9)

    # --- the scanning thread ---------------------------------------------------------------------------

    def run(self, go_on: Callable[[], bool]) -> None:
        """Scan while ``go_on`` holds; raises what the driver or the firmware raises."""
        deadline_ns = self.clock.now_ns()
        while go_on():
            begin_ns = self.clock.now_ns()
            self._began_ns = begin_ns
            self.late_ns.append(begin_ns - deadline_ns)
            self._scan()
            deadline_ns = self._next(deadline_ns)
            self.clock.sleep_until(deadline_ns)

    def _scan(self) -> None:
        inputs = self._driver.read()
        now_ns = self.clock.now_ns()  # after the read, so that a slow one does not put time back
        now_ms = now_ns // 1_000_000
        self._do_what_was_asked(now_ms)
        if self.onlooker is not None:
            inputs = inputs._replace(commands=inputs.commands + self.onlooker.commands(now_ms))
        outputs = self._controller.scan(inputs, now_ms)
        # a scan that hung comes back after the program gave it up: it must not undo the safe image
        self._driver.write(self._safe if self._over else outputs)
        wall_ns = self.clock.wall_ns()
        for entry in self._controller.take_events():
            self._records.add(entry, wall_ns)
        self._keeping.offer(self._controller.retained())
        if self.onlooker is not None:
            self.onlooker.scanned(now_ms)
        self._look_at_the_wall(now_ns, wall_ns)
        if self.scans == 0:
            self._notifier.send("READY=1")
        self.scans += 1
        self._notifier.alive(now_ns)

    def _do_what_was_asked(self, now_ms: int) -> None:
        """One thing at most, so that a scan stays short."""
        try:
            future, act = self._asked.get_nowait()
        except queue.Empty:
            return
        if not future.set_running_or_notify_cancel():
            return
        try:
            act(now_ms)
        except Exception as error:  # belongs to the thread that asked
            future.set_exception(error)
        else:
            future.set_result(None)

    def _next(self, deadline_ns: int) -> int:
        """The next moment to scan at; those that have passed are skipped and counted."""
        now_ns = self.clock.now_ns()
        missed = max(0, (now_ns - deadline_ns) // self._period_ns)
        if missed:
            self.overruns += missed
        new = self.overruns - self._told_overruns
        if new and now_ns - self._told_ns >= OVERRUN_EVERY_S * 1e9:
            self.record("overrun", f"{new} scans skipped, {self.overruns} since the start")
            self._told_overruns, self._told_ns = self.overruns, now_ns
        return deadline_ns + (missed + 1) * self._period_ns

    def _look_at_the_wall(self, now_ns: int, wall_ns: int) -> None:
        step_s = self._wall.step_s(now_ns, wall_ns)
        if step_s:
            self.record("clock", f"E38 wall clock stepped by {step_s:+.1f} s; no timer uses it")

    def make_safe(self) -> bool:
        """Drive the safe image for good; False, with a line in the journal, when the driver fails."""
        self._over = True
        try:
            self._driver.write(self._safe)
        except Exception:  # whatever the driver raises, the program is ending and must say so
            self.record("crash", "the safe image could not be driven: " + traceback.format_exc()[-_TEXT_MAX:])
            return False
        return True

    # --- any thread --------------------------------------------------------------------------------------

    def record(self, kind: str, text: str) -> None:
        """One journal line of the program's own."""
        self._records.add(Entry(self.clock.now_ns() // 1_000_000, 0, kind, text), self.clock.wall_ns())

    def between_scans(self, act: Callable[[int], None]) -> Future[None]:
        """Have ``act(now_ms)`` done to the firmware by the scanning thread, between two scans.

        It must not wait for anything. What it raises is the future's.
        """
        future: Future[None] = Future()
        self._asked.put((future, act))
        return future

    def watch(self) -> None:
        """Tell, once, of a scan that hangs."""
        hangs = self.clock.now_ns() - self._began_ns > STALL_S * 1e9
        if hangs and not self._stalled:
            self.record("overrun", f"no new scan for {STALL_S:g} s: the driver or the firmware hangs")
        self._stalled = hangs

    def status(self) -> str:
        """One line for people."""
        states = " ".join(state.value for state in self._controller.states())
        late = sorted(self.late_ns.copy())
        worst_ms = late[-1] / 1e6 if late else 0.0
        line = self._driver.status()
        links = f"; {line}" if line else ""
        return f"scans {self.scans}, skipped {self.overruns}, at most {worst_ms:.1f} ms late: {states}{links}"


class Runner:
    """Runs a loop in a thread until a signal, a time limit or a crash ends it."""

    def __init__(
        self,
        loop: Loop,
        notifier: Notifier,
        for_s: float | None = None,
        before: Callable[[Callable[[], bool]], None] = lambda _go_on: None,
    ) -> None:
        """``before`` is called before the first scan, and ends soon when what it is given says False."""
        self._loop, self._notifier, self._before = loop, notifier, before
        self._end_ns = None if for_s is None else loop.clock.now_ns() + round(for_s * 1e9)
        self._why = ""  # why it is to stop; "" while it is not
        self._ended = threading.Event()
        self._safe = False
        self._crashed = False

    def stop(self, why: str) -> None:
        """Ask the loop to end with the safe image. Safe to call from a signal handler."""
        self._why = self._why or why

    def run(self) -> int:
        """Run to the end; the exit code. Takes over SIGTERM, SIGINT and SIGHUP meanwhile."""
        before = {
            number: signal.signal(number, lambda caught, _frame: self.stop(signal.Signals(caught).name))
            for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
        }
        switch_s = sys.getswitchinterval()
        sys.setswitchinterval(SWITCH_S)
        gc.collect()
        gc.freeze()  # what start-up made is not looked through again in the middle of a scan
        try:
            return self._run()
        finally:
            gc.unfreeze()
            sys.setswitchinterval(switch_s)
            for number, handler in before.items():
                signal.signal(number, handler)

    def _run(self) -> int:
        self._before(self._go_on)
        threading.Thread(target=self._body, name="scan", daemon=True).start()
        self._stand_by()
        self._notifier.send("STOPPING=1")
        ended = self._ended.wait(STOP_S)
        if not ended:
            self._loop.record("crash", f"the loop did not end within {STOP_S:g} s")
            self._last_resort()
        clean = ended and self._safe and not self._crashed
        image = "safe image driven" if self._safe else "THE SAFE IMAGE COULD NOT BE DRIVEN"
        self._loop.record("run", f"stopped by {self._why or 'a crash'}; {image}")
        return STOPPED if clean else CRASHED

    def _body(self) -> None:
        try:
            self._loop.run(self._go_on)
        except BaseException:
            self._crashed = True
            self._loop.record("crash", traceback.format_exc()[-_TEXT_MAX:])
        finally:
            self._safe = self._loop.make_safe()
            self._ended.set()

    def _go_on(self) -> bool:
        if self._end_ns is not None and self._loop.clock.now_ns() >= self._end_ns:
            self.stop("--for")
        return not self._why

    def _stand_by(self) -> None:
        next_s = time.monotonic()
        while not self._ended.wait(WATCH_S) and not self._why:
            self._loop.watch()
            if time.monotonic() >= next_s:
                next_s = time.monotonic() + STATUS_S
                with contextlib.suppress(OSError, ValueError):  # a terminal that is gone ends no plant
                    print(self._loop.status(), file=sys.stderr, flush=True)

    def _last_resort(self) -> None:
        """The loop hangs: drive the safe image past it, and do not wait for ever for that either."""

        def drive() -> None:
            self._safe = self._loop.make_safe()

        thread = threading.Thread(target=drive, name="last resort", daemon=True)
        thread.start()
        thread.join(STOP_S)
