"""The asking side over TCP against peers that break every rule they can."""

from __future__ import annotations

import contextlib
import socket
import time

import pytest

from controller.files import InputError
from controller.modbus.link import Link, LinkError, TcpSettings, Trouble
from tests.hil.peers import Asked, TcpPeer, mbap, registers, tcp_peer

SEVEN_NINE = registers(7, 9)
READ = ("holding", 0, 2)
DEADLINE_S = 0.3
SLACK_S = 0.15  # a busy machine wakes a thread late


def link_to(peer: TcpPeer) -> Link:
    return Link(TcpSettings("127.0.0.1", peer.port))


def read(link: Link, unit_id: int = 1, deadline_s: float = DEADLINE_S) -> list[int]:
    return link.exchange(unit_id, None, READ, False, deadline_s)


def keep_silent(_asked: Asked) -> None:
    """A peer that never answers."""


def trouble(link: Link, deadline_s: float = DEADLINE_S) -> LinkError:
    """The error of an exchange that must fail, and not later than its deadline."""
    began_s = time.monotonic()
    with pytest.raises(LinkError) as caught:
        read(link, deadline_s=deadline_s)
    assert time.monotonic() - began_s < deadline_s + SLACK_S
    return caught.value


# --- requests and sound answers ---------------------------------------------------------------------------


def test_an_exchange_writes_first_and_then_reads() -> None:
    def react(asked: Asked) -> None:
        asked.answer(asked.pdu[:5] if asked.pdu[0] == 16 else SEVEN_NINE)

    with tcp_peer(react) as peer, link_to(peer) as link:
        values = link.exchange(9, ("holding", 0x10, [1, 0x203]), READ, False, DEADLINE_S)
        # MODBUS Application Protocol V1.1b3, 6.12 and 6.3: layout of the two requests
        assert [asked.pdu for asked in peer.asked] == [
            bytes.fromhex("10 0010 0002 04 0001 0203"),
            bytes.fromhex("03 0000 0002"),
        ]
    assert values == [7, 9]


def test_one_request_writes_and_reads_when_told_so() -> None:
    with tcp_peer(lambda asked: asked.answer(bytes([23]) + SEVEN_NINE[1:])) as peer, link_to(peer) as link:
        values = link.exchange(9, ("holding", 0x10, [1]), READ, True, DEADLINE_S)
        # MODBUS Application Protocol V1.1b3, 6.17
        assert [asked.pdu for asked in peer.asked] == [bytes.fromhex("17 0000 0002 0010 0001 02 0001")]
    assert values == [7, 9]


def test_bits_travel_lowest_first() -> None:
    def react(asked: Asked) -> None:
        asked.answer(asked.pdu[:5] if asked.pdu[0] == 15 else bytes.fromhex("01 02 CD 01"))

    with tcp_peer(react) as peer, link_to(peer) as link:
        bits = [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]
        values = link.exchange(9, ("coil", 19, bits), ("coil", 0, 10), False, DEADLINE_S)
        # the example of MODBUS Application Protocol V1.1b3, 6.11: these ten coils travel as CD 01
        assert peer.asked[0].pdu == bytes.fromhex("0F 0013 000A 02 CD01")
    assert values == bits


def test_every_unit_id_that_tcp_allows_is_asked() -> None:
    with tcp_peer(lambda asked: asked.answer(SEVEN_NINE)) as peer, link_to(peer) as link:
        for unit_id in (0, 1, 247, 248, 255):
            assert read(link, unit_id) == [7, 9]
        assert [asked.unit_id for asked in peer.asked] == [0, 1, 247, 248, 255]


def test_small_requests_leave_at_once() -> None:
    with tcp_peer(lambda asked: asked.answer(SEVEN_NINE)) as peer, link_to(peer) as link:
        read(link)
        connection = link._line._client.socket  # type: ignore[union-attr]  # there is no other way to see it
        assert connection is not None
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


# --- the deadline -----------------------------------------------------------------------------------------


def test_a_silent_peer_costs_one_deadline() -> None:
    with tcp_peer(keep_silent) as peer, link_to(peer) as link:
        assert trouble(link).kind is Trouble.TIMED_OUT


