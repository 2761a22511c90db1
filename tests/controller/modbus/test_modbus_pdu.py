"""Requests and responses without a line: the specification's worked examples, its exceptions, any bytes.

Examples are those of the MODBUS Application Protocol Specification V1.1b3, sections 6 and 7, from memory.
"""

from __future__ import annotations

import copy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.modbus.pdu import (
    PDU_MAX,
    AddressError,
    Code,
    DeviceBusyError,
    DeviceFailedError,
    RefusedError,
    ValueRefusedError,
    answer,
    request_length,
    response_length,
)
from controller.tables import Table
from tests.controller.modbus.tables import Tables

COIL, DISCRETE = Table.COIL, Table.DISCRETE
HOLDING, INPUT = Table.HOLDING, Table.INPUT


def bits(text: str) -> list[int]:
    """Bits as the specification prints bytes: highest first, so the last digit is the first bit."""
    return [int(digit) for byte in text.split() for digit in reversed(byte)]


def request(text: str) -> bytes:
    return bytes.fromhex(text)


READS = {
    "6.1 read coils 20-38": ("01 0013 0013", COIL, 19, bits("11001101 01101011 101"), "01 03 CD6B05"),
    "6.2 read inputs 197-218": (
        "02 00C4 0016",
        DISCRETE,
        196,
        bits("10101100 11011011 110101"),
        "02 03 ACDB35",
    ),
    "6.3 read registers 108-110": ("03 006B 0003", HOLDING, 107, [555, 0, 100], "03 06 022B 0000 0064"),
    "6.4 read input register 9": ("04 0008 0001", INPUT, 8, [10], "04 02 000A"),
}
WRITES = {
    "6.5 coil 173 on": ("05 00AC FF00", COIL, 172, [1], "05 00AC FF00"),
    "6.6 register 2 to 3": ("06 0001 0003", HOLDING, 1, [3], "06 0001 0003"),
    "6.11 coils 20-29": ("0F 0013 000A 02 CD01", COIL, 19, bits("11001101 01"), "0F 0013 000A"),
    "6.12 registers 2-3": ("10 0001 0002 04 000A 0102", HOLDING, 1, [10, 258], "10 0001 0002"),
}


@pytest.mark.parametrize(("asked", "table", "address", "held", "said"), READS.values(), ids=READS)
def test_a_read_example_of_the_specification(asked, table, address, held, said):
    device = Tables()
    device.set(table, address, held)
    assert answer(device, request(asked)) == request(said)


@pytest.mark.parametrize(("asked", "table", "address", "held", "said"), WRITES.values(), ids=WRITES)
def test_a_write_example_of_the_specification(asked, table, address, held, said):
    device, expected = Tables(), Tables()
    expected.set(table, address, held)
    assert answer(device, request(asked), "panel") == request(said)
    assert device.values == expected.values
    assert device.writers == ["panel"]


def test_the_read_write_example_of_the_specification():
    """Section 6.17."""
    device = Tables()
    device.set(HOLDING, 3, [0x00FE, 0x0ACD, 0x0001, 0x0003, 0x000D, 0x00FF])
    said = answer(device, request("17 0003 0006 000E 0003 06 00FF 00FF 00FF"))
    assert said == request("17 0C 00FE 0ACD 0001 0003 000D 00FF")
    assert device.values[HOLDING][14:17] == [255, 255, 255]


def test_a_read_write_reads_what_it_has_just_written():
    """Section 6.17: the write is performed before the read."""
    assert answer(Tables(), request("17 0000 0001 0000 0001 02 1234")) == request("17 02 1234")


def test_the_exception_example_of_the_specification():
    """Section 7: coil 1185 of a device that has 625."""
    assert answer(Tables(625), request("01 04A1 0001")) == request("81 02")


def test_what_is_left_of_the_last_byte_of_bits_is_zero_and_is_not_written():
    device = Tables()
    device.set(COIL, 0, [1] * 16)
    assert answer(device, request("01 0000 0003")) == request("01 01 07")
    device.set(COIL, 0, [0] * 16)
    answer(device, request("0F 0000 0003 01 FF"))
    assert device.values[COIL][:16] == [1] * 3 + [0] * 13


FULL_WRITE = "10 0000 007B F6" + "0001" * 123
FULL_COILS = "0F 0000 07B0 F6" + "FF" * 246
FULL_BOTH = "17 0000 007D 0000 0079 F2" + "0001" * 121
LARGEST = ["01 0000 07D0", "02 0000 07D0", "03 0000 007D", "04 0000 007D", FULL_WRITE, FULL_COILS, FULL_BOTH]


