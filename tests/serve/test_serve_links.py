"""Where the links of a wiring are served, and what is refused."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
from serve_samples import on_line

from controller.files import InputError
from controller.modbus.frames import rtu_frame
from controller.modbus.server import ServerThread
from controller.wiring import Wiring
from sim_plant.serve.links import Places, Served, serve_links
from sim_plant.serve.remote_io import RemoteIo
from tests.controller.modbus.lines import SerialLine, TcpLine
from tests.ports import free_port
from tests.wiring.wiring_samples import PAIR, changed, wired

EACH_ITS_LINK = changed(
    PAIR,
    (
        '[[device]]\nname = "skid*"\nlink = "io"',
        '[[link]]\nname = "skid*"\nhost = "HOST"\nport = PORT\n\n[[device]]\nname = "skid*"\nlink = "skid*"',
    ),
)
READ_LIFE = bytes.fromhex("0001 0000 0006 64 04 0064 0001")


@pytest.fixture
def thread() -> Iterator[ServerThread]:
    with ServerThread() as thread:
        yield thread


def served(wiring: Wiring, places: Places, thread: ServerThread) -> list[Served]:
    return serve_links(wiring, RemoteIo(wiring, lambda: 0), places, thread)


def each_its_link(host: str, port: str) -> Wiring:
    return wired(
        changed(EACH_ITS_LINK, ("HOST", host), ("PORT", port), ("port = 1502", f"port = {free_port()}"))
    )


def listening(port: int) -> Wiring:
    return wired(changed(PAIR, ("port = 1502", f"port = {port}")))


def test_a_link_is_served_at_its_own_place(thread: ServerThread) -> None:
    port = free_port()
    one = served(listening(port), Places(), thread)
    assert [link.words for link in one] == [f"link io: 127.0.0.1:{port}, unit ids 1 to 2, 100"]
    with TcpLine(port) as line:
        line.send(READ_LIFE)
        assert line.receive(11) == bytes.fromhex("0001 0000 0005 64 04 02 0000")


def test_a_host_that_is_not_this_machine_is_served_on_loopback_and_that_is_told(thread: ServerThread) -> None:
    port = free_port()
    wiring = wired(changed(PAIR, ("127.0.0.1", "192.168.10.20"), ("port = 1502", f"port = {port}")))
    (one,) = served(wiring, Places(), thread)
    assert one.words.startswith(f"link io: 127.0.0.1:{port} (in place of 192.168.10.20:{port})")


def test_a_free_port_is_taken_and_named(thread: ServerThread) -> None:
    (one,) = served(wired(), Places(port=0), thread)
    port = int(one.words.split(":")[2].split(" ")[0])
    with TcpLine(port):
        pass
    assert "(in place of 127.0.0.1:1502)" in one.words


def test_a_port_in_use_is_named(thread: ServerThread) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(InputError, match=rf"^link io: port {port} on 127.0.0.1 is in use$"):
            served(listening(port), Places(), thread)


def test_what_was_started_before_another_link_failed_is_let_go_with_the_thread() -> None:
    first = free_port()
    with socket.create_server(("127.0.0.1", 0)) as other:
        skid = (("HOST", "127.0.0.1"), ("PORT", str(other.getsockname()[1])))
        wiring = wired(changed(EACH_ITS_LINK, *skid, ("port = 1502", f"port = {first}")), 1)
        with ServerThread() as thread, pytest.raises(InputError, match=r"^link skid1: port"):
            served(wiring, Places(), thread)
    with socket.create_server(("127.0.0.1", first)):
        pass


def test_an_address_that_this_machine_does_not_have_is_refused(thread: ServerThread) -> None:
    with pytest.raises(InputError, match=r"^link io: port \d+ on 192.0.2.1 cannot be had"):
        served(listening(free_port()), Places(bind="192.0.2.1"), thread)  # TEST-NET-1, RFC 5737


def test_one_port_for_several_links_is_refused(thread: ServerThread) -> None:
    with pytest.raises(InputError, match=r"^--port 1600: is for a wiring with one TCP link, and this has 3$"):
        served(each_its_link("127.0.0.1", '"1600+*"'), Places(port=1600), thread)


def test_links_that_would_meet_on_loopback_are_refused(thread: ServerThread) -> None:
    with pytest.raises(InputError, match=r'^links "skid1" and "skid2" would both listen on 127.0.0.1:502;'):
        served(each_its_link("192.168.10.1*", "502"), Places(), thread)


def test_addresses_of_this_machine_may_share_a_port(thread: ServerThread) -> None:
    port = free_port()
    links = served(each_its_link("127.0.0.1*", str(port)), Places(), thread)
    assert [one.words for one in links][1:] == [
        f"link skid{unit}: 127.0.0.1{unit}:{port}, unit ids {unit}" for unit in (1, 2)
    ]


def test_a_serial_line_is_served_at_its_port(thread: ServerThread) -> None:
    with SerialLine() as line:
        (one,) = served(on_line(wired(), line.name), Places(), thread)
        assert one.words == f"link io: {line.name} at 115200 baud, 8N1, unit ids 1 to 2, 100"
        line.send(rtu_frame(100, bytes.fromhex("04 0064 0001")))
        assert line.receive(7) == rtu_frame(100, bytes.fromhex("04 02 0000"))


def test_a_serial_port_that_is_not_there_is_named(thread: ServerThread) -> None:
    with pytest.raises(InputError, match=r"^link io: serial port /dev/no-such-port cannot be had"):
        served(on_line(wired(), "/dev/no-such-port"), Places(), thread)


def test_a_serial_url_of_another_machine_is_refused(thread: ServerThread) -> None:
    with pytest.raises(InputError, match=r"192.0.2.1 is not this machine"):
        served(on_line(wired(), "socket://192.0.2.1:7000"), Places(), thread)


@pytest.mark.parametrize(
    ("bind", "beyond"), [(None, False), ("127.0.0.2", False), ("0.0.0.0", True), ("::", True)]
)
def test_what_lets_other_machines_in(bind: str | None, beyond: bool) -> None:
    assert Places(bind=bind).beyond_loopback is beyond
