"""Viewers get the latest picture when they can take it; one that stalls disturbs nobody."""

from __future__ import annotations

import asyncio
import http.client
import json
import socket
import time
from collections.abc import Iterator
from typing import Any

import pytest
from desk_samples import FakeSource, session
from desk_served import DEADLINE_S, Served

from sim_plant.desk import events
from sim_plant.desk.events import PictureStream, Viewers
from sim_plant.desk.simulation import Simulation
from sim_plant.desk.source import Latest
from sim_plant.desk.wishes import Pause

SCOPE = {"type": "http", "asgi": {"spec_version": "2.3"}}
BIG = 8_000_000  # more than the buffers of a connection hold


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


@pytest.mark.skipif(
    not hasattr(socket, "TCP_USER_TIMEOUT"), reason="this system cannot cut such a connection"
)
def test_the_connection_of_a_viewer_that_reads_nothing_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(events, "STALLED_S", 0.2)
    source = FakeSource()
    source.latest.put(b"x" * BIG)
    served = Served(source)
    end_s = time.monotonic() + DEADLINE_S
    connections = served.server.server_state.connections
    with served.stalled():
        while not connections:
            assert time.monotonic() < end_s

        while connections:
            time.sleep(0.01)
            assert time.monotonic() < end_s, "it is still held"
        assert len(served.picture()) == BIG
    served.stop()


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
