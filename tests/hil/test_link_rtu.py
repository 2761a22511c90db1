"""The asking side on a serial line, against peers on a pseudo-terminal that break every rule they can.

A pseudo-terminal has no baud rate: bytes arrive at once. Only the pauses are real.
"""

from __future__ import annotations

import contextlib
import os
import time
import tty
from collections.abc import Callable
from pathlib import Path

import pytest
import serial

from controller.files import InputError
from controller.modbus.link import Link, LinkError, Rs485, SerialSettings, Trouble
from tests.hil.peers import Asked, SerialPeer, registers, rtu, serial_peer, tcp_peer

READ = ("holding", 0, 2)
DEADLINE_S, SLACK_S = 0.3, 0.15
LATE_S = 0.5

React = Callable[[SerialPeer, bytes, int], None]


def settings(port: str, late_answer_s: float = LATE_S, silence_s: float | None = None) -> SerialSettings:
    return SerialSettings(port, 115_200, "N", late_answer_s=late_answer_s, silence_s=silence_s)


def read(link: Link, unit_id: int = 1) -> list[int]:
    return link.exchange(unit_id, None, READ, False, DEADLINE_S)


def trouble(link: Link) -> LinkError:
    began_s = time.monotonic()
    with pytest.raises(LinkError) as caught:
        read(link)
    assert time.monotonic() - began_s < LATE_S + DEADLINE_S + SLACK_S
    return caught.value


def honest(peer: SerialPeer, frame: bytes, nth: int) -> None:
    """Answers unit 1 with 1 and the count of requests, unit 2 with 2 and the count."""
    peer.send(rtu(frame[0], registers(frame[0], nth)))


# --- requests and sound answers ---------------------------------------------------------------------------


def test_a_request_carries_the_checksum_of_the_specification() -> None:
    with serial_peer(honest) as peer, Link(settings(peer.port)) as link:
        read(link)
        assert [frame for _, frame in peer.asked] == [rtu(1, bytes.fromhex("03 0000 0002"))]
    # value from memory of the trade: the frame that asks unit 1 for register 0 ends in 84 0A
    assert rtu(1, bytes.fromhex("03 0000 0001"))[-2:] == bytes.fromhex("84 0A")


def test_two_devices_on_one_line_are_asked_in_turn() -> None:
    with serial_peer(honest) as peer, Link(settings(peer.port)) as link:
        assert [read(link, nth % 2 + 1) for nth in range(40)] == [[nth % 2 + 1, nth] for nth in range(40)]


def test_an_answer_in_pieces_is_put_together() -> None:
    def react(peer: SerialPeer, frame: bytes, nth: int) -> None:
        for byte in rtu(frame[0], registers(3, nth)):
            peer.send(bytes([byte]))
            time.sleep(0.005)

    with serial_peer(react) as peer, Link(settings(peer.port)) as link:
        assert [read(link) for _ in range(5)] == [[3, nth] for nth in range(5)]


@pytest.mark.parametrize("code", [1, 2, 3, 4, 6, 0x0B])
def test_an_exception_is_a_sound_answer_after_which_the_line_need_not_rest(code: int) -> None:
    def react(peer: SerialPeer, _frame: bytes, nth: int) -> None:
        peer.send(rtu(1, registers(3, nth) if nth else bytes([0x83, code])))

    with serial_peer(react) as peer, Link(settings(peer.port, late_answer_s=5.0)) as link:
        error = trouble(link)
        assert (error.kind, error.code) == (Trouble.REFUSED, code)
        assert read(link) == [3, 1]
        assert peer.asked[1][0] - peer.asked[0][0] < 1.0


# --- late answers -----------------------------------------------------------------------------------------


def answers_late(peer: SerialPeer, frame: bytes, nth: int) -> None:
    """The first answer comes 0.1 s after the deadline; every other one 0.2 s after its request."""
    time.sleep(DEADLINE_S + 0.1 if nth == 0 else 0.2)
    peer.send(rtu(frame[0], registers(8, nth)))


