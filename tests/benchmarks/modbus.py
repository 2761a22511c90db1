"""How long does one exchange of a unit's image take? ``python -m tests.benchmarks.modbus [--exchanges 3000]``

One FC23 exchange, 8 registers read and 4 written, over TCP on loopback: against our server, against the
server of pymodbus, and against a bare socket that answers the same number of bytes and knows no Modbus.
Each server is a process of its own; the client is the same plain socket; rounds of the three take turns,
so that a busy machine is busy for all. Not a test: figures depend on the machine.
"""

from __future__ import annotations

import argparse
import asyncio
import platform
import socket
import statistics
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]
N_READ, N_WRITTEN, UNIT = 8, 4, 1
REQUEST = struct.pack(">HHHBBHHHHB4H", 7, 0, 19, UNIT, 23, 0, N_READ, 100, N_WRITTEN, 8, 1, 2, 3, 4)
RESPONSE = struct.pack(">HHHBBB", 7, 0, 19, UNIT, 23, 16) + bytes(16)
ROUNDS = 5


def serve_ours() -> None:
    """Our server, with devices in memory."""
    from controller.modbus.server import ServerThread, serve_tcp
    from tests.controller.modbus.tables import Tables

    with ServerThread() as thread:
        print(thread.start(serve_tcp({UNIT: Tables(200)})).port, flush=True)
        sys.stdin.read()


def serve_pymodbus() -> None:
    """The server of pymodbus on a port that was free a moment ago; it does not tell which it takes."""
    from pymodbus.server import StartAsyncTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]

    async def run() -> None:
        device = SimDevice(UNIT, [SimData(0, count=200, values=0, datatype=DataType.REGISTERS)])
        serving = asyncio.create_task(StartAsyncTcpServer(device, address=("127.0.0.1", port)))
        await asyncio.sleep(0.5)
        print(port, flush=True)
        await asyncio.to_thread(sys.stdin.read)
        serving.cancel()

    asyncio.run(run())


def serve_echo() -> None:
    """Answers the bytes of a response to the bytes of a request."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        print(listening.getsockname()[1], flush=True)
        line, _peer = listening.accept()
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while line.recv(4096):
            line.sendall(RESPONSE)


SERVERS = {"bare socket": serve_echo, "our server": serve_ours, "pymodbus": serve_pymodbus}


@contextmanager
def client_of(name: str) -> Iterator[socket.socket]:
    """A connection to that server in a new process."""
    command = [sys.executable, "-m", "tests.benchmarks.modbus", "--serve", name]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        port = int(process.stdout.readline())
        with socket.create_connection(("127.0.0.1", port), 10.0) as line:
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            yield line
        process.stdin.close()


def exchanges_us(line: socket.socket, n: int) -> list[float]:
    """Time of each exchange, microseconds; RuntimeError when the answer is no answer to it."""
    spent = []
    for _ in range(n):
        began_ns = time.perf_counter_ns()
        line.sendall(REQUEST)
        said = b""
        while len(said) < len(RESPONSE):
            said += line.recv(4096)
        spent.append((time.perf_counter_ns() - began_ns) / 1000)
        if said != RESPONSE:
            raise RuntimeError(f"answered {said.hex(' ')}")
    return spent


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="One FC23 exchange over TCP on loopback.")
    parser.add_argument("--exchanges", type=int, default=3000)
    parser.add_argument("--serve", choices=SERVERS, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.serve:
        SERVERS[given.serve]()
        return
    spent: dict[str, list[float]] = {name: [] for name in SERVERS}
    with client_of("bare socket") as bare, client_of("our server") as ours, client_of("pymodbus") as other:
        lines = dict(zip(SERVERS, (bare, ours, other), strict=True))
        for line in lines.values():
            exchanges_us(line, 200)  # the first ones are slower
        for _ in range(ROUNDS):
            for name, line in lines.items():
                spent[name] += exchanges_us(line, given.exchanges // ROUNDS)
    print(f"{platform.machine()}, Python {platform.python_version()}")
    print(f"FC23, {N_READ} registers read and {N_WRITTEN} written, {given.exchanges} exchanges each")
    print("                  p50       p99   p50 to bare socket   p50 to pymodbus")
    p50 = {name: statistics.median(times) for name, times in spent.items()}
    for name, times in spent.items():
        p99 = statistics.quantiles(times, n=100)[98]
        to_bare, to_other = p50[name] / p50["bare socket"], p50[name] / p50["pymodbus"]
        print(f"  {name:12} {p50[name]:6.0f} us {p99:6.0f} us {to_bare:20.2f} {to_other:17.2f}")


if __name__ == "__main__":
    main()
