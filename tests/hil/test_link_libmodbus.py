"""The asking side against devices on libmodbus, over TCP and on a serial line."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.modbus.link import Link, LinkError, SerialSettings, TcpSettings, Trouble
from tests.hil.libmodbus_peer import IDENTITY, KNOWN, rtu_devices, tcp_device

UNIT = 3


@pytest.fixture(params=["tcp", "rtu"])
def link(request: pytest.FixtureRequest, peer_server: Path) -> Iterator[Link]:
    """A link to one device, unit 3."""
    with contextlib.ExitStack() as stack:
        if request.param == "tcp":
            settings = TcpSettings("127.0.0.1", stack.enter_context(tcp_device(peer_server, UNIT)))
            yield stack.enter_context(Link(settings))
        else:
            port = stack.enter_context(rtu_devices(peer_server, UNIT))
            yield stack.enter_context(Link(SerialSettings(port, 115_200, "N")))


def test_identity_and_known_value_are_read_where_they_are(link: Link) -> None:
    assert link.exchange(UNIT, None, ("input", 0, 2), False, 1.0) == [IDENTITY, KNOWN]


def test_an_address_is_counted_from_zero(link: Link) -> None:
    assert link.exchange(UNIT, None, ("input", 199, 1), False, 1.0) == [199]
    with pytest.raises(LinkError) as caught:
        link.exchange(UNIT, None, ("input", 200, 1), False, 1.0)
    assert (caught.value.kind, caught.value.code) == (Trouble.REFUSED, 2)


def test_registers_written_are_the_registers_read(link: Link) -> None:
    values = [0, 1, 0x8000, 0xFFFF, 12, 13, 14]
    written = ("holding", 20, values)
    assert link.exchange(UNIT, written, ("holding", 19, 9), False, 1.0) == [0, *values, 0]


def test_one_request_writes_before_it_reads(link: Link) -> None:
    for n in range(5):
        written = ("holding", 0, [n, n + 1])
        assert link.exchange(UNIT, written, ("holding", 0, 2), True, 1.0) == [n, n + 1]


def test_coils_written_are_the_coils_read(link: Link) -> None:
    bits = [1, 0, 1, 1, 0, 0, 0, 0, 1, 1, 1]
    assert link.exchange(UNIT, ("coil", 7, bits), ("coil", 6, 13), False, 1.0) == [0, *bits, 0]


def test_discrete_inputs_come_in_order(link: Link) -> None:
    assert link.exchange(UNIT, None, ("discrete", 0, 19), False, 1.0) == [n % 2 for n in range(19)]


@pytest.mark.parametrize(("table", "count"), [("holding", 125), ("input", 125), ("coil", 200)])
def test_the_longest_block_arrives_whole(link: Link, table: str, count: int) -> None:
    assert len(link.exchange(UNIT, None, (table, 0, count), False, 1.0)) == count


def test_a_foreign_unit_is_silent_and_the_next_request_is_answered(link: Link) -> None:
    # on a serial line the device awaits the answer of unit 4 for 0.5 s and would take the next request for it
    with pytest.raises(LinkError) as caught:
        link.exchange(UNIT + 1, None, ("coil", 0, 1), False, 0.25)
    assert caught.value.kind is Trouble.TIMED_OUT
    assert link.exchange(UNIT, None, ("input", 0, 1), False, 1.0) == [IDENTITY]


def test_two_devices_on_one_line_keep_their_own_registers(peer_server: Path) -> None:
    with rtu_devices(peer_server, 3, 4) as port, Link(SerialSettings(port, 115_200, "N")) as link:
        for n in range(30):
            for unit_id in (3, 4):
                written = ("holding", 0, [n, unit_id])
                answer = link.exchange(unit_id, written, ("input", 3, 2), False, 1.0)
                assert answer == [n, unit_id]


def test_a_device_that_restarts_is_asked_again_within_a_second(peer_server: Path) -> None:
    read = ("input", 0, 1)
    with tcp_device(peer_server, UNIT) as port:
        link = Link(TcpSettings("127.0.0.1", port))
        assert link.exchange(UNIT, None, read, False, 1.0) == [IDENTITY]
    with pytest.raises(LinkError):
        link.exchange(UNIT, None, read, False, 0.3)
    with tcp_device(peer_server, UNIT, port), link:
        back_s = time.monotonic()
        values: list[int] = []
        while not values:
            with contextlib.suppress(LinkError):
                values = link.exchange(UNIT, None, read, False, 0.3)
        assert time.monotonic() - back_s < 1.0