def test_a_late_answer_of_the_same_shape_is_not_taken_for_the_next_one() -> None:
    with serial_peer(answers_late) as peer, Link(settings(peer.port)) as link:
        assert trouble(link).kind is Trouble.TIMED_OUT
        assert read(link) == [8, 1]


def test_without_the_rest_no_byte_tells_a_late_answer_from_the_next_one() -> None:
    """Why a line rests: told that no answer can be late, the link takes the old one for the new one."""
    with serial_peer(answers_late) as peer, Link(settings(peer.port, late_answer_s=0.0)) as link:
        assert trouble(link).kind is Trouble.TIMED_OUT
        assert read(link) == [8, 0]


def test_after_a_failure_the_line_rests_until_no_answer_can_be_late() -> None:
    def react(peer: SerialPeer, frame: bytes, nth: int) -> None:
        if nth:
            honest(peer, frame, nth)

    with serial_peer(react) as peer, Link(settings(peer.port, late_answer_s=0.7)) as link:
        trouble(link)
        assert read(link, 2) == [2, 1]
        (first_s, _), (second_s, _) = peer.asked
    assert 0.69 < second_s - first_s < 0.7 + SLACK_S


# --- what is no answer ------------------------------------------------------------------------------------

SOUND = rtu(1, registers(7, 9))
NOT_ANSWERS: dict[str, tuple[Trouble, bytes]] = {
    "another unit": (Trouble.FOREIGN, rtu(2, registers(7, 9))),
    "another function": (Trouble.FOREIGN, rtu(1, b"\x04" + registers(7, 9)[1:])),
    "exception of another function": (Trouble.FOREIGN, rtu(1, b"\x84\x02")),
    "another unit before ours": (Trouble.GARBLED, rtu(2, registers(7, 9)) + SOUND),
    "checksum": (Trouble.GARBLED, SOUND[:-1] + bytes([SOUND[-1] ^ 1])),
    "a bit of a value": (Trouble.GARBLED, SOUND[:4] + bytes([SOUND[4] ^ 0x10]) + SOUND[5:]),
    "a byte before the frame": (Trouble.GARBLED, b"\x00" + SOUND),
    "one register too many": (Trouble.FOREIGN, rtu(1, registers(7, 9, 11))),
    "one register too few": (Trouble.FOREIGN, rtu(1, registers(7))),
    "byte count, with a sound checksum": (Trouble.GARBLED, rtu(1, b"\x03\x02" + registers(7, 9)[2:])),
    "half an answer": (Trouble.TIMED_OUT, SOUND[:5]),
    "one byte": (Trouble.TIMED_OUT, SOUND[:1]),
}


@pytest.mark.parametrize("wrong", NOT_ANSWERS)
def test_what_does_not_fit_the_request_is_an_error_and_leaves_nothing_behind(wrong: str) -> None:
    kind, bytes_ = NOT_ANSWERS[wrong]

    def react(peer: SerialPeer, _frame: bytes, nth: int) -> None:
        peer.send(rtu(1, registers(3, nth)) if nth else bytes_)

    with serial_peer(react) as peer, Link(settings(peer.port)) as link:
        assert trouble(link).kind is kind
        assert read(link) == [3, 1]


def test_an_adapter_that_echoes_is_named() -> None:
    with serial_peer(lambda peer, frame, _: peer.send(frame)) as peer, Link(settings(peer.port)) as link:
        error = trouble(link)
    assert error.kind is Trouble.GARBLED
    assert "echo" in str(error)


def test_an_answer_sent_twice_is_taken_once() -> None:
    def react(peer: SerialPeer, frame: bytes, nth: int) -> None:
        peer.send(rtu(frame[0], registers(3, nth)) * 2)

    with serial_peer(react) as peer, Link(settings(peer.port)) as link:
        assert [read(link) for _ in range(20)] == [[3, nth] for nth in range(20)]


def babble(peer: SerialPeer, pause_s: float) -> None:
    end_s = time.monotonic() + 1.5
    while time.monotonic() < end_s:
        with contextlib.suppress(OSError):
            peer.send(b"\x01")
        time.sleep(pause_s)


