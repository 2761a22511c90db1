"""The serial server in raw bytes, on a pseudo terminal: units, broadcast, garbage, silence, lost ports."""

from __future__ import annotations

import os
import termios
import threading
import time
from collections.abc import Iterator

import pytest
import serial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.modbus import serial_server
from controller.modbus.frames import rtu_frame
from controller.modbus.pdu import NoAnswerError
from controller.modbus.server import SerialServer, ServerThread, serve_serial, serve_tcp
from controller.tables import Table
from tests.controller.modbus.lines import SILENCE_S, SerialLine, TcpLine
from tests.controller.modbus.tables import Tables

READ = rtu_frame(17, bytes.fromhex("03 0000 0002"))
SAID = rtu_frame(17, bytes.fromhex("03 04 0102 0304"))
WRITE_5 = bytes.fromhex("06 0000 0005")


@pytest.fixture
def line() -> Iterator[SerialLine]:
    with SerialLine() as line:
        yield line


@pytest.fixture
def devices() -> dict[int, Tables]:
    devices = {17: Tables(100), 18: Tables(100)}
    devices[17].set(Table.HOLDING, 0, [0x0102, 0x0304])
    return devices


@pytest.fixture
def server(line: SerialLine, devices: dict[int, Tables]) -> Iterator[SerialServer]:
    with ServerThread() as thread:
        yield thread.start(serve_serial(devices, line.name, parity="N"))


@pytest.mark.usefixtures("server")
def test_a_request_is_answered(line):
    line.send(READ)
    assert line.receive(len(SAID)) == SAID
    assert line.is_silent()


def test_a_refused_request_gets_its_exception_with_unit_and_function(line, server):
    line.send(rtu_frame(18, bytes.fromhex("03 0000 007E")))
    assert line.receive(5) == rtu_frame(18, bytes.fromhex("83 03"))
    assert server.counts.exceptions == 1


@pytest.mark.usefixtures("server")
def test_a_function_that_is_not_served_gets_exception_01(line):
    line.send(rtu_frame(18, bytes.fromhex("2B 0E 01 00")))
    assert line.receive(5) == rtu_frame(18, bytes.fromhex("AB 01"))


@pytest.mark.parametrize("unit", [1, 9, 247])
def test_a_unit_that_is_not_ours_meets_silence(line, server, devices, unit):
    line.send(rtu_frame(unit, WRITE_5))
    assert line.is_silent()
    assert devices[17].writers == devices[18].writers == []
    assert (server.counts.foreign, server.counts.requests) == (1, 0)


def test_a_silent_device_meets_silence_and_another_on_the_line_is_answered(line, server, devices):
    devices[18].broken = NoAnswerError()
    line.send(rtu_frame(18, WRITE_5))
    assert line.is_silent()
    line.send(READ)
    assert line.receive(len(SAID)) == SAID
    assert (server.counts.requests, server.counts.unanswered, server.counts.exceptions) == (2, 1, 0)


@pytest.mark.usefixtures("server")
def test_a_broadcast_write_is_carried_out_everywhere_and_never_answered(line, devices):
    line.send(rtu_frame(0, WRITE_5))
    assert line.is_silent()
    assert [device.values[Table.HOLDING][0] for device in devices.values()] == [5, 5]
    line.send(READ)
    assert line.receive(len(SAID)) == rtu_frame(17, bytes.fromhex("03 04 0005 0304"))


@pytest.mark.parametrize("pdu", ["03 0000 0002", "17 0000 0001 0000 0001 02 0009", "06 FFFF 0001", "2B 0E"])
def test_a_broadcast_of_anything_else_does_nothing(line, server, devices, pdu):
    line.send(rtu_frame(0, bytes.fromhex(pdu)))
    assert line.is_silent()
    assert devices[17].values[Table.HOLDING][0] == 0x0102
    assert server.counts.failures == 0


@pytest.mark.usefixtures("server")
def test_a_write_says_on_which_line_it_came(line, devices):
    line.send(rtu_frame(18, WRITE_5))
    line.receive(8)
    assert devices[18].writers == [line.name]


def test_a_wrong_crc_is_dropped_in_silence(line, server):
    line.send(READ[:-1] + bytes((READ[-1] ^ 1,)))
    assert line.is_silent()
    assert server.counts.bad_frames == 1


@pytest.mark.usefixtures("server")
def test_a_frame_cut_off_does_not_lose_the_good_one_after_the_silence(line):
    line.send(rtu_frame(17, bytes.fromhex("10 0000 0010 20") + bytes(32))[:12])
    assert line.is_silent()
    line.send(READ)
    assert line.receive(len(SAID)) == SAID


@pytest.mark.parametrize("garbage", [b"\x00", b"\xff\xff\xff", b"\x11\x10\x00\x00\x00\x10\x20", READ[1:]])
@pytest.mark.usefixtures("server")
def test_garbage_right_before_a_request_does_not_lose_it(line, garbage):
    line.send(garbage + READ)
    assert line.receive(len(SAID)) == SAID


@pytest.mark.usefixtures("server")
def test_noise_right_behind_a_request_does_not_lose_it(line):
    line.send(READ + b"\x00")
    assert line.receive(len(SAID)) == SAID


@pytest.mark.usefixtures("server")
def test_a_request_in_pieces_is_answered(line):
    """As an adapter hands it over, without the silence that would end it."""
    line.send(READ[:3])
    time.sleep(0.002)
    line.send(READ[3:])
    assert line.receive(len(SAID)) == SAID