def test_an_answer_in_drops_cannot_stretch_the_deadline() -> None:
    def react(asked: Asked) -> None:
        for byte in mbap(asked.number, asked.unit_id, SEVEN_NINE):
            asked.send(bytes([byte]))
            time.sleep(0.1)

    with tcp_peer(react) as peer, link_to(peer) as link:
        error = trouble(link)
    assert error.kind is Trouble.TIMED_OUT
    assert "only" in str(error)


def test_endless_duplicates_cannot_stretch_the_deadline() -> None:
    def react(asked: Asked) -> None:
        if asked.nth == 0:
            return asked.answer(SEVEN_NINE)
        old = peer.asked[0]
        end_s = time.monotonic() + 2.0
        while time.monotonic() < end_s:
            with contextlib.suppress(OSError):
                asked.connection.sendall(mbap(old.number, old.unit_id, SEVEN_NINE))
        return None

    with tcp_peer(react) as peer, link_to(peer) as link:
        read(link)
        assert trouble(link).kind is Trouble.TIMED_OUT


def test_write_and_read_share_one_deadline() -> None:
    def react(asked: Asked) -> None:
        time.sleep(0.2)
        asked.answer(asked.pdu[:5] if asked.pdu[0] == 16 else SEVEN_NINE)

    with tcp_peer(react) as peer, link_to(peer) as link:
        began_s = time.monotonic()
        with pytest.raises(LinkError, match="nothing came back"):
            link.exchange(1, ("holding", 0, [1]), READ, False, DEADLINE_S)
        assert time.monotonic() - began_s < DEADLINE_S + SLACK_S


def test_a_host_that_swallows_connections_costs_one_deadline() -> None:
    """Given a listener whose queue is full, so that a connection is never made."""
    with socket.socket() as listener, contextlib.ExitStack() as queue:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for _ in range(4):
            waiting = queue.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex(listener.getsockname())
        link = Link(TcpSettings("127.0.0.1", listener.getsockname()[1]))
        error = trouble(link)
    assert error.kind is Trouble.NOT_CONNECTED
    assert "timed out" in str(error)


def test_a_name_server_that_hangs_costs_one_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    real = socket.getaddrinfo

    def hang(*args: object, flags: int = 0, **named: object) -> object:
        if not flags & socket.AI_NUMERICHOST:
            time.sleep(2.0)
        return real(*args, flags=flags, **named)  # type: ignore[arg-type]  # passed on as they came

    monkeypatch.setattr(socket, "getaddrinfo", hang)
    with Link(TcpSettings("module.invalid"), allow_remote=True) as link:
        error = trouble(link)
    assert error.kind is Trouble.NOT_CONNECTED
    assert "name" in str(error)


# --- what is no answer ------------------------------------------------------------------------------------

NOT_ANSWERS: dict[str, tuple[Trouble, bytes]] = {
    # name: kind, and the whole frame that answers request N of unit 1 (the number is put in by the test)
    "number of another request": (Trouble.FOREIGN, mbap(1, 1, SEVEN_NINE)),
    "unit id": (Trouble.FOREIGN, mbap(0, 2, SEVEN_NINE)),
    "function": (Trouble.FOREIGN, mbap(0, 1, b"\x04" + SEVEN_NINE[1:])),
    "exception of another function": (Trouble.FOREIGN, mbap(0, 1, b"\x84\x02")),
    "exception of no function": (Trouble.FOREIGN, mbap(0, 1, b"\x80\x01")),
    "exception of two bytes": (Trouble.FOREIGN, mbap(0, 1, b"\x83\x02\x02")),
    "one register too few": (Trouble.GARBLED, mbap(0, 1, registers(7))),
    "one register too many": (Trouble.GARBLED, mbap(0, 1, registers(7, 9, 11))),
    "byte count below the bytes": (Trouble.GARBLED, mbap(0, 1, b"\x03\x02" + SEVEN_NINE[2:])),
    "byte count above the bytes": (Trouble.GARBLED, mbap(0, 1, b"\x03\x06" + SEVEN_NINE[2:])),
    "protocol id": (Trouble.GARBLED, b"\0\0\0\7\0\7\1" + SEVEN_NINE),
    "length 0": (Trouble.GARBLED, b"\0\0\0\0\0\0\1" + SEVEN_NINE),
    "length of a header alone": (Trouble.GARBLED, b"\0\0\0\0\0\1\1" + SEVEN_NINE),
    "length above a frame": (Trouble.GARBLED, b"\0\0\0\0\1\xff\1" + SEVEN_NINE),
    "length above what comes": (Trouble.TIMED_OUT, b"\0\0\0\0\0\x09\1" + SEVEN_NINE),
    "a web page": (Trouble.GARBLED, b"HTTP/1.1 400 Bad Request\r\n\r\n"),
}


