"""One request and what alone counts as its answer: pure rules, for any bytes whatever."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.modbus.requests import Request, answer_of, requests_for
from controller.modbus.troubles import LinkError

READS = {"coil": 2000, "discrete": 2000, "holding": 125, "input": 125}
WRITES = {"coil": (1968, 1), "holding": (123, 0xFFFF)}


@st.composite
def requests(draw: st.DrawFn) -> Request:
    address = draw(st.integers(0, 60_000))
    unit_id = draw(st.integers(0, 255))
    if draw(st.booleans()):
        table = draw(st.sampled_from(sorted(READS)))
        (request,) = requests_for(unit_id, None, (table, address, draw(st.integers(1, READS[table]))), False)
    else:
        table = draw(st.sampled_from(sorted(WRITES)))
        count_max, value_max = WRITES[table]
        values = draw(st.lists(st.integers(0, value_max), min_size=1, max_size=count_max))
        (request,) = requests_for(unit_id, (table, address, values), None, False)
    return request


def good_answer(request: Request, fill: int) -> bytes:
    """The one layout that MODBUS Application Protocol V1.1b3, section 6, allows for the answer."""
    if request.function in (15, 16):
        return (
            bytes([request.function]) + request.address.to_bytes(2, "big") + request.count.to_bytes(2, "big")
        )
    n = (request.count + 7) // 8 if request.function in (1, 2) else 2 * request.count
    return bytes([request.function, n]) + bytes([fill]) * n


@given(requests(), st.integers(0, 255))
def test_the_good_answer_gives_as_many_values_as_were_asked_for(request: Request, fill: int) -> None:
    values = answer_of(request, good_answer(request, fill))
    assert len(values) == (0 if request.function in (15, 16) else request.count)


@given(requests(), st.binary(max_size=260))
def test_random_bytes_are_never_data(request: Request, pdu: bytes) -> None:
    if len(pdu) == len(good_answer(request, 0)) and pdu[:2] == good_answer(request, 0)[:2]:
        return  # by luck the good answer
    with pytest.raises(LinkError):
        answer_of(request, pdu)


@given(requests(), st.data())
def test_no_changed_byte_before_the_values_goes_unnoticed(request: Request, data: st.DataObject) -> None:
    pdu = bytearray(good_answer(request, 0))
    place = data.draw(st.integers(0, 4 if request.function in (15, 16) else 1))
    pdu[place] ^= data.draw(st.integers(1, 255))
    with pytest.raises(LinkError):
        answer_of(request, bytes(pdu))


@given(requests(), st.integers(-5, 5).filter(bool))
def test_no_answer_of_another_length_is_data(request: Request, more: int) -> None:
    pdu = good_answer(request, 0)
    with pytest.raises(LinkError):
        answer_of(request, pdu[:more] if more < 0 else pdu + bytes(more))


@pytest.mark.parametrize(
    ("write", "read", "fc23"),
    [
        (None, ("coil", 0, 0), False),
        (None, ("coil", 0, 2001), False),
        (None, ("holding", 0, 126), False),
        (None, ("input", -1, 1), False),
        (None, ("input", 65_535, 2), False),
        (("holding", 0, []), None, False),
        (("holding", 0, [0] * 124), None, False),
        (("holding", 0, [65_536]), None, False),
        (("holding", 0, [-1]), None, False),
        (("coil", 0, [2]), None, False),
        (("input", 0, [1]), None, False),
        (("discrete", 0, [1]), None, False),
        (("holding", 0, [0] * 122), ("holding", 0, 1), True),
        (("holding", 0, [0]), ("input", 0, 1), True),
        (("holding", 0, [0]), None, True),
        (None, ("nonsense", 0, 1), False),
    ],
)
def test_what_no_device_could_be_asked_is_refused_before_it_is_sent(
    write: tuple[str, int, list[int]] | None, read: tuple[str, int, int] | None, fc23: bool
) -> None:
    with pytest.raises(ValueError, match=r"."):
        requests_for(1, write, read, fc23)


@pytest.mark.parametrize("unit_id", [-1, 256])
@pytest.mark.parametrize("fc23", [False, True])
def test_a_unit_id_that_is_no_byte_is_refused(unit_id: int, fc23: bool) -> None:
    with pytest.raises(ValueError, match="unit id"):
        requests_for(unit_id, ("holding", 0, [1]), ("holding", 0, 1), fc23)
