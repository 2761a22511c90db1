"""Whatever comes along the line, the run goes on, and it is the run that it would have been."""

from __future__ import annotations

import contextlib
import json
import socket
import struct
import time
from collections.abc import Callable, Iterator

import pytest
from desk_samples import all_of, run_to, session
from desk_served import DEADLINE_S, Served

from sim_plant.desk.simulation import Simulation
from sim_plant.desk.wishes import Pause

PAUSE = b'{"kind":"pause","on":true}'
RESET_ON_CLOSE = struct.pack("ii", 1, 0)


class Running:
    """A desk whose plant runs as fast as it can."""

    def __init__(self) -> None:
        self.session = session()
        self.simulation = Simulation(self.session, speed=None)
        self.served = Served(self.simulation)
        self.simulation.start()

    def headers(self, **changed: str) -> dict[str, str]:
        ours = {**self.served.headers(), "Origin": f"http://127.0.0.1:{self.served.guard.port}"}
        return {**ours, "Content-Type": "application/json", **changed}

    def send(self, head: str, body: bytes, headers: dict[str, str]) -> socket.socket:
        """A request as it is, byte for byte."""
        line = socket.create_connection(("127.0.0.1", self.served.guard.port), DEADLINE_S)
        lines = [head, *(f"{name}: {value}" for name, value in headers.items()), "", ""]
        with contextlib.suppress(
            ConnectionError
        ):  # the server may hang up before the end of what is too long
            line.sendall("\r\n".join(lines).encode() + body)
        return line

    def post(self, body: bytes, **changed: str) -> bytes:
        """The status line that a wish is answered with."""
        length = {"Content-Length": str(len(body))}
        with self.send("POST /wish HTTP/1.1", body, {**self.headers(**changed), **length}) as line:
            return line.makefile("rb").readline()

    def passes(self) -> None:
        """Plant time goes on: a picture is shown that is later than one that is shown after now."""
        end_s, seen = time.monotonic() + DEADLINE_S, set[int]()
        while len(seen) < 3:
            picture = json.loads(self.simulation.latest.get()[1])
            assert not picture["broken"]
            assert not picture["pace"]["paused"]
            assert time.monotonic() < end_s
            seen.add(picture["t_ms"])
            time.sleep(0.01)


@pytest.fixture(scope="module")
def running() -> Iterator[Running]:
    desk = Running()
    yield desk
    desk.simulation.stop()
    desk.served.stop()


def wrong_key(desk: Running) -> None:
    assert b" 403 " in desk.post(PAUSE, Cookie=f"{desk.served.guard.cookie}=guessed")


def wrong_origin(desk: Running) -> None:
    assert b" 403 " in desk.post(PAUSE, Origin="http://evil.example")


def wrong_host(desk: Running) -> None:
    assert b" 421 " in desk.post(PAUSE, Host="evil.example")


def way_out_of_the_folder(desk: Running) -> None:
    with desk.send("GET /static/../../../../etc/passwd HTTP/1.1", b"", desk.headers()) as line:
        assert b" 404 " in line.makefile("rb").readline()


def ten_megabytes(desk: Running) -> None:
    with contextlib.suppress(ConnectionError):
        assert b" 413 " in desk.post(b'{"kind":"pause","on":true,"x":"' + b"x" * 10_000_000 + b'"}')


def broken_json(desk: Running) -> None:
    for body in (b"{", b"\xff\xfe", b"[" * 50_000, b"{}", b'{"kind":"pause","on":"perhaps"}'):
        assert b" 422 " in desk.post(body)


def no_http(desk: Running) -> None:
    with desk.send("\x16\x03\x01 what is this", b"\0" * 500, {}) as line:
        assert b" 400 " in line.makefile("rb").readline()


def viewer_that_stalls(desk: Running) -> None:
    with desk.served.stalled():
        desk.passes()


def viewer_that_hangs_up(desk: Running) -> None:
    for _ in range(20):
        viewer = desk.served.stalled()
        viewer.recv(1)
        viewer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET_ON_CLOSE)
        viewer.close()


def request_that_breaks_off(desk: Running) -> None:
    for _ in range(20):
        desk.send("POST /wish HTTP/1.1", PAUSE[:5], desk.headers(**{"Content-Length": "26"})).close()


def headers_that_never_end(desk: Running) -> None:
    with desk.send("GET / HTTP/1.1", b"", {"X-Long": "x" * 200_000}) as line:
        assert b" 400 " in line.makefile("rb").readline()


HOSTILE = [
    wrong_key,
    wrong_origin,
    wrong_host,
    way_out_of_the_folder,
    ten_megabytes,
    broken_json,
    no_http,
    viewer_that_stalls,
    viewer_that_hangs_up,
    request_that_breaks_off,
    headers_that_never_end,
]


@pytest.mark.parametrize("hostile", HOSTILE, ids=lambda hostile: hostile.__name__)
def test_the_run_goes_on(running: Running, hostile: Callable[[Running], None]) -> None:
    hostile(running)

    running.passes()
    assert running.simulation.ask(Pause(kind="pause", on=False)).result(DEADLINE_S)["ok"]


def test_after_all_of_it_the_plant_is_the_one_that_nobody_disturbed() -> None:
    desk, alone = Running(), session()
    try:
        for hostile in HOSTILE:
            hostile(desk)
        assert desk.simulation.ask(Pause(kind="pause", on=True)).result(DEADLINE_S)["ok"]
    finally:
        desk.simulation.stop()
        desk.served.stop()

    run_to(alone, desk.session.now_ms / 1000.0)
    assert desk.session.performed == []
    assert all_of(desk.session) == all_of(alone)