@pytest.mark.parametrize("asked", LARGEST, ids=lambda asked: asked[:12])
def test_the_largest_request_of_each_function_is_served(asked):
    said = answer(Tables(), request(asked))
    assert said[0] == request(asked)[0]
    assert len(said) <= PDU_MAX


BAD_VALUES = {
    "no coil": "01 0000 0000",
    "2001 coils": "01 0000 07D1",
    "no input": "02 0000 0000",
    "2001 inputs": "02 0000 07D1",
    "no register": "03 0000 0000",
    "126 registers": "03 0000 007E",
    "no input register": "04 0000 0000",
    "126 input registers": "04 0000 007E",
    "a coil that is neither on nor off": "05 0000 0001",
    "a coil of FFFF": "05 0000 FFFF",
    "no coil to write": "0F 0000 0000 00",
    "1969 coils to write": "0F 0000 07B1 F7" + "00" * 247,
    "coils with too small a byte count": "0F 0000 0009 01 00",
    "coils with too large a byte count": "0F 0000 0008 02 0000",
    "coils with fewer bytes than counted": "0F 0000 0010 02 00",
    "coils with more bytes than counted": "0F 0000 0008 01 0000",
    "no register to write": "10 0000 0000 00",
    "124 registers to write": "10 0000 007C F8" + "0000" * 124,
    "registers with an odd byte count": "10 0000 0002 03 000000",
    "registers with fewer bytes than counted": "10 0000 0002 04 0000",
    "registers with more bytes than counted": "10 0000 0001 02 00000000",
    "no register to read beside a write": "17 0000 0000 0000 0001 02 0000",
    "126 registers to read beside a write": "17 0000 007E 0000 0001 02 0000",
    "no register to write beside a read": "17 0000 0001 0000 0000 00",
    "122 registers to write beside a read": "17 0000 0001 0000 007A F4" + "0000" * 122,
    "a read and write with a wrong byte count": "17 0000 0001 0000 0001 04 00000000",
    "a read that is cut off": "03 0000 00",
    "a read with a byte too many": "03 0000 0001 00",
    "a write that is cut off before its count": "10 0000",
    "a read and write that is cut off before its count": "17 0000 0001",
    "a function code alone": "06",
}


@pytest.mark.parametrize("asked", BAD_VALUES.values(), ids=BAD_VALUES)
def test_exception_03_and_nothing_written_for(asked):
    device = Tables()
    assert answer(device, request(asked)) == bytes((request(asked)[0] | 0x80, 3))
    assert device.writers == []


BAD_ADDRESSES = {
    "coils beyond the last address": "01 FFFF 0002",
    "inputs beyond the last address": "02 FFFF 0002",
    "registers beyond the last address": "03 FFFF 0002",
    "input registers beyond the last address": "04 FFFF 0002",
    "coils written beyond the last address": "0F FFFF 0002 01 03",
    "registers written beyond the last address": "10 FFFF 0002 04 00010001",
    "a read beyond the last address beside a good write": "17 FFFF 0002 0000 0001 02 0001",
    "a write beyond the last address beside a good read": "17 0000 0001 FFFF 0002 04 00010001",
}
ABSENT_ADDRESSES = {
    "a coil": "05 0064 FF00",
    "a register": "06 0064 0001",
    "some of the coils": "0F 0063 0002 01 03",
    "some of the registers": "10 0063 0002 04 00010001",
    "some of the registers read beside a good write": "17 0063 0002 0000 0001 02 0001",
    "some of the registers written beside a good read": "17 0000 0001 0063 0002 04 00010001",
}


@pytest.mark.parametrize("asked", BAD_ADDRESSES.values(), ids=BAD_ADDRESSES)
def test_exception_02_and_nothing_written_for(asked):
    device = Tables(70_000)  # more than an address can say: the device would not refuse
    assert answer(device, request(asked)) == bytes((request(asked)[0] | 0x80, 2))
    assert device.writers == []


@pytest.mark.parametrize("asked", ABSENT_ADDRESSES.values(), ids=ABSENT_ADDRESSES)
def test_exception_02_and_nothing_written_where_a_device_of_100_lacks(asked):
    device = Tables(100)
    assert answer(device, request(asked)) == bytes((request(asked)[0] | 0x80, 2))
    assert device.writers == []


