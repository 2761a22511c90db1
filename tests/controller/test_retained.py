"""What survives a loss of power, and how damaged text is told from good."""

from __future__ import annotations

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK
from hypothesis import given
from hypothesis import strategies as st

from controller import retained
from controller.bank.memory import BankMemory
from controller.firmware import Controller
from controller.unit.memory import UnitMemory
from controller.unit.states import Event, UnitState

S = UnitState


def memory(**values: object) -> UnitMemory:
    """A unit's memory with some values set."""
    m = UnitMemory()
    for name, value in values.items():
        setattr(m, name, value)
    return m


KEPT = st.fixed_dictionaries(
    {
        "start_flushes_due": st.integers(0, 2),
        "in_maintenance": st.booleans(),
        "stopped": st.booleans(),
        "run_ms": st.integers(0, 10**8).map(lambda minutes: minutes * 60_000),
        "starts": st.integers(0, 10**6),
        "latched": st.none() | st.sampled_from(Event),
    }
)


@given(st.lists(KEPT, min_size=1, max_size=6))
def test_what_is_encoded_comes_back_whole(units: list[dict[str, object]]) -> None:
    memories = [memory(**values) for values in units]
    text = retained.encode(retained.gather(BankMemory(len(memories)), memories))

    fresh = [UnitMemory() for _ in units]
    retained.recall(text, BankMemory(len(units)), fresh)

    assert [
        {name: getattr(m, name) for name in values} for m, values in zip(fresh, units, strict=True)
    ] == units


def test_the_flush_debt_is_set_whatever_was_kept() -> None:
    text = retained.encode(retained.gather(BankMemory(1), [memory(flush_owed=False)]))
    fresh = memory(flush_owed=False)

    retained.recall(text, BankMemory(1), [fresh])

    assert fresh.flush_owed


TEXT = retained.encode(
    retained.gather(BankMemory(2), [memory(latched=Event.SKID_LEAK, run_ms=123_456), memory()])
)


@given(place=st.integers(0, len(TEXT) - 1), other=st.characters(codec="ascii"))
def test_one_changed_character_is_never_believed(place: int, other: str) -> None:
    damaged = TEXT[:place] + other + TEXT[place + 1 :]
    if damaged == TEXT:
        return

    with pytest.raises(retained.RetainedLostError):
        retained.decode(damaged, 2)


@pytest.mark.parametrize("text", ["", " ", "rubbish", TEXT[:-1], TEXT[9:], TEXT + " ", "00000000 []"])
def test_a_text_that_is_cut_or_rubbish_is_never_believed(text: str) -> None:
    with pytest.raises(retained.RetainedLostError):
        retained.decode(text, 2)


@pytest.mark.parametrize("n_units", [1, 3])
def test_the_text_of_another_bank_is_not_believed(n_units: int) -> None:
    with pytest.raises(retained.RetainedLostError, match="2 units kept"):
        retained.decode(TEXT, n_units)


@pytest.mark.parametrize("text", ["", "rubbish", TEXT[:-1], retained.encode(retained.Retained({}, ({}, {})))])
def test_lost_retained_data_locks_every_unit_out_and_drives_nothing(text: str) -> None:
    rig = BankRig(2, QUICK, retained=text)

    rig.run(300)

    assert rig.states == (S.LOCKOUT, S.LOCKOUT)
    assert not any(out.feed_valve or out.pump for *_, units, _ in rig.trace for out in units)
    assert rig.controller.waits()[0].startswith("locked out")


def test_after_lost_retained_data_one_reset_brings_the_units_back() -> None:
    rig = BankRig(1, QUICK, retained="rubbish")
    rig.run(10)

    rig.press_reset()
    rig.until(lambda r: r.states == (S.PRODUCE,), 300)

    assert rig.rises("pump")


