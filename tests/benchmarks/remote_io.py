"""Does the served plant keep its time, and what does an exchange with it cost?

    python -m tests.benchmarks.remote_io [--units 24] [--seconds 30] [--exchanges 3000]

First the command with so many units at 100 ms while the remote driver of the firmware polls and writes every
device every 100 ms, each a process of its own; printed is what the command says at its end, and the ages of
the images that the driver had. Then the image of one unit, read (12 registers) and written (3 registers) by a
plain socket, against a bare socket that answers as many bytes and knows no Modbus; rounds of both take turns.
Not a test: figures depend on the machine and on what else it does.
"""

from __future__ import annotations

import argparse
import platform
import re
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]
SITE = """\
[site]
name = "bank"
title = "A bank of {units} units"
units = {units}

[setpoints]
drain_capacity_m3h = 50
booster_capacity_m3h = 100
"""
UNIT, N_READ = 1, 12
READ = struct.pack(">HHHBBHH", 7, 0, 6, UNIT, 4, 0, N_READ)
READ_BYTES = 9 + 2 * N_READ
WRITE = struct.pack(">HHHBBHHB", 8, 0, 13, UNIT, 16, 0, 3, 6)
WRITE_BYTES = 12
ROUNDS = 5


def serve_echo() -> None:
    """Answers the bytes of the two responses to the bytes of the two requests."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        print(f"127.0.0.1:{listening.getsockname()[1]}", file=sys.stderr, flush=True)
        line, _peer = listening.accept()
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while said := line.recv(4096):
            line.sendall(bytes(READ_BYTES if said[7] == 4 else WRITE_BYTES))


@contextmanager
def started(*command: str) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """A process and the port that it names first on stderr."""
    with subprocess.Popen(
        [sys.executable, "-m", *command], cwd=ROOT, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if found := re.search(r"127\.0\.0\.1:(\d+)", line):
                yield process, int(found[1])
                break
        process.kill()


@contextmanager
def plant(units: int, *options: str) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """The command on a site of so many units."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "site.toml").write_text(SITE.format(units=units), encoding="utf-8")
        with started("sim_plant.cli", "plant", folder, "--port", "0", *options) as found:
            yield found


def poll_everything(units: int, seconds: float) -> None:
    """The driver in front of the command, to the command's end."""
    from controller.drivers.remote import RemoteDriver
    from controller.signals import safe_outputs
    from controller.wiring import default_wiring
    from tests.serve.serve_samples import remote_links

    with plant(units, "--for", str(seconds)) as (process, port):
        said: list[str] = []
        driver = RemoteDriver(remote_links(default_wiring(units), {"io": port}), units, 7, said.append)
        ages_ms: list[int] = []
        end_s, begun_s = time.monotonic() + seconds - 2.0, time.monotonic()
        while time.monotonic() < end_s:
            inputs = driver.read()
            driver.write(safe_outputs(units))
            if time.monotonic() - begun_s > 3.0:
                ages_ms += [inputs.bank_age_ms, *inputs.unit_age_ms]
            time.sleep(0.1)
        driver.close()
        assert process.stderr is not None
        lines = process.stderr.read().splitlines()
    print(lines[-1])
    p99 = statistics.quantiles(ages_ms, n=100)[98]
    print(f"ages of the driver's images: p50 {statistics.median(ages_ms):.0f} ms, p99 {p99:.0f} ms,")
    print(f"  worst {max(ages_ms)} ms; the driver said: {said or 'nothing'}")


def exchanges_us(line: socket.socket, n: int, beat: int) -> list[float]:
    """Time of each read and write together, microseconds; RuntimeError when an answer is too short."""
    spent = []
    for number in range(beat, beat + n):
        write = WRITE + struct.pack(">3H", number % 65_535 + 1, 7, 0)
        began_ns = time.perf_counter_ns()
        for ask, n_bytes in ((READ, READ_BYTES), (write, WRITE_BYTES)):
            line.sendall(ask)
            left = n_bytes
            while left:
                got = len(line.recv(left))
                if not got:
                    raise RuntimeError("the answer is too short")
                left -= got
        spent.append((time.perf_counter_ns() - began_ns) / 1000)
    return spent


def measure_exchanges(exchanges: int) -> None:
    """One unit's image over the line, against a bare socket."""
    spent: dict[str, list[float]] = {"bare socket": [], "served plant": []}
    with started("tests.benchmarks.remote_io", "--echo") as (_, bare_port), plant(1) as (_, port):
        lines = {
            name: socket.create_connection(("127.0.0.1", at), 10.0)
            for name, at in zip(spent, (bare_port, port), strict=True)
        }
        for line in lines.values():
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            exchanges_us(line, 200, 0)  # the first ones are slower
        for nth in range(ROUNDS):
            for name, line in lines.items():
                n = exchanges // ROUNDS
                spent[name] += exchanges_us(line, n, 200 + nth * n)
        for line in lines.values():
            line.close()
    print(f"one unit's image read and written, {exchanges} times: two requests, two answers")
    p50 = {name: statistics.median(times) for name, times in spent.items()}
    for name, times in spent.items():
        p99 = statistics.quantiles(times, n=100)[98]
        print(
            f"  {name:12} p50 {p50[name]:5.0f} us, p99 {p99:5.0f} us, {p50[name] / p50['bare socket']:.2f} x"
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="The served plant: lateness, and the cost of an exchange.")
    parser.add_argument("--units", type=int, default=24)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--exchanges", type=int, default=3000)
    parser.add_argument("--echo", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.echo:
        serve_echo()
        return
    print(f"{platform.machine()}, Python {platform.python_version()}, {given.units} units at 100 ms")
    poll_everything(given.units, given.seconds)
    measure_exchanges(given.exchanges)


if __name__ == "__main__":
    main()
