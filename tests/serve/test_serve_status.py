"""The status line: what is to be seen, who writes, what went wrong."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from serve_samples import COIL, HOLDING, Time, marked_io

from controller.modbus.server import ServerThread, serve_tcp
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.serve.links import Served
from sim_plant.serve.loop import PlantLoop, Seen, UnitSeen
from sim_plant.serve.remote_io import RemoteIo
from sim_plant.serve.status import Status, plant_words


@pytest.fixture
def io() -> RemoteIo:
    return marked_io(Time())


@pytest.fixture
def served(io: RemoteIo) -> Iterator[Served]:
    with ServerThread() as thread:
        yield Served(thread.start(serve_tcp(io.on_link("io"))), "")


@pytest.fixture
def loop(io: RemoteIo) -> PlantLoop:
    return PlantLoop(Plant(2, PlantParameters()), io, 100)


@pytest.fixture
def status(loop: PlantLoop, io: RemoteIo, served: Served) -> Status:
    return Status(loop, io, [served])


def test_the_plant_is_told_in_one_line() -> None:
    units = (UnitSeen(True, False, True), UnitSeen(True, True, False))
    words = plant_words(Seen(3_661_900, 2.345, 59.96, units))
    assert words == "01:01:01 header 2.35 bar, tank 60.0 %, 1 F-P 2 FX-"


def test_the_line_of_a_plant_that_nobody_writes_to(status: Status) -> None:
    assert status.line(1.0) == (
        "00:00:00 header 0.00 bar, tank 60.0 %, 1 --- 2 --- | nobody writes | 0 requests/s | "
        "0 overruns, p99 0.0 ms late"
    )


def test_all_who_write_are_named_and_what_nobody_writes_to(status: Status, io: RemoteIo) -> None:
    first, second = io.on_link("io")[1], io.on_link("io")[2]
    first.write(HOLDING, 0, [1, 7], "10.0.0.9:5000")
    second.write(HOLDING, 0, [1, 8], "10.0.0.8:5000")
    words = "written by 10.0.0.9:5000 as owner 7, 10.0.0.8:5000 as owner 8, not to bank"
    assert words in status.line(1.0).split(" | ")
    io.on_link("io")[100].write(COIL, 0, [1], "10.0.0.9:5000")
    words = "written by 10.0.0.9:5000, 10.0.0.9:5000 as owner 7, 10.0.0.8:5000 as owner 8"
    assert words in status.line(1.0).split(" | ")


def test_requests_are_counted_from_line_to_line(status: Status, served: Served) -> None:
    counts = served.server.counts
    counts.requests = 100
    assert "0 requests/s" in status.line(10.0).split(" | ")
    counts.requests = 220
    assert "60 requests/s" in status.line(12.0).split(" | ")


def test_time_that_was_left_out_is_told(status: Status, loop: PlantLoop) -> None:
    loop.left_out_ms = 2_500
    assert "2.5 s LEFT OUT: simulated time is behind the clock" in status.line(1.0).split(" | ")


def test_a_mistake_inside_a_device_is_told(status: Status, served: Served) -> None:
    served.server.counts.last_failure = "unit 1: KeyError(3)"
    assert status.line(1.0).endswith(" | unit 1: KeyError(3)")
