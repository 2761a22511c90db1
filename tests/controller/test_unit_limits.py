"""Every protective rule at its limit: where the narrative says "below 0.8 bar", 0.8 bar is not low."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pytest
from harness import UnitRig, unit_in

from controller.parts.timing import NEVER
from controller.unit import protections as rules
from controller.unit.states import UnitState
from controller.unit.view import View, quality_blanked

S = UnitState
Given = dict[str, float | bool | None]


def given(state: UnitState, *changes: Given) -> View:
    """What a healthy unit sees in that state, changed. A moment of the memory is told in seconds ago."""
    rig: UnitRig = unit_in(state)
    rig.step()
    v = rig.sequencer._seen
    assert v is not None
    for name, value in (item for change in changes for item in change.items()):
        if name == "header_bar":
            v.p = v.p._replace(header_bar=value)
        elif name.endswith("_ms"):
            setattr(v.m, name, NEVER if value is None else v.now_ms - round(value * 1000))
        else:
            setattr(v if hasattr(v, name) else v.m, name, value)
    return v


class Limit(NamedTuple):
    """One limit of one rule: the last value that is right, and the first that is wrong."""

    rule: Callable[[View], bool | None]
    state: UnitState
    given: Given
    quantity: str
    right: float | bool | None
    wrong: float | bool | None


WATERED: Given = {"feed_ms": 60}
UNSEEN_FEED: Given = {"feed_ms": 60, "feed_proven": False, "header_bar": 3.0, "suction_bar": 0.1}
SHUT_FEED: Given = {"feed_ms": None, "feed_off_ms": 3600, "suction_bar": 0.0, "concentrate_m3h": 0.0}
DRY_FLUSH: Given = {"both_ms": 60, "suction_bar": 2.9, "concentrate_m3h": 0.5}
SECOND_PURGE: Given = {"purge_failures": 1, "evidence": False, "entered_ms": 10}
JUDGED: Given = {"blanked": False}

LIMITS = [
    # suction means something from 10 s after the feed valve opened
    Limit(rules.suction_low, S.PRODUCE, {"suction_bar": 0.1}, "feed_ms", 9.999, 10.0),
    Limit(rules.suction_gone, S.PRODUCE, {"suction_bar": 0.1}, "feed_ms", 9.999, 10.0),
    Limit(rules.suction_low, S.PRODUCE, WATERED, "suction_bar", 0.8, 0.799),
    Limit(rules.suction_gone, S.PRODUCE, WATERED, "suction_bar", 0.3, 0.299),
    Limit(rules.high_discharge, S.PRODUCE, {}, "membrane_bar", 16.0, 16.001),
    # a pump has 15 s to bring 8 bar
    Limit(rules.pressure_missing, S.PUMP_START, {"membrane_bar": 7.9}, "entered_ms", 14.999, 15.0),
    Limit(rules.pressure_missing, S.PUMP_START, {"entered_ms": 15}, "membrane_bar", 8.0, 7.999),
    Limit(rules.pressure_missing, S.PUMP_START, {"entered_ms": 15}, "membrane_bar", 8.0, None),
    # feed valve, by pressure and flow
    Limit(rules.feed_not_open, S.START_FLUSH, UNSEEN_FEED, "feed_ms", 9.999, 10.0),
    Limit(rules.feed_not_open, S.START_FLUSH, UNSEEN_FEED, "header_bar", 1.799, 1.8),
    Limit(rules.feed_not_open, S.START_FLUSH, UNSEEN_FEED, "suction_bar", 0.8, 0.799),
    Limit(rules.feed_not_open, S.START_FLUSH, UNSEEN_FEED, "feed_proven", True, False),
    Limit(rules.feed_not_closed, S.STANDBY, SHUT_FEED | {"suction_bar": 2.0}, "feed_off_ms", 59.999, 60.0),
    Limit(rules.feed_not_closed, S.STANDBY, SHUT_FEED, "suction_bar", 0.5, 0.501),
    Limit(rules.feed_not_closed, S.STANDBY, SHUT_FEED, "concentrate_m3h", 0.1, 0.101),
    Limit(rules.feed_not_closed, S.STANDBY, SHUT_FEED | {"suction_bar": 2.0}, "feed_ms", 0.0, None),
    # flush valve, by pressure and flow
    Limit(rules.flush_not_open, S.START_FLUSH, DRY_FLUSH, "both_ms", 9.999, 10.0),
    Limit(rules.flush_not_open, S.START_FLUSH, DRY_FLUSH, "suction_bar", 0.999, 1.0),
    Limit(rules.flush_not_open, S.START_FLUSH, DRY_FLUSH, "concentrate_m3h", 1.5, 1.499),
    Limit(rules.flush_not_open, S.STOP_FLUSH, DRY_FLUSH, "both_ms", 9.999, 10.0),
    Limit(rules.flush_too_long, S.START_FLUSH, {}, "both_ms", 239.999, 240.0),
    Limit(rules.purge_unproven, S.PURGE, SECOND_PURGE, "entered_ms", 4.999, 5.0),
    Limit(rules.purge_unproven, S.QUALITY_FLUSH, SECOND_PURGE, "entered_ms", 4.999, 5.0),
    Limit(rules.purge_unproven, S.PURGE, SECOND_PURGE, "evidence", True, False),
    Limit(rules.purge_unproven, S.PURGE, SECOND_PURGE, "purge_failures", 0, 1),
    Limit(rules.flush_not_closed, S.DELAY, {}, "concentrate_m3h", 1.2, 1.201),
    Limit(rules.flush_not_closed, S.PRODUCE, {"reference_bar": 12.5}, "membrane_bar", 7.5, 7.499),
    Limit(rules.flush_not_closed, S.PRODUCE, {"reference_bar": 0.9}, "membrane_bar", 0.55, 0.53),
    # production, motor
    Limit(rules.purge_overdue, S.PRODUCE, {}, "purge_from_ms", 1199.999, 1200.0),
    Limit(rules.motor_must_rest, S.STANDBY, {}, "pump_off_ms", 90.0, 89.999),
    Limit(rules.motor_must_rest, S.STANDBY, {}, "pump_off_ms", None, 0.0),
    # quality
    Limit(rules.tds_alarm, S.PRODUCE, JUDGED, "tds_mgl", 200.0, 200.001),
    Limit(rules.tds_lockout, S.PRODUCE, JUDGED, "tds_mgl", 300.0, 300.001),
    Limit(rules.tds_alarm, S.PRODUCE, {"tds_mgl": 400.0}, "blanked", True, False),
    Limit(rules.tds_lockout, S.PRODUCE, {"tds_mgl": 400.0}, "blanked", True, False),
]


@pytest.mark.parametrize(
    "limit", LIMITS, ids=lambda limit: f"{limit.rule.__name__} {limit.quantity} {limit.wrong}"
)
def test_a_rule_holds_from_its_limit_on_and_not_before(limit: Limit) -> None:
    right = given(limit.state, limit.given, {limit.quantity: limit.right})
    wrong = given(limit.state, limit.given, {limit.quantity: limit.wrong})

    assert (limit.rule(right), limit.rule(wrong)) == (False, True)


@pytest.mark.parametrize(
    ("rule", "state", "seen", "broken"),
    [
        (rules.suction_low, S.PRODUCE, WATERED, "suction_bar"),
        (rules.suction_gone, S.PRODUCE, WATERED, "suction_bar"),
        (rules.high_discharge, S.PRODUCE, {}, "membrane_bar"),
        (rules.feed_not_open, S.START_FLUSH, UNSEEN_FEED, "suction_bar"),
        (rules.feed_not_open, S.START_FLUSH, UNSEEN_FEED, "header_bar"),
        (rules.feed_not_closed, S.STANDBY, SHUT_FEED, "suction_bar"),
        (rules.feed_not_closed, S.STANDBY, SHUT_FEED, "concentrate_m3h"),
        (rules.flush_not_open, S.START_FLUSH, DRY_FLUSH, "suction_bar"),
        (rules.flush_not_open, S.START_FLUSH, DRY_FLUSH, "concentrate_m3h"),
        (rules.flush_not_closed, S.DELAY, {}, "concentrate_m3h"),
        (rules.flush_not_closed, S.PRODUCE, {"reference_bar": 12.5}, "membrane_bar"),
        (rules.tds_alarm, S.PRODUCE, JUDGED, "tds_mgl"),
        (rules.tds_lockout, S.PRODUCE, JUDGED, "tds_mgl"),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_a_rule_whose_loop_is_broken_says_neither_yes_nor_no(
    rule: Callable[[View], bool | None], state: UnitState, seen: Given, broken: str
) -> None:
    assert rule(given(state, seen, {broken: None})) is None


@pytest.mark.parametrize("membrane_bar", [-0.1, None])
def test_without_a_reference_from_a_purge_no_pressure_says_that_the_flush_valve_is_open(
    membrane_bar: float | None,
) -> None:
    v = given(S.PRODUCE, {"reference_bar": 0.0, "membrane_bar": membrane_bar})

    assert rules.flush_not_closed(v) is False


def test_while_a_pump_starts_the_reference_of_its_last_run_means_nothing() -> None:
    v = given(S.PUMP_START, {"reference_bar": 12.5, "membrane_bar": 3.0})

    assert rules.flush_not_closed(v) is False


@pytest.mark.parametrize(("starts", "must_rest"), [(7, False), (8, True)])
def test_the_eighth_start_in_an_hour_is_the_last(starts: int, must_rest: bool) -> None:
    v = given(S.STANDBY, {"pump_off_ms": 3600})

    v.m.starts_ms = [v.now_ms - 60_000] * starts

    assert rules.motor_must_rest(v) is must_rest


@pytest.mark.parametrize(
    ("rule", "moment", "contact", "wrong_when"),
    [
        (rules.feed_proof_wrong_open, "feed_ms", "feed_valve_shut", (True, True)),
        (rules.feed_proof_wrong_shut, "feed_ms", "feed_valve_shut", (False, False)),
        (rules.flush_proof_wrong_open, "flush_ms", "flush_valve_shut", (True, True)),
        (rules.flush_proof_wrong_shut, "flush_ms", "flush_valve_shut", (False, False)),
        (rules.feedback_missing, "pump_ms", "pump_running", (True, False)),
        (rules.pump_welded, "pump_ms", "pump_running", (False, True)),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
@pytest.mark.parametrize("driven", [True, False])
@pytest.mark.parametrize("closed", [True, False])
def test_a_contact_is_wrong_only_where_it_contradicts_the_output(
    rule: Callable[[View], bool],
    moment: str,
    contact: str,
    wrong_when: tuple[bool, bool],
    *,
    driven: bool,
    closed: bool,
) -> None:
    v = given(S.PRODUCE, {moment: 60 if driven else None})
    v.io = v.io._replace(**{contact: closed})

    assert rule(v) is ((driven, closed) == wrong_when)


# --- loops ----------------------------------------------------------------------------------------------

HALF_SCALE = {
    "suction_ma": ("suction_bar", 3.0),
    "membrane_ma": ("membrane_bar", 12.5),
    "permeate_cond_ma": ("tds_mgl", 250.0),  # 500 uS/cm at 0.5 mg/L for each
    "concentrate_flow_ma": ("concentrate_m3h", 2.5),
}


@pytest.mark.parametrize("loop", HALF_SCALE)
def test_a_loop_at_half_scale_is_half_its_range_and_a_broken_one_is_no_value(loop: str) -> None:
    rig = unit_in(S.PRODUCE)
    seen: dict[float, dict[str, float | None]] = {}
    for current_ma in (12.0, 0.0):
        rig.hold(**{loop: current_ma}).step()
        v = rig.sequencer._seen
        assert v is not None
        seen[current_ma] = {name: getattr(v, name) for name, _value in HALF_SCALE.values()}

    quantity, value = HALF_SCALE[loop]
    assert seen[12.0][quantity] == value
    assert seen[0.0] == seen[12.0] | {quantity: None}  # a broken loop takes no other with it


# --- blanking of quality --------------------------------------------------------------------------------

LONG_RUN: Given = {"pump_ms": 3600, "flush_ms": None, "flushed_on_ms": None}


@pytest.mark.parametrize(
    ("quantity", "blanked", "judged"),
    [
        ("pump_ms", 119.999, 120.0),
        ("pump_ms", None, 120.0),
        ("flush_ms", 0.0, None),
        ("flushed_on_ms", 29.999, 30.0),
        ("flushed_on_ms", 0.0, None),
    ],
)
def test_quality_is_judged_after_a_start_and_after_a_flush_with_the_pump_on(
    quantity: str, blanked: float | None, judged: float | None
) -> None:
    early = given(S.PRODUCE, LONG_RUN, {quantity: blanked})
    late = given(S.PRODUCE, LONG_RUN, {quantity: judged})

    assert quality_blanked(early.s, early.m, early.now_ms)
    assert not quality_blanked(late.s, late.m, late.now_ms)
