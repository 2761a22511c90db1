"""How requests are found in bytes: MBAP headers on TCP, CRC, length and silence on a serial line."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.modbus.frames import (
    FrameError,
    Request,
    RtuFrames,
    TcpFrames,
    crc16,
    rtu_frame,
    tcp_frame,
)

READ = bytes.fromhex("03 006B 0003")
FROM_US = bytes.fromhex("11 03 006B 0003 7687")  # a widely printed frame for unit 17, from memory
WRITE_ONE = bytes.fromhex("11 06 0001 0003 9A9B")  # as above
UNITS = (17, 18)


def tcp(pdu: bytes, unit: int = 1, transaction: int = 7) -> bytes:
    return tcp_frame(Request(unit, b"", transaction), pdu)


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    """The bytes cut at those places."""
    at = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    return [data[start:end] for start, end in pairwise(at)]


# -- TCP ----------------------------------------------------------------------------------------------------


def test_a_header_is_written_as_the_guide_says():
    """Transaction, protocol 0, length of what follows, unit: section 3.1.3 of the guide (from memory)."""
    assert tcp(READ, unit=0x11, transaction=0x1501) == bytes.fromhex("1501 0000 0006 11 03 006B 0003")


def test_several_requests_in_one_segment_are_all_found():
    found = list(TcpFrames().feed(tcp(READ, 1, 1) + tcp(READ, 2, 2) + tcp(READ, 3, 3)))
    assert found == [Request(1, READ, 1), Request(2, READ, 2), Request(3, READ, 3)]


def test_a_request_that_comes_byte_by_byte_is_found_with_its_last():
    frames, data = TcpFrames(), tcp(READ)
    assert [list(frames.feed(bytes((byte,)))) for byte in data[:-1]] == [[]] * (len(data) - 1)
    assert list(frames.feed(data[-1:])) == [Request(1, READ, 7)]


@pytest.mark.parametrize("length", [2, 254])
def test_the_shortest_and_the_longest_frame_are_taken(length):
    pdu = bytes(length - 1)
    assert list(TcpFrames().feed(tcp(pdu))) == [Request(1, pdu, 7)]


@pytest.mark.parametrize("header", ["0001 0001 0006", "0001 0000 0000", "0001 0000 0001", "0001 0000 00FF"])
def test_a_header_that_is_none_is_told_behind_the_good_requests(header):
    found = TcpFrames().feed(tcp(READ) + bytes.fromhex(header))
    assert next(found) == Request(1, READ, 7)
    with pytest.raises(FrameError):
        next(found)


@given(st.lists(st.binary(min_size=1, max_size=253), max_size=5), st.lists(st.integers(0, 2000), max_size=8))
def test_tcp_requests_are_found_however_they_are_split(pdus, cuts):
    frames = TcpFrames()
    data = b"".join(tcp(pdu, 5, n) for n, pdu in enumerate(pdus))
    found = [request for piece in pieces(data, cuts) for request in frames.feed(piece)]
    assert found == [Request(5, pdu, n) for n, pdu in enumerate(pdus)]


@given(st.lists(st.binary(max_size=600), max_size=8))
def test_any_bytes_on_tcp_are_requests_or_the_end_and_no_more_is_kept_than_one_frame(segments):
    frames = TcpFrames()
    try:
        for segment in segments:
            for request in frames.feed(segment):
                assert 1 <= len(request.pdu) <= 253
            assert len(frames._kept) < 260
    except FrameError:
        assert not frames._kept


# -- serial -------------------------------------------------------------------------------------------------


def test_the_crc_is_the_one_of_the_public_catalogue():
    """CRC-16/MODBUS, check value of the catalogue of parametrised CRC algorithms."""
    assert crc16(b"123456789") == 0x4B37


@pytest.mark.parametrize("frame", [FROM_US, WRITE_ONE])
def test_a_frame_is_wrapped_as_printed(frame):
    assert rtu_frame(17, frame[1:-2]) == frame


def test_a_request_is_taken_with_its_last_byte_without_waiting_for_silence():
    frames = RtuFrames(UNITS)
    assert frames.feed(FROM_US[:-1]) == []
    assert frames.feed(FROM_US[-1:]) == [Request(17, READ)]
    assert not frames.waiting


GARBAGE = {
    "one zero byte": b"\x00",
    "one byte of ones": b"\xff",
    "the start of a long write": bytes.fromhex("11 10 0000 007B F6 0001"),
    "our id and a function": b"\x11\x03",
    "a request with a wrong CRC": FROM_US[:-1] + b"\x00",
    "a request with a byte missing": FROM_US[1:],
    "more than a frame": bytes(range(256)) * 2,
    "a function that we do not know": b"\x11\x2b\x0e\x01",
}


@pytest.mark.parametrize("garbage", GARBAGE.values(), ids=GARBAGE)
def test_garbage_right_before_a_request_does_not_lose_it(garbage):
    frames = RtuFrames(UNITS)
    assert frames.feed(garbage + FROM_US) + frames.silence() == [Request(17, READ)]
    assert frames.bad == 1


@pytest.mark.parametrize("garbage", GARBAGE.values(), ids=GARBAGE)
def test_garbage_and_a_silence_before_a_request_do_not_lose_it(garbage):
    frames = RtuFrames(UNITS)
    assert frames.feed(garbage) + frames.silence() == []
    assert frames.feed(FROM_US) == [Request(17, READ)]
    assert frames.bad == 1


@pytest.mark.parametrize("garbage", GARBAGE.values(), ids=GARBAGE)
def test_garbage_behind_a_request_does_not_lose_it(garbage):
    frames = RtuFrames(UNITS)
    assert frames.feed(FROM_US + garbage)[:1] == [Request(17, READ)]


@pytest.mark.parametrize("at", range(len(FROM_US)))
def test_a_request_with_one_byte_changed_is_dropped_in_silence(at):
    frames = RtuFrames(UNITS)
    frame = bytearray(FROM_US)
    frame[at] ^= 0x01
    assert frames.feed(bytes(frame)) + frames.silence() == []
    assert frames.bad == 1


def test_an_intact_frame_with_a_function_that_we_do_not_know_is_taken_at_silence():
    frames, pdu = RtuFrames(UNITS), bytes.fromhex("2B 0E 01 00")
    assert frames.feed(rtu_frame(17, pdu)) == []
    assert frames.silence() == [Request(17, pdu)]
    assert frames.bad == 0


def test_an_intact_frame_of_another_length_than_its_function_has_is_taken_at_silence():
    frames, pdu = RtuFrames(UNITS), READ + b"\x00"
    assert frames.feed(rtu_frame(17, pdu)) == []
    assert frames.silence() == [Request(17, pdu)]


NEIGHBOUR = {
    "read": ("03 0000 0003", "03 06 0001 0002 0003"),
    "read of a bit": ("01 0000 0001", "01 01 01"),
    "write": ("06 0000 0003", "06 0000 0003"),
    "long write": ("10 0000 0002 04 00010002", "10 0000 0002"),
    "exception": ("03 0000 007F", "83 03"),
    "read and write": ("17 0000 0001 0000 0001 02 0009", "17 02 0001"),
}


@pytest.mark.parametrize(("asked", "said"), NEIGHBOUR.values(), ids=NEIGHBOUR)
def test_a_neighbours_request_and_response_are_taken_whole_and_ours_follows_at_once(asked, said):
    frames = RtuFrames(UNITS)
    line = rtu_frame(9, bytes.fromhex(asked)) + rtu_frame(9, bytes.fromhex(said)) + FROM_US
    assert [request.unit for request in frames.feed(line)] == [9, 9, 17]
    assert frames.bad == 0


@pytest.mark.parametrize("spoilt", [False, True])
def test_what_a_neighbour_is_sent_is_never_taken_for_a_request(spoilt):
    """Neither while the neighbour's frame is intact nor after a bit of it fell over."""
    frames = RtuFrames(UNITS)
    carried = WRITE_ONE
    frame = bytearray(rtu_frame(9, bytes.fromhex("10 0000 0004 08") + carried))
    frame[3] ^= spoilt
    found = frames.feed(bytes(frame)) + frames.silence()
    assert [request.unit for request in found] == ([] if spoilt else [9])