@pytest.mark.parametrize(("pause_s", "silence_s"), [(0.0, 0.1), (0.001, 0.1), (0.05, 0.01)])
def test_babble_cannot_stretch_the_deadline(pause_s: float, silence_s: float) -> None:
    """Given somebody who sends bytes without end, faster or slower than the pause between frames."""

    def react(peer: SerialPeer, _frame: bytes, _nth: int) -> None:
        babble(peer, pause_s)

    with serial_peer(react) as peer, Link(settings(peer.port, silence_s=silence_s)) as link:
        errors = [trouble(link), trouble(link)]
    assert {error.kind for error in errors} <= {Trouble.GARBLED, Trouble.TIMED_OUT}
    assert any("never silent" in str(error) for error in errors) == (pause_s < silence_s)


def test_a_step_of_the_wall_clock_cannot_stretch_the_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    """Given a wall clock that steps an hour back while an answer is awaited."""
    real, began_s = time.time, time.monotonic()
    monkeypatch.setattr(time, "time", lambda: real() - (3600 if time.monotonic() > began_s + 0.1 else 0))
    with serial_peer(lambda *_: None) as peer, Link(settings(peer.port)) as link:
        assert trouble(link).kind is Trouble.TIMED_OUT


def test_a_request_waits_until_the_line_has_been_silent() -> None:
    """Given stray bytes for 0.1 s after an answer and a pause between frames of 50 ms."""
    last_s = 0.0

    def react(peer: SerialPeer, frame: bytes, nth: int) -> None:
        nonlocal last_s
        honest(peer, frame, nth)
        for _ in range(5 if nth == 0 else 0):
            time.sleep(0.02)
            last_s = time.monotonic()
            peer.send(b"\xff")

    with serial_peer(react) as peer, Link(settings(peer.port, silence_s=0.05)) as link:
        assert read(link) == [1, 0]
        assert read(link) == [1, 1]
        assert peer.asked[1][0] - last_s >= 0.049


@pytest.mark.parametrize(
    ("baud", "parity", "stop_bits", "gap_ms"),
    # MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits; fixed at 1.750 ms above 19200 baud
    [(9600, "E", 1, 4.01), (19_200, "E", 1, 2.01), (9600, "N", 2, 4.01), (38_400, "E", 1, 1.75)],
)
def test_the_pause_between_frames_is_that_of_the_specification(
    baud: int, parity: str, stop_bits: int, gap_ms: float
) -> None:
    s = SerialSettings("x", baud, parity, stop_bits)
    assert s.frame_gap_s * 1000 == pytest.approx(gap_ms, abs=0.01)


# --- the port -----------------------------------------------------------------------------------------------


def test_an_adapter_that_was_pulled_is_found_again_within_a_second(tmp_path: Path) -> None:
    name = tmp_path / "line"
    peer = SerialPeer(honest, name)
    with Link(settings(str(name))) as link:
        assert read(link) == [1, 0]
        peer.close()
        assert trouble(link).kind is Trouble.NOT_CONNECTED
        with serial_peer(honest, name):
            back_s = time.monotonic()
            values: list[int] = []
            while not values:
                with contextlib.suppress(LinkError):
                    values = read(link)
            assert time.monotonic() - back_s < 1.0
        assert link.losses == 1


def test_a_port_that_is_not_there_is_told_with_the_reason(tmp_path: Path) -> None:
    with Link(settings(str(tmp_path / "none"))) as link:
        error = trouble(link)
    assert error.kind is Trouble.NOT_CONNECTED
    assert "No such file" in str(error)


def test_a_port_that_hangs_while_it_is_opened_costs_one_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    """Given a driver that takes a second; then the port is there for the exchange after that."""
    real = serial.serial_for_url

    def hang(*a: object, **k: object) -> serial.Serial:
        time.sleep(1.0)
        return real(*a, **k)

    monkeypatch.setattr(serial, "serial_for_url", hang)
    with serial_peer(honest) as peer, Link(settings(peer.port)) as link:
        error = trouble(link)
        assert error.kind is Trouble.NOT_CONNECTED
        assert "hangs" in str(error)
        time.sleep(0.8)
        assert read(link) == [1, 0]