def test_of_requests_that_queued_up_only_the_last_is_answered_and_all_are_carried_out(line, server, devices):
    """The master has given up on the others: a late answer would be taken for that of a later request."""
    line.send(rtu_frame(18, WRITE_5) + rtu_frame(18, bytes.fromhex("06 0001 0007")) + READ)
    assert line.receive(len(SAID)) == SAID
    assert line.is_silent()
    assert devices[18].values[Table.HOLDING][:2] == [5, 7]
    assert server.counts.requests == 3


def test_a_request_whose_master_went_on_while_the_device_was_slow_is_not_answered(line, devices):
    asked, go_on = threading.Event(), threading.Event()

    class Slow(Tables):
        def read(self, table, address, count):
            asked.set()
            go_on.wait(5.0)
            return super().read(table, address, count)

    with ServerThread() as thread:
        thread.start(serve_serial({17: devices[17], 19: Slow(10)}, line.name, parity="N"))
        line.send(rtu_frame(19, bytes.fromhex("03 0000 0001")))
        assert asked.wait(5.0)
        line.send(READ)
        line.wait_for_arrival(len(READ))
        go_on.set()
        assert line.receive(len(SAID)) == SAID
        assert line.is_silent()


def test_what_looks_like_a_response_of_ours_is_never_answered(line, server):
    """An adapter that echoes, or a second device with our id: answering would never end."""
    line.send(rtu_frame(17, bytes.fromhex("83 02")))
    assert line.is_silent()
    assert server.counts.requests == 0


def test_a_neighbours_talk_does_not_hold_up_a_request_for_us(line, server):
    neighbour = rtu_frame(9, bytes.fromhex("03 0000 0001")) + rtu_frame(9, bytes.fromhex("03 02 0007"))
    line.send(neighbour + READ)
    assert line.receive(len(SAID)) == SAID
    assert server.counts.bad_frames == 0


def test_a_port_that_is_lost_is_opened_again_when_it_is_back(tmp_path, devices, monkeypatch):
    """An adapter that is pulled out and put in again comes back under the same name."""
    monkeypatch.setattr(serial_server, "REOPEN_S", 0.02)
    port = tmp_path / "adapter"
    with ServerThread() as thread:
        with SerialLine() as first:
            port.symlink_to(first.name)
            server = thread.start(serve_serial(devices, str(port), parity="N"))
            first.send(READ)
            assert first.receive(len(SAID)) == SAID
        with SerialLine() as second:
            port.unlink()
            port.symlink_to(second.name)
            end_s = time.monotonic() + 5.0
            while server.counts.reopened == 0 and time.monotonic() < end_s:
                time.sleep(0.01)
            second.send(READ)
            assert second.receive(len(SAID)) == SAID
            assert server.counts.last_failure.startswith(str(port))


def test_the_end_lets_go_of_the_port(line, devices):
    servers = []
    for _ in range(2):
        with ServerThread() as thread:
            servers.append(thread.start(serve_serial(devices, line.name, parity="N")))
            line.send(READ)
            assert line.receive(len(SAID)) == SAID
    assert not [thread for thread in threading.enumerate() if line.name in thread.name]


def test_a_port_in_use_and_a_port_that_is_not_there_are_told_to_the_caller(line, server, tmp_path):
    with ServerThread() as thread:
        with pytest.raises(OSError, match="exclusively lock"):
            thread.start(serve_serial({}, line.name, parity="N"))
        with pytest.raises(OSError, match="nowhere"):
            thread.start(serve_serial({}, str(tmp_path / "nowhere")))
    assert server.counts.failures == 0


def test_a_port_that_does_not_take_the_parity_is_told_to_the_caller(line, monkeypatch):
    """termios has an error of its own, which is no OSError."""

    def refuse(*_arguments: object, **_options: object) -> None:
        raise termios.error(22, "Invalid argument")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with ServerThread() as thread, pytest.raises(OSError, match="does not take 19200 E 1"):
        thread.start(serve_serial({}, line.name))


@pytest.mark.parametrize("unit", [0, 248])
def test_a_unit_id_that_no_serial_device_may_have_is_refused(line, unit):
    with ServerThread() as thread, pytest.raises(ValueError, match=f"unit id {unit}"):
        thread.start(serve_serial({unit: Tables(1)}, line.name, parity="N"))


def test_devices_of_a_line_and_a_port_in_one_thread_are_called_in_that_thread(line):
    callers = set()

    class Watched(Tables):
        def read(self, table, address, count):
            callers.add(threading.current_thread().name)
            return super().read(table, address, count)

    device = Watched(10)
    with ServerThread() as thread:
        thread.start(serve_serial({17: device}, line.name, parity="N"))
        port = thread.start(serve_tcp({17: device})).port
        line.send(READ)
        line.receive(len(SAID))
        with TcpLine(port) as client:
            client.send(bytes.fromhex("0001 0000 0006 11 03 0000 0002"))
            assert len(client.receive(13)) == 13
    assert callers == {"modbus servers"}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(chunks=st.lists(st.binary(max_size=300), max_size=4))
def test_after_any_bytes_and_a_silence_a_legal_request_is_answered(line, server, chunks):
    for chunk in chunks:
        line.send(chunk)
    while not line.is_silent(SILENCE_S):
        os.read(line.here, 4096)  # the answer to something that happened to be a request
    line.send(READ)
    assert line.receive(len(SAID)) == SAID
    assert server.counts.failures == 0
