"""Pre-start order, header and dose: no unit opens before the bank is ready for it."""

from __future__ import annotations

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK

from controller.signals import BANK_SIGNALS, from_ma, signal_named
from controller.unit.states import UnitState

S = UnitState
SPEED = signal_named(BANK_SIGNALS, "booster_speed_cmd_ma")


def any_feed(rig: BankRig) -> bool:
    """A feed valve is driven."""
    return any(out.feed_valve for out in rig.out.units)


def speed_hz(rig: BankRig) -> float:
    """Speed reference of the booster."""
    return from_ma(SPEED, rig.out.bank.booster_speed_cmd_ma)


# --- pre-start order ------------------------------------------------------------------------------------


def test_booster_then_dosing_then_the_first_feed_valve() -> None:
    rig = BankRig(2)

    booster_s = rig.until(lambda r: r.out.bank.booster_run, 200)
    dosing_s = rig.until(lambda r: r.out.bank.dosing_run, 200)
    rig.until(any_feed, 200)

    assert booster_s >= QUICK.health_s + QUICK.water_good_s
    assert dosing_s >= QUICK.header_ready_s


@pytest.mark.parametrize(
    "fault",
    [
        {"header_bar": 1.9},
        {"dosing_pulse": False},
        {"dosing_healthy": False},
        {"feed_degc": 42.5},
        {"chlorine_mgl": 0.11},
        {"chlorine_ma": 0.0},
        {"source_wet": False},
        {"sump_ok": False},
        {"bank_run": False},
        {"tank_level_ma": 0.0},
        {"header_ma": 0.0},
        {"feed_temp_ma": 0.0},
        {"drive_healthy": False},
        {"supply_healthy": False},
        {"floor_dry": False},
        {"tank_not_overfull": False},
        {"antiscalant_ok": False, "level_pct": 20.0},
    ],
    ids=lambda fault: str(fault),
)
def test_no_unit_pumps_while_something_shared_is_not_right(fault: dict[str, float | bool]) -> None:
    healthy, rig = BankRig(1), BankRig(1)
    rig.bank |= fault

    limit_s = healthy.until(lambda r: r.out.units[0].pump, 150) + 20
    rig.run(limit_s)

    assert not any(outputs[0].pump for _, _, outputs, _ in rig.trace)


@pytest.mark.parametrize("fault", [{"header_bar": 1.9}, {"dosing_pulse": False}, {"chlorine_mgl": 0.11}])
def test_no_feed_valve_opens_before_header_water_and_dosing_are_proven(
    fault: dict[str, float | bool],
) -> None:
    rig = BankRig(2)
    rig.bank |= fault

    rig.run(100)

    assert not rig.rises("feed_valve")


def test_bad_water_never_starts_the_booster() -> None:
    rig = BankRig(1)
    rig.bank["feed_degc"] = 42.5

    rig.run(100)

    assert not any(bank.booster_run for *_, bank in rig.trace)


@pytest.mark.parametrize("spoiled", [{"feed_degc": 43.0}, {"chlorine_mgl": 0.2}])
def test_the_water_must_be_good_without_a_break_before_the_booster_runs(spoiled: dict[str, float]) -> None:
    rig = BankRig(1)
    rig.run(13)
    rig.bank |= spoiled
    rig.run(1)
    for name in spoiled:
        del rig.bank[name]

    assert rig.until(lambda r: r.out.bank.booster_run, 60) == pytest.approx(QUICK.water_good_s, abs=0.3)


def test_a_header_that_is_not_made_in_time_is_latched_and_stops_the_booster() -> None:
    rig = BankRig(1)
    rig.bank["header_bar"] = 1.5
    rig.until(lambda r: r.out.bank.booster_run, 60)

    took_s = rig.until(lambda r: not r.out.bank.booster_run, 100)

    assert took_s <= QUICK.header_rise_max_s + QUICK.header_ready_s + 0.2
    rig.run(100)
    assert not rig.out.bank.booster_run
    assert not rig.out.bank.alarm_relay


def test_a_dosing_pump_without_a_stroke_in_ten_seconds_is_latched_before_anything_moved() -> None:
    rig = BankRig(1)
    rig.bank["dosing_pulse"] = False
    rig.until(lambda r: r.out.bank.dosing_run, 60)

    took_s = rig.until(lambda r: not r.out.bank.alarm_relay, 30)

    assert took_s == pytest.approx(10.0, abs=0.2)
    assert not rig.rises("feed_valve")


