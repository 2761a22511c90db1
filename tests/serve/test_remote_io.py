"""The devices of the simulated plant: what they show, what they take, when they let go, what may be wrong."""

from __future__ import annotations

import struct

import pytest
from serve_samples import COIL, DISCRETE, DRIVEN, HOLDING, INPUT, Time, aged, image, marked_io

from controller.modbus.pdu import AddressError, NoAnswerError, Registers, ValueRefusedError, answer
from controller.signals import SAFE_UNIT_OUTPUTS, safe_outputs
from controller.tables import Table
from controller.wiring import Asker, Direction, blocks_of, default_wiring, pack, unpack
from sim_plant.serve.device import IoDevice
from sim_plant.serve.remote_io import RemoteIo
from tests.wiring.wiring_samples import FOR_BENCH, PAIR, TARGET, changed, wired

LIFE, BEAT_SEEN, OWNER_SEEN, IDENTITY, KNOWN = 100, 101, 102, 103, 104
SAFE = safe_outputs(2)
LOSS_MS = 2_000  # narrative 2.3
PEER = "10.0.0.9:5000"
DEVICES = '[[device]]\nname = "skid*"'
CARD = '[[device]]\nname = "card"\nlink = "io"\nunit_id = 50\n'


@pytest.fixture
def now() -> Time:
    return Time()


@pytest.fixture
def io(now: Time) -> RemoteIo:
    return marked_io(now)


@pytest.fixture
def skid(io: RemoteIo) -> Registers:
    """Unit id 1: five coils, a heartbeat in holding register 0, an owner in 1."""
    return io.on_link("io")[1]


@pytest.fixture
def bank(io: RemoteIo) -> Registers:
    """Unit id 100, without a heartbeat: five coils, two floats in holding registers 10 to 13."""
    return io.on_link("io")[100]


def beat(device: Registers, number: int, owner: int = 7) -> None:
    device.write(HOLDING, 0, [number, owner], PEER)


def one(device: Registers, table: Table, address: int) -> int:
    return device.read(table, address, 1)[0]


def life(device: Registers) -> int:
    return one(device, INPUT, LIFE)


# --- what they show -------------------------------------------------------------------------------------


def test_a_link_has_its_devices_by_their_unit_ids(io: RemoteIo) -> None:
    assert set(io.on_link("io")) == {1, 2, 100}


def test_a_link_that_is_not_there_has_none(io: RemoteIo) -> None:
    with pytest.raises(KeyError):
        io.on_link("elsewhere")


def test_a_wiring_in_which_the_bench_asks_is_refused(now: Time) -> None:
    with pytest.raises(ValueError, match="bench asks"):
        RemoteIo(wired(FOR_BENCH, asker=Asker.BENCH), now)


def test_an_image_is_read_back_through_the_wiring_as_it_was_published(io: RemoteIo) -> None:
    given = image(first_ma=5.0)
    io.publish(given)
    shown: dict[str, bool | float] = {}
    for device in io.wiring.devices:
        registers = io.on_link("io")[device.unit_id]
        for block in blocks_of(io.wiring, device.name, Direction.READ):
            table = {"discrete": DISCRETE, "input": INPUT}[block.table.value]
            shown |= unpack(block, registers.read(table, block.address, block.count))
    assert shown["unit2.suction_ma"] == pytest.approx(given.units[1].suction_ma, abs=16 / 27648)
    assert shown["bank.product_cond_ma"] == pytest.approx(given.bank.product_cond_ma, abs=16 / 27648)
    assert shown["unit1.selector_auto"] is True
    assert (shown["skid1.identity"], shown["skid2.identity"], shown["skid2.known"]) == (71, 72, 1234.5)


def test_before_the_first_image_inputs_are_at_their_loss_values(skid: Registers) -> None:
    assert list(skid.read(DISCRETE, 0, 9)) == [0] * 9
    assert struct.unpack(">h", struct.pack(">H", one(skid, INPUT, 0)))[0] == -27648 / 4  # 0 mA


def test_each_image_moves_the_life_of_every_device_on_by_one(io: RemoteIo) -> None:
    devices = io.on_link("io").values()
    assert [life(device) for device in devices] == [0, 0, 0]
    for _ in range(3):
        io.publish(image())
    assert [life(device) for device in devices] == [3, 3, 3]