def test_noise_without_end_is_not_kept_and_a_request_behind_it_is_found():
    frames, noise = RtuFrames(UNITS), bytes(n * n % 251 for n in range(1000))
    for _ in range(100):
        assert frames.feed(noise) == []
        assert len(frames._kept) <= 256
    assert frames.feed(FROM_US) + frames.silence() == [Request(17, READ)]
    assert frames.bad == 1


def test_what_looks_like_a_request_in_the_middle_of_noise_is_not_taken():
    frames = RtuFrames(UNITS)
    assert frames.feed(b"\x55" * 300 + WRITE_ONE + b"\x55" * 248) == []
    assert frames.feed(b"\x55") == []
    assert frames.silence() == []


def test_behind_garbage_only_a_request_of_the_length_of_its_function_is_believed():
    """Else one burst of noise in some hundred would end like an intact frame."""
    frames = RtuFrames(UNITS)
    for pdu in ("2B 0E 01 00", "03 0000 0001 00"):
        assert frames.feed(b"\x00" + rtu_frame(17, bytes.fromhex(pdu))) + frames.silence() == []


PDUS = st.sampled_from(
    [bytes.fromhex(text) for pair in NEIGHBOUR.values() for text in pair[:1]] + [READ, WRITE_ONE[1:-2]]
)


@given(st.lists(st.binary(max_size=300), max_size=8), PDUS)
def test_any_bytes_on_the_line_raise_nothing_keep_little_and_cost_no_request_after_a_silence(chunks, pdu):
    frames = RtuFrames(UNITS)
    for chunk in chunks:
        frames.feed(chunk)
        assert len(frames._kept) <= 256
    frames.silence()
    assert frames.feed(rtu_frame(18, pdu)) == [Request(18, pdu)]


@given(st.binary(max_size=400), PDUS, st.lists(st.integers(0, 700), max_size=5))
@example(FROM_US[:5], READ, [])
def test_any_bytes_right_before_a_request_cost_it_the_silence_at_most(garbage, pdu, cuts):
    frames = RtuFrames(UNITS)
    found = [r for piece in pieces(garbage + rtu_frame(18, pdu), cuts) for r in frames.feed(piece)]
    assert (found + frames.silence())[-1] == Request(18, pdu)


@given(st.lists(st.tuples(st.sampled_from([17, 18, 9, 0]), PDUS), max_size=6), st.lists(st.integers(0, 200)))
def test_requests_on_the_line_are_found_however_they_are_split(requests, cuts):
    frames = RtuFrames(UNITS)
    line = b"".join(rtu_frame(unit, pdu) for unit, pdu in requests)
    found = [request for piece in pieces(line, cuts) for request in frames.feed(piece)]
    assert found == [Request(unit, pdu) for unit, pdu in requests]
