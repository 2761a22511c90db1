"""Causes that concern all units: latched once in the bank, and one reset there is enough."""

from __future__ import annotations

from itertools import pairwise

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK, Values

from controller.signals import SAFE_BANK_OUTPUTS, SAFE_UNIT_OUTPUTS, Verb
from controller.unit.states import PUMPING, STATES, UnitState

S = UnitState

CAUSES: list[tuple[Values, Values, float, float]] = [
    # what shows it, what shows it gone, seconds to act, seconds gone before a reset
    ({"tank_not_overfull": False}, {}, 0.0, 10.0),
    ({"floor_dry": False}, {}, 2.0, 30.0),
    ({"sump_ok": False}, {}, 2.0, 60.0),
    ({"feed_degc": 42.1}, {"feed_degc": 39.9}, 10.0, 60.0),
    ({"chlorine_mgl": 0.101}, {"chlorine_mgl": 0.049}, 10.0, 60.0),
    ({"drive_healthy": False}, {}, 0.0, 10.0),
    ({"source_wet": False}, {}, 0.0, 10.0),
    ({"supply_healthy": False}, {}, 0.0, 10.0),
]
NAMES = [next(iter(cause[0])) for cause in CAUSES]


def pumping(rig: BankRig) -> bool:
    """A pump is driven."""
    return any(out.pump for out in rig.out.units)


def tripped(shows: dict[str, float | bool]) -> BankRig:
    """Two units stopped by a shared cause that still stands."""
    rig = producing_bank(2)
    rig.bank |= shows
    rig.until(lambda r: not pumping(r), 20)
    rig.until(lambda r: all(s is S.STANDBY for s in r.states), 10)
    return rig


def heal(rig: BankRig, gone: dict[str, float | bool]) -> None:
    """The cause goes."""
    for name in NAMES:
        rig.bank.pop(name, None)
    rig.bank |= gone


@pytest.mark.parametrize(("shows", "_gone", "act_s", "_clear_s"), CAUSES, ids=NAMES)
def test_a_shared_cause_stops_all_pumps_in_one_scan_without_a_flush(
    shows: dict[str, float | bool], _gone: dict[str, float], act_s: float, _clear_s: float
) -> None:
    rig = producing_bank(2)
    rig.bank |= shows

    took_s = rig.until(lambda r: not pumping(r), 20)
    rig.run(20)

    assert took_s == pytest.approx(act_s, abs=0.15)
    assert len({t_ms for t_ms, _ in rig.falls("pump")}) == 1
    assert not rig.rises("flush_valve")
    assert rig.states == (S.STANDBY, S.STANDBY)


@pytest.mark.parametrize(
    "harmless",
    [{"feed_degc": 41.9}, {"chlorine_mgl": 0.099}, {"product_us": 900.0}, {"tank_above_low": False}],
    ids=str,
)
def test_below_its_limit_a_shared_value_stops_nobody(harmless: dict[str, float | bool]) -> None:
    rig = producing_bank(1)
    rig.bank |= harmless

    rig.run(60)

    assert rig.states == (S.PRODUCE,)


@pytest.mark.parametrize(
    ("pulse", "seconds"),
    [({"chlorine_mgl": 0.5}, 9.8), ({"feed_degc": 45.0}, 9.8), ({"floor_dry": False}, 1.8)],
    ids=str,
)
def test_a_pulse_shorter_than_its_delay_stops_nobody(pulse: dict[str, float | bool], seconds: float) -> None:
    rig = producing_bank(1)
    rig.bank |= pulse
    rig.run(seconds)
    for name in pulse:
        del rig.bank[name]
    rig.run(30)

    assert rig.states == (S.PRODUCE,)


@pytest.mark.parametrize(("shows", "gone", "_act_s", "clear_s"), CAUSES, ids=NAMES)
def test_one_reset_at_the_bank_is_enough_once_the_cause_has_been_gone_long_enough(
    shows: dict[str, float | bool], gone: dict[str, float | bool], _act_s: float, clear_s: float
) -> None:
    rig = tripped(shows)
    heal(rig, gone)
    rig.run(clear_s - 2)
    rig.press_reset()
    rig.run(1)
    assert not rig.out.bank.alarm_relay

    rig.run(1)
    rig.press_reset()
    rig.step()
    assert rig.out.bank.alarm_relay
    for name in gone:
        del rig.bank[name]
    rig.until(lambda r: r.states == (S.PRODUCE, S.PRODUCE), 300)


@pytest.mark.parametrize(("shows", "gone", "_act_s", "_clear_s"), CAUSES, ids=NAMES)
def test_without_a_reset_a_shared_cause_stands_for_ever(
    shows: dict[str, float | bool], gone: dict[str, float | bool], _act_s: float, _clear_s: float
) -> None:
    rig = tripped(shows)
    heal(rig, gone)

    rig.run(120)

    assert rig.states == (S.STANDBY, S.STANDBY)
    assert not rig.rises("feed_valve")