def test_an_adapter_that_takes_no_more_bytes_costs_little_more_than_a_deadline() -> None:
    """Given a pseudo-terminal that nobody reads, until it is full."""
    master, slave = os.openpty()
    tty.setraw(slave)
    kinds, longest_s = set(), 0.0
    with Link(settings(os.ttyname(slave), late_answer_s=0.0)) as link:
        for _ in range(80):
            began_s = time.monotonic()
            with pytest.raises(LinkError) as caught:
                link.exchange(1, ("holding", 0, [0] * 123), None, False, 0.01)
            kinds.add(caught.value.kind)
            longest_s = max(longest_s, time.monotonic() - began_s)
    os.close(master)
    os.close(slave)
    assert kinds == {Trouble.TIMED_OUT, Trouble.NOT_CONNECTED}
    assert longest_s < 0.01 + 0.1 + SLACK_S


def test_a_port_belongs_to_one_program() -> None:
    with serial_peer(honest) as peer, Link(settings(peer.port)) as first, Link(settings(peer.port)) as second:
        read(first)
        error = trouble(second)
        assert error.kind is Trouble.NOT_CONNECTED
        assert "who else uses it" in str(error)


def test_baud_parity_and_stop_bits_reach_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[serial.Serial] = []
    real = serial.serial_for_url
    monkeypatch.setattr(serial, "serial_for_url", lambda *a, **k: opened.append(real(*a, **k)) or opened[-1])
    with serial_peer(honest) as peer, Link(SerialSettings(peer.port, 38_400, "N", 2)) as link:
        read(link)
        port = opened[0]
        assert (port.baudrate, port.parity, port.stopbits, port.bytesize) == (38_400, "N", 2, 8)


def test_rs485_is_switched_on_at_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[bool, bool, float | None]] = []
    monkeypatch.setattr(
        serial.Serial,
        "_set_rs485_mode",
        lambda _port, r: asked.append((r.rts_level_for_tx, r.rts_level_for_rx, r.delay_before_tx)),
    )
    rs485 = Rs485(rts_level_for_tx=False, rts_level_for_rx=True, delay_before_tx_s=0.001)
    with serial_peer(honest) as peer, Link(SerialSettings(peer.port, parity="N", rs485=rs485)) as link:
        assert read(link) == [1, 0]
    assert asked == [(False, True, 0.001)]


def test_a_port_that_cannot_do_rs485_says_so() -> None:
    """A pseudo-terminal refuses the request of the system that switches RS-485."""
    with serial_peer(honest) as peer, Link(SerialSettings(peer.port, parity="N", rs485=Rs485())) as link:
        error = trouble(link)
    assert error.kind is Trouble.NOT_CONNECTED
    assert "leave rs485 out" in str(error)


def test_a_line_behind_a_network_port_is_asked_by_its_url() -> None:
    """Given a serial device server on this machine: RTU frames in a plain TCP stream."""

    def react(asked: Asked) -> None:
        asked.send(rtu(asked.frame[0], registers(6, asked.nth)))

    with tcp_peer(react) as peer, Link(settings(f"socket://127.0.0.1:{peer.port}")) as link:
        assert [read(link) for _ in range(3)] == [[6, 0], [6, 1], [6, 2]]


@pytest.mark.parametrize("port", ["socket://192.0.2.1:4001", "rfc2217://module-3:4001", "socket://:4001"])
def test_another_machine_must_be_allowed_expressly(port: str) -> None:
    with pytest.raises(InputError, match="allowed expressly"):
        Link(SerialSettings(port))
    Link(SerialSettings(port), allow_remote=True)


@pytest.mark.parametrize("port", ["spy:///dev/x?file=/dev/y", "alt://x", "http://127.0.0.1"])
def test_a_url_of_another_kind_is_refused(port: str) -> None:
    with pytest.raises(InputError, match="none of"):
        Link(SerialSettings(port), allow_remote=True)


@pytest.mark.parametrize("unit_id", [0, 248, 255])
def test_a_unit_id_that_nobody_may_answer_is_not_asked(unit_id: int) -> None:
    with (
        serial_peer(honest) as peer,
        Link(settings(peer.port)) as link,
        pytest.raises(ValueError, match="247"),
    ):
        read(link, unit_id)
