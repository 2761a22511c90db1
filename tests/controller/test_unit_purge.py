"""Purges: when, how long, on what evidence, and what follows when they do not show themselves."""

from __future__ import annotations

from itertools import pairwise

import pytest
from harness import UnitRig, unit_in

from controller.settings import Setpoints
from controller.unit.states import Event, UnitState

S = UnitState


def purges(rig: UnitRig) -> list[tuple[float, float]]:
    """Begin and end in seconds of every time that the flush valve was open with the pump on."""
    marks = [
        (b.t_ms / 1000, b.out.flush_valve and b.out.pump)
        for a, b in pairwise(rig.trace)
        if (a.out.flush_valve and a.out.pump) != (b.out.flush_valve and b.out.pump)
    ]
    return [(on_s, off_s) for (on_s, on), (off_s, _) in pairwise(marks) if on]


def test_a_purge_comes_every_600_seconds_and_lasts_20() -> None:
    rig = unit_in(S.PRODUCE)
    began_s = rig.now_ms / 1000

    rig.run(2 * 620 + 10)

    done = purges(rig)
    assert [end - begin for begin, end in done] == pytest.approx([20.0] * 2)
    assert done[0][0] - began_s == pytest.approx(600.0, abs=0.2)
    assert [b[0] - a[1] for a, b in pairwise(done)] == pytest.approx([600.0], abs=0.2)


@pytest.mark.parametrize(("unit", "first_s"), [(1, 600), (2, 500), (3, 400), (6, 100)])
def test_first_purges_are_spread_over_the_interval(unit: int, first_s: int) -> None:
    rig = UnitRig(unit=unit, n_units=6)
    rig.until(S.PRODUCE, 400)

    assert rig.until(S.PURGE, 700) == pytest.approx(first_s, abs=0.2)


def test_a_purge_waits_for_its_slot_and_is_taken_when_it_comes() -> None:
    rig = unit_in(S.PRODUCE).permit(token=False)
    rig.run(700)
    assert rig.state is S.PRODUCE

    rig.permit(token=True)
    rig.step()

    assert rig.state is S.PURGE


def test_a_unit_without_a_purge_for_two_intervals_stops() -> None:
    rig = unit_in(S.PRODUCE).permit(token=False)

    took_s = rig.until(lambda r: not r.out.pump, 1300)

    assert took_s == pytest.approx(1200.0, abs=0.2)
    assert rig.sequencer.memory.target is S.STANDBY
    assert rig.sequencer.memory.latched is None


@pytest.mark.parametrize(
    "shows",
    [
        {"membrane_bar": 7.4, "concentrate_m3h": 0.9},
        {"membrane_bar": 12.0, "concentrate_m3h": 2.1},
        {"membrane_ma": 0.0, "concentrate_m3h": 2.1},
        {"membrane_bar": 7.4, "concentrate_flow_ma": 0.0},
    ],
    ids=["pressure falls", "flow rises", "flow alone", "pressure alone"],
)
def test_either_sign_of_an_open_flush_valve_is_evidence(shows: dict[str, float]) -> None:
    rig = unit_in(S.PURGE).hold(**shows)

    assert rig.until(S.PRODUCE, 30) == pytest.approx(20.0, abs=0.15)
    assert rig.sequencer.memory.purge_failures == 0


def test_a_purge_without_evidence_is_given_up_after_five_seconds() -> None:
    rig = unit_in(S.PURGE).hold(membrane_bar=12.5, concentrate_m3h=0.93)

    assert rig.until(S.PRODUCE, 30) == pytest.approx(5.0, abs=0.15)


def test_evidence_that_comes_after_five_seconds_does_not_count() -> None:
    rig = unit_in(S.PURGE).hold(membrane_bar=12.5, concentrate_m3h=0.93)
    rig.until(S.PRODUCE, 30)

    rig.free()

    assert rig.until(S.PURGE, 90) == pytest.approx(60.0, abs=0.2)


def test_an_unproven_purge_is_repeated_after_60_seconds_and_a_good_one_forgives_it() -> None:
    rig = unit_in(S.PURGE).hold(membrane_bar=12.5, concentrate_m3h=0.93)
    rig.until(S.PRODUCE, 30)
    rig.free()
    rig.until(S.PURGE, 90)
    rig.until(S.PRODUCE, 30)

    rig.until(S.PURGE, 700)
    rig.hold(membrane_bar=12.5, concentrate_m3h=0.93)
    rig.until(S.PRODUCE, 30)
    rig.run(10)

    assert rig.state is S.PRODUCE


def test_the_second_unproven_purge_in_a_row_stops_with_a_flush_and_locks_out() -> None:
    rig = unit_in(S.PURGE).hold(membrane_bar=12.5, concentrate_m3h=0.93)
    rig.until(S.PRODUCE, 30)
    rig.until(S.PURGE, 90)

    rig.until(lambda r: not r.out.pump, 10)
    rig.free()
    rig.until(S.STOP_FLUSH, 30)
    rig.until(S.LOCKOUT, 200)

    assert rig.sequencer.memory.latched is Event.FLUSH_NOT_OPEN


def test_a_flush_valve_that_does_not_close_again_stops_the_unit() -> None:
    rig = unit_in(S.PURGE)
    rig.until(S.PRODUCE, 30)

    rig.hold(membrane_bar=5.5, concentrate_m3h=3.0)
    took_s = rig.until(lambda r: not r.out.pump, 60)
    rig.free()
    rig.until(S.LOCKOUT, 200)

    assert took_s == pytest.approx(10.0, abs=0.2)
    assert rig.sequencer.memory.latched is Event.FLUSH_NOT_CLOSED


def test_a_stop_in_a_purge_owes_the_whole_stop_flush() -> None:
    rig = unit_in(S.PURGE)
    rig.run(10)

    rig.permit(call=False)
    rig.until(S.STOP_FLUSH, 10)

    assert rig.sequencer.memory.flush_owed
    flushed_s = 0.1 + rig.until(lambda r: not r.out.feed_valve, 200)
    assert flushed_s == pytest.approx(75.0)


def test_the_shortest_interval_is_kept_too() -> None:
    rig = unit_in(S.PRODUCE, Setpoints(purge_interval_s=120, purge_s=5, purge_evidence_s=3))

    rig.run(1_010)

    ends = [end for _, end in purges(rig)]
    assert len(ends) == 8
    assert [b - a for a, b in pairwise(ends)] == pytest.approx([125.0] * 7, abs=0.2)
