"""The asking side against a device on the npm package modbus-serial, over TCP."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.modbus.link import Link, LinkError, TcpSettings, Trouble
from tests.hil.npm_peer import install, npm_device

UNIT = 3


@pytest.fixture(scope="module")
def device_port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    with npm_device(install(tmp_path_factory.mktemp("npm")), UNIT) as port:
        yield port


@pytest.fixture
def link(device_port: int) -> Iterator[Link]:
    with Link(TcpSettings("127.0.0.1", device_port)) as link:
        yield link


def test_input_registers_are_read_where_they_are(link: Link) -> None:
    assert link.exchange(UNIT, None, ("input", 10, 3), False, 1.0) == [1010, 1011, 1012]
    assert link.exchange(UNIT, None, ("input", 199, 1), False, 1.0) == [1199]


def test_discrete_inputs_come_in_order(link: Link) -> None:
    read = link.exchange(UNIT, None, ("discrete", 1, 19), False, 1.0)
    assert read == [int(n % 3 == 0) for n in range(1, 20)]


def test_coils_written_are_the_coils_read(link: Link) -> None:
    bits = [1, 0, 1, 1, 0, 0, 0, 0, 1, 1, 1]
    assert link.exchange(UNIT, ("coil", 7, bits), ("coil", 6, 13), False, 1.0) == [0, *bits, 0]


def test_registers_written_are_the_registers_read(link: Link) -> None:
    values = [0, 1, 0x8000, 0xFFFF, 12, 13, 14]
    assert link.exchange(UNIT, ("holding", 20, values), ("holding", 19, 9), False, 1.0) == [0, *values, 0]


def test_one_coil_and_one_register_are_written_alone(link: Link) -> None:
    assert link.exchange(UNIT, ("coil", 100, [1]), ("coil", 99, 3), False, 1.0) == [0, 1, 0]
    assert link.exchange(UNIT, ("holding", 100, [0xBEEF]), ("holding", 99, 3), False, 1.0) == [0, 0xBEEF, 0]


@pytest.mark.parametrize(("table", "count"), [("holding", 125), ("input", 125), ("coil", 200)])
def test_the_longest_block_arrives_whole(link: Link, table: str, count: int) -> None:
    assert len(link.exchange(UNIT, None, (table, 0, count), False, 1.0)) == count


@pytest.mark.parametrize("table", ["coil", "discrete", "holding", "input"])
def test_an_address_that_is_not_there_is_refused_and_the_next_request_is_answered(
    link: Link, table: str
) -> None:
    with pytest.raises(LinkError) as caught:
        link.exchange(UNIT, None, (table, 199, 2), False, 1.0)
    assert (caught.value.kind, caught.value.code) == (Trouble.REFUSED, 2)
    assert link.exchange(UNIT, None, ("input", 0, 1), False, 1.0) == [1000]


@pytest.mark.parametrize(("table", "values"), [("coil", [1, 1]), ("holding", [1, 2])])
def test_a_write_beyond_the_end_is_refused(link: Link, table: str, values: list[int]) -> None:
    with pytest.raises(LinkError) as caught:
        link.exchange(UNIT, (table, 199, values), None, False, 1.0)
    assert (caught.value.kind, caught.value.code) == (Trouble.REFUSED, 2)


def test_a_function_that_the_device_does_not_know_is_refused_with_exception_1(link: Link) -> None:
    with pytest.raises(LinkError) as caught:
        link.exchange(UNIT, ("holding", 0, [1]), ("holding", 0, 1), True, 1.0)
    assert (caught.value.kind, caught.value.code) == (Trouble.REFUSED, 1)


def test_a_foreign_unit_is_silent_and_the_next_request_is_answered(link: Link) -> None:
    with pytest.raises(LinkError) as caught:
        link.exchange(UNIT + 1, None, ("input", 0, 1), False, 0.25)
    assert caught.value.kind is Trouble.TIMED_OUT
    assert link.exchange(UNIT, None, ("input", 0, 1), False, 1.0) == [1000]


def test_a_machine_without_npm_fails_and_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "which", lambda _name: None)
    with pytest.raises(pytest.fail.Exception, match="apt-get install nodejs npm"):
        install(tmp_path)
