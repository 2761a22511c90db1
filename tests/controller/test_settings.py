"""Setpoints outside their range, in contradiction or unknown are refused; slots follow from hydraulics."""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from controller.settings import Setpoints


def limits(name: str) -> tuple[float, float]:
    """Least and greatest value of a setpoint; ``gt`` and ``lt`` count as limits."""
    lo, hi = -math.inf, math.inf
    for rule in Setpoints.model_fields[name].metadata:
        lo = max(lo, getattr(rule, "ge", lo), getattr(rule, "gt", lo))
        hi = min(hi, getattr(rule, "le", hi), getattr(rule, "lt", hi))
    return lo, hi


NAMES = tuple(name for name, field in Setpoints.model_fields.items() if field.annotation is not bool)


def error_locations(**values: float) -> set[str]:
    with pytest.raises(ValidationError) as caught:
        Setpoints(**values)
    return {str(error["loc"][0]) for error in caught.value.errors() if error["loc"]}


@pytest.mark.parametrize("name", NAMES)
def test_every_setpoint_has_both_limits_and_a_reason(name: str) -> None:
    lo, hi = limits(name)

    assert -math.inf < lo < hi < math.inf
    assert Setpoints.model_fields[name].description


@pytest.mark.parametrize("name", NAMES)
def test_a_value_below_or_above_its_range_is_refused_by_name(name: str) -> None:
    lo, hi = limits(name)

    assert name in error_locations(**{name: lo - 1})
    assert name in error_locations(**{name: hi + 1})


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("name", NAMES)
def test_a_value_that_is_no_number_is_refused(name: str, value: float) -> None:
    assert name in error_locations(**{name: value})


def test_an_unknown_name_is_refused() -> None:
    assert error_locations(start_flush=120.0) == {"start_flush"}


def test_a_setpoint_cannot_be_changed_afterwards() -> None:
    with pytest.raises(ValidationError):
        Setpoints().purge_s = 30.0  # type: ignore[misc]  # that it is frozen is what is tested


@pytest.mark.parametrize(
    ("values", "named"),
    [
        ({"stagnation_h": 7.9}, "stagnation_h"),
        ({"start_flush_max_s": 179.0}, "start_flush_max_s"),
        ({"start_flush_max_s": 361.0}, "start_flush_max_s"),
        ({"tds_clear_mgl": 200.0}, "tds_clear_mgl"),
        ({"tds_alarm_mgl": 300.0}, "tds_lockout_mgl"),
        ({"suction_fast_bar": 0.5, "suction_trip_bar": 0.5}, "suction_fast_bar"),
        ({"settled_suction_bar": 0.8}, "settled_suction_bar"),
        ({"tank_last_pct": 80.0, "tank_first_pct": 80.0}, "tank_last_pct"),
        ({"tank_first_pct": 90.0, "tank_stop_pct": 90.0}, "tank_stop_pct"),
        ({"header_low_bar": 2.0}, "header_low_bar"),
        ({"header_ready_bar": 3.0}, "header_ready_bar"),
        ({"temp_clear_degc": 42.0}, "temp_clear_degc"),
        ({"chlorine_clear_mgl": 0.1}, "chlorine_clear_mgl"),
        ({"suction_trip_bar": 1.2}, "suction_alarm_bar"),
        ({"discharge_alarm_bar": 16.0}, "discharge_alarm_bar"),
        ({"temp_alarm_degc": 42.0}, "temp_alarm_degc"),
        ({"chlorine_alarm_mgl": 0.1}, "chlorine_alarm_mgl"),
        ({"as_left_membrane_bar": 14.5}, "as_left_membrane_bar"),
        ({"as_left_membrane_bar": 10.0, "as_left_pump_bar": 10.1}, "as_left_pump_bar"),
        ({"as_left_prefilter_bar": 0.7}, "as_left_prefilter_bar"),
        ({"purge_s": 5.0, "purge_evidence_s": 5.0}, "purge_evidence_s"),
        ({"purge_interval_s": 120.0, "purge_s": 30.0}, "purge_interval_s"),
    ],
)
def test_two_values_that_contradict_each_other_are_refused_and_named(
    values: dict[str, float], named: str
) -> None:
    with pytest.raises(ValidationError, match=named):
        Setpoints(**values)


