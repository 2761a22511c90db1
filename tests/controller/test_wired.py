"""From a wiring to links and devices, and both ways over loopback."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from controller.drivers.memory import MemoryDriver
from controller.drivers.remote import RemoteDriver
from controller.drivers.wired import beyond_this_machine, remote_links, settings_of
from controller.files import InputError
from controller.modbus.link import Link, Rs485, SerialSettings, TcpSettings
from controller.modbus.server import ServerThread
from controller.signals import Outputs, safe_outputs
from controller.wiring import Asker, Parity, SerialLink, TcpLink, default_wiring, exchanges_of
from controller.wiring import Rs485 as WiredRs485
from controller.wiring.model import Wiring
from sim_plant.serve.links import Places, serve_links
from sim_plant.serve.remote_io import RemoteIo
from tests.controller.wired_field import now_ms
from tests.ports import free_port

DEADLINE_S = 20.0
OURS = 4711


def until(holds: Callable[[], bool]) -> None:
    end_s = time.monotonic() + DEADLINE_S
    while not holds():
        assert time.monotonic() < end_s, "the deadline has passed"
        time.sleep(0.01)


def test_each_device_takes_what_the_wiring_says() -> None:
    wiring = default_wiring(2)
    (remote,) = remote_links(wiring)
    bank, skid1, _ = remote.devices

    assert (remote.exchange_ms, [d.name for d in remote.devices]) == (100, ["bank", "skid1", "skid2"])
    assert (skid1.unit_id, skid1.timeout_s, skid1.identity, skid1.known) == (1, 0.2, 1.0, 1234.5)
    assert (bank.unit_id, bank.identity) == (100, 100.0)
    assert tuple(skid1.exchanges) == exchanges_of(wiring, "skid1")
    assert len(skid1.inputs) == 16
    assert all(name.startswith("unit1.") for name in skid1.inputs)


def test_a_serial_line_is_opened_as_the_wiring_says() -> None:
    rs485 = WiredRs485(False, True, 1.5, 0.0, True)
    line = SerialLink("line", "/dev/ttyS9", 9600, Parity.ODD, 2, rs485, 200, 250)

    assert settings_of(line) == SerialSettings(
        "/dev/ttyS9", 9600, "O", 2, rs485=Rs485(False, True, True, 0.0015, 0.0)
    )
    assert settings_of(SerialLink("line", "p", 19_200, Parity.NONE, 1, None, 200, 250)) == SerialSettings(
        "p", 19_200, "N", 1
    )


def test_a_link_of_another_machine_is_refused_unless_it_is_allowed() -> None:
    wiring = default_wiring(1, host="192.0.2.1")
    with pytest.raises(InputError, match="another machine"):
        remote_links(wiring)

    assert isinstance(remote_links(wiring, allow_remote=True)[0].link, Link)


@pytest.mark.parametrize(
    ("link", "real"),
    [
        (TcpLink("io", "127.0.0.1", 502, 200, 100), False),
        (TcpLink("io", "localhost", 502, 200, 100), False),
        (TcpLink("io", "::1", 502, 200, 100), False),
        (TcpLink("io", "192.0.2.1", 502, 200, 100), True),
        (TcpLink("io", "panel.local", 502, 200, 100), True),
        (SerialLink("io", "/dev/ttyUSB0", 19_200, Parity.EVEN, 1, None, 200, 100), True),
        (SerialLink("io", "socket://127.0.0.1:9", 19_200, Parity.EVEN, 1, None, 200, 100), True),
    ],
)
def test_other_hosts_and_every_serial_port_may_lead_to_real_outputs(
    link: TcpLink | SerialLink, real: bool
) -> None:
    assert bool(beyond_this_machine(Wiring(1, Asker.CONTROLLER, (link,), (), ()))) is real


def test_a_tcp_link_needs_host_and_port_only() -> None:
    assert settings_of(TcpLink("io", "127.0.0.1", 1502, 200, 100)) == TcpSettings("127.0.0.1", 1502)


def test_images_travel_both_ways_through_the_registers_of_a_wiring() -> None:
    wiring = default_wiring(2, port=free_port())
    io, field = RemoteIo(wiring, now_ms), MemoryDriver(2)
    driven = safe_outputs(2)
    driven = Outputs(
        driven.bank._replace(booster_run=True, booster_speed_cmd_ma=12.5),
        (driven.units[0]._replace(feed_valve=True, pump=True), driven.units[1]._replace(beacon=True)),
    )
    said: list[str] = []
    with ServerThread() as thread:
        serve_links(wiring, io, Places(), thread)
        driver = RemoteDriver(remote_links(wiring), 2, OURS, said.append)

        def arrived() -> bool:
            io.publish(field.read())
            driver.write(driven)
            return io.drive() == driven and not driver.unseen()

        until(arrived)
        inputs = driver.read()
        driver.close()
        until(lambda: io.drive() == safe_outputs(2))

    assert inputs.units == field.read().units
    assert inputs.bank._replace(booster_running=True, dosing_pulse=True) == field.read().bank._replace(
        booster_running=True, dosing_pulse=True
    )
    assert max(*inputs.unit_age_ms, inputs.bank_age_ms) < 1_000
    assert said == []


def test_whoever_was_never_seen_is_named_and_so_is_whoever_the_safe_image_did_not_reach() -> None:
    wiring = default_wiring(1, port=free_port())
    said: list[str] = []
    driver = RemoteDriver(remote_links(wiring), 1, OURS, said.append)
    until(lambda: len(said) == 2)

    assert driver.unseen() == ["bank", "skid1"]
    assert driver.status().startswith("2 devices, no image yet, rounds skipped ")
    assert driver.status().endswith(", late or lost: bank, skid1")
    driver.close()
    assert said[2:] == [
        f"{name}: the safe image did not reach it; its own time-out must act" for name in ("bank", "skid1")
    ]