@pytest.mark.parametrize("wrong", NOT_ANSWERS)
def test_what_does_not_fit_the_request_is_an_error_and_costs_the_connection(wrong: str) -> None:
    kind, frame = NOT_ANSWERS[wrong]

    def react(asked: Asked) -> None:
        if asked.nth:
            return asked.answer(registers(1, 2))
        number = asked.number + int.from_bytes(frame[:2], "big") if not frame.startswith(b"HTTP") else 0x4854
        asked.send(number.to_bytes(2, "big") + frame[2:])
        return None

    with tcp_peer(react) as peer, link_to(peer) as link:
        assert trouble(link).kind is kind
        time.sleep(0.2)
        assert read(link) == [1, 2]
        assert [asked.nth_connection for asked in peer.asked] == [0, 1]


@pytest.mark.parametrize("echo", ["10 0011 0002", "10 0010 0001", "10 0010 0003"])
def test_a_write_is_done_only_when_address_and_quantity_come_back(echo: str) -> None:
    write = ("holding", 0x10, [1, 2])

    def react(asked: Asked) -> None:
        asked.answer(bytes.fromhex(echo))

    with tcp_peer(react) as peer, link_to(peer) as link, pytest.raises(LinkError) as caught:
        link.exchange(1, write, None, False, DEADLINE_S)
    assert caught.value.kind is Trouble.FOREIGN


def test_a_late_answer_is_not_the_answer_of_the_next_request() -> None:
    """Given a peer that answers 7, 9 after the deadline and the next request at once; then 1, 2 is read."""

    def react(asked: Asked) -> None:
        if asked.nth == 0:
            time.sleep(DEADLINE_S + 0.05)
            asked.answer(SEVEN_NINE)
        else:
            asked.answer(registers(1, 2))

    with tcp_peer(react) as peer, link_to(peer) as link:
        assert trouble(link).kind is Trouble.TIMED_OUT
        assert read(link) == [1, 2]
        assert [asked.nth_connection for asked in peer.asked] == [0, 1]


def test_a_number_is_not_used_again_on_the_next_connection() -> None:
    """A gateway that keeps its own side open could deliver the old answer on the new connection."""
    with tcp_peer(keep_silent) as peer, link_to(peer) as link:
        for _ in range(3):
            trouble(link)
        assert len({asked.number for asked in peer.asked}) == 3


def test_an_answer_sent_twice_is_taken_once() -> None:
    def react(asked: Asked) -> None:
        frame = mbap(asked.number, asked.unit_id, registers(asked.nth, asked.nth))
        asked.send(frame + frame)

    with tcp_peer(react) as peer, link_to(peer) as link:
        assert [read(link)[0] for _ in range(20)] == list(range(20))
        assert len(peer.connected_s) == 1


def test_an_old_answer_and_the_new_one_in_one_segment_are_told_apart() -> None:
    def react(asked: Asked) -> None:
        old = mbap(asked.number - 1, asked.unit_id, registers(99, 99)) if asked.nth else b""
        asked.send(old + mbap(asked.number, asked.unit_id, registers(asked.nth, 0)))

    with tcp_peer(react) as peer, link_to(peer) as link:
        assert [read(link)[0] for _ in range(20)] == list(range(20))
        assert len(peer.connected_s) == 1


def test_an_answer_before_the_question_is_no_answer() -> None:
    """Given a peer that sends, unasked, what would fit the next request."""

    def react(asked: Asked) -> None:
        asked.answer(registers(1, 2))
        if asked.nth == 0:
            asked.send(mbap(asked.number + 1, asked.unit_id, SEVEN_NINE))

    with tcp_peer(react) as peer, link_to(peer) as link:
        assert read(link) == [1, 2]
        time.sleep(0.05)
        assert trouble(link).kind is Trouble.FOREIGN
        time.sleep(0.2)
        assert read(link) == [1, 2]


