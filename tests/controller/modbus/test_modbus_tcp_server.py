"""The TCP server in raw bytes: units, limits, peers that misbehave, the end."""

from __future__ import annotations

import asyncio
import gc
import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.modbus.frames import Request, tcp_frame
from controller.modbus.pdu import DeviceFailedError, NoAnswerError
from controller.modbus.server import ServerThread, TcpServer, serve_tcp
from controller.tables import Table
from tests.controller.modbus.lines import DEADLINE_S, TcpLine
from tests.controller.modbus.tables import Tables

UNIT = 17
READ = bytes.fromhex("03 0000 0002")
READ_SAID = bytes.fromhex("03 04 0102 0304")
LONG_READ = bytes.fromhex("03 0000 007D")


def framed(pdu: bytes, unit: int = UNIT, transaction: int = 1) -> bytes:
    return tcp_frame(Request(unit, b"", transaction), pdu)


def until(holds: Callable[[], bool]) -> bool:
    """Whether that comes true in time."""
    end_s = time.monotonic() + DEADLINE_S
    while not holds() and time.monotonic() < end_s:
        time.sleep(0.005)
    return holds()


@pytest.fixture
def device() -> Tables:
    device = Tables(1000)
    device.set(Table.HOLDING, 0, [0x0102, 0x0304])
    return device


@pytest.fixture
def thread() -> Iterator[ServerThread]:
    with ServerThread() as thread:
        yield thread


@pytest.fixture
def server(thread: ServerThread, device: Tables) -> TcpServer:
    return thread.start(serve_tcp({UNIT: device}))


def asks(server: TcpServer, pdu: bytes = READ, unit: int = UNIT) -> bytes:
    """One request on a connection of its own; the whole response frame."""
    with TcpLine(server.port) as line:
        line.send(framed(pdu, unit))
        head = line.receive(6)
        return head + line.receive(int.from_bytes(head[4:]))


def test_a_response_repeats_transaction_and_unit(server):
    with TcpLine(server.port) as line:
        line.send(framed(READ, UNIT, 0xBEEF))
        assert line.receive(13) == framed(READ_SAID, UNIT, 0xBEEF)


def test_every_request_of_one_segment_is_answered_in_order(server):
    with TcpLine(server.port) as line:
        line.send(b"".join(framed(READ, UNIT, n) for n in range(50)))
        assert line.receive(13 * 50) == b"".join(framed(READ_SAID, UNIT, n) for n in range(50))
    assert server.counts.requests == 50


def test_a_request_split_over_segments_is_answered_once(server):
    with TcpLine(server.port) as line:
        line.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for byte in framed(READ):
            line.send(bytes((byte,)))
        assert line.receive(13) == framed(READ_SAID)
    assert server.counts.requests == 1


def test_each_unit_of_a_server_is_a_device_of_its_own(thread):
    one, two = Tables(10), Tables(10)
    server = thread.start(serve_tcp({1: one, 255: two}))
    assert asks(server, bytes.fromhex("06 0000 0005"), 255) == framed(bytes.fromhex("06 0000 0005"), 255)
    assert one.values[Table.HOLDING][0] == 0
    assert two.values[Table.HOLDING][0] == 5


@pytest.mark.parametrize("unit", [0, 1, 255])
def test_a_unit_that_is_not_ours_gets_exception_0b_and_nothing_is_written(server, device, unit):
    assert asks(server, bytes.fromhex("06 0000 0005"), unit) == framed(bytes.fromhex("86 0B"), unit)
    assert device.writers == []
    assert (server.counts.foreign, server.counts.requests) == (1, 0)


def test_a_write_says_who_wrote(server, device):
    with TcpLine(server.port) as line:
        host, port = line.socket.getsockname()
        line.send(framed(bytes.fromhex("06 0000 0005")))
        line.receive(12)
    assert device.writers == [f"{host}:{port}"]


@pytest.mark.parametrize("header", ["0001 0001 0006 11", "0001 0000 0001 11", "0001 0000 00FF 11"])
def test_a_bad_header_closes_the_connection_after_the_good_requests(server, header):
    with TcpLine(server.port) as line:
        line.send(framed(READ) + bytes.fromhex(header) + framed(READ))
        assert line.receive(13) == framed(READ_SAID)
        assert line.is_closed()
    assert server.counts.bad_frames == 1
    assert asks(server) == framed(READ_SAID)


