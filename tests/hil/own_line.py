"""Our firmware as a program of its own, behind a real line, in front of the live bench.

    Rig - LiveTarget - PolledField - TCP of this machine - RemoteDriver - Loop - Controller

Bench, line and loop are those of a site and a live proof, each in threads of its own and by the machine's
clock. Two things do not go by the line, because the firmware's remote I/O has no registers for them: commands
of people are handed to the loop, and the states come from the firmware.

To come to rest and to start takes minutes. So a program may also go on from a state that plant and firmware
reached at the desk: the line carries that image until both sides have it, then firmware and bench scan.
"""

from __future__ import annotations

import queue
import threading
import time
import traceback
from dataclasses import replace

from controller.drivers.remote import RemoteDriver
from controller.drivers.wired import remote_links
from controller.firmware import Controller
from controller.notify import Notifier
from controller.parts.journal import Entry
from controller.runtime import Clock, Loop
from controller.settings import Setpoints
from controller.signals import Command, Inputs, Outputs
from controller.unit.states import STATES
from controller.wiring import TcpLink, Wiring, default_wiring
from sim_plant.bench.live.field import Rounds
from sim_plant.bench.live.polled import PolledField
from tests.ports import free_port

OURS = 7
"""Our mark at the devices."""
EXCHANGE_MS = 50
"""Twice as often as by default: the line is to be less uncertain than what it is compared with."""
CONNECT_S, KEEP_S = 20.0, 0.05
_CODES = {state: code for code, state in enumerate(STATES)}


def _wiring(n_units: int) -> Wiring:
    wiring = default_wiring(n_units, port=free_port())
    (link,) = wiring.links
    assert isinstance(link, TcpLink)
    return replace(wiring, links=(replace(link, exchange_ms=EXCHANGE_MS),))


class _Nowhere:
    """Where journal lines and retained texts go."""

    def add(self, entry: Entry, wall_ns: int) -> None:
        """Forget it."""

    def offer(self, text: str) -> None:
        """Forget it."""


class _Since(Clock):
    """The machine's clock, showing ``shown_ms`` at the moment at which this is made."""

    def __init__(self, shown_ms: int) -> None:
        self._offset_ns = time.monotonic_ns() - shown_ms * 1_000_000

    def now_ns(self) -> int:
        """Monotonic time."""
        return time.monotonic_ns() - self._offset_ns


class _People:
    """Hands the loop the commands that were given since the last scan."""

    def __init__(self) -> None:
        self.given: queue.SimpleQueue[Command] = queue.SimpleQueue()

    def commands(self, now_ms: int) -> tuple[Command, ...]:  # noqa: ARG002 - taken whenever they come
        """For the scan that comes now."""
        return tuple(self.given.get() for _ in range(self.given.qsize()))

    def scanned(self, now_ms: int) -> None:
        """Nothing to see."""


class OwnLine:
    """The program and the line to it, as the bench meets them. ``close`` it, whatever happened."""

    def __init__(self, n_units: int, setpoints: Setpoints, scan_ms: int) -> None:
        wiring = _wiring(n_units)
        self._polled = PolledField(wiring)
        self.name, self._scan_ms = self._polled.name, scan_ms
        self.controller = Controller(n_units, setpoints)
        self.said: list[str] = []
        self._driver = RemoteDriver(remote_links(wiring), n_units, OURS, self.said.append)
        self._people, self._over = _People(), threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._loop: Loop | None = None
        self._broken = ""

    # --- the program --------------------------------------------------------------------------------------

    def begin(self, shown_ms: int = 0) -> None:
        """Scan from now on, in a thread; the firmware's clock shows so much at this moment."""
        nowhere, alone = _Nowhere(), Notifier({}, 0)
        clock = _Since(shown_ms)
        self._loop = Loop(self.controller, self._driver, nowhere, nowhere, alone, self._scan_ms, clock)
        self._loop.onlooker = self._people
        self._thread.start()

    def _run(self) -> None:
        assert self._loop is not None
        try:
            self._loop.run(lambda: not self._over.is_set())
        except Exception:  # whatever ends the program must end the proof too
            self._broken = traceback.format_exc()

    def carry(self, inputs: Inputs, outputs: Outputs, measure_s: float) -> None:
        """Let both sides have these images, and measure for a while how long the exchange takes.

        AssertionError when they do not within ``CONNECT_S``.
        """
        end_s = time.monotonic() + CONNECT_S
        measured_s = None
        while measured_s is None or time.monotonic() < measured_s:
            self._polled.publish(inputs)
            self._driver.write(outputs)
            time.sleep(KEEP_S)
            if measured_s is None and self._carries(outputs):
                measured_s, self._polled.rounds = time.monotonic() + measure_s, Rounds()
            assert measured_s is not None or time.monotonic() < end_s, self.said
        assert self._carries(outputs), self.said

    def _carries(self, outputs: Outputs) -> bool:
        seen = self._driver.read()
        return max(seen.bank_age_ms, *seen.unit_age_ms) < 500 and _alike(self._polled.outputs(), outputs)

    @property
    def late_ms(self) -> float:
        """The latest beginning of a scan of the firmware, among the last 6000."""
        return max(self._loop.late_ns, default=0) / 1e6 if self._loop is not None else 0.0

    # --- as the bench meets it ----------------------------------------------------------------------------

    @property
    def rounds(self) -> Rounds:
        """How long the exchange takes; may be replaced."""
        return self._polled.rounds

    @rounds.setter
    def rounds(self, rounds: Rounds) -> None:
        self._polled.rounds = rounds

    def publish(self, inputs: Inputs) -> None:
        """Into the registers; commands to the loop."""
        if self._broken:
            raise RuntimeError(self._broken)
        for command in inputs.commands:
            self._people.given.put(command)
        self._polled.publish(inputs._replace(commands=()))

    def outputs(self) -> Outputs:
        """What the program has written."""
        return self._polled.outputs()

    def states(self) -> tuple[int, ...]:
        """Of the firmware, since the last scan."""
        return tuple(_CODES[state] for state in self.controller.states())

    def ages_ms(self) -> tuple[int, ...]:
        """See ``PolledField``."""
        return self._polled.ages_ms()

    def trouble(self) -> str:
        """See ``PolledField``."""
        return self._polled.trouble()

    def unheard(self) -> list[str]:
        """See ``PolledField``."""
        return self._polled.unheard()

    def misread(self) -> list[str]:
        """See ``PolledField``."""
        return self._polled.misread()

    def close(self) -> None:
        """End the program, then the line."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()
        self._driver.close()
        self._polled.close()


def _alike(one: Outputs, other: Outputs) -> bool:
    """The same but for what a register of whole microampere rounds."""
    pairs = zip(one.bank, other.bank, strict=True)
    return one.units == other.units and all(abs(float(a) - float(b)) < 0.001 for a, b in pairs)
