"""The status map: what stands where, and that it says what the firmware is."""

from __future__ import annotations

import math

import pytest
from panel_desk import ROWS, SESSION, Desk

from controller.alarms.unit_rules import UNIT_RULES
from controller.modbus.pdu import READ_REGISTERS_MAX, AddressError, DeviceFailedError
from controller.panel.codes import ALARM_CODES, STATE_CODES
from controller.panel.map import BANK_MAP, BLOCK, UNIT_MAP, map_sum
from controller.panel.orders import WAIT_MS
from controller.settings import Setpoints
from controller.signals import UNIT_SIGNALS, Kind, names, signal_named, to_ma
from controller.tables import Table
from controller.unit.states import Event, UnitState

MANY = Setpoints(drain_capacity_m3h=200, booster_capacity_m3h=200, purge_interval_s=7200)


@pytest.mark.parametrize("rows", [BANK_MAP, UNIT_MAP], ids=["bank", "unit"])
def test_rows_follow_one_another_inside_their_block_and_no_two_share_a_register(rows) -> None:
    ends = 0
    for row in rows:
        assert row.address >= ends, row.name
        ends = row.end
    assert ends <= BLOCK
    assert len({row.name for row in rows}) == len(rows)


def test_every_unit_of_the_largest_bank_has_its_block_among_the_addresses() -> None:
    desk = Desk(64, setpoints=MANY)
    desk.scan()

    assert [desk.value("unit", unit) for unit in range(1, 65)] == [*range(1, 65)]
    assert desk.value("units") == 64
    assert 64 * BLOCK + UNIT_MAP[-1].end <= 65_536


@pytest.mark.parametrize("n_units", [1, 2, 64])
def test_the_map_of_a_unit_does_not_depend_on_how_many_there_are(n_units: int) -> None:
    desk = Desk(n_units, setpoints=MANY)
    desk.scan(60)

    assert desk.value("state", 1) == STATE_CODES[desk.controller.states()[0]]
    with pytest.raises(AddressError):
        desk.device.read(Table.INPUT, (n_units + 1) * BLOCK, 1)


def test_the_program_tells_what_is_needed_to_trust_the_rest() -> None:
    desk = Desk()
    desk.scan(2)

    assert [desk.value(name) for name in ("map", "session", "heartbeat", "units", "known")] == [
        map_sum(),
        SESSION,
        2,
        2,
        1234.5,
    ]
    assert [desk.value(name) for name in ("uptime_s", "skipped", "journal")] == [65_540, 3, 70_000]


def test_state_outputs_and_timers_follow_the_firmware() -> None:
    desk = Desk()
    desk.until(UnitState.START_FLUSH)
    desk.scan(50)

    driven = desk.driver.outputs.units[0]
    assert desk.value("state", 1) == STATE_CODES[UnitState.START_FLUSH]
    assert desk.value("in_state_s", 1) == 5
    assert desk.value("flush_s", 1) == 4  # the flush valve leads by a second
    assert desk.value("outputs", 1) == sum(
        bool(value) << bit for bit, value in enumerate(driven) if bit < len(names(UNIT_SIGNALS, Kind.DO))
    )
    assert desk.value("purge_in_s", 1) == desk.value("retry_in_s", 1) == 65_535


def test_the_time_to_the_next_purge_counts_down_in_production() -> None:
    desk = Desk(1)
    desk.until(UnitState.PRODUCE)
    before = desk.value("purge_in_s", 1)
    desk.scan(100)

    assert before - desk.value("purge_in_s", 1) == 10
    assert desk.value("pumping_s", 1) >= 10
    assert desk.value("starts", 1) == 1


def test_a_loop_is_shown_in_its_unit_and_with_its_quality() -> None:
    desk = Desk()
    desk.driver.units[1]["suction_ma"] = to_ma(signal_named(UNIT_SIGNALS, "suction_ma"), 2.5)
    desk.scan(60)

    assert desk.value("suction", 2) == pytest.approx(2.5)
    assert desk.value("suction_quality", 2) == 1


