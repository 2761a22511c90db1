"""Values to registers and back: against published bit patterns, against ``struct``, and there and back."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wiring_samples import contact, loop, number, reference_loop

from controller.wiring import RawType, WordOrder, decode, encode
from controller.wiring.codec import limits_of

WHOLE = (RawType.INT16, RawType.UINT16, RawType.INT32, RawType.UINT32)
ORDERS = tuple(WordOrder)
FORMATS = {
    RawType.INT16: ">h",
    RawType.UINT16: ">H",
    RawType.INT32: ">i",
    RawType.UINT32: ">I",
    RawType.FLOAT32: ">f",
}

# IEEE 754 single precision. 1, -2, 1/3, pi and the largest number: "Single-precision floating-point format",
# notable values, Wikipedia; -118.625: "IEEE 754-1985", worked example, Wikipedia (both from memory).
PUBLISHED = [
    (1.0, [0x3F80, 0x0000]),
    (-2.0, [0xC000, 0x0000]),
    (1 / 3, [0x3EAA, 0xAAAB]),
    (math.pi, [0x4049, 0x0FDB]),
    (-118.625, [0xC2ED, 0x4000]),
    (3.4028234663852886e38, [0x7F7F, 0xFFFF]),
    (0.0, [0x0000, 0x0000]),
    # as in tests/published/values/link.toml
    (25.0, [0x41C8, 0x0000]),
    (1413.0, [0x44B0, 0xA000]),
    (-0.2, [0xBE4C, 0xCCCD]),
]


@pytest.mark.parametrize(("value", "words"), PUBLISHED)
def test_a_float_has_the_published_pattern(value: float, words: list[int]) -> None:
    assert encode(number(RawType.FLOAT32), value) == words
    assert decode(number(RawType.FLOAT32), words) == pytest.approx(value, rel=1e-7)


@pytest.mark.parametrize(("value", "words"), PUBLISHED)
def test_low_first_swaps_the_words_and_not_the_bytes(value: float, words: list[int]) -> None:
    point = number(RawType.FLOAT32, order=WordOrder.LOW_FIRST)
    assert encode(point, value) == words[::-1]
    assert decode(point, words[::-1]) == pytest.approx(value, rel=1e-7)


@pytest.mark.parametrize(
    ("kind", "value", "words"),
    [
        # two's complement: -1 is all ones, the least is the sign bit alone
        (RawType.INT16, -1, [0xFFFF]),
        (RawType.INT16, -32768, [0x8000]),
        (RawType.INT32, -1, [0xFFFF, 0xFFFF]),
        (RawType.INT32, -2147483648, [0x8000, 0x0000]),
        (RawType.UINT32, 0x12345678, [0x1234, 0x5678]),
        (RawType.UINT16, 65535, [0xFFFF]),
    ],
)
def test_a_whole_number_has_its_pattern(kind: RawType, value: int, words: list[int]) -> None:
    assert encode(number(kind), value) == words
    assert decode(number(kind), words) == value


@given(st.sampled_from(list(FORMATS)), st.data(), st.sampled_from(ORDERS))
def test_registers_agree_with_struct(kind: RawType, data: st.DataObject, order: WordOrder) -> None:
    size = struct.calcsize(FORMATS[kind])
    content = data.draw(st.binary(min_size=size, max_size=size))
    words = list(struct.unpack(f">{size // 2}H", content))
    value = struct.unpack(FORMATS[kind], content)[0]
    point = number(kind, order=order)
    placed = words if order is WordOrder.HIGH_FIRST else words[::-1]

    read = decode(point, placed)

    assert read == value or (math.isnan(read) and math.isnan(value))
    if math.isfinite(value):
        assert encode(point, value) == placed


@given(st.sampled_from(WHOLE), st.data(), st.sampled_from(ORDERS))
def test_every_register_content_comes_back_through_any_scaling(
    kind: RawType, data: st.DataObject, order: WordOrder
) -> None:
    low, high = (int(limit) for limit in limits_of(kind))
    ends = data.draw(st.lists(st.integers(low, high), min_size=2, max_size=2, unique=True).map(sorted))
    ma = data.draw(st.sampled_from([(4.0, 20.0), (0.0, 20.0)]))
    point = loop(kind, (ends[0], ends[1]), order, ma)
    raw = data.draw(st.integers(low, high))
    words = encode(number(kind, order=order), raw)

    assert encode(point, decode(point, words)) == words


@given(st.floats(0.0, 30.0), st.sampled_from(ORDERS))
def test_milliampere_in_a_float_come_back_as_a_float32(current_ma: float, order: WordOrder) -> None:
    point = loop(order=order)
    assert decode(point, encode(point, current_ma)) == struct.unpack(">f", struct.pack(">f", current_ma))[0]


@given(st.floats(3.0, 22.0))
def test_a_scaled_loop_comes_back_within_half_a_step(current_ma: float) -> None:
    point = loop(RawType.INT16, (0, 27648))
    assert decode(point, encode(point, current_ma)) == pytest.approx(current_ma, abs=0.5 * 16 / 27648 + 1e-9)


@pytest.mark.parametrize(
    ("ma", "current_ma", "raw"),
    [((4.0, 20.0), 4.0, 0), ((4.0, 20.0), 12.0, 10000), ((4.0, 20.0), 20.0, 20000), ((0.0, 20.0), 4.0, 4000)],
)
def test_the_ends_of_the_range_are_where_they_were_given(
    ma: tuple[float, float], current_ma: float, raw: int
) -> None:
    point = loop(RawType.INT16, (0, 20000), ma=ma)
    assert encode(point, current_ma) == [raw]
    assert decode(point, [raw]) == current_ma


@given(st.sampled_from(WHOLE), st.floats(allow_nan=False))
def test_what_is_out_of_range_stops_at_the_limit_and_never_wraps(kind: RawType, current_ma: float) -> None:
    low, high = limits_of(kind)
    point = loop(kind, (0, 20000))
    wanted = (current_ma - 4.0) * 20000 / 16

    raw = decode(number(kind), encode(point, current_ma))

    if wanted <= low:
        assert raw == low
    elif wanted >= high:
        assert raw == high
    else:
        assert raw == pytest.approx(wanted, abs=0.51)


@pytest.mark.parametrize("infinite", [math.inf, -math.inf, 1e300])
def test_a_float_register_never_holds_infinity(infinite: float) -> None:
    held = decode(loop(), encode(loop(), infinite))
    assert math.isfinite(held)
    assert (held > 0) is (infinite > 0)


@given(st.sampled_from(list(FORMATS)), st.sampled_from(ORDERS))
def test_a_loop_that_is_read_goes_out_as_0_ma_when_it_is_nan(kind: RawType, order: WordOrder) -> None:
    point = loop(kind, (4000, 20000), order)
    assert encode(point, math.nan) == encode(point, 0.0)
    assert decode(point, encode(point, math.nan)) == 0.0


def test_a_loop_that_is_driven_goes_out_as_4_ma_when_it_is_nan() -> None:
    point = reference_loop(RawType.UINT16, (0, 27648))
    assert encode(point, math.nan) == [0]
    assert decode(point, [0]) == 4.0


@pytest.mark.parametrize("invert", [False, True])
def test_a_contact_that_is_nan_goes_out_as_open(invert: bool) -> None:
    point = contact(invert=invert)
    assert decode(point, encode(point, math.nan)) is False


def test_nan_in_a_register_is_told_as_nan() -> None:
    assert math.isnan(decode(loop(), [0x7FC0, 0x0000]))


@given(st.booleans(), st.booleans(), st.one_of(st.none(), st.integers(0, 15)))
def test_a_contact_comes_back(closed: bool, invert: bool, bit: int | None) -> None:
    point = contact(bit, invert)
    assert decode(point, encode(point, closed)) is closed


def test_a_contact_in_a_register_is_one_bit_of_it() -> None:
    assert encode(contact(0), True) == [0x0001]
    assert encode(contact(15), True) == [0x8000]
    assert decode(contact(3), [0xFFF7]) is False
    assert decode(contact(3), [0x0008]) is True


def test_an_inverted_contact_is_the_other_way_round_on_the_wire() -> None:
    assert encode(contact(invert=True), True) == [False]
    assert encode(contact(2, invert=True), False) == [0x0004]