def test_the_last_address_is_served():
    assert answer(Tables(), request("03 FFFF 0001")) == request("03 02 0000")


@pytest.mark.parametrize("function", [0, 7, 8, 11, 12, 17, 20, 21, 22, 24, 43, 100, 127, 0x83, 255])
def test_exception_01_for_a_function_that_is_not_served(function):
    assert answer(Tables(), bytes((function, 0, 0, 0, 1))) == bytes((function | 0x80, 1))


def test_quantity_is_judged_before_the_address():
    """State diagrams of section 6: 03 comes before 02."""
    assert answer(Tables(1), request("03 FFFF 0000")) == request("83 03")


@pytest.mark.parametrize(
    ("raised", "code"),
    [(AddressError(), 2), (ValueRefusedError(), 3), (DeviceFailedError(), 4), (DeviceBusyError(), 6)],
)
@pytest.mark.parametrize("asked", [*(row[0] for row in READS.values()), *(row[0] for row in WRITES.values())])
def test_a_device_refuses_with_the_exception_of_its_error(asked, raised, code):
    device = Tables()
    device.broken = raised
    assert answer(device, request(asked)) == bytes((request(asked)[0] | 0x80, code))


def test_a_device_that_hands_over_too_few_values_is_a_mistake_and_no_response():
    class Short(Tables):
        def read(self, table, address, count):
            return super().read(table, address, count)[1:]

    with pytest.raises(ValueError, match="0 values for 1 of holding 5"):
        answer(Short(), request("03 0005 0001"))


FUNCTIONS = st.sampled_from([0, 1, 2, 3, 4, 5, 6, 15, 16, 22, 23, 43, 0x83])
WORDS = st.sampled_from(
    [0, 1, 2, 8, 120, 121, 123, 125, 126, 1968, 2000, 2001, 0xFF00, 0xFFFF]
) | st.integers(0, 0xFFFF)


@st.composite
def nearly_requests(draw: st.DrawFn) -> bytes:
    """The fields of a request, each of them perhaps wrong."""
    words = b"".join(draw(WORDS).to_bytes(2, "big") for _ in range(draw(st.sampled_from([1, 2, 2, 4]))))
    tail = draw(st.binary(max_size=250))
    counted = draw(st.sampled_from([b"", bytes((len(tail),)), b"\x02"]))
    return (bytes((draw(FUNCTIONS),)) + words + counted + tail)[:PDU_MAX]


@given(st.binary(min_size=1, max_size=300) | nearly_requests())
def test_whatever_is_asked_gets_one_response_that_fits_and_a_refusal_writes_nothing(asked):
    device = Tables(3000)
    before = copy.deepcopy(device.values)
    said = answer(device, asked)
    assert 2 <= len(said) <= PDU_MAX
    assert said[0] & 0x7F == asked[0] & 0x7F
    if said[0] & 0x80:
        assert said[1] in (Code.ILLEGAL_FUNCTION, Code.ILLEGAL_DATA_ADDRESS, Code.ILLEGAL_DATA_VALUE)
        assert len(said) == 2
        assert device.values == before
    else:
        assert request_length(asked) == len(asked)
        assert response_length(said) == len(said)


@given(st.integers(0, 70), st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=30))
def test_registers_written_are_the_registers_read(address, values):
    device = Tables(100)
    data = b"".join(value.to_bytes(2, "big") for value in values)
    place = address.to_bytes(2, "big") + len(values).to_bytes(2, "big")
    assert answer(device, b"\x10" + place + bytes((len(data),)) + data) == b"\x10" + place
    assert answer(device, b"\x03" + place) == b"\x03" + bytes((len(data),)) + data


@given(st.integers(0, 70), st.lists(st.integers(0, 1), min_size=1, max_size=30))
def test_coils_written_are_the_coils_held(address, values):
    device = Tables(100)
    data = bytes(
        sum(bit << i for i, bit in enumerate(values[at : at + 8])) for at in range(0, len(values), 8)
    )
    place = address.to_bytes(2, "big") + len(values).to_bytes(2, "big")
    assert answer(device, b"\x0f" + place + bytes((len(data),)) + data) == b"\x0f" + place
    assert device.values[COIL][address : address + len(values)] == values
    assert answer(device, b"\x01" + place) == b"\x01" + bytes((len(data),)) + data


def test_every_kind_of_refusal_has_a_code_of_its_own():
    codes = [kind.code for kind in RefusedError.__subclasses__()]
    assert sorted(codes) == [1, 2, 3, 4, 6]
