"""Whatever is written when: an output is what was last written to it, or at its loss state."""

from __future__ import annotations

import contextlib
import threading

from hypothesis import given, settings
from hypothesis import strategies as st
from serve_samples import COIL, HOLDING, INPUT, Time, image, marked_io

from controller.modbus.pdu import ADDRESSES, AddressError, RefusedError, Registers
from controller.signals import SAFE_UNIT_OUTPUTS, safe_outputs
from controller.tables import Table
from controller.wiring import default_wiring
from sim_plant.serve.remote_io import RemoteIo

LOSS_MS = 2_000
COILS = 5
NAMES = ("feed_valve", "flush_valve", "pump", "enable", "beacon")

WAITS = st.tuples(
    st.just("wait"), st.sampled_from((1, 50, 100, 999, 1_000, 1_999, 2_000, 5_000)), st.just(())
)
BEATS = st.tuples(st.just("beat"), st.integers(0, 3), st.just(()))
WRITES = st.tuples(
    st.just("coils"), st.integers(0, 6), st.lists(st.integers(0, 1), min_size=1, max_size=6).map(tuple)
)
OTHERS = st.tuples(st.sampled_from(("publish", "read")), st.just(0), st.just(()))


class Expected:
    """The rule in the plainest words: the coils, the heartbeat, and when it last changed."""

    def __init__(self) -> None:
        self.coils = [0] * COILS
        self.beat = 0
        self.changed_ms: int | None = None

    def lost(self, now_ms: int) -> bool:
        return self.changed_ms is None or now_ms - self.changed_ms >= LOSS_MS

    def pass_time(self, now_ms: int) -> None:
        if self.lost(now_ms):
            self.coils = [0] * COILS


@settings(max_examples=400, deadline=None)
@given(st.lists(st.one_of(WAITS, BEATS, WRITES, OTHERS), max_size=40))
def test_outputs_are_what_was_last_written_or_the_loss_state(
    acts: list[tuple[str, int, tuple[int, ...]]],
) -> None:
    now, expected = Time(), Expected()
    io = marked_io(now)
    skid = io.on_link("io")[1]
    for act, number, bits in acts:
        if act == "wait":
            now.ms += number
        expected.pass_time(now.ms)
        if act == "beat":
            skid.write(HOLDING, 0, [number], "")
            if number != expected.beat:
                expected.beat, expected.changed_ms = number, now.ms
        elif act == "coils":
            fits = number + len(bits) <= COILS
            with contextlib.suppress(AddressError):
                skid.write(COIL, number, bits, "")
                assert fits
            if fits and not expected.lost(now.ms):
                expected.coils[number : number + len(bits)] = bits
        elif act == "publish":
            io.publish(image())
        elif act == "read":
            skid.read(COIL, 0, COILS)
        driven = dict(zip(NAMES, map(bool, expected.coils), strict=True))
        assert io.drive().units[0] == SAFE_UNIT_OUTPUTS._replace(**driven)
        assert io.drive()._replace(units=()) == safe_outputs(2)._replace(units=())
        assert io.alive("skid1") is not expected.lost(now.ms)


@settings(max_examples=400, deadline=None)
@given(
    st.sampled_from(list(Table)),
    st.one_of(st.integers(0, 20), st.integers(95, 110), st.integers(0, ADDRESSES - 1)),
    st.lists(st.integers(0, 1), min_size=1, max_size=20),
    st.sampled_from((1, 100)),
)
def test_a_write_is_taken_whole_or_changes_nothing_that_can_be_read(
    table: Table, address: int, values: list[int], unit_id: int
) -> None:
    io = marked_io(Time())
    device = io.on_link("io")[unit_id]
    before = _everything(device)
    try:
        device.write(table, address, values, "")
    except RefusedError:
        assert _everything(device) == before
    else:
        assert table in (COIL, HOLDING)
        after = _everything(device)
        written = {(table, at): value for at, value in enumerate(values, address)}
        kept = _without_marks(before | written)
        if unit_id == 1 and table is COIL:  # its heartbeat has not changed: nothing is driven
            kept = _without_marks(before)
        assert _without_marks(after) == kept


def test_a_reader_in_another_thread_never_sees_half_an_image() -> None:
    io = RemoteIo(default_wiring(1), Time())
    skid = io.on_link("io")[1]
    images = [image(1, first_ma=first, closed=closed) for first, closed in ((5.0, True), (9.0, False))]
    io.publish(images[0])
    seen, over = set(), threading.Event()

    def read() -> None:
        while not over.is_set():
            seen.add(tuple(skid.read(INPUT, 6, 6)))

    readers = [threading.Thread(target=read) for _ in range(2)]
    for reader in readers:
        reader.start()
    for n in range(4_000):
        io.publish(images[n % 2])
    over.set()
    for reader in readers:
        reader.join()
    assert len(seen) == 2


def _everything(device: Registers) -> dict[tuple[Table, int], int]:
    found = {}
    for table in Table:
        for address in range(120):
            with contextlib.suppress(AddressError):
                found[table, address] = device.read(table, address, 1)[0]
    return found


def _without_marks(cells: dict[tuple[Table, int], int]) -> dict[tuple[Table, int], int]:
    """Without heartbeat and owner as the device shows them, which follow what was written."""
    return {place: cell for place, cell in cells.items() if place not in {(INPUT, 101), (INPUT, 102)}}
