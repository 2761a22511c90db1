"""A known value tells which slip was made in a map, and says nothing when none was."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from wiring_samples import loop, number

from controller.wiring import Point, RawType, WordOrder, encode, what_is_wrong
from controller.wiring.known import blind_spots
from controller.wiring.model import Scale

ORDERS = tuple(WordOrder)
FLOAT = number(RawType.FLOAT32, expected=1234.5)  # 0x449A 0x5000
WORD = number(RawType.UINT16, expected=4660)  # 0x1234
FILLER = 0x5A5A


def device_with(words: list[int], address: int, filler: int = FILLER) -> dict[int, int]:
    """Registers 9 to 12 of a device that keeps the value at that address and something else beside it."""
    held = {address + place: word for place, word in enumerate(words)}
    return {place: held.get(place, filler) for place in range(9, 13)}


@pytest.mark.parametrize(
    ("point", "words", "address", "told"),
    [
        (FLOAT, [0x449A, 0x5000], 10, ""),
        (FLOAT, [0x449A, 0x5000], 9, "the address is given one too high"),
        (FLOAT, [0x449A, 0x5000], 11, "the address is given one too low"),
        (FLOAT, [0x5000, 0x449A], 10, "words swapped, word_order = low_first fits"),
        (FLOAT, [0x9A44, 0x0050], 10, "the bytes of each register are swapped"),
        (FLOAT, [0x5000, 0x449A], 11, "the address is given one too low and words swapped"),
        (FLOAT, [0x0050, 0x9A44], 10, "words swapped, word_order = low_first fits and the bytes of each"),
        (FLOAT, [0x4640, 0xE400], 10, "scaling off by 10, it reads too large"),  # 12345.0
        (FLOAT, [0xC49A, 0x5000], 10, "the sign is turned"),
        (FLOAT, [0x0000, 0x0000], 10, "nothing but 0 is there"),
        (FLOAT, [0x1111, 0x2222], 10, "no simple slip explains it"),
        (WORD, [0x1234], 10, ""),
        (WORD, [0x1234], 9, "the address is given one too high"),
        (WORD, [0x1234], 11, "the address is given one too low"),
        (WORD, [0x3412], 10, "the bytes of each register are swapped"),
        (WORD, [466], 10, "scaling off by 10, it reads too small"),
        (WORD, [46], 10, "scaling off by 100, it reads too small"),
        (WORD, [46600], 10, "scaling off by 10, it reads too large"),
        (WORD, [0x4591, 0xA000], 10, "type = float32 fits"),  # 4660.0
        (WORD, [0x0000, 0x1234], 10, "the address is given one too low or type = uint32 fits"),
    ],
)
def test_a_slip_is_told(point: Point, words: list[int], address: int, told: str) -> None:
    sentence = what_is_wrong(point, device_with(words, address))
    assert told in sentence
    assert bool(sentence) is bool(told)


def test_the_sentence_says_what_was_read_and_what_must_stand_there() -> None:
    assert what_is_wrong(WORD, device_with([466], 10)) == (
        "skid1.known reads 466 where 4660 must stand: scaling off by 10, it reads too small"
    )


@given(
    st.sampled_from([RawType.INT32, RawType.UINT32, RawType.FLOAT32]),
    st.integers(1000, 2**24),
    st.sampled_from(ORDERS),
    st.sampled_from([-1, 0, 1]),
    st.booleans(),
)
def test_every_slip_of_a_good_value_is_among_what_is_told(
    kind: RawType, value: int, order: WordOrder, shift: int, swapped: bool
) -> None:
    point = number(kind, order=order, expected=value, address=10)
    words = [int(word) for word in encode(point, value)]
    assume(words[0] != words[1])
    assume(all(word not in words for word in (FILLER, 0)))

    sentence = what_is_wrong(point, device_with(words[::-1] if swapped else words, 10 + shift))

    assert ("one too low" in sentence) is (shift == 1)
    assert ("one too high" in sentence) is (shift == -1)
    assert ("words swapped" in sentence) is swapped


@given(st.sampled_from(list(RawType)[1:]), st.integers(0, 32767), st.sampled_from(ORDERS))
def test_nothing_is_told_when_the_value_stands_where_it_should(
    kind: RawType, value: int, order: WordOrder
) -> None:
    point = number(kind, order=order, expected=value)
    assert what_is_wrong(point, dict(enumerate(map(int, encode(point, value)), point.address))) == ""


def test_a_float_of_another_library_may_differ_in_its_last_bit() -> None:
    point = number(RawType.FLOAT32, expected=0.1)
    high, low = struct.unpack(">HH", struct.pack(">f", math.nextafter(0.1, 1.0)))
    assert what_is_wrong(point, {10: high, 11: low}) == ""
    assert what_is_wrong(point, {10: high, 11: low + 1}) == ""
    assert what_is_wrong(point, {10: high, 11: low + 64}) != ""


def test_what_the_device_did_not_give_is_not_needed() -> None:
    assert "no simple slip" in what_is_wrong(FLOAT, {10: 1, 11: 2})


def test_without_the_value_itself_nothing_can_be_said() -> None:
    with pytest.raises(ValueError, match=r"skid1\.known"):
        what_is_wrong(FLOAT, {9: 1, 10: 2})
    with pytest.raises(ValueError, match=r"skid1\.life"):
        what_is_wrong(Point("skid1.life", "skid1", FLOAT.use, FLOAT.table, 10, WORD.type), {10: 1})


def test_a_scaled_value_is_compared_in_the_register() -> None:
    point = Point(
        "skid1.known",
        "skid1",
        FLOAT.use,
        FLOAT.table,
        10,
        RawType.INT16,
        scale=Scale(0, 27648),
        expected=12.0,
    )
    assert encode(loop(RawType.INT16, (0, 27648)), 12.0) == [13824]
    assert what_is_wrong(point, {10: 13824}) == ""
    assert "reads 1382 where 13824 must stand: scaling off by 10" in what_is_wrong(point, {10: 1382})


@pytest.mark.parametrize(
    ("point", "words"),
    [
        (FLOAT, []),
        (WORD, []),
        (number(RawType.UINT16, expected=0), ["0 proves nothing"]),
        (number(RawType.UINT16, expected=0x1111), ["bytes swapped"]),
        (number(RawType.UINT32, expected=0x12341234), ["words swapped"]),
        (number(RawType.UINT32, expected=0x11112222), ["bytes swapped"]),
    ],
)
def test_a_value_that_reads_the_same_after_a_slip_is_told(point: Point, words: list[str]) -> None:
    spots = list(blind_spots(point))
    assert len(spots) == len(words)
    assert all(word in spot for word, spot in zip(words, spots, strict=True))


def test_two_slips_are_told_only_when_one_does_not_explain_it() -> None:
    sentence = what_is_wrong(WORD, {9: 0x1234, 10: 0x5A5A, 11: 0x3412})
    assert sentence.endswith("must stand: the address is given one too high")


def test_a_digit_or_two_are_no_scaling() -> None:
    assert "no simple slip" in what_is_wrong(WORD, device_with([5], 10))
