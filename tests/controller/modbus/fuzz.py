"""Throw broken requests at both servers, with a legal client beside, and say what it cost.

    python -m tests.controller.modbus.fuzz [--requests 200000] [--seed 1] [--only tcp|rtu]

The server runs in a process of its own, so that its death and its memory can be seen from outside. Memory is
read after the first tenth, when buffers and caches have their size, and at the end.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

from controller.modbus.frames import Request, rtu_frame, tcp_frame
from controller.modbus.server import ServerThread, serve_serial, serve_tcp
from tests.controller.modbus.lines import SerialLine, TcpLine
from tests.controller.modbus.tables import Tables

ROOT = Path(__file__).parents[3]
UNITS = (1, 17)
BATCH_MAX = {"tcp": 40, "rtu": 8}  # broken requests between two looks at what came back
RUINED = {
    "tcp": 0.03,
    "rtu": 0.3,
}  # share of frames behind which nothing is heard: until a new connection, a silence
GAP_S = 0.003  # the serial server's silence here; with its own the run would take hours
EDGES = (0, 1, 2, 7, 8, 9, 120, 121, 122, 123, 124, 125, 126, 1968, 1969, 2000, 2001, 0xFF00, 0xFFFE, 0xFFFF)


@dataclass
class Result:
    """What a run saw. ``legal_wrong`` are requests of the legal client that got no or a wrong answer."""

    kind: str
    requests: int
    sent: int = 0
    legal: int = 0
    legal_wrong: int = 0
    legal_worst_ms: float = 0.0
    died: bool = False
    rss_before_kb: int = 0
    rss_after_kb: int = 0
    counts: dict[str, int | str] = field(default_factory=dict)

    @property
    def is_good(self) -> bool:
        """Nobody died, nothing failed inside, every legal request was answered."""
        return not self.died and self.counts["failures"] == 0 and self.legal > 0 and self.legal_wrong == 0

    def __str__(self) -> str:
        growth_kb = self.rss_after_kb - self.rss_before_kb
        return (
            f"{self.kind}: {self.sent} broken requests, {'DIED' if self.died else 'alive'},"
            f" {self.counts['failures']} failures inside {self.counts['last_failure']}\n"
            f"  legal requests beside: {self.legal}, without the right answer {self.legal_wrong},"
            f" slowest {self.legal_worst_ms:.1f} ms\n"
            f"  memory {self.rss_before_kb} kB after the first tenth, {self.rss_after_kb} kB at the end,"
            f" growth {growth_kb} kB\n  server: {self.counts}"
        )


# -- the server, in a process of its own -------------------------------------------------------------------


def serve(kind: str, port_name: str) -> None:
    """Serve until the input ends; for each line of it print the counts."""
    devices = {unit: Tables(3000) for unit in UNITS}
    with ServerThread() as thread:
        if kind == "tcp":
            server = thread.start(serve_tcp(devices))
            print(server.port, flush=True)
        else:
            server = thread.start(serve_serial(devices, port_name, parity="N", gap_s=GAP_S))
            print(0, flush=True)
        for _line in sys.stdin:
            print(json.dumps(asdict(server.counts)), flush=True)


class ServerProcess:
    """The server from outside."""

    def __init__(self, kind: str, port_name: str = "") -> None:
        command = [sys.executable, "-m", "tests.controller.modbus.fuzz", "--serve", kind, port_name]
        self._process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.port = int(self._line())

    def rss_kb(self) -> int:
        status = Path(f"/proc/{self._process.pid}/status").read_text(encoding="ascii")
        return int(status.split("VmRSS:")[1].split()[0])

    def finish(self, result: Result) -> None:
        """Read memory and counts for the last time, and end it."""
        result.died = self._process.poll() is not None
        if not result.died:
            result.rss_after_kb = self.rss_kb()
            self._process.stdin.write("counts\n")
            self._process.stdin.flush()
            result.counts = json.loads(self._line())
            self._process.stdin.close()
            result.died = self._process.wait(10.0) != 0
        self._process.stdout.close()

    def _line(self) -> str:
        return self._process.stdout.readline()


# -- broken requests ---------------------------------------------------------------------------------------


def word(chance: random.Random) -> bytes:
    return (chance.choice(EDGES) if chance.random() < 0.5 else chance.randrange(65_536)).to_bytes(2, "big")


def legal_pdu(chance: random.Random) -> bytes:
    """A request of the right form; address and quantity may be beyond what is there."""
    function = chance.choice((1, 2, 3, 4, 5, 6, 15, 16, 23))
    count = chance.randrange(1, 60)
    data = chance.randbytes((count + 7) // 8 if function == 15 else 2 * count)
    if function in (15, 16):
        rest = count.to_bytes(2, "big") + bytes((len(data),)) + data
    elif function == 23:
        rest = word(chance) + word(chance) + count.to_bytes(2, "big") + bytes((len(data),)) + data
    else:
        rest = word(chance)
    return bytes((function,)) + word(chance) + rest


def spoil(chance: random.Random, data: bytes) -> bytes:
    """One of the usual things that happen to bytes."""
    at = chance.randrange(len(data))
    ways = (
        data[:at],
        data[at:],
        data[:at] + bytes((data[at] ^ 1 << chance.randrange(8),)) + data[at + 1 :],
        data[:at] + chance.randbytes(chance.randrange(1, 9)) + data[at:],
        data + chance.randbytes(chance.randrange(1, 300)),
        data[:at] + data,
    )
    return chance.choice(ways)


def broken(chance: random.Random, kind: str) -> bytes:
    """Noise, a request in a spoilt frame, or one in a good frame: of any function, spoilt, or unlikely."""
    pdu = legal_pdu(chance)
    if chance.random() < 0.1:
        pdu = bytes((chance.randrange(256),)) + pdu[1:]
    if chance.random() < 0.6:
        pdu = spoil(chance, pdu)[:253] or b"\x00"
    unit = chance.choice((*UNITS, chance.randrange(256)))
    if kind == "tcp":
        frame = tcp_frame(Request(unit, b"", chance.randrange(65_536)), pdu)
    else:
        frame = rtu_frame(unit, pdu)
    if chance.random() < RUINED[kind]:
        return chance.choice((spoil(chance, frame), chance.randbytes(chance.randrange(1, 400))))
    return frame


def batches(chance: random.Random, kind: str, n_requests: int) -> Iterator[tuple[int, bytes]]:
    """How many requests, and their bytes."""
    while n_requests > 0:
        n = min(chance.randint(1, BATCH_MAX[kind]), n_requests)
        n_requests -= n
        yield n, b"".join(broken(chance, kind) for _ in range(n))


def legal_exchange(chance: random.Random) -> tuple[bytes, bytes]:
    """A request that writes and reads back in one, and its only right answer."""
    data = chance.randbytes(8)
    address = chance.randrange(2000).to_bytes(2, "big")
    asked = b"\x17" + address + b"\x00\x04" + address + b"\x00\x04\x08" + data
    return asked, b"\x17\x08" + data


# -- runs --------------------------------------------------------------------------------------------------


def fuzz_tcp(n_requests: int, seed: int) -> Result:
    """One connection after another is broken, while a legal client asks on its own."""
    result, server = Result("tcp", n_requests), ServerProcess("tcp")
    stop = threading.Event()
    client = threading.Thread(target=_legal_client, args=(server.port, seed, stop, result))
    client.start()
    line = TcpLine(server.port)
    for n, batch in batches(random.Random(seed), "tcp", n_requests):
        if not _sent(line, batch):
            line.close()
            line = TcpLine(server.port)
        _count(result, n, server)
    line.close()
    stop.set()
    client.join()
    server.finish(result)
    return result


def _sent(line: TcpLine, batch: bytes) -> bool:
    """Send, and throw away what came back; False when the server has closed."""
    try:
        line.send(batch)
        line.socket.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while line.socket.recv(65_536):
                pass
            return False
        line.socket.setblocking(True)
    except ConnectionError:
        return False
    return True


def _legal_client(port: int, seed: int, stop: threading.Event, result: Result) -> None:
    chance = random.Random(-seed)
    with TcpLine(port) as line:
        while not stop.is_set():
            asked, said = legal_exchange(chance)
            request = Request(17, asked, result.legal % 65_536)
            began_s = time.perf_counter()
            line.send(tcp_frame(request, asked))
            expected = tcp_frame(request, said)
            _judge(result, line.receive(len(expected)) == expected, began_s)
            stop.wait(0.002)


def fuzz_rtu(n_requests: int, seed: int) -> Result:
    """Broken requests come in bursts without a pause; after each, a silence and a legal request."""
    chance, result = random.Random(seed), Result("rtu", n_requests)
    with SerialLine() as line:
        server = ServerProcess("rtu", line.name)
        for n, batch in batches(chance, "rtu", n_requests):
            line.send(batch)
            while line.receive(4096, 3 * GAP_S):
                pass
            asked, said = legal_exchange(chance)
            began_s = time.perf_counter()
            line.send(rtu_frame(17, asked))
            expected = rtu_frame(17, said)
            _judge(result, _comes(line, expected), began_s)
            _count(result, n, server)
        server.finish(result)
    return result


def _comes(line: SerialLine, expected: bytes) -> bool:
    """Whether that answer comes, perhaps behind a late one to the end of the burst."""
    got = line.receive(len(expected), 1.0)
    while got and not got.endswith(expected) and (more := line.receive(1, 1.0)):
        got += more
    return got.endswith(expected)


def _count(result: Result, n: int, server: ServerProcess) -> None:
    result.sent += n
    if not result.rss_before_kb and result.sent >= result.requests // 10:
        result.rss_before_kb = server.rss_kb()


def _judge(result: Result, is_right: bool, began_s: float) -> None:
    result.legal += 1
    result.legal_wrong += not is_right
    result.legal_worst_ms = max(result.legal_worst_ms, 1000 * (time.perf_counter() - began_s))


def main() -> int:
    """Run and print; 1 when something was not as it should be."""
    parser = argparse.ArgumentParser(description="Broken requests against the Modbus servers.")
    parser.add_argument("--requests", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=("tcp", "rtu"))
    parser.add_argument("--serve", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.serve:
        serve(*given.serve)
        return 0
    runs = {"tcp": fuzz_tcp, "rtu": fuzz_rtu}
    results = [runs[kind](given.requests, given.seed) for kind in runs if given.only in (None, kind)]
    print("\n".join(map(str, results)))
    return int(not all(result.is_good for result in results))


if __name__ == "__main__":
    sys.exit(main())