def test_a_stroke_seen_while_the_dosing_pump_is_faulty_proves_nothing() -> None:
    rig = BankRig(1)
    rig.bank["dosing_healthy"] = False

    rig.until(lambda r: not r.out.bank.alarm_relay, 100)

    assert not rig.rises("feed_valve")


def test_a_dosing_pump_that_reports_a_fault_gives_no_stroke_into_still_water() -> None:
    rig = BankRig(1)
    rig.until(lambda r: r.out.bank.dosing_run, 100)
    rig.bank["dosing_healthy"] = False

    rig.run(0.2)

    assert not rig.out.bank.dosing_run


def test_the_order_is_gone_through_anew_after_the_booster_has_stood() -> None:
    rig = producing_bank(1)
    rig.bank["level_pct"] = 96.0
    rig.until(lambda r: not r.out.bank.booster_run, 100)
    rig.bank |= {"level_pct": 20.0, "dosing_pulse": False}

    rig.run(200)

    assert not rig.rises("feed_valve")


# --- booster --------------------------------------------------------------------------------------------


def test_the_booster_begins_at_its_least_speed_and_holds_the_header_at_its_setpoint() -> None:
    rig = BankRig(1)
    rig.until(lambda r: r.out.bank.booster_run, 60)
    assert speed_hz(rig) == pytest.approx(QUICK.booster_min_hz, abs=1.0)

    rig.until(lambda r: r.states == (S.PRODUCE,), 200)
    rig.run(60)

    assert rig.header_bar() == pytest.approx(3.0, abs=0.05)


def test_the_header_setpoint_rises_no_faster_than_its_ramp() -> None:
    rig = BankRig(1)
    rig.until(lambda r: r.out.bank.booster_run, 60)
    rig.run(2)  # the least speed alone makes 1.2 bar at once in this field

    headers = []
    for _ in range(300):
        rig.step()
        headers.append(rig.header_bar())

    steps = [b - a for a, b in zip(headers, headers[10:], strict=False)]
    assert max(steps) <= QUICK.header_ramp_bar_s * 1.2


def test_with_a_bad_header_transmitter_the_speed_stays_as_it_is() -> None:
    rig = producing_bank(1)
    rig.run(30)
    before = speed_hz(rig)

    rig.bank["header_ma"] = 0.0
    rig.run(5)

    assert speed_hz(rig) == before
    assert rig.states == (S.PRODUCE,)


def test_the_booster_stops_within_five_seconds_of_the_last_feed_valve() -> None:
    rig = producing_bank(2)
    rig.bank["level_pct"] = 96.0
    rig.until(lambda r: not any_feed(r) and all(s is S.STANDBY for s in r.states), 200)

    rig.until(lambda r: not r.out.bank.booster_run, 5)

    last_close_ms = rig.falls("feed_valve")[-1][0]
    assert rig.now_ms - last_close_ms <= 5_000


def test_a_lost_header_sends_the_units_to_wait_and_runs_the_order_again() -> None:
    rig = producing_bank(1)
    rig.bank["header_bar"] = 0.9

    took_s = rig.until(lambda r: not r.out.units[0].pump, 20)
    rig.until(lambda r: r.states == (S.RETRY_WAIT,), 10)
    del rig.bank["header_bar"]
    rig.until(lambda r: r.states == (S.PRODUCE,), 300)

    assert took_s == pytest.approx(5.0, abs=0.3)


@pytest.mark.parametrize("fault", ["drive_healthy", "source_wet", "supply_healthy"])
def test_a_fault_of_drive_source_or_supply_stops_pumps_and_booster_at_once(fault: str) -> None:
    rig = producing_bank(2)
    rig.bank[fault] = False

    rig.run(0.2)

    assert not rig.out.bank.booster_run
    assert not any(out.pump for out in rig.out.units)


def test_a_booster_that_does_not_answer_is_latched_after_five_seconds() -> None:
    rig = BankRig(1)
    rig.bank["booster_running"] = False
    rig.until(lambda r: r.out.bank.booster_run, 60)

    took_s = rig.until(lambda r: not r.out.bank.booster_run, 10)

    assert took_s == pytest.approx(5.0, abs=0.2)