def test_a_broken_loop_is_no_number_at_once_and_bad_soon() -> None:
    desk = Desk()
    desk.scan(60)
    desk.driver.units[0]["suction_ma"] = 0.0
    desk.scan()
    assert math.isnan(desk.value("suction", 1))
    desk.scan(30)
    assert math.isnan(desk.value("suction", 1))
    assert desk.value("suction_quality", 1) == 3


def test_an_image_that_is_too_old_shows_no_values_and_says_so() -> None:
    desk = Desk()
    desk.scan(60)
    inputs = desk.driver.read()._replace(unit_age_ms=(1_500, 0))
    desk.controller.scan(inputs, desk.now_ms + 100)
    desk.panel.scanned(desk.now_ms + 100)

    assert (desk.value("age_ms", 1), desk.value("age_ms", 2)) == (1_500, 0)
    assert desk.value("flags", 1) & 1
    assert math.isnan(desk.value("suction", 1))
    assert desk.value("suction_quality", 1) == 3
    assert not math.isnan(desk.value("suction", 2))


def test_an_alarm_shows_priority_and_state_and_is_counted() -> None:
    desk = Desk()
    desk.scan(60)
    desk.driver.units[0]["skid_dry"] = False
    desk.scan(40)

    leak = next(place for place, rule in enumerate(UNIT_RULES) if rule.id == "skid leak")
    assert desk.value("skid leak", 1) == 256 * UNIT_RULES[leak].priority + ALARM_CODES["UNACK"]
    assert desk.value("first_out", 1) == leak + 1
    assert (desk.value("priority", 1), desk.value("unacknowledged", 1)) == (1, 1)
    assert (desk.value("critical"), desk.value("unacknowledged")) == (1, 1)
    assert desk.value("latched", 1) == Event.SKID_LEAK
    assert desk.value("skid leak", 2) == 0


def test_between_rows_a_block_reads_0_and_beyond_it_there_is_nothing() -> None:
    desk = Desk()
    desk.scan()
    end = UNIT_MAP[-1].end

    assert desk.device.read(Table.INPUT, BLOCK + 60, 5) == [0] * 5
    desk.device.read(Table.INPUT, BLOCK + end - READ_REGISTERS_MAX, READ_REGISTERS_MAX)
    for address in (BLOCK + end - READ_REGISTERS_MAX + 1, BLOCK - 1, 3 * BLOCK):
        with pytest.raises(AddressError):
            desk.device.read(Table.INPUT, address, READ_REGISTERS_MAX)


@pytest.mark.parametrize("table", [Table.COIL, Table.DISCRETE])
def test_there_are_no_bits(table: Table) -> None:
    desk = Desk()
    desk.scan()
    with pytest.raises(AddressError):
        desk.device.read(table, 0, 1)
    with pytest.raises(AddressError):
        desk.device.write(table, 0, (1,), "x:1")


def test_nothing_is_shown_before_the_first_scan_and_when_scans_have_stopped() -> None:
    desk = Desk()
    with pytest.raises(DeviceFailedError):
        desk.value("heartbeat")
    desk.scan()
    desk.now_ms += WAIT_MS
    assert desk.value("heartbeat") == 1
    desk.now_ms += 1
    with pytest.raises(DeviceFailedError):
        desk.value("heartbeat")


def test_a_picture_is_of_one_scan_and_does_not_change_afterwards() -> None:
    desk = Desk()
    desk.scan(60)
    picture = desk.controller.picture()
    assert picture is not None
    before = repr(picture)
    desk.driver.units[0]["skid_dry"] = False
    desk.scan(60)

    assert repr(picture) == before


def test_the_sum_of_the_map_is_never_that_of_no_map() -> None:
    assert 0 < map_sum() < 65_536
    assert ROWS["bank"]["map"].address == 0


def test_a_defect_of_the_panel_is_told_once_and_stops_no_scan(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk()
    desk.scan()
    monkeypatch.setattr(desk.controller, "picture", lambda: 1 / 0)
    desk.scan(3)

    assert [kind for kind, _ in desk.lines] == ["panel"]
    assert "ZeroDivisionError" in desk.lines[0][1]
    desk.now_ms += WAIT_MS
    with pytest.raises(DeviceFailedError):
        desk.value("heartbeat")