@pytest.mark.parametrize(("kind", "last", "then"), [("uint16", 65_535, 0), ("int16", 32_767, 0x8000)])
def test_life_runs_over_the_end_of_its_type(now: Time, kind: str, last: int, then: int) -> None:
    text = changed(
        PAIR,
        (DEVICES, f'{CARD}life = {{ table = "input", address = 100, type = "{kind}" }}\n\n{DEVICES}'),
        ('device = "bank"\ntable = "coil"', 'device = "card"\ntable = "coil"'),
    )
    card = IoDevice(wired(text), "card", now)
    for _ in range(last):
        card.publish({}, age_ms=0)
    assert life(card) == last
    card.publish({}, age_ms=0)
    assert life(card) == then


def test_a_device_whose_image_is_old_does_not_go_on_and_the_others_do(io: RemoteIo) -> None:
    io.publish(image(first_ma=5.0))
    io.publish(aged(image(first_ma=6.0), unit=1, age_ms=100))
    first, second, bank = (io.on_link("io")[unit_id] for unit_id in (1, 2, 100))
    assert [life(device) for device in (first, second, bank)] == [1, 2, 2]
    assert one(first, INPUT, 0) < one(second, INPUT, 0) - 27648 // 32


def test_so_it_is_with_the_image_of_the_bank(io: RemoteIo) -> None:
    io.publish(image()._replace(bank_age_ms=100))
    assert [life(io.on_link("io")[unit_id]) for unit_id in (1, 2, 100)] == [1, 1, 0]


def test_addresses_that_no_point_names_are_not_there(skid: Registers) -> None:
    for table, address, count in ((DISCRETE, 9, 1), (INPUT, 4, 2), (HOLDING, 2, 1), (COIL, 0, 6)):
        with pytest.raises(AddressError):
            skid.read(table, address, count)


def with_gap(now: Time, gap: int) -> Registers:
    """The bank's device; its loops end at input register 7, its life is at 100, so 92 lie between."""
    text = changed(PAIR, ("unit_id = 100\n", f"unit_id = 100\ngap = {gap}\n"))
    return RemoteIo(wired(text), now).on_link("io")[100]


def test_a_read_may_run_over_a_gap_of_the_wiring(now: Time) -> None:
    assert list(with_gap(now, 92).read(INPUT, 8, 93)) == [0] * 93


@pytest.mark.parametrize(("gap", "address", "count"), [(91, 0, 101), (92, 0, 102), (92, 101, 1)])
def test_a_read_may_not_run_over_a_longer_gap_or_off_the_end(
    now: Time, gap: int, address: int, count: int
) -> None:
    with pytest.raises(AddressError):
        with_gap(now, gap).read(INPUT, address, count)


def test_a_write_may_not_run_over_a_gap(now: Time) -> None:
    coils = 'table = "coil"\naddress = 0\nsignals = ["unit*.feed_valve", '
    text = changed(PAIR, (coils, coils + '"spare", '), ('unit_id = "*"', 'unit_id = "*"\ngap = 4'))
    skid = RemoteIo(wired(text), now).on_link("io")[1]
    assert len(skid.read(COIL, 0, 6)) == 6
    with pytest.raises(AddressError):
        skid.write(COIL, 0, [1] * 6, PEER)


def test_a_request_for_more_than_the_wiring_says_is_refused(now: Time) -> None:
    text = changed(PAIR, ("unit_id = 100\n", "unit_id = 100\nmax_read = 4\nmax_write_bits = 2\n"))
    bank = RemoteIo(wired(text), now).on_link("io")[100]
    bank.read(INPUT, 0, 4)
    bank.write(COIL, 0, [1, 1], PEER)
    with pytest.raises(ValueRefusedError):
        bank.read(INPUT, 0, 5)
    with pytest.raises(ValueRefusedError):
        bank.write(COIL, 0, [1, 1, 1], PEER)


# --- what they take -------------------------------------------------------------------------------------


def test_what_the_wiring_writes_is_driven(io: RemoteIo) -> None:
    values: dict[str, bool | float] = {"skid1.heartbeat": 1, "skid2.heartbeat": 1}
    values |= {"skid1.owner": 7, "skid2.owner": 7}
    values |= {f"bank.{name}": value for name, value in DRIVEN.bank._asdict().items()}
    for unit, driven in enumerate(DRIVEN.units, 1):
        values |= {f"unit{unit}.{name}": value for name, value in driven._asdict().items()}
    for device in io.wiring.devices:
        blocks = blocks_of(io.wiring, device.name, Direction.WRITE)
        for block in sorted(blocks, key=lambda b: b.table, reverse=True):  # the heartbeat before the coils
            table = {"coil": COIL, "holding": HOLDING}[block.table.value]
            io.on_link("io")[device.unit_id].write(table, block.address, pack(block, values), PEER)
    assert io.drive() == DRIVEN
    assert io.lost_devices() == ()