def test_every_contradiction_is_told_at_once() -> None:
    with pytest.raises(ValidationError, match=r"temp_clear_degc.*chlorine_clear_mgl"):
        Setpoints(temp_clear_degc=43, chlorine_clear_mgl=0.2)


@pytest.mark.parametrize("hours", [0.0, 8.0, 72.0])
def test_the_stagnation_flush_may_be_off_or_from_8_to_72_hours(hours: float) -> None:
    assert Setpoints(stagnation_h=hours).stagnation_h == hours


def test_retry_waits_follow_the_count_and_the_last_one_repeats() -> None:
    assert [Setpoints().retry_wait_s(failure) for failure in (1, 2, 3, 4, 5)] == [60, 120, 300, 300, 300]


def test_a_time_is_told_in_seconds_whatever_unit_its_name_has() -> None:
    assert Setpoints(purge_s=25).seconds("purge_s") == 25.0
    assert Setpoints(antiscalant_grace_min=2).seconds("antiscalant_grace_min") == 120.0


def test_a_slot_is_lent_for_the_longest_flush_and_ten_seconds() -> None:
    assert Setpoints(start_flush_s=100, start_flush_max_s=200).token_lease_s == 210


def test_a_lockout_delay_that_no_gap_between_two_purges_holds_is_refused() -> None:
    # 300 s of interval less 20 s of purge and 30 s of blanking leave 250 s in which quality is judged
    with pytest.raises(ValueError, match="purging hides bad water"):
        Setpoints(purge_interval_s=300, tds_lockout_s=250)
    assert Setpoints(purge_interval_s=300, tds_lockout_s=249).tds_lockout_s == 249


# --- flush slots: K = largest k with (N-k)Qc + k Qflush inside 95 % of drain and booster ----------------


def test_six_demo_units_have_one_slot() -> None:
    # drain 5 x 0.93 + 3.05 = 7.7 <= 8.55, feed 5 x 2.33 + 3.4 = 15.05 <= 15.2; two: 9.8 and 16.1
    assert Setpoints().flush_slots(6) == 1


def test_one_unit_has_one_slot_and_never_more_slots_than_units() -> None:
    wide = Setpoints(drain_capacity_m3h=500, booster_capacity_m3h=500)

    assert [wide.flush_slots(n) for n in (1, 2, 6)] == [1, 2, 6]


@pytest.mark.parametrize(("drain_m3h", "slots"), [(10.0, 1), (10.34, 2)])
def test_the_drain_limits_the_slots(drain_m3h: float, slots: int) -> None:
    # two slots of six need 4 x 0.93 + 2 x 3.05 = 9.82 m3/h of drain, 95 % of 10.337
    assert Setpoints(drain_capacity_m3h=drain_m3h, booster_capacity_m3h=500).flush_slots(6) == slots


@pytest.mark.parametrize(("booster_m3h", "slots"), [(16.9, 1), (17.0, 2)])
def test_the_booster_limits_the_slots(booster_m3h: float, slots: int) -> None:
    # two slots of six need 4 x 2.33 + 2 x 3.4 = 16.12 m3/h of feed, 95 % of 16.968; three need 17.19
    assert Setpoints(drain_capacity_m3h=500, booster_capacity_m3h=booster_m3h).flush_slots(6) == slots


@pytest.mark.parametrize("short", [{"drain_capacity_m3h": 8.0}, {"booster_capacity_m3h": 15.0}])
def test_a_site_without_room_for_one_flush_is_refused(short: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="no room for one flush"):
        Setpoints(**short).flush_slots(6)


def test_24_units_on_one_slot_need_an_interval_of_858_seconds() -> None:
    # 24 (20 + 5) / 1 <= 0.7 x interval; one slot: 23 x 0.93 + 3.05 = 24.44, two: 26.56 m3/h of drain
    site = {"drain_capacity_m3h": 27.0, "booster_capacity_m3h": 500.0}

    with pytest.raises(ValueError, match="at least 858 s"):
        Setpoints(purge_interval_s=857, **site).flush_slots(24)
    assert Setpoints(purge_interval_s=858, **site).flush_slots(24) == 1


def test_24_units_at_600_seconds_are_content_with_two_slots() -> None:
    # 24 (20 + 5) / 2 = 300 s <= 0.7 x 600 s; two slots: 26.56 of 26.6 m3/h
    assert Setpoints(drain_capacity_m3h=28, booster_capacity_m3h=500).flush_slots(24) == 2
