"""Setpoints change at run time only through validation, and leave a line in the journal."""

from __future__ import annotations

import math

import pytest
from bank_harness import producing_bank

from controller.unit.states import UnitState

S = UnitState


def test_a_changed_setpoint_is_judged_from_the_next_scan_on() -> None:
    rig = producing_bank(1)
    rig.controller.change_setpoint("suction_trip_bar", 0.5, "A. Person", "site test", rig.now_ms)

    rig.units[0]["suction_bar"] = 0.6
    rig.run(20)

    assert rig.out.units[0].pump


def test_a_change_is_journalled_with_old_and_new_value_who_and_why() -> None:
    rig = producing_bank(1)
    rig.controller.take_events()

    rig.controller.change_setpoint("purge_s", 15, "A. Person", "soft water", rig.now_ms)

    (line,) = rig.controller.take_events()
    assert line.kind == "setting"
    for part in ("purge_s", "20", "15", "A. Person", "soft water"):
        assert part in line.text


@pytest.mark.parametrize(
    ("name", "value", "by", "reason"),
    [
        ("purge_s", 500, "A. Person", "too long"),
        ("purge_s", math.nan, "A. Person", "no number"),
        ("tds_alarm_mgl", 400, "A. Person", "above the lockout"),
        ("purge_s", 15, "", "nobody"),
        ("purge_s", 15, "A. Person", ""),
        ("purge_min", 15, "A. Person", "unknown"),
    ],
)
def test_what_is_refused_changes_nothing(name: str, value: float, by: str, reason: str) -> None:
    rig = producing_bank(1)
    before = rig.controller.setpoints
    rig.controller.take_events()

    with pytest.raises(ValueError, match=name):
        rig.controller.change_setpoint(name, value, by, reason, rig.now_ms)

    assert rig.controller.setpoints is before
    assert not rig.controller.take_events()


def test_a_snapshot_brings_its_setpoints_back() -> None:
    rig = producing_bank(1)
    kept = rig.controller.snapshot()
    rig.controller.change_setpoint("suction_trip_bar", 0.5, "A. Person", "site test", rig.now_ms)

    rig.controller.restore(kept)

    assert rig.controller.setpoints.suction_trip_bar == 0.8
    rig.units[0]["suction_bar"] = 0.6
    rig.run(20)
    assert not rig.out.units[0].pump