def test_inputs_and_discrete_inputs_are_never_written(skid: Registers) -> None:
    for table in (INPUT, DISCRETE):
        with pytest.raises(AddressError):
            skid.write(table, 0, [1], PEER)


def test_inputs_in_holding_registers_are_read_and_not_written(now: Time) -> None:
    text = PAIR.replace('table = "input"\naddress = 0', 'table = "holding"\naddress = 200')
    io = RemoteIo(wired(text), now)
    io.publish(image())
    bank = io.on_link("io")[100]
    before = bank.read(HOLDING, 200, 8)
    with pytest.raises(AddressError):
        bank.write(HOLDING, 200, [1], PEER)
    assert bank.read(HOLDING, 200, 8) == before


def test_a_write_that_goes_too_far_changes_nothing_and_counts_for_nothing(
    io: RemoteIo, bank: Registers
) -> None:
    with pytest.raises(AddressError):
        bank.write(COIL, 0, [1] * 6, PEER)
    assert io.drive() == SAFE
    assert not io.alive("bank")


def test_half_of_a_value_is_refused(io: RemoteIo, bank: Registers) -> None:
    for address, values in ((10, [0x4148]), (11, [0]), (11, [0, 0x4148]), (10, [0x4148, 0, 0x40E8])):
        with pytest.raises(AddressError):
            bank.write(HOLDING, address, values, PEER)
    assert io.drive() == SAFE


def test_a_float_that_is_no_number_is_refused_and_so_is_all_that_came_with_it(
    io: RemoteIo, bank: Registers
) -> None:
    for high_word in (0x7FC0, 0x7F80, 0xFF80):  # not a number, both infinities
        with pytest.raises(ValueRefusedError):
            bank.write(HOLDING, 10, [0x4148, 0, high_word, 0], PEER)
    assert io.drive() == SAFE
    assert not io.alive("bank")


def test_a_coil_is_no_part_of_a_float_at_the_same_address(now: Time) -> None:
    io = RemoteIo(
        wired(changed(PAIR, ('table = "holding"\naddress = 10', 'table = "holding"\naddress = 0'))), now
    )
    io.on_link("io")[100].write(COIL, 0, [1], PEER)
    assert io.drive().bank.booster_run


def test_a_bit_in_a_register_that_no_point_names_is_kept_and_drives_nothing(now: Time) -> None:
    io = RemoteIo(default_wiring(1), now)
    io.on_link("io")[1].write(HOLDING, 0, [1, 7, 0xFFC0 | 0b100], PEER)
    assert io.drive().units[0] == SAFE_UNIT_OUTPUTS._replace(pump=True)
    assert one(io.on_link("io")[1], HOLDING, 2) == 0xFFC4


def test_an_inverted_output_drives_the_opposite_and_rests_at_one(now: Time) -> None:
    coils = 'table = "coil"\naddress = 0\n'
    text = changed(PAIR, (coils + 'signals = ["unit*', coils + 'invert = true\nsignals = ["unit*'))
    io = RemoteIo(wired(text), now)
    skid = io.on_link("io")[1]
    assert list(skid.read(COIL, 0, 5)) == [1] * 5
    assert io.drive() == SAFE
    skid.write(HOLDING, 0, [1], PEER)
    skid.write(COIL, 2, [0], PEER)
    assert io.drive().units[0] == SAFE_UNIT_OUTPUTS._replace(pump=True)


def test_states_of_a_tested_controller_are_taken_and_commands_read_none(now: Time) -> None:
    io = RemoteIo(wired(PAIR + TARGET), now)
    skid = io.on_link("io")[1]
    skid.write(HOLDING, 300, [20], PEER)
    assert io.value("skid1", "unit1.state") == 20
    assert one(skid, HOLDING, 301) == 0
    with pytest.raises(AddressError):
        skid.write(HOLDING, 301, [1], PEER)


def test_function_23_reads_back_what_it_wrote_and_writes_nothing_when_its_read_is_refused(
    io: RemoteIo, bank: Registers
) -> None:
    ask = struct.pack(">BHHHHB4H", 23, 10, 4, 10, 4, 8, 0x4148, 0, 0x40E8, 0)
    assert answer(bank, ask, PEER) == struct.pack(">BB4H", 23, 8, 0x4148, 0, 0x40E8, 0)
    assert io.drive().bank == SAFE.bank._replace(booster_speed_cmd_ma=12.5, dosing_rate_cmd_ma=7.25)
    too_far = struct.pack(">BHHHHB4H", 23, 9, 4, 10, 4, 8, 0, 0, 0, 0)
    assert answer(bank, too_far, PEER) == bytes((23 | 0x80, 2))
    assert io.drive().bank.booster_speed_cmd_ma == 12.5


