"""A field behind Modbus devices, as a process that can be killed: ``python wired_field.py SITE LOG``.

The devices are those of the site's wiring, the field behind them is the healthy one of the memory driver.
Each change of what is driven is a line of LOG: a moment of the monotonic clock in ms, whether somebody
writes, and the outputs that are on.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import IO, NamedTuple

from controller.drivers.memory import MemoryDriver
from controller.drivers.remote import by_name
from controller.modbus.server import ServerThread
from controller.signals import Outputs
from controller.site import load_site
from controller.wiring import load_wiring
from sim_plant.serve.links import Places, serve_links
from sim_plant.serve.remote_io import RemoteIo

STEP_S = 0.02
READY = "ready"


class Seen(NamedTuple):
    """One line of the log."""

    t_ms: int
    written: bool
    on: list[str]


def now_ms() -> int:
    return time.monotonic_ns() // 1_000_000


def on(outputs: Outputs) -> list[str]:
    """Names of the contacts that are energised."""
    return [name for name, value in by_name(outputs).items() if value is True]


def serve(site: Path, log: IO[str]) -> None:
    """Until SIGTERM."""
    over = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: over.set())
    n_units = load_site(site).table.units
    wiring = load_wiring(site, n_units)
    io, field = RemoteIo(wiring, now_ms), MemoryDriver(n_units)
    last: tuple[bool, list[str]] | None = None
    with ServerThread() as thread:
        serve_links(wiring, io, Places(), thread)
        print(READY, now_ms(), flush=True)
        while not over.wait(STEP_S):
            io.publish(field.read())
            field.write(io.drive())
            seen = any(io.writer(device.name) for device in wiring.devices), on(io.drive())
            if seen != last:
                print(json.dumps([now_ms(), *seen]), file=log, flush=True)
                last = seen


class FieldProcess:
    """The field in a process of its own; ``ready_ms`` is when it began to answer."""

    def __init__(self, site: Path, log: Path) -> None:
        self._log = log
        self.process = subprocess.Popen(
            [sys.executable, __file__, str(site), str(log)], stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line.startswith(READY):
            self.kill()
            raise RuntimeError("the field did not start")
        self.ready_ms = int(line.split()[1])

    def seen(self) -> list[Seen]:
        """The log so far."""
        return [Seen(*json.loads(line)) for line in self._log.read_text("utf-8").splitlines()]

    def kill(self) -> None:
        """At once, as when the supply is cut; again does no harm."""
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


if __name__ == "__main__":
    with open(sys.argv[2], "w", encoding="utf-8") as file:
        serve(Path(sys.argv[1]), file)