@pytest.mark.parametrize(
    ("shows", "between"),
    [({"feed_degc": 43.0}, {"feed_degc": 41.0}), ({"chlorine_mgl": 0.2}, {"chlorine_mgl": 0.07})],
    ids=["temperature", "chlorine"],
)
def test_between_trip_and_clear_level_a_reset_is_refused(
    shows: dict[str, float | bool], between: dict[str, float | bool]
) -> None:
    rig = tripped(shows)
    rig.bank |= between
    rig.run(100)

    rig.press_reset()
    rig.run(1)

    assert not rig.out.bank.alarm_relay


def test_a_cause_that_can_no_longer_be_judged_has_not_gone() -> None:
    rig = tripped({"feed_degc": 43.0})
    del rig.bank["feed_degc"]
    rig.bank["feed_temp_ma"] = 0.0
    rig.run(100)

    rig.press_reset()
    rig.run(1)

    assert not rig.out.bank.alarm_relay


def test_a_chlorine_loop_bad_for_a_minute_is_taken_for_chlorine() -> None:
    rig = producing_bank(1)
    rig.bank["chlorine_ma"] = 0.0

    took_s = rig.until(lambda r: not pumping(r), 100)

    assert took_s == pytest.approx(62.0, abs=0.3)


def test_no_flush_is_made_with_water_that_is_bad() -> None:
    rig = producing_bank(2)
    rig.bank["level_pct"] = 96.0
    rig.until(lambda r: S.STOP_FLUSH in r.states, 30)
    rig.bank["chlorine_mgl"] = 0.2
    rig.run(15)

    assert not any(out.feed_valve or out.flush_valve for out in rig.out.units)
    rig.run(200)
    assert not any(out.feed_valve or out.flush_valve for out in rig.out.units)


def test_a_high_sump_ends_every_flush_within_five_seconds() -> None:
    rig = producing_bank(2)
    rig.bank["level_pct"] = 96.0
    rig.until(lambda r: S.STOP_FLUSH in r.states, 30)
    rig.run(5)
    rig.bank["sump_ok"] = False

    took_s = rig.until(lambda r: not any(out.flush_valve for out in r.out.units), 20)

    assert took_s <= 5.0 + 0.5  # the tolerance of a reaction


ROOMY = QUICK.model_copy(update={"drain_capacity_m3h": 60.0, "booster_capacity_m3h": 60.0, "stagger_s": 5.0})
"""As many flush slots as units."""


def feed_closures_s(rig: BankRig, since_ms: int) -> list[float]:
    """When a feed valve closed, in seconds after a moment; one value for each."""
    return sorted(
        (now[0] - since_ms) / 1000.0
        for before, now in pairwise(rig.trace)
        for was, unit in zip(before[2], now[2], strict=True)
        if now[0] > since_ms and was.feed_valve and not unit.feed_valve
    )


@pytest.mark.parametrize("count", [3, 4])
def test_a_high_sump_ends_many_flushes_within_five_seconds_and_their_feeds_one_by_one(count: int) -> None:
    rig = BankRig(count, ROOMY)
    rig.until(lambda r: all(out.flush_valve and out.feed_valve for out in r.out.units), 120)
    rig.bank["sump_ok"] = False
    struck_ms = rig.now_ms

    took_s = rig.until(lambda r: not any(out.flush_valve for out in r.out.units), 20)
    rig.run(5)

    assert took_s <= 5.0
    closures_s = feed_closures_s(rig, struck_ms)
    assert len(closures_s) == count
    assert min(later - before for before, later in pairwise(closures_s)) >= 0.9


def test_selectors_off_together_close_their_feeds_one_by_one_as_far_as_five_seconds_reach() -> None:
    rig = producing_bank(6)
    for unit in rig.units:
        unit["selector_auto"] = False
    struck_ms = rig.now_ms
    rig.step()
    assert not pumping(rig)

    rig.run(8)

    closures_s = feed_closures_s(rig, struck_ms)
    assert len(closures_s) == 6
    assert closures_s[-1] <= 5.0
    in_turn = [shut_s for shut_s in closures_s if shut_s < closures_s[-1]]
    assert len(in_turn) == 3
    assert min(later - before for before, later in pairwise(in_turn)) >= 0.9


def test_after_valves_that_their_deadline_shut_together_the_next_one_waits_for_a_whole_gap() -> None:
    """Units 2 to 6 are switched off at once; unit 1 trips later, coasts, and has no deadline."""
    rig = producing_bank(6)
    for unit in rig.units[1:]:
        unit["selector_auto"] = False
    struck_ms = rig.now_ms
    rig.run(3.5)
    rig.units[0]["motor_healthy"] = False

    rig.run(6)

    *_, forced_s, last_s = feed_closures_s(rig, struck_ms)
    assert 4.5 <= forced_s <= 5.0
    assert last_s - forced_s == pytest.approx(1.0)