# --- when they let go -----------------------------------------------------------------------------------


def test_outputs_fall_two_seconds_after_the_last_write_and_not_before(
    io: RemoteIo, now: Time, bank: Registers
) -> None:
    now.ms = 500
    bank.write(COIL, 0, [1], PEER)
    now.ms = 500 + LOSS_MS - 1
    assert io.drive().bank.booster_run
    assert io.alive("bank")
    now.ms += 1
    assert io.drive() == SAFE
    assert not io.alive("bank")
    assert one(bank, COIL, 0) == 0


def test_a_point_shows_the_loss_state_when_it_is_looked_at_in_time_and_later(
    io: RemoteIo, now: Time, bank: Registers
) -> None:
    bank.write(COIL, 0, [1], PEER)
    assert io.value("bank", "bank.booster_run") is True
    now.ms = LOSS_MS
    assert io.value("bank", "bank.booster_run") is False


def test_what_fell_does_not_come_back_with_the_next_write(io: RemoteIo, now: Time, bank: Registers) -> None:
    bank.write(COIL, 0, [1, 1, 1, 1, 1], PEER)
    now.ms = LOSS_MS
    bank.write(COIL, 2, [1], PEER)
    assert io.drive().bank == SAFE.bank._replace(alarm_relay=True)


def test_a_write_that_is_refused_keeps_nothing_alive(io: RemoteIo, now: Time, bank: Registers) -> None:
    bank.write(COIL, 0, [1], PEER)
    now.ms = LOSS_MS - 1
    with pytest.raises(AddressError):
        bank.write(COIL, 5, [1], PEER)
    now.ms = LOSS_MS
    assert io.drive() == SAFE


def test_reading_keeps_nothing_alive(io: RemoteIo, now: Time, bank: Registers) -> None:
    bank.write(COIL, 0, [1], PEER)
    now.ms = LOSS_MS - 1
    bank.read(COIL, 0, 1)
    now.ms = LOSS_MS
    assert io.drive() == SAFE


def test_devices_let_go_one_by_one(io: RemoteIo, now: Time) -> None:
    first, second = io.on_link("io")[1], io.on_link("io")[2]
    beat(first, 1)
    first.write(COIL, 2, [1], PEER)
    now.ms = 1_000
    beat(second, 1)
    second.write(COIL, 2, [1], PEER)
    now.ms = LOSS_MS
    assert [unit.pump for unit in io.drive().units] == [False, True]
    assert io.lost_devices() == ("bank", "skid1")


def test_with_a_heartbeat_only_a_changed_one_keeps_outputs(io: RemoteIo, now: Time, skid: Registers) -> None:
    beat(skid, 1)
    skid.write(COIL, 2, [1], PEER)
    for now.ms in range(100, LOSS_MS, 100):
        beat(skid, 1)
        skid.write(COIL, 2, [1], PEER)
        assert io.drive().units[0].pump
    now.ms = LOSS_MS
    assert io.drive() == SAFE


def test_without_a_changed_heartbeat_nothing_is_driven_again_and_with_one_it_is(
    io: RemoteIo, now: Time, skid: Registers
) -> None:
    beat(skid, 1)
    now.ms = LOSS_MS
    skid.write(COIL, 2, [1], PEER)
    beat(skid, 1)
    assert io.drive() == SAFE
    assert one(skid, COIL, 2) == 0
    beat(skid, 2)
    assert io.drive() == SAFE, "what was written in vain does not come back"
    skid.write(COIL, 2, [1], PEER)
    assert io.drive().units[0].pump


def test_heartbeat_and_owner_are_shown_as_the_device_has_them(now: Time, skid: Registers) -> None:
    beat(skid, 5, owner=300)
    assert list(skid.read(INPUT, BEAT_SEEN, 2)) == [5, 300]
    now.ms = LOSS_MS
    assert list(skid.read(INPUT, BEAT_SEEN, 2)) == [5, 300], "the mark outlives its master"
    beat(skid, 6, owner=301)
    assert one(skid, INPUT, OWNER_SEEN) == 301


