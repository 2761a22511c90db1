"""The rules above all states hold even where the state logic is wrong; and which of two events wins."""

from __future__ import annotations

import pytest
from harness import QUICK, UnitRig, unit_in

from controller.parts.timing import NEVER
from controller.unit.outputs import DRIVES, Drive, drive
from controller.unit.states import Event, UnitState
from controller.unit.view import View

S = UnitState


def view_of(rig: UnitRig) -> View:
    """What the unit saw in a scan just made."""
    rig.step()
    seen = rig.sequencer._seen
    assert seen is not None
    return seen


def test_a_state_that_forgets_the_feed_valve_gets_no_pump(monkeypatch: pytest.MonkeyPatch) -> None:
    v = view_of(unit_in(S.PRODUCE))
    assert drive(v).pump

    monkeypatch.setitem(DRIVES, S.PRODUCE, DRIVES[S.PRODUCE]._replace(feed=Drive.OFF))
    out = drive(v)

    assert (out.feed_valve, out.pump, out.enable) == (False, False, False)


@pytest.mark.parametrize("state", [S.PUMP_START, S.PRODUCE, S.PURGE, S.QUALITY_FLUSH])
def test_a_run_without_a_whole_start_flush_gets_no_pump(state: UnitState) -> None:
    v = view_of(unit_in(state))

    v.m.flush_complete = False

    assert not drive(v).pump


@pytest.mark.parametrize("state", [S.START_FLUSH, S.STOP_FLUSH])
def test_a_flush_with_the_pump_off_ends_at_the_longest_time_whatever_the_state_wants(
    state: UnitState,
) -> None:
    rig = unit_in(state)
    rig.run(5)
    v = view_of(rig)

    v.m.both_ms = v.now_ms - 240_000
    assert drive(v).flush_valve
    v.m.both_ms = v.now_ms - 240_100
    out = drive(v)

    assert (out.feed_valve, out.flush_valve) == (False, False)


@pytest.mark.parametrize(("age_ms", "driven"), [(1_000, True), (1_001, False)])
def test_a_stale_image_is_above_every_state(age_ms: int, driven: bool) -> None:
    v = view_of(unit_in(S.PRODUCE))

    v.age_ms = age_ms

    assert drive(v).pump is driven


@pytest.mark.parametrize(("away_s", "driven"), [(4.7, True), (4.9, False)])
def test_a_selector_away_for_almost_5_s_is_above_every_state(away_s: float, driven: bool) -> None:
    v = view_of(unit_in(S.PRODUCE))

    v.m.selector_off_ms = v.now_ms - round(away_s * 1000)

    assert drive(v).feed_valve is driven


# --- two events in one scan -----------------------------------------------------------------------------


def test_the_stronger_class_wins() -> None:
    # a leak (T0) that has stood for its 2 s beside a fresh motor trip (T1)
    rig = unit_in(S.PRODUCE).hold(skid_dry=False)
    rig.run(2)
    rig.hold(motor_healthy=False).step()

    assert rig.state is S.LOCKOUT
    assert rig.sequencer.memory.latched is Event.SKID_LEAK


def test_of_one_class_the_lower_number_wins_and_both_are_recorded() -> None:
    rig = unit_in(S.PRODUCE).hold(motor_healthy=False, discharge_ok=False)

    rig.until(S.LOCKOUT, 10)

    assert rig.sequencer.memory.latched is Event.DISCHARGE_SWITCH
    assert {"discharge pressure switch opened", "motor protector opened"} <= set(rig.texts("cause"))


# --- a feed valve that leaks ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("held", "blocked"),
    [
        ({"suction_bar": 0.55}, True),
        ({"concentrate_m3h": 0.15}, True),
        ({"suction_bar": 0.45, "concentrate_m3h": 0.05}, False),
    ],
    ids=str,
)
def test_pressure_or_flow_a_minute_after_closing_blocks_the_next_start(
    held: dict[str, float], blocked: bool
) -> None:
    rig = unit_in(S.STOP_FLUSH, QUICK)
    rig.until(S.STANDBY, 100)
    rig.hold(**held).run(56)
    assert rig.sequencer.memory.blocked_by is not Event.FEED_NOT_CLOSED

    rig.run(10)

    assert (rig.sequencer.memory.blocked_by is Event.FEED_NOT_CLOSED) is blocked


def test_a_leaking_feed_valve_is_judged_only_after_it_was_open() -> None:
    rig = unit_in(S.STANDBY).hold(suction_bar=2.0)
    assert rig.sequencer.memory.feed_off_ms == NEVER

    rig.run(70)

    assert rig.sequencer.memory.blocked_by is not Event.FEED_NOT_CLOSED


def test_a_reset_gives_the_low_suction_retries_back() -> None:
    rig = unit_in(S.PRODUCE, QUICK)
    for _ in range(4):
        rig.until(S.PRODUCE, 700)
        rig.hold(suction_bar=0.1)
        rig.until(lambda r: r.state in (S.RETRY_WAIT, S.LOCKOUT), 20)
        rig.free()
    assert rig.state is S.LOCKOUT
    rig.run(15)
    rig.reset().until(S.PRODUCE, 300)

    rig.hold(suction_bar=0.1)
    rig.until(S.RETRY_WAIT, 20)
