"""Few requests, within the limits of the device, and no value in two of them."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wiring_samples import FOR_BENCH, PAIR, TARGET, changed, wired

from controller.wiring import (
    Asker,
    Block,
    Device,
    Direction,
    Point,
    RawType,
    Table,
    TcpLink,
    Use,
    Wiring,
    blocks_of,
    default_wiring,
    exchanges_of,
    pack,
    unpack,
)
from controller.wiring.blocks import limit_of

LINK = TcpLink("io", "127.0.0.1", 1502, 200, 100)
BITS, REGISTERS = (Table.COIL, Table.DISCRETE), (Table.HOLDING, Table.INPUT)
KINDS = (RawType.UINT16, RawType.FLOAT32)


@st.composite
def tables(draw: st.DrawFn, use: Use, table: Table) -> list[Point]:
    """Points of one table that do not overlap, with gaps of all lengths between them, in no order."""
    points, address = [], draw(st.integers(0, 40))
    for step in draw(st.lists(st.integers(0, 6), max_size=40)):
        address += step
        kind = RawType.BOOL if table.of_bits else draw(st.sampled_from((RawType.BOOL, *KINDS)))
        bits: list[int | None] = [None]
        if kind is RawType.BOOL and not table.of_bits:
            bits = list(draw(st.lists(st.integers(0, 15), min_size=1, max_size=4, unique=True)))
        for bit in bits:
            points.append(Point(f"{table}{address}.{bit}", "plc", use, table, address, kind, bit))
        address += kind.registers
    return draw(st.permutations(points))


@st.composite
def wirings(draw: st.DrawFn) -> Wiring:
    """One device with all sorts of points and limits."""
    fc23 = draw(st.booleans())
    device = Device(
        "plc",
        "io",
        1,
        200,
        fc23=fc23,
        max_read=draw(st.integers(2, 125)),
        max_read_bits=draw(st.integers(1, 2000)),
        max_write=draw(st.integers(2, 121 if fc23 else 123)),
        max_write_bits=draw(st.integers(1, 1968)),
        gap=draw(st.integers(0, 5)),
    )
    read = [draw(tables(Use.FIELD_INPUT, table)) for table in (Table.DISCRETE, Table.INPUT)]
    written = [draw(tables(Use.FIELD_OUTPUT, table)) for table in (Table.COIL, Table.HOLDING)]
    points = tuple(point for some in (*read, *written) for point in some)
    return Wiring(1, Asker.CONTROLLER, (LINK,), (device,), points)


def both(wiring: Wiring) -> list[tuple[Direction, Block]]:
    return [(direction, block) for direction in Direction for block in blocks_of(wiring, "plc", direction)]


def named(block: Block) -> set[int]:
    return {address for point in block.points for address in range(point.address, point.end)}


@settings(deadline=None)  # another worker may be busy
@given(wirings())
def test_every_point_is_in_exactly_one_block(wiring: Wiring) -> None:
    carried = [point.name for _, block in both(wiring) for point in block.points]
    assert sorted(carried) == sorted(point.name for point in wiring.points)


@settings(deadline=None)  # another worker may be busy
@given(wirings())
def test_every_point_lies_whole_inside_its_block_and_in_its_direction(wiring: Wiring) -> None:
    for direction, block in both(wiring):
        wanted = Use.FIELD_INPUT if direction is Direction.READ else Use.FIELD_OUTPUT
        for point in block.points:
            assert (point.table, point.use) == (block.table, wanted)
            assert block.address <= point.address
            assert point.end <= block.end


@settings(deadline=None)  # another worker may be busy
@given(wirings())
def test_no_block_breaks_a_limit(wiring: Wiring) -> None:
    device = wiring.devices[0]
    for direction, block in both(wiring):
        assert 1 <= block.count <= limit_of(device, block.table, direction)


@settings(deadline=None)  # another worker may be busy
@given(wirings())
def test_a_write_touches_nothing_that_no_point_names(wiring: Wiring) -> None:
    for block in blocks_of(wiring, "plc", Direction.WRITE):
        assert named(block) == set(range(block.address, block.end))


@settings(deadline=None)  # another worker may be busy
@given(wirings())
def test_a_read_runs_over_no_more_than_the_gap(wiring: Wiring) -> None:
    for block in blocks_of(wiring, "plc", Direction.READ):
        addresses = sorted(named(block))
        assert (addresses[0], addresses[-1] + 1) == (block.address, block.end)
        assert all(after - before - 1 <= wiring.devices[0].gap for before, after in pairwise(addresses))


@settings(deadline=None)  # another worker may be busy
@given(wirings())
def test_two_neighbouring_blocks_would_not_fit_into_one(wiring: Wiring) -> None:
    device = wiring.devices[0]
    for direction in Direction:
        gap = device.gap if direction is Direction.READ else 0
        for before, after in pairwise(blocks_of(wiring, "plc", direction)):
            if before.table is after.table:
                far = after.address - before.end > gap
                first = min(after.points, key=lambda point: point.address)
                assert far or first.end - before.address > limit_of(device, before.table, direction)


@settings(deadline=None)  # another worker may be busy
@given(wirings())
def test_every_block_travels_in_exactly_one_exchange(wiring: Wiring) -> None:
    exchanges = exchanges_of(wiring, "plc")
    read = [exchange.read for exchange in exchanges if exchange.read]
    written = [exchange.write for exchange in exchanges if exchange.write]
    assert sorted(read, key=str) == sorted(blocks_of(wiring, "plc", Direction.READ), key=str)
    assert sorted(written, key=str) == sorted(blocks_of(wiring, "plc", Direction.WRITE), key=str)


@settings(deadline=None)  # another worker may be busy
@given(wirings(), st.data())
def test_what_is_packed_is_what_is_unpacked(wiring: Wiring, data: st.DataObject) -> None:
    for block in blocks_of(wiring, "plc", Direction.WRITE):
        values = {
            point.name: data.draw(st.booleans() if point.type is RawType.BOOL else st.integers(0, 65535))
            for point in block.points
        }
        content = pack(block, values)
        assert len(content) == block.count
        assert unpack(block, content) == values


# --- by example -----------------------------------------------------------------------------------------


def spans(wiring: Wiring, device: str) -> list[tuple[int, str, int, int]]:
    return [
        (exchange.function_code, block.table.value, block.address, block.count)
        for exchange in exchanges_of(wiring, device)
        for block in (exchange.read, exchange.write)
        if block
    ]


def test_each_table_is_a_request_and_so_is_what_lies_apart() -> None:
    assert spans(wired(), "skid2") == [
        (2, "discrete", 0, 9),
        (4, "input", 0, 5),
        (4, "input", 100, 1),
        (15, "coil", 0, 5),
        (16, "holding", 0, 1),
    ]


@pytest.mark.parametrize(("limit", "counts"), [(5, [5]), (4, [4, 1])])
def test_a_block_may_fill_the_limit_and_not_pass_it(limit: int, counts: list[int]) -> None:
    wiring = wired(changed(PAIR, ('unit_id = "*"', f'unit_id = "*"\nmax_read = {limit}')))
    blocks = blocks_of(wiring, "skid1", Direction.READ)
    assert [block.count for block in blocks if block.table is Table.INPUT and block.address < 100] == counts


def test_a_device_of_the_standard_wiring_takes_one_read_and_one_write() -> None:
    assert spans(default_wiring(64), "skid64") == [(4, "input", 0, 12), (16, "holding", 0, 3)]


def test_with_fc23_a_read_and_a_write_of_holding_registers_are_one_exchange() -> None:
    beat = 'heartbeat = { table = "holding", address = 0 }'
    loops = PAIR[PAIR.index('[[point]]\ndevice = "skid*"\ntable = "input"') :]
    text = changed(PAIR, (beat, f"{beat}\nfc23 = true")).replace(
        loops, changed(loops, ('table = "input"\naddress = 0', 'table = "holding"\naddress = 50'))
    )
    wiring = wired(text)
    assert spans(wiring, "skid1")[:2] == [(23, "holding", 50, 5), (23, "holding", 0, 1)]
    assert len(exchanges_of(wiring, "skid1")) == 4


def test_the_bench_writes_what_a_controller_reads_and_the_service_points_stay() -> None:
    assert spans(wired(FOR_BENCH, asker=Asker.BENCH), "skid1") == [
        (1, "coil", 0, 5),
        (4, "input", 100, 1),
        (15, "coil", 100, 9),
        (16, "holding", 0, 1),
        (16, "holding", 200, 5),
    ]


def test_state_and_command_travel_only_when_the_bench_asks() -> None:
    def carried(asker: Asker) -> set[str]:
        wiring = wired(FOR_BENCH + TARGET, asker=asker)
        blocks = [b for way in Direction for b in blocks_of(wiring, "skid2", way)]
        return {point.name for block in blocks for point in block.points}

    assert carried(Asker.BENCH) - carried(Asker.CONTROLLER) == {"unit2.state", "unit2.command"}


def test_a_split_answer_is_refused() -> None:
    block = blocks_of(default_wiring(1), "skid1", Direction.READ)[0]
    with pytest.raises(ValueError, match="11 of 12"):
        unpack(block, [0] * 11)


def test_padding_of_an_answer_is_passed_over() -> None:
    block = blocks_of(wired(), "skid1", Direction.READ)[0]
    assert block.count == 9
    assert unpack(block, [True] * 9 + [False] * 7) == dict.fromkeys((p.name for p in block.points), True)


def test_a_value_that_is_missing_is_not_made_up() -> None:
    block = blocks_of(default_wiring(1), "skid1", Direction.WRITE)[0]
    with pytest.raises(KeyError, match="heartbeat"):
        pack(block, {})


def test_bits_of_one_register_go_out_together() -> None:
    block = blocks_of(default_wiring(1), "skid1", Direction.WRITE)[0]
    values: dict[str, bool | float] = {point.name: False for point in block.points}
    values |= {"unit1.feed_valve": True, "unit1.beacon": True, "skid1.heartbeat": 7, "skid1.owner": 3}
    assert pack(block, values) == [7, 3, 0b100001]