def test_a_refused_request_and_a_failed_device_count_as_exceptions(server, device):
    assert asks(server, bytes.fromhex("03 0000 0000")) == framed(bytes.fromhex("83 03"))
    device.broken = DeviceFailedError()
    assert asks(server) == framed(bytes.fromhex("83 04"))
    assert (server.counts.exceptions, server.counts.failures) == (2, 0)


def test_a_silent_device_is_not_answered_for_and_the_requests_around_it_are(thread):
    silent, other = Tables(10), Tables(10)
    silent.broken = NoAnswerError()
    server = thread.start(serve_tcp({UNIT: silent, UNIT + 1: other}))
    said = tcp_frame(Request(UNIT + 1, b"", 2), bytes.fromhex("03 04 0000 0000"))
    with TcpLine(server.port) as line:
        line.send(framed(READ) + framed(READ, UNIT + 1, transaction=2) + framed(READ, transaction=3))
        assert line.receive(len(said)) == said
        silent.broken = None
        line.send(framed(READ, transaction=4))
        assert line.receive(len(said)) == tcp_frame(Request(UNIT, b"", 4), bytes.fromhex("03 04 0000 0000"))
    counts = server.counts
    assert (counts.requests, counts.unanswered, counts.exceptions, counts.failures) == (4, 2, 0, 0)


def test_a_mistake_inside_a_device_is_exception_04_and_is_told(server, device):
    device.broken = ZeroDivisionError("share of nothing")
    assert asks(server) == framed(bytes.fromhex("83 04"))
    device.broken = None
    assert asks(server) == framed(READ_SAID)
    assert server.counts.failures == 1
    assert server.counts.last_failure == "unit 17: ZeroDivisionError('share of nothing')"


def test_one_connection_too_many_costs_the_one_that_has_longest_asked_for_nothing(thread, device):
    server = thread.start(serve_tcp({UNIT: device}, connections=3))
    lines = [TcpLine(server.port) for _ in range(3)]
    for line in (lines[1], lines[0], lines[2]):
        line.send(framed(READ))
        line.receive(13)
    with TcpLine(server.port) as newest:
        assert lines[1].is_closed()
        for line in (lines[0], lines[2], newest):
            line.send(framed(READ))
            assert line.receive(13) == framed(READ_SAID)
    assert server.counts.dropped == 1
    for line in lines:
        line.close()


def test_any_number_of_connections_that_never_ask_does_not_push_out_one_that_did(thread, device):
    server = thread.start(serve_tcp({UNIT: device}, connections=3))
    with TcpLine(server.port) as master:
        master.send(framed(READ))
        master.receive(13)
        scan = [TcpLine(server.port) for _ in range(20)]
        assert until(lambda: server.counts.accepted == 21)
        assert server.counts.connections == 3
        master.send(framed(READ))
        assert master.receive(13) == framed(READ_SAID)
        for line in scan:
            line.close()


@pytest.mark.parametrize("dribble", [b"", b"\x00"])
def test_a_connection_without_a_whole_request_is_closed_after_the_idle_time(thread, device, dribble):
    server = thread.start(serve_tcp({UNIT: device}, idle_s=0.1))
    with TcpLine(server.port) as line:
        line.send(dribble)
        assert line.is_closed()
    assert until(lambda: server.counts.connections == 0)
    assert server.counts.dropped == 1


def test_a_connection_that_asks_is_not_idle(thread, device):
    """Twenty requests over four idle times."""
    server = thread.start(serve_tcp({UNIT: device}, idle_s=0.5))
    with TcpLine(server.port) as line:
        for _ in range(20):
            line.send(framed(READ))
            assert line.receive(13) == framed(READ_SAID)
            time.sleep(0.1)
    assert server.counts.dropped == 0


def test_a_peer_that_vanished_is_noticed_by_the_operating_system():
    """Half-open connections cannot be made on one machine; what is asked of the system can be read back."""

    async def options() -> list[int]:
        server = await serve_tcp({})
        accepted: list[socket.socket] = []
        with TcpLine(server.port):
            while not server._open:
                await asyncio.sleep(0.001)
            accepted = [c._transport.get_extra_info("socket") for c in server._open]
            names = (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)
            found = [accepted[0].getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)]
            found += [accepted[0].getsockopt(socket.IPPROTO_TCP, name) for name in names]
        await server.close()
        return found

    assert asyncio.run(options()) == [1, 10, 5, 3]


