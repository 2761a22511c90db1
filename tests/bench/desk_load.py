"""What does the desk cost when it is looked at for long?

    python -m tests.bench.desk_load [--units 24] [--minutes 10]

`skidproof watch` runs in a process of its own at real time, each scan a picture, so ten a second. First it is
let run ahead for more than two hours of plant time, so that what it keeps to wind back has come to its length
(the memory of trends is taken at the start). Then it runs without viewers for a tenth of the time, and with
three for the time that was asked: two that read what they are sent, and one that takes nothing, is let go for
that, and comes again every half minute.

Printed are the share of one core that the server used, its memory at the start and at the end with viewers,
pictures and plant time per second of real time. The exit code is 1 when a limit below is broken. Reads /proc,
so Linux only; the figures depend on the machine and on what else it does.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from sim_plant.docs_pages.desk_pictures import site_text

ROOT = Path(__file__).parents[2]
RUN_AHEAD_S = 7_500.0  # of plant time
AHEAD_WAIT_S = 1_800.0
READERS = 2
STALL_S = 30.0  # the server gives a viewer up after 20 s in which it took nothing
SETTLE_S = 1.0  # until a picture is shown that was not drawn while the plant ran ahead
TIMEOUT_S = 30.0
TICKS_PER_S = os.sysconf("SC_CLK_TCK")

CORE_MOST = 0.25
GROWTH_MOST_MB = 4.0  # changes of state, and what the allocator does
SLOWER_MOST = 0.05


class Stretch(NamedTuple):
    """What was measured over a while."""

    core: float
    plant_per_real: float
    memory_mb: tuple[float, float]


@dataclass(frozen=True)
class Load:
    """All that is reported."""

    alone: Stretch
    looked_at: Stretch
    pictures_per_s: float
    stalled: int

    def broken(self) -> list[str]:
        """The limits that were not kept."""
        slower = 1.0 - self.looked_at.plant_per_real / self.alone.plant_per_real
        grown_mb = self.looked_at.memory_mb[1] - self.looked_at.memory_mb[0]
        return [
            *([f"{self.looked_at.core:.0%} of a core"] if self.looked_at.core >= CORE_MOST else []),
            *([f"{slower:.1%} slower with viewers"] if slower > SLOWER_MOST else []),
            *([f"{grown_mb:.1f} MB more at the end"] if grown_mb > GROWTH_MOST_MB else []),
        ]

    def lines(self) -> Iterator[str]:
        """For people."""
        for words, s in (("without viewers", self.alone), ("with three viewers", self.looked_at)):
            yield (
                f"{words}: {s.core:.1%} of a core, {s.plant_per_real:.4f} s of plant time in a second, "
                f"memory {s.memory_mb[0]:.1f} MB at the start, {s.memory_mb[1]:.1f} MB at the end"
            )
        yield f"a viewer was sent {self.pictures_per_s:.2f} pictures a second"
        yield f"one viewer stalled {self.stalled} times"


class Server:
    """The desk that is measured, as a browser and as the system see it."""

    def __init__(self, process: subprocess.Popen[str], address: str) -> None:
        found = re.fullmatch(r"http://([\d.]+):(\d+)/enter\?key=(\S+)", address)
        assert found is not None, address
        self.pid, self.host, self.port = process.pid, found[1], int(found[2])
        self.headers = {
            "Cookie": f"desk_{self.port}={found[3]}",
            "Origin": f"http://{self.host}:{self.port}",
            "Content-Type": "application/json",
        }

    def ask(self, method: str, path: str, body: object = None) -> Any:
        """One request and its answer."""
        line = http.client.HTTPConnection(self.host, self.port, timeout=TIMEOUT_S)
        line.request(method, path, json.dumps(body) if body else None, self.headers)
        answer = line.getresponse()
        said = answer.read()
        line.close()
        assert answer.status == 200, said
        return json.loads(said)

    def plant_s(self) -> float:
        """Plant time."""
        return float(self.ask("GET", "/picture")["t_ms"]) / 1000.0

    def cpu_s(self) -> float:
        """Time of processors that it has used."""
        fields = Path(f"/proc/{self.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / TICKS_PER_S

    def memory_mb(self) -> float:
        """What it holds of the memory."""
        status = Path(f"/proc/{self.pid}/status").read_text(encoding="ascii")
        found = re.search(r"VmRSS:\s+(\d+) kB", status)
        assert found is not None
        return int(found[1]) / 1024.0

    def measure(self, seconds: float) -> Stretch:
        """Let it run for so long."""
        began_s, plant_s, cpu_s, memory_mb = time.monotonic(), self.plant_s(), self.cpu_s(), self.memory_mb()
        time.sleep(seconds)
        real_s = time.monotonic() - began_s
        return Stretch(
            (self.cpu_s() - cpu_s) / real_s,
            (self.plant_s() - plant_s) / real_s,
            (memory_mb, self.memory_mb()),
        )


class Viewers:
    """Two that read, and one that stalls, until they are told that it is over."""

    def __init__(self, server: Server) -> None:
        self._server, self._over = server, threading.Event()
        self.pictures, self.stalled = 0, 0
        work = [self._read] * READERS + [self._stall]
        self._threads = [threading.Thread(target=one, daemon=True) for one in work]
        for thread in self._threads:
            thread.start()

    def end(self) -> None:
        """They go."""
        self._over.set()
        for thread in self._threads:
            thread.join(TIMEOUT_S)

    def _read(self) -> None:
        line = http.client.HTTPConnection(self._server.host, self._server.port, timeout=TIMEOUT_S)
        line.request("GET", "/events", headers=self._server.headers)
        answer = line.getresponse()
        while not self._over.is_set():
            said = answer.readline()
            assert said, "the server has cut a viewer off that reads"
            self.pictures += said.startswith(b"data: ")
        line.close()

    def _stall(self) -> None:
        """Never reads, goes when the server has long given it up, and comes again."""
        lines = [f"{name}: {value}" for name, value in self._server.headers.items()]
        asked = "\r\n".join(["GET /events HTTP/1.1", f"Host: 127.0.0.1:{self._server.port}", *lines, "", ""])
        while not self._over.is_set():
            with socket.socket() as viewer:
                viewer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                viewer.connect((self._server.host, self._server.port))
                viewer.sendall(asked.encode())
                self.stalled += 1
                self._over.wait(STALL_S)


@contextmanager
def served(folder: Path, units: int) -> Iterator[Server]:
    """`skidproof watch` of so many units."""
    (folder / "site.toml").write_text(site_text(units), encoding="utf-8")
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    with subprocess.Popen(
        [sys.executable, "-m", "sim_plant.cli", "watch", str(folder), "--port", "0"],
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
    ) as process:
        try:
            assert process.stderr is not None
            found = next(filter(None, (re.search(r"http://\S+", line) for line in process.stderr)))
            yield Server(process, found[0])
        finally:
            process.terminate()


def run_ahead(server: Server, seconds: float) -> None:
    """As fast as it goes until that plant time, then at real time again."""
    server.ask("POST", "/wish", {"kind": "pace", "speed": "max"})
    end_s = time.monotonic() + AHEAD_WAIT_S
    while server.plant_s() < seconds:
        assert time.monotonic() < end_s, "the plant does not come ahead"
        time.sleep(0.5)
    server.ask("POST", "/wish", {"kind": "pace", "speed": 1.0})
    time.sleep(SETTLE_S)


def load(units: int, seconds: float, ahead_s: float) -> Load:
    """Measure one desk."""
    with tempfile.TemporaryDirectory() as folder, served(Path(folder), units) as server:
        run_ahead(server, ahead_s)
        alone = server.measure(seconds / 10.0)
        viewers = Viewers(server)
        looked_at = server.measure(seconds)
        shown = viewers.pictures / READERS / seconds
        viewers.end()
    return Load(alone, looked_at, shown, viewers.stalled)


def main() -> int:
    """From the command line."""
    parser = argparse.ArgumentParser(description="What the desk costs when it is looked at for long.")
    parser.add_argument("--units", type=int, default=24)
    parser.add_argument("--minutes", type=float, default=10.0)
    chosen = parser.parse_args()
    measured = load(chosen.units, chosen.minutes * 60.0, RUN_AHEAD_S)
    print(f"{chosen.units} units, {chosen.minutes:g} minutes")
    for line in measured.lines():
        print(line)
    for words in measured.broken():
        print(f"BROKEN: {words}")
    return 1 if measured.broken() else 0


if __name__ == "__main__":
    sys.exit(main())