@pytest.mark.parametrize(
    ("code", "word"),
    [
        (0x01, "illegal function"),
        (0x02, "illegal data address"),
        (0x03, "illegal data value"),
        (0x04, "device failure"),
        (0x06, "busy"),
        (0x0B, "gateway target"),
        (0x55, "does not know"),
    ],
)
def test_an_exception_comes_with_its_meaning_and_keeps_the_connection(code: int, word: str) -> None:
    def react(asked: Asked) -> None:
        asked.answer(SEVEN_NINE if asked.nth else bytes([0x83, code]))

    with tcp_peer(react) as peer, link_to(peer) as link:
        error = trouble(link)
        assert (error.kind, error.code) == (Trouble.REFUSED, code)
        assert word in str(error)
        assert read(link) == [7, 9]
        assert len(peer.connected_s) == 1


# --- losing and finding the peer ----------------------------------------------------------------------------


def test_a_peer_that_comes_back_is_asked_again_within_a_second() -> None:
    peer = TcpPeer(lambda asked: asked.answer(SEVEN_NINE))
    with link_to(peer) as link:
        assert read(link) == [7, 9]
        peer.close()
        gone_until_s = time.monotonic() + 1.5
        while time.monotonic() < gone_until_s:
            assert trouble(link).kind is Trouble.NOT_CONNECTED
        with tcp_peer(lambda asked: asked.answer(SEVEN_NINE), peer.port):
            back_s = time.monotonic()
            values: list[int] = []
            while not values:
                with contextlib.suppress(LinkError):
                    values = read(link)
            assert time.monotonic() - back_s < 1.0
        assert link.losses == 1


def test_attempts_to_connect_keep_their_distance() -> None:
    def react(asked: Asked) -> None:
        asked.connection.shutdown(socket.SHUT_RDWR)

    with tcp_peer(react) as peer, link_to(peer) as link:
        end_s = time.monotonic() + 1.1
        while time.monotonic() < end_s:
            with contextlib.suppress(LinkError):
                read(link)
        gaps_s = [b - a for a, b in zip(peer.connected_s, peer.connected_s[1:], strict=False)]
    assert len(gaps_s) >= 3
    assert min(gaps_s) > 0.19  # 0.2 s between the beginnings; the peer sees them a little later


def test_a_half_open_connection_is_found_by_the_deadline_and_replaced() -> None:
    """Given a peer that went away without a word: the connection stands and nobody answers on it."""

    def react(asked: Asked) -> None:
        if asked.nth == 0 or asked.nth_connection == 1:
            asked.answer(SEVEN_NINE)

    with tcp_peer(react) as peer, link_to(peer) as link:
        assert read(link) == [7, 9]
        assert trouble(link).kind is Trouble.TIMED_OUT
        assert read(link) == [7, 9]


def test_a_connection_closed_while_idle_is_told_before_anything_is_sent() -> None:
    """Another device may answer on the next one, so it is not opened behind the caller's back."""
    with tcp_peer(lambda asked: asked.answer(SEVEN_NINE)) as peer, link_to(peer) as link:
        assert read(link) == [7, 9]
        peer.drop()
        time.sleep(0.25)
        assert trouble(link).kind is Trouble.NOT_CONNECTED
        assert len(peer.asked) == 1
        assert read(link) == [7, 9]
        assert link.losses == 1


def test_a_connection_closed_in_the_middle_of_an_answer_is_told_at_once() -> None:
    def react(asked: Asked) -> None:
        asked.send(mbap(asked.number, asked.unit_id, SEVEN_NINE)[:8])
        asked.connection.shutdown(socket.SHUT_RDWR)

    with tcp_peer(react) as peer, link_to(peer) as link:
        assert trouble(link).kind is Trouble.NOT_CONNECTED


# --- what is refused before anything is sent ----------------------------------------------------------------


@pytest.mark.parametrize("host", ["192.0.2.1", "0.0.0.0", "::", "localhost.example", "module-3", ""])
def test_another_machine_must_be_allowed_expressly(host: str) -> None:
    with pytest.raises(InputError, match="allowed expressly"):
        Link(TcpSettings(host))
    Link(TcpSettings(host), allow_remote=True)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.3.2.1", "::1", "localhost"])
def test_this_machine_needs_no_leave(host: str) -> None:
    Link(TcpSettings(host))
