"""The remote driver over connections to devices on libmodbus: lost, found, exchanged, one of two silent."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.drivers.remote import RemoteDevice, RemoteDriver, RemoteLink
from controller.modbus.link import Link, SerialSettings, TcpSettings
from controller.signals import safe_outputs
from tests.hil.libmodbus_peer import IDENTITY, KNOWN, rtu_devices, tcp_device

OURS = 7
SAFE = safe_outputs(2)
PUMPS_ON = SAFE._replace(units=tuple(unit._replace(pump=True) for unit in SAFE.units))
STALE_MS = 1_000  # narrative 2.3


@dataclass(frozen=True)
class Block:
    """Registers from ``address`` on, each with one named value."""

    table: str
    address: int
    names: tuple[str, ...]

    @property
    def count(self) -> int:
        return len(self.names)


@dataclass(frozen=True)
class Exchange:
    """One request."""

    read: Block | None
    write: Block | None


def pack(block: Block, values: Mapping[str, bool | float]) -> list[int]:
    return [int(values[name]) for name in block.names]


def unpack(block: Block, registers: Sequence[int]) -> dict[str, bool | float]:
    named = zip(block.names, registers, strict=True)
    return {name: register / 10 if name.endswith("_ma") else register for name, register in named}


def skid(unit: int, unit_id: int, identity: float = IDENTITY) -> RemoteDevice:
    """The device of ``peer_server.c``: input register n + 5 holds its own address, here as tenths of a mA."""
    name = f"skid{unit}"
    seen = tuple(f"{name}.{point}" for point in ("identity", "known", "life", "heartbeat_seen", "owner_seen"))
    loops = (f"unit{unit}.suction_ma", f"unit{unit}.membrane_ma")
    spare = tuple(f"spare{n}" for n in range(5, 100))
    read = Block("input", 0, (*seen, *spare, *loops))
    write = Block("holding", 0, (f"{name}.heartbeat", f"{name}.owner", f"unit{unit}.pump"))
    return RemoteDevice(
        name,
        unit_id,
        0.2,
        [Exchange(read, None), Exchange(None, write)],
        loops,
        pack,
        unpack,
        identity,
        KNOWN,
    )


class Bench:
    """A driver, and the firmware's part: it writes outputs all the time."""

    def __init__(self, link: Link, *devices: RemoteDevice, exchange_ms: int = 100) -> None:
        self.said: list[str] = []
        self.driver = RemoteDriver([RemoteLink(link, devices, exchange_ms)], 2, OURS, self.said.append)

    def age_ms(self, unit: int = 1) -> int:
        self.driver.write(PUMPS_ON)
        return self.driver.read().unit_age_ms[unit - 1]

    def until(self, holds: Callable[[], bool], limit_s: float) -> float:
        """How long it took."""
        began_s = time.monotonic()
        while not holds():
            self.driver.write(PUMPS_ON)
            assert time.monotonic() - began_s < limit_s, self.said
            time.sleep(0.01)
        return time.monotonic() - began_s


@contextlib.contextmanager
def bench(link: Link, *devices: RemoteDevice) -> Iterator[Bench]:
    b = Bench(link, *devices)
    try:
        yield b
    finally:
        b.driver.close()


def line(port: str) -> contextlib.AbstractContextManager[Bench]:
    """Two devices on one serial line."""
    return bench(Link(SerialSettings(port, 115_200, "N")), skid(1, 3), skid(2, 4))


def registers(port: int, unit_id: int) -> list[int]:
    """What stands in the device's outputs; the device takes one client at a time."""
    with Link(TcpSettings("127.0.0.1", port)) as link:
        return link.exchange(unit_id, None, ("holding", 0, 3), False, 1.0)


def test_images_arrive_fresh_and_outputs_stand_in_the_device(peer_server: Path) -> None:
    with tcp_device(peer_server, 3) as port:
        with bench(Link(TcpSettings("127.0.0.1", port)), skid(1, 3)) as b:
            b.until(lambda: b.age_ms() < STALE_MS, 3.0)
            unit = b.driver.read().units[0]
            assert (unit.suction_ma, unit.membrane_ma) == (10.0, 10.1)
            assert b.said == []
        heartbeat, owner, pump = registers(port, 3)
    assert heartbeat > 0
    assert (owner, pump) == (OURS, 0)  # the safe image was the last one


def test_a_device_that_dies_ages_and_is_back_within_a_second_of_its_return(peer_server: Path) -> None:
    with contextlib.ExitStack() as first_life:
        port = first_life.enter_context(tcp_device(peer_server, 3))
        with bench(Link(TcpSettings("127.0.0.1", port)), skid(1, 3)) as b:
            b.until(lambda: b.age_ms() < STALE_MS, 3.0)
            first_life.close()
            b.until(lambda: b.age_ms() > 2 * STALE_MS, 3.0)
            with tcp_device(peer_server, 3, port):
                assert (
                    b.until(lambda: b.age_ms() < STALE_MS, 3.0) < 2.0
                )  # a second, and one for a slow machine
    lost, *later = b.said
    assert "cannot be reached" in lost or "closed the connection" in lost
    assert any("answers again" in line for line in later)
    assert any("started anew" in line for line in later)


def test_another_device_at_the_same_place_is_refused(peer_server: Path) -> None:
    with tcp_device(peer_server, 3) as port:
        with bench(Link(TcpSettings("127.0.0.1", port)), skid(1, 3, identity=12)) as b:
            b.until(lambda: bool(b.said), 3.0)
            assert b.age_ms() > STALE_MS
            assert "identity is 4711, not 12" in b.said[0]
        assert registers(port, 3) == [0, 0, 0]  # nothing was ever written


def test_a_former_master_that_is_gone_is_followed_and_its_mark_is_told_apart(peer_server: Path) -> None:
    with tcp_device(peer_server, 3) as port:
        with Link(TcpSettings("127.0.0.1", port)) as former:
            former.exchange(3, ("holding", 0, [55, 9]), None, False, 1.0)
        with bench(Link(TcpSettings("127.0.0.1", port)), skid(1, 3)) as b:
            took_s = b.until(lambda: b.age_ms() < STALE_MS, 6.0)
        assert took_s > 2.9  # its heartbeat must stand still for 3 s first
        assert registers(port, 3)[1] == OURS


def test_a_silent_neighbour_on_a_serial_line_leaves_the_other_fresh(peer_server: Path) -> None:
    with rtu_devices(peer_server, 3) as port, line(port) as b:
        b.until(lambda: b.age_ms(1) < STALE_MS, 5.0)
        end_s = time.monotonic() + 6.0
        ages = []
        while time.monotonic() < end_s:
            ages.append(b.age_ms(1))
            time.sleep(0.02)
        assert max(ages) < STALE_MS
        assert b.age_ms(2) > STALE_MS


def test_two_devices_on_a_serial_line_stay_fresh(peer_server: Path) -> None:
    with rtu_devices(peer_server, 3, 4) as port, line(port) as b:
        b.until(lambda: max(b.age_ms(1), b.age_ms(2)) < STALE_MS, 5.0)
        worst = 0
        for _ in range(100):
            worst = max(worst, b.age_ms(1), b.age_ms(2))
            time.sleep(0.02)
    assert worst < 500
    assert b.said == []
