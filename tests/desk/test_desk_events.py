"""Viewers get the latest picture when they can take it; one that stalls disturbs nobody."""

from __future__ import annotations

import asyncio
import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import uvicorn
from desk_samples import FakeSource, session

from sim_plant.desk import events
from sim_plant.desk.events import PictureStream, Viewers
from sim_plant.desk.guard import Guard
from sim_plant.desk.server import Desk
from sim_plant.desk.simulation import Simulation
from sim_plant.desk.source import Latest, Source
from sim_plant.desk.wishes import Pause

SCOPE = {"type": "http", "asgi": {"spec_version": "2.3"}}
BIG = 8_000_000  # more than the buffers of a connection hold
DEADLINE_S = 20.0


async def never() -> dict[str, Any]:
    await asyncio.Event().wait()
    return {}


async def test_a_viewer_that_was_slow_gets_the_latest_picture_and_misses_the_others() -> None:
    latest, taken = Latest(), []
    finished = False

    async def send(message: dict[str, Any]) -> None:
        nonlocal finished
        body = message.get("body", b"")
        if body.startswith(b"id"):
            taken.append(body)
            for text in (b"second", b"third", b"fourth"):  # three pictures while this one is being sent
                if len(taken) == 1:
                    latest.put(text)
            finished = len(taken) == 2

    latest.put(b"first")
    await PictureStream(latest, Viewers(), lambda: finished)(SCOPE, never, send)

    assert taken == [b"id: 1\ndata: first\n\n", b"id: 4\ndata: fourth\n\n"]


async def test_a_viewer_that_takes_nothing_is_let_go_and_its_place_is_free(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(events, "STALLED_S", 0.05)
    latest, viewers = Latest(), Viewers()
    latest.put(b"picture")

    async def send(_message: dict[str, Any]) -> None:
        assert viewers.now == 1
        await asyncio.Event().wait()

    await asyncio.wait_for(PictureStream(latest, viewers, lambda: False)(SCOPE, never, send), DEADLINE_S)

    assert viewers.now == 0


async def test_when_nothing_is_new_a_comment_shows_that_the_line_lives(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(events, "LOOK_S", 0.001)
    monkeypatch.setattr(events, "QUIET_S", 0.002)
    said: list[bytes] = []

    async def send(message: dict[str, Any]) -> None:
        said.append(message.get("body", b""))

    await PictureStream(Latest(), Viewers(), lambda: b": nothing new\n\n" in said)(SCOPE, never, send)

    assert not any(body.startswith(b"id") for body in said)


# --- a real server ----------------------------------------------------------------------------------


class Served:
    """A desk on a port of this machine."""

    def __init__(self, source: Source) -> None:
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.guard = Guard("127.0.0.1", self.listening.getsockname()[1])
        self.desk = Desk(source, self.guard, lambda: self.server.should_exit)
        config = uvicorn.Config(
            self.desk.app(), log_level="critical", lifespan="off", timeout_graceful_shutdown=1
        )
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.listening]})
        self.thread.start()

    def headers(self) -> dict[str, str]:
        return {"Cookie": f"{self.guard.cookie}={self.guard.key}", "Host": f"127.0.0.1:{self.guard.port}"}

    def stalled(self) -> socket.socket:
        """A viewer that asks for pictures and never reads."""
        viewer = socket.socket()
        viewer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        viewer.connect(("127.0.0.1", self.guard.port))
        lines = [f"{name}: {value}" for name, value in self.headers().items()]
        viewer.sendall("\r\n".join(["GET /events HTTP/1.1", *lines, "", ""]).encode())
        return viewer

    def picture(self) -> bytes:
        """The next picture that a viewer gets who reads."""
        line = http.client.HTTPConnection("127.0.0.1", self.guard.port, timeout=DEADLINE_S)
        line.request("GET", "/events", headers=self.headers())
        answer = line.getresponse()
        while not (got := answer.readline()).startswith(b"data: "):
            assert got
        line.close()
        return got.removeprefix(b"data: ").strip()

    def time_ms(self) -> int:
        """Plant time of that picture."""
        return int(json.loads(self.picture())["t_ms"])

    def stop(self) -> None:
        self.server.should_exit = True
        self.thread.join(DEADLINE_S)
        assert not self.thread.is_alive()


@pytest.fixture
def big() -> Iterator[Served]:
    """A desk whose pictures do not fit the buffers of a connection."""
    source = FakeSource()
    source.latest.put(b"x" * BIG)
    served = Served(source)
    yield served
    served.stop()


def test_others_are_served_while_one_viewer_stalls(big: Served) -> None:
    with big.stalled(), big.stalled():
        assert len(big.picture()) == BIG
        assert len(big.picture()) == BIG


def test_a_run_does_not_wait_for_a_viewer_that_stalls() -> None:
    simulation = Simulation(session(), speed=None)
    served = Served(simulation)
    end_s = time.monotonic() + DEADLINE_S
    simulation.start()
    try:
        with served.stalled():
            seen_ms = {served.time_ms()}
            while len(seen_ms) < 5:
                seen_ms.add(served.time_ms())
                assert time.monotonic() < end_s, seen_ms
            answer = simulation.ask(Pause(kind="pause", on=True)).result(DEADLINE_S)
    finally:
        simulation.stop()
        served.stop()

    assert answer["ok"]


def test_there_is_room_for_so_many_viewers_and_then_a_sentence(big: Served) -> None:
    big.desk.viewers.now = events.VIEWERS_MAX
    line = http.client.HTTPConnection("127.0.0.1", big.guard.port, timeout=DEADLINE_S)
    line.request("GET", "/events", headers=big.headers())
    answer = line.getresponse()

    assert answer.status == 503
    assert "close one" in json.loads(answer.read())["error"]
    line.close()
    big.desk.viewers.now = 0