def test_a_peer_that_asks_and_never_reads_is_not_served_on_and_holds_up_nobody(thread, device):
    """What it may cost: socket buffers, a few ten thousand bytes of answers, no more of its requests."""
    server = thread.start(serve_tcp({UNIT: device}, idle_s=2.0))
    with TcpLine(server.port) as glutton:
        glutton.socket.setblocking(False)
        asked, batch = 0, framed(LONG_READ) * 300
        end_s = time.monotonic() + 0.5
        while time.monotonic() < end_s:  # until nothing has been taken for half a second
            try:
                asked += glutton.socket.send(batch)
                end_s = time.monotonic() + 0.5
            except BlockingIOError:
                time.sleep(0.005)
        served = server.counts.requests
        assert served < asked / len(framed(LONG_READ))
        assert asks(server) == framed(READ_SAID)
        assert server.counts.requests == served + 1
        unsent = [connection._transport.get_write_buffer_size() for connection in server._open]
        assert max(unsent) < 16_384 + 4096 / 12 * 259 + 259
        assert until(lambda: server.counts.connections == 0)


def test_a_peer_that_reads_late_still_gets_every_answer(server):
    n = 6000  # 1.5 MB of answers
    with TcpLine(server.port) as line:
        sending = threading.Thread(target=line.send, args=(framed(LONG_READ) * n,))
        sending.start()
        time.sleep(0.2)
        assert len(line.receive(259 * n)) == 259 * n
        sending.join(DEADLINE_S)
    assert server.counts.requests == n


def test_the_end_closes_every_connection_and_frees_the_port(device):
    with ServerThread() as thread:
        server = thread.start(serve_tcp({UNIT: device}))
        port = server.port
        line = TcpLine(port)
        line.send(framed(READ))
        line.receive(13)
    assert line.is_closed()
    assert server.counts.connections == 0
    with pytest.raises(ConnectionRefusedError):
        TcpLine(port)
    with ServerThread() as thread:
        assert thread.start(serve_tcp({UNIT: device}, port=port)).port == port


@pytest.mark.parametrize("turns", range(6))
async def test_a_connection_that_comes_while_the_server_closes_is_closed_too(turns):
    """Accepting takes some turns of the loop; the end may fall into any of them.

    In one of them asyncio loses the connection to an assertion of its own (Python 3.11), and the peer is told
    when that is collected.
    """
    server = await serve_tcp({})
    with TcpLine(server.port) as line:
        for _ in range(turns):
            await asyncio.sleep(0)
        await server.close()
        await asyncio.sleep(0)
        gc.collect()
        assert await asyncio.to_thread(line.is_closed)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "", "192.0.2.1", "plant.example"])
def test_an_address_that_others_can_reach_must_be_asked_for(thread, host):
    with pytest.raises(ValueError, match="beyond_loopback"):
        thread.start(serve_tcp({}, host))


def test_an_address_that_others_can_reach_is_had_when_asked_for(thread, device):
    server = thread.start(serve_tcp({UNIT: device}, "0.0.0.0", beyond_loopback=True))
    assert asks(server) == framed(READ_SAID)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.8.8", "localhost"])
def test_loopback_needs_no_word(thread, host):
    assert thread.start(serve_tcp({}, host)).port > 0


@pytest.mark.parametrize("unit", [-1, 256])
def test_a_unit_id_that_fits_no_byte_is_refused(thread, unit):
    with pytest.raises(ValueError, match=f"unit id {unit}"):
        thread.start(serve_tcp({unit: Tables(1)}))


def test_a_port_that_is_taken_is_told_to_the_caller(thread, server):
    with pytest.raises(OSError, match="in use"):
        thread.start(serve_tcp({}, port=server.port))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.binary(max_size=400), max_size=6))
def test_after_any_bytes_a_legal_request_on_a_new_connection_is_answered(server, segments):
    with TcpLine(server.port) as line:
        try:
            for segment in segments:
                line.send(segment)
        except ConnectionError:
            pass  # closed for a bad header, as it should be
    assert asks(server) == framed(READ_SAID)
    assert server.counts.failures == 0


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.binary(min_size=1, max_size=253), max_size=20))
def test_after_any_requests_in_good_headers_a_legal_one_on_the_same_connection_is_answered(server, pdus):
    harmless = [bytes((pdu[0] | 0x08,)) + pdu[1:] for pdu in pdus]  # functions that the server does not know
    with TcpLine(server.port) as line:
        line.send(b"".join(framed(pdu) for pdu in harmless) + framed(READ, UNIT, 99))
        answers = line.receive(9 * len(pdus) + 13)
    assert answers.endswith(framed(READ_SAID, UNIT, 99))
    assert server.counts.failures == 0