def test_run_hours_and_starts_go_on_counting_after_a_loss_of_power() -> None:
    before = producing_bank(1)
    before.run(100)
    kept = before.controller._units[0].memory

    rig = BankRig(1, retained=before.controller.retained())
    rig.until(lambda r: r.states == (S.PRODUCE,), 300)

    after = rig.controller._units[0].memory
    assert after.starts == kept.starts + 1
    assert after.run_ms >= kept.run_ms - retained.RUN_STEP_MS


@pytest.mark.parametrize("cause", [Event.SKID_LEAK, Event.LOW_SUCTION_SPENT, Event.PUMP_WELDED])
def test_a_latched_cause_comes_back_as_a_lockout(cause: Event) -> None:
    text = retained.encode(retained.gather(BankMemory(2), [memory(latched=cause), memory()]))

    rig = BankRig(2, QUICK, retained=text)
    rig.run(200)

    assert rig.states[0] is S.LOCKOUT
    assert rig.states[1] is not S.LOCKOUT


def test_a_first_start_without_any_text_is_no_loss() -> None:
    rig = BankRig(1, QUICK, retained=None)

    rig.run(10)

    assert rig.states[0] is not S.LOCKOUT


def test_a_controller_that_starts_anew_keeps_what_it_was_given() -> None:
    given = retained.decode(TEXT, 2)

    kept = retained.decode(Controller(2, QUICK, TEXT).retained(), 2)

    assert kept.units == given.units
    assert kept.bank["returns"] == given.bank["returns"] + 1


def test_a_cause_latched_by_the_bank_survives_a_loss_of_power() -> None:
    bank = BankMemory(1, latched=[Event.TANK_HIGH_HIGH])
    text = retained.encode(retained.gather(bank, [memory()]))

    fresh = BankMemory(1)
    retained.recall(text, fresh, [UnitMemory()])

    assert fresh.latched == [Event.TANK_HIGH_HIGH]


def test_run_time_is_kept_by_the_minute_so_that_the_text_rests() -> None:
    def text(run_ms: int) -> str:
        return retained.encode(retained.gather(BankMemory(1), [memory(run_ms=run_ms)]))

    assert text(60_000) == text(119_900) != text(120_000)


def test_pump_starts_before_the_loss_still_count_as_if_no_time_had_passed() -> None:
    text = retained.encode(retained.gather(BankMemory(1), [memory(starts_ms=[1_000, 61_000])]))
    fresh = UnitMemory()

    retained.recall(text, BankMemory(1), [fresh])

    assert fresh.starts_ms == [-60_000, 0]


def test_losses_of_the_io_still_count_after_a_loss_of_power_as_if_no_time_had_passed() -> None:
    """Given three losses, then a new start of the program: the next loss is the fourth (SR-45)."""
    before = producing_bank(1)
    for _loss in range(3):
        before.unit_age_ms = [2_000]
        before.run(3)
        before.unit_age_ms = [0]
        before.run(1)

    rig = BankRig(1, retained=before.controller.retained())
    rig.run(6)
    assert rig.states == (S.STANDBY,)
    rig.unit_age_ms = [2_000]
    rig.run(1)

    assert rig.states == (S.LOCKOUT,)
    assert "unit I/O lost, retries spent" in rig.controller.waits()[0]


def test_the_text_rests_while_nothing_is_lost_or_started() -> None:
    m = memory(io_lost_ms=[1_000, 61_000])
    text = retained.encode(retained.gather(BankMemory(1), [m]))
    fresh = UnitMemory()

    retained.recall(text, BankMemory(1), [fresh])

    assert fresh.io_lost_ms == [-60_000, 0]
    assert retained.encode(retained.gather(BankMemory(1), [fresh])) == text


def test_a_text_without_the_losses_is_not_believed() -> None:
    unit = retained.decode(TEXT, 2).units[0]
    kept = {name: value for name, value in unit.items() if name != "io_lost_ago_ms"}
    text = retained.encode(retained.Retained({"latched": [], "returns": 0}, (kept,)))

    with pytest.raises(retained.RetainedLostError, match="io_lost_ago_ms"):
        retained.recall(text, BankMemory(1), [UnitMemory()])
