"""The remote driver of the firmware in front of the served plant, over TCP and over a serial line."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest
from serve_samples import DRIVEN, MARKED, on_line, remote_links, until

from controller.drivers.remote import RemoteDriver
from controller.modbus.server import ServerThread, serve_serial, serve_tcp
from controller.signals import Inputs, safe_outputs
from controller.wiring import SerialLink, Wiring, default_wiring
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.serve.remote_io import RemoteIo
from tests.controller.modbus.lines import SerialCable
from tests.wiring.wiring_samples import wired

OURS = 4711
PUBLISH_S = 0.05
STALE_MS = 1_000  # narrative 2.3
COARSEST_MA = 16 / 16_000 / 2  # half a step of the registers of the default wiring; int16 is finer


class Line:
    """A plant that shows one image all the time, and the driver that polls it and writes DRIVEN."""

    def __init__(self, io: RemoteIo, driver: RemoteDriver, said: list[str], shown: Inputs) -> None:
        self.io, self.driver, self.said, self.shown = io, driver, said, shown

    def fresh(self) -> bool:
        """Every image that the driver has is fresh."""
        inputs = self.driver.read()
        return max(inputs.bank_age_ms, *inputs.unit_age_ms) < STALE_MS


@contextmanager
def line_of(wiring: Wiring, far_end: str = "") -> Iterator[Line]:
    """Both ends, each with its threads. ``far_end`` is the driver's port when the link is a serial line."""
    with ExitStack() as stack:
        io = RemoteIo(wiring, lambda: time.monotonic_ns() // 1_000_000)
        servers = stack.enter_context(ServerThread())
        link = wiring.links[0]
        if isinstance(link, SerialLink):
            servers.start(serve_serial(io.on_link(link.name), link.port, link.baud, parity="N"))
            places: dict[str, str | int] = {link.name: far_end}
        else:
            places = {link.name: servers.start(serve_tcp(io.on_link(link.name))).port}
        plant = Plant(wiring.n_units, PlantParameters(), seed=5)
        for _ in range(300):  # until the image is one that no default explains
            plant.step(DRIVEN, 100)
        said: list[str] = []
        driver = RemoteDriver(remote_links(wiring, places), wiring.n_units, OURS, said.append)
        stack.callback(driver.close)
        line = Line(io, driver, said, plant.inputs())
        over = threading.Event()
        thread = threading.Thread(target=_both_sides, args=(line, over), daemon=True)
        thread.start()
        stack.callback(thread.join)
        stack.callback(over.set)
        yield line


def _both_sides(line: Line, over: threading.Event) -> None:
    while not over.wait(PUBLISH_S):
        line.io.publish(line.shown)
        line.driver.write(DRIVEN)


@pytest.fixture(params=["registers", "coils and floats", "serial line"])
def line(request: pytest.FixtureRequest) -> Iterator[Line]:
    with ExitStack() as stack:
        if request.param == "serial line":
            near, far = stack.enter_context(SerialCable()).names
            yield stack.enter_context(line_of(on_line(default_wiring(2), near), far))
        else:
            wiring = default_wiring(2) if request.param == "registers" else wired(MARKED)
            yield stack.enter_context(line_of(wiring))


@pytest.fixture
def tcp() -> Iterator[Line]:
    with line_of(default_wiring(2)) as line:
        assert until(lambda: line.io.drive() == DRIVEN)
        assert until(line.fresh)
        yield line


def flat(inputs: Inputs) -> list[bool | float]:
    return [*inputs.bank, *(value for unit in inputs.units for value in unit)]


def test_the_driver_reads_what_the_instruments_say(line: Line) -> None:
    assert until(line.fresh)
    read, shown = flat(line.driver.read()), flat(line.shown)
    contacts = [isinstance(value, bool) for value in shown]
    assert len({value for value, contact in zip(shown, contacts, strict=True) if not contact}) > 8
    wired_names = {point.name for point in line.io.wiring.points}
    options = [f"unit{unit}.{name}" for unit in (1, 2) for name in ("feed_valve_shut", "flush_valve_shut")]
    if options[0] not in wired_names:  # they read open then
        unwired = line.shown.units[0]._fields.index("feed_valve_shut")
        for start in (23, 23 + 16):
            shown[start + unwired : start + unwired + 2] = [False, False]
    assert read == pytest.approx(shown, abs=COARSEST_MA * 1.01)
    assert [value for value, c in zip(read, contacts, strict=True) if c] == [
        value for value, c in zip(shown, contacts, strict=True) if c
    ]


def test_the_driver_drives_what_it_is_told_to(line: Line) -> None:
    assert until(lambda: line.io.drive() == DRIVEN)
    assert line.io.lost_devices() == ()
    assert until(line.fresh)


def test_closing_the_driver_leaves_everything_safe(line: Line) -> None:
    assert until(lambda: line.io.drive() == DRIVEN)
    line.driver.close()
    assert line.io.drive() == safe_outputs(2)


def test_a_device_that_reboots_is_found_again_and_driven_again(tcp: Line) -> None:
    for _ in range(1_000):  # long in service, so that its life shows that it began again
        tcp.io.publish(tcp.shown)
    assert until(tcp.fresh)
    tcp.io.reboot("skid1", 700)
    assert tcp.io.drive().units == (safe_outputs(2).units[0], DRIVEN.units[1])
    assert until(lambda: tcp.io.drive() == DRIVEN)
    assert until(lambda: any("skid1: it was started anew" in text for text in tcp.said)), tcp.said
    assert until(tcp.fresh)


def test_a_wrong_device_is_told_its_image_ages_and_it_is_not_written_to(tcp: Line) -> None:
    tcp.io.show_identity("skid1", 2)
    assert until(lambda: any("skid1: identity is 2" in text for text in tcp.said)), tcp.said
    assert until(lambda: tcp.driver.read().unit_age_ms[0] > STALE_MS)
    assert tcp.driver.read().unit_age_ms[1] < STALE_MS
    assert until(lambda: tcp.io.lost_devices() == ("skid1",))
    assert tcp.io.drive().units == (safe_outputs(2).units[0], DRIVEN.units[1])


def test_a_device_that_stands_still_is_told_and_its_image_ages(tcp: Line) -> None:
    tcp.io.stand_still("skid2")
    assert until(lambda: tcp.driver.read().unit_age_ms[1] > STALE_MS)
    assert until(lambda: any("skid2: it answers, but its life counter" in text for text in tcp.said)), (
        tcp.said
    )
    assert tcp.driver.read().unit_age_ms[0] < STALE_MS


def test_a_silent_device_costs_the_others_nothing_for_long(tcp: Line) -> None:
    tcp.io.silence("skid1", 60_000)
    assert until(lambda: tcp.driver.read().unit_age_ms[0] > STALE_MS)
    assert until(lambda: tcp.io.drive().units == (safe_outputs(2).units[0], DRIVEN.units[1]))
    assert tcp.driver.read().unit_age_ms[1] < STALE_MS
