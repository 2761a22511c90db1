"""References as manuals write them, and how long a round takes on a serial line."""

from __future__ import annotations

import pytest
from wiring_samples import PAIR, changed, wired

from controller.wiring import Block, Exchange, Parity, SerialLink, Table, default_wiring
from controller.wiring.listing import point_rows, reference, request_rows, summary_lines
from controller.wiring.timing import frame_bytes, round_ms


@pytest.mark.parametrize(
    ("table", "address", "text"),
    [
        (Table.COIL, 0, "00001"),
        (Table.DISCRETE, 0, "10001"),
        (Table.INPUT, 0, "30001"),
        (Table.HOLDING, 107, "40108"),
        (Table.HOLDING, 9998, "49999"),
        (Table.HOLDING, 9999, "410000"),
        (Table.INPUT, 65535, "365536"),
    ],
)
def test_a_reference_counts_from_1_behind_the_digit_of_its_table(
    table: Table, address: int, text: str
) -> None:
    assert reference(table, address) == text


def test_a_row_says_all_there_is_to_wire_a_loop() -> None:
    row = next(row for row in point_rows(default_wiring(12)) if row.signal == "unit12.membrane_ma")
    assert row._asdict() == {
        "tag": "PT-1202",
        "signal": "unit12.membrane_ma",
        "text": "membrane inlet pressure",
        "device": "skid12",
        "unit_id": "12",
        "table": "input",
        "address": "8",
        "hex": "0x0008",
        "reference": "30009",
        "bit": "",
        "type": "uint16",
        "scaling": "4000..20000 = 4..20 mA",
        "range": "0..25 bar",
        "on_loss": "BAD",
        "request": "1 read input 0..11",
    }


def test_requests_are_listed_in_the_order_in_which_they_are_asked() -> None:
    rows = [
        (r.device, r.number, r.function_code, r.does, r.addresses) for r in request_rows(default_wiring(1))
    ]
    assert rows == [
        ("bank", "1", "04", "read", "0..14"),
        ("bank", "2", "16", "write", "0..4"),
        ("skid1", "1", "04", "read", "0..11"),
        ("skid1", "2", "16", "write", "0..2"),
    ]


def test_the_summary_counts_the_requests_of_a_round() -> None:
    assert list(summary_lines(default_wiring(24))) == [
        "link io (127.0.0.1:1502): 25 devices, 50 requests every 100 ms"
    ]


def test_the_summary_of_a_serial_line_says_how_long_a_round_takes() -> None:
    text = changed(PAIR, ('host = "127.0.0.1"\nport = 1502', 'serial = "COM3"\nbaud = 115200'))
    (line,) = summary_lines(wired(text))
    assert line.startswith("link io (COM3, 115200 baud): 3 devices, 15 requests every 100 ms, ")
    assert line.endswith(" ms of it on the line")


READ = Block("d", Table.HOLDING, 0, 10, ())
WRITE = Block("d", Table.HOLDING, 50, 3, ())


@pytest.mark.parametrize(
    ("exchange", "sizes"),
    [
        # MODBUS Application Protocol V1.1b3, tables of 6.1, 6.3, 6.11, 6.12, 6.17, plus unit id and CRC
        (Exchange(READ, None), (8, 25)),
        (Exchange(None, WRITE), (15, 8)),
        (Exchange(READ, WRITE), (19, 25)),
        (Exchange(Block("d", Table.COIL, 0, 19, ()), None), (8, 8)),
        (Exchange(None, Block("d", Table.COIL, 0, 10, ())), (11, 8)),
    ],
)
def test_frames_are_as_long_as_the_protocol_says(exchange: Exchange, sizes: tuple[int, int]) -> None:
    assert frame_bytes(exchange) == sizes


def test_a_round_on_a_line_is_its_characters_and_its_silences() -> None:
    line = SerialLink("l", "COM3", 9600, Parity.EVEN, 1, None, 200, 100)
    # 33 characters of 11 bits and twice 3.5 characters of silence, at 9600 baud
    assert round_ms(line, Exchange(READ, None)) == pytest.approx((33 + 7) * 11 / 9.6)
    fast = SerialLink("l", "COM3", 115200, Parity.NONE, 1, None, 200, 100)
    assert round_ms(fast, Exchange(READ, None)) == pytest.approx(33 * 10 / 115.2 + 3.5)