@pytest.mark.parametrize("count", [1, 2])
def test_an_open_estop_chain_takes_every_output_of_units_and_booster(count: int) -> None:
    rig = producing_bank(count)
    rig.bank["estop_healthy"] = False

    rig.step()

    assert all(out._replace(beacon=False) == SAFE_UNIT_OUTPUTS for out in rig.out.units)
    assert not rig.out.bank.booster_run
    assert rig.out.bank.booster_speed_cmd_ma == SAFE_BANK_OUTPUTS.booster_speed_cmd_ma
    assert not rig.out.bank.alarm_relay


def test_after_an_estop_one_reset_and_a_call_lead_back_through_a_whole_start_flush() -> None:
    rig = producing_bank(1)
    rig.bank["estop_healthy"] = False
    rig.run(2)
    rig.bank["estop_healthy"] = True
    rig.run(30)
    assert rig.states == (S.ESTOP,)

    rig.press_reset()
    rig.until(lambda r: r.states == (S.PRODUCE,), 300)

    flushed = [1 for *_, units, _ in rig.trace if units[0].feed_valve and units[0].flush_valve]
    assert len(flushed) * 0.1 >= QUICK.start_flush_s


def test_a_reset_of_one_unit_leaves_the_bank_latched() -> None:
    rig = tripped({"tank_not_overfull": False})
    heal(rig, {})
    rig.run(20)

    rig.command(Verb.RESET, 1)
    rig.run(1)

    assert not rig.out.bank.alarm_relay


def test_the_alarm_relay_drops_for_a_locked_out_unit_and_others_go_on() -> None:
    rig = producing_bank(2)
    rig.units[0]["motor_healthy"] = False
    rig.run(5)

    assert not rig.out.bank.alarm_relay
    assert rig.states == (S.LOCKOUT, S.PRODUCE)


def test_the_horn_sounds_for_a_new_latch_until_the_reset_button_silences_it() -> None:
    rig = tripped({"tank_not_overfull": False})
    assert rig.out.bank.horn

    rig.press_reset()
    rig.run(1)

    assert not rig.out.bank.horn
    assert not rig.out.bank.alarm_relay


def test_the_watchdog_pulses_once_a_second_whatever_happens() -> None:
    rig = BankRig(1)
    rig.run(3)
    rig.bank["estop_healthy"] = False
    rig.run(7)

    pulses = [bank.watchdog for *_, bank in rig.trace]
    assert sum(b and not a for a, b in pairwise(pulses)) == 10


def test_a_stale_bank_image_stops_the_booster_and_lets_nobody_start() -> None:
    rig = producing_bank(1)
    rig.bank_age_ms = 1_001

    rig.run(0.2)

    assert not rig.out.bank.booster_run
    assert not rig.out.bank.alarm_relay


def test_pumping_states_are_the_only_ones_with_a_pump() -> None:
    rig = BankRig(2)
    rig.run(200)
    rig.bank["level_pct"] = 96.0
    rig.run(100)

    seen = {s for _, states, _, _ in rig.trace for s in states}
    assert seen >= PUMPING - {S.PURGE, S.QUALITY_FLUSH}
    assert seen <= set(STATES)
    for _, states, units, _ in rig.trace:
        assert all(state in PUMPING for state, out in zip(states, units, strict=True) if out.pump)


# --- an image that has never been fresh -------------------------------------------------------------------


def before_the_first_image(retained: str | None = None) -> BankRig:
    """A program on a line that carries nothing yet: all contacts open, the age as of an hour."""
    rig = BankRig(2, retained=retained)
    rig.bank |= {"estop_healthy": False, "bank_run": False}
    rig.bank_age_ms, rig.unit_age_ms = 3_600_000, [3_600_000, 3_600_000]
    rig.run(10)
    return rig


def the_line_carries(rig: BankRig) -> None:
    del rig.bank["bank_run"]
    rig.bank_age_ms, rig.unit_age_ms = 0, [0, 0]


def test_contacts_of_an_image_that_has_never_been_fresh_are_no_estop_and_no_stop() -> None:
    rig = before_the_first_image()
    told = {(event.kind, event.text) for event in rig.controller.take_events()}
    assert rig.states == (S.BOOT, S.BOOT)
    assert not told & {("cause", "emergency stop chain open"), ("cause", "stop command")}
    assert {alarm.id for alarm in rig.controller.alarms()} == {"shared I/O lost", "unit I/O lost"}

    the_line_carries(rig)
    del rig.bank["estop_healthy"]
    rig.until(lambda r: r.states == (S.PRODUCE, S.PRODUCE), 600)  # without a reset


def test_an_estop_that_the_first_fresh_image_shows_waits_for_its_reset() -> None:
    rig = before_the_first_image()

    the_line_carries(rig)
    rig.run(1)
    assert rig.states == (S.ESTOP, S.ESTOP)
    del rig.bank["estop_healthy"]
    rig.run(60)

    assert rig.states == (S.ESTOP, S.ESTOP)


def test_an_estop_stands_while_the_image_that_showed_it_grows_old() -> None:
    rig = producing_bank(2)
    rig.bank["estop_healthy"] = False
    rig.run(1)
    rig.bank_age_ms = 9_000

    rig.command(Verb.RESET, 0).run(5)

    assert rig.states == (S.ESTOP, S.ESTOP)
