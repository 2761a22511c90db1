"""Commands and states as registers hold them, and the pace of the wall clock."""

from __future__ import annotations

from pathlib import Path

import pytest
from live_samples import SEED, DeskField, FastClock, live_site

from controller.signals import Command, Verb
from controller.unit.states import STATES, UnitState
from controller.wiring import Asker, Wiring, load_wiring
from sim_plant.bench.live.field import COMMAND_HELD_MS, Commands, StateWords
from sim_plant.bench.live.target import LiveTarget, Pace
from sim_plant.plant import Plant

HIL = Path(__file__).parents[2] / "hil"


@pytest.fixture
def wiring(tmp_path: Path) -> Wiring:
    """Two units of the stand-in PLC."""
    (tmp_path / "wiring.toml").write_text(
        (HIL / "polling.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    return load_wiring(tmp_path, 2, Asker.CONTROLLER)


def test_a_command_stands_in_its_register_for_a_while_and_then_not(wiring: Wiring) -> None:
    commands = Commands(wiring)
    commands.take([Command(Verb.STOP, 2, "bench")], 1000)

    assert commands.values(1000 + COMMAND_HELD_MS - 1) == {
        "bank.command": 0.0, "unit1.command": 0.0, "unit2.command": 2.0
    }  # fmt: skip
    assert set(commands.values(1000 + COMMAND_HELD_MS).values()) == {0.0}


def test_a_command_without_a_register_is_not_accepted_and_changes_nothing(wiring: Wiring) -> None:
    commands = Commands(wiring)
    assert commands.accepts(Verb.STOP, 0)
    assert not commands.accepts(Verb.MAINTAIN, 0)
    assert not commands.accepts(Verb.ACKNOWLEDGE, 1)

    commands.take([Command(Verb.ACKNOWLEDGE, 1, "bench")], 0)

    assert set(commands.values(1).values()) == {0.0}


def test_states_are_told_by_the_numbers_of_the_controller(wiring: Wiring) -> None:
    words = StateWords(wiring)
    assert words.told
    codes = words.codes({"unit1.state": 80.0, "unit2.state": 125.0})
    assert [STATES[code] for code in codes] == [UnitState.PRODUCE, UnitState.STOPPING]


@pytest.mark.parametrize("values", [{"unit1.state": 80.0}, {"unit1.state": 80.0, "unit2.state": 81.0}, {}])
def test_no_state_is_told_where_one_is_missing_or_has_a_number_that_nobody_named(
    wiring: Wiring, values: dict[str, float]
) -> None:
    assert StateWords(wiring).codes(values) == ()


def test_the_pace_keeps_absolute_moments() -> None:
    clock = FastClock()
    pace = Pace(100, clock, clock.sleep)
    for worked_s in (0.0, 0.03, 0.09):
        clock.now_s += worked_s
        pace.wait()
    assert clock.now_s == pytest.approx(0.3)
    assert (pace.late, pace.longest_late_ms) == (0, 0.0)


def test_a_late_scan_is_counted_and_not_caught_up_with() -> None:
    clock = FastClock()
    pace = Pace(100, clock, clock.sleep)
    pace.wait()
    clock.now_s += 0.25
    pace.wait()
    late_s = clock.now_s
    pace.wait()
    assert (pace.late, round(pace.longest_late_ms)) == (1, 150)
    assert clock.now_s - late_s == pytest.approx(0.1)


def test_what_came_late_adds_up_over_ten_seconds_and_ends_with_the_run() -> None:
    """Given scans that came 150 ms and 50 ms late within a second, and one 120 ms late a minute after."""
    clock = FastClock()
    pace = Pace(100, clock, clock.sleep)
    for busy_s in (0.0, 0.25, 0.15, *[0.0] * 600, 0.22):
        clock.now_s += busy_s
        pace.wait()
    assert round(pace.most_late_ms) == 200
    pace.begin_run()
    pace.wait()
    assert (pace.most_late_ms, round(pace.longest_late_ms)) == (0.0, 150)


def test_a_time_limit_is_uncertain_by_what_the_rig_came_late() -> None:
    field, clock = DeskField(live_site()), FastClock()
    target = LiveTarget(field, Pace(100, clock, clock.sleep), 140, clock)
    image = Plant(2, live_site().file.plant, SEED).inputs()
    target.scan(image, 0)
    assert target.uncertainty_ms == 140
    clock.now_s += 0.4
    target.scan(image, 100)
    assert target.uncertainty_ms == 140 + 300