def test_the_writer_is_told_while_it_writes(
    io: RemoteIo, now: Time, skid: Registers, bank: Registers
) -> None:
    assert io.writer("skid1") is None
    beat(skid, 1)
    bank.write(COIL, 0, [0], "line")
    assert io.writer("skid1") == (PEER, 7)
    assert io.writer("bank") == ("line", None)
    now.ms = LOSS_MS
    assert io.writer("skid1") is None


# --- what may go wrong ----------------------------------------------------------------------------------


def test_a_reboot_silences_then_begins_anew(io: RemoteIo, now: Time, skid: Registers) -> None:
    for _ in range(5):
        io.publish(image())
    beat(skid, 9)
    skid.write(COIL, 2, [1], PEER)

    io.reboot("skid1", 3_000)

    assert io.drive() == SAFE
    assert not io.alive("skid1")
    for now.ms in range(0, 3_000, 100):
        io.publish(image())
        with pytest.raises(NoAnswerError):
            skid.read(INPUT, LIFE, 1)
        with pytest.raises(NoAnswerError):
            beat(skid, 10)
    now.ms = 3_000
    with pytest.raises(NoAnswerError):
        skid.read(INPUT, LIFE, 1)  # it has no image yet
    io.publish(image())
    assert list(skid.read(INPUT, LIFE, 4)) == [1, 0, 0, 71]
    assert list(skid.read(DISCRETE, 0, 2)) == [1, 1]
    assert not io.alive("skid1")


def test_only_the_device_that_reboots_is_silent(io: RemoteIo) -> None:
    io.reboot("skid1", 3_000)
    assert life(io.on_link("io")[2]) == 0


def test_silence_alone_leaves_the_program_running(io: RemoteIo, now: Time, skid: Registers) -> None:
    beat(skid, 1)
    skid.write(COIL, 2, [1], PEER)
    io.silence("skid1", 1_500)
    io.publish(image())
    now.ms = 1_499
    assert io.drive().units[0].pump
    with pytest.raises(NoAnswerError):
        skid.read(INPUT, LIFE, 1)
    now.ms = 1_500
    assert life(skid) == 1


def test_held_outputs_stay_without_a_master_and_over_a_reboot(
    io: RemoteIo, now: Time, skid: Registers
) -> None:
    beat(skid, 1)
    skid.write(COIL, 2, [1], PEER)
    io.hold_outputs("skid1")
    now.ms = 60_000
    assert io.drive().units[0].pump
    assert io.lost_devices() == ("bank", "skid1", "skid2")
    io.reboot("skid1", 1_000)
    assert io.drive().units[0].pump
    io.hold_outputs("skid1", False)
    assert io.drive() == SAFE


def test_another_identity_is_shown_until_the_own_is_asked_for(io: RemoteIo, skid: Registers) -> None:
    io.show_identity("skid1", 72)
    io.publish(image())
    assert one(skid, INPUT, IDENTITY) == 72
    io.show_identity("skid1", None)
    assert one(skid, INPUT, IDENTITY) == 71


def test_another_identity_outlives_a_reboot(io: RemoteIo, now: Time, skid: Registers) -> None:
    io.show_identity("skid1", 72)
    io.reboot("skid1", 100)
    now.ms = 100
    io.publish(image())
    assert one(skid, INPUT, IDENTITY) == 72


def test_a_device_without_identity_cannot_show_another(io: RemoteIo) -> None:
    with pytest.raises(ValueError, match="bank has no identity"):
        io.show_identity("bank", 1)


def test_one_that_stands_still_answers_with_what_it_had_and_takes_what_is_written(
    io: RemoteIo, skid: Registers
) -> None:
    io.publish(image(first_ma=5.0))
    before = skid.read(INPUT, 0, 5)
    io.stand_still("skid1")
    io.publish(image(first_ma=6.0))
    assert (skid.read(INPUT, 0, 5), life(skid)) == (before, 1)
    beat(skid, 1)
    skid.write(COIL, 2, [1], PEER)
    assert io.drive().units[0].pump
    assert one(skid, INPUT, BEAT_SEEN) == 1
    io.stand_still("skid1", False)
    io.publish(image(first_ma=6.0))
    assert life(skid) == 2
    assert skid.read(INPUT, 0, 5) != before


def test_a_device_that_takes_no_writes_is_never_lost(now: Time) -> None:
    text = changed(
        PAIR,
        (DEVICES, f"{CARD}\n{DEVICES}"),
        ('device = "bank"\ntable = "discrete"', 'device = "card"\ntable = "discrete"'),
    )
    io = RemoteIo(wired(text), now)
    assert io.alive("card")
    assert io.lost_devices() == ("bank", "skid1", "skid2")
