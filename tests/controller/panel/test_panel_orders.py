"""Commands of a panel: each once or not at all, four verbs and no more."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from panel_desk import PEER, SESSION, Desk

from controller.modbus.pdu import (
    AddressError,
    DeviceBusyError,
    DeviceFailedError,
    RefusedError,
    ValueRefusedError,
)
from controller.panel.codes import STATE_CODES, VERB_CODES
from controller.panel.orders import ORDER_WORDS, WAIT_MS
from controller.parts.answers import Outcome
from controller.signals import Verb
from controller.tables import Table
from controller.unit.states import UnitState

TAKEN, STATE_PASSED = Outcome.TAKEN, Outcome.STATE_PASSED
STANDBY = UnitState.STANDBY
CLEAR = 350  # scans after which a leak that has been dried up may be reset


@pytest.fixture
def desk() -> Desk:
    """Two units that are past BOOT."""
    made = Desk()
    made.scan(70)
    return made


def locked_out() -> Desk:
    """Unit 1 is locked out by a leak that has been dried up."""
    made = Desk()
    made.scan(70)
    made.driver.units[0]["skid_dry"] = False
    made.scan(40)
    made.driver.units[0]["skid_dry"] = True
    made.scan(CLEAR)
    assert made.controller.states()[0] is UnitState.LOCKOUT
    return made


# --- what is carried out ------------------------------------------------------------------------------


def test_a_stop_is_taken_answered_and_journalled(desk: Desk) -> None:
    desk.give(Verb.STOP)
    desk.scan()

    assert [(c.verb, c.unit, c.by) for c in desk.entered] == [(Verb.STOP, 1, "panel at 192.0.2.7")]
    assert desk.outcome() == (1, TAKEN)
    assert (desk.value("verb"), desk.value("unit"), desk.value("next")) == (2, 1, 2)
    assert desk.value("flags", 1) & 4
    assert desk.commands_told() == ["stop unit 1, by panel at 192.0.2.7, number 1: taken"]


def test_a_start_lets_a_stopped_unit_be_called_again(desk: Desk) -> None:
    desk.give(Verb.STOP)
    desk.scan(11)
    desk.give(Verb.START, against=desk.controller.states()[0])
    desk.scan()

    assert desk.outcome() == (2, TAKEN)
    assert not desk.value("flags", 1) & 4


def test_a_start_against_a_state_that_has_passed_is_refused(desk: Desk) -> None:
    desk.give(Verb.START, against=UnitState.LOCKOUT)
    desk.scan()

    assert desk.outcome() == (1, STATE_PASSED)
    assert desk.commands_told()[0].endswith("refused: given against a state that has passed")


def test_two_commands_within_a_second_are_too_fast(desk: Desk) -> None:
    desk.give(Verb.STOP)
    desk.scan()
    desk.give(Verb.START, against=desk.controller.states()[0])
    desk.scan()

    assert desk.outcome() == (2, Outcome.TOO_FAST)


def test_a_reset_ends_a_lockout_whose_cause_has_gone() -> None:
    desk = locked_out()
    desk.give(Verb.RESET, against=UnitState.LOCKOUT)
    desk.scan()

    assert desk.outcome() == (1, TAKEN)
    assert desk.controller.states()[0] is STANDBY


def test_a_reset_is_refused_while_the_cause_stands() -> None:
    desk = locked_out()
    desk.driver.units[0]["skid_dry"] = False
    desk.scan(40)
    desk.give(Verb.RESET, against=UnitState.LOCKOUT)
    desk.scan()

    assert desk.outcome() == (1, Outcome.CAUSE_STANDS)
    assert desk.controller.states()[0] is UnitState.LOCKOUT


def test_a_reset_against_a_state_that_has_passed_never_enters_a_scan() -> None:
    desk = locked_out()
    desk.give(Verb.RESET, against=STANDBY)
    desk.scan()

    assert desk.outcome() == (1, STATE_PASSED)
    assert desk.entered == []
    assert desk.controller.states()[0] is UnitState.LOCKOUT


def test_a_reset_where_there_is_nothing_to_reset_says_so(desk: Desk) -> None:
    desk.give(Verb.RESET, against=desk.controller.states()[0])
    desk.scan()
    assert desk.outcome() == (1, Outcome.NOTHING_TO_DO)
    desk.give(Verb.RESET, unit=0)
    desk.scan()
    assert desk.outcome() == (2, Outcome.NOTHING_TO_DO)


def test_a_reset_of_the_bank_releases_a_shared_cause_that_has_gone(desk: Desk) -> None:
    desk.driver.bank["floor_dry"] = False
    desk.scan(40)
    desk.give(Verb.RESET, unit=0)
    desk.scan()
    assert desk.outcome() == (1, Outcome.CAUSE_STANDS)
    desk.driver.bank["floor_dry"] = True
    desk.scan(CLEAR)
    desk.give(Verb.RESET, unit=0)
    desk.scan()

    assert desk.outcome() == (2, TAKEN)


def test_the_same_reset_again_and_again_needs_a_named_person_and_so_no_panel() -> None:
    desk = locked_out()
    for number in range(1, 10):
        desk.give(Verb.RESET, against=UnitState.LOCKOUT)
        desk.scan()
        if desk.outcome() != (number, TAKEN):
            break
        desk.driver.units[0]["skid_dry"] = False
        desk.scan(40)
        desk.driver.units[0]["skid_dry"] = True
        desk.scan(CLEAR)

    assert desk.outcome() == (number, Outcome.REASON_NEEDED)
    assert number > 1


def test_acknowledging_is_taken_once_there_is_an_alarm(desk: Desk) -> None:
    desk.give(Verb.ACKNOWLEDGE)
    desk.scan()
    assert desk.outcome() == (1, Outcome.NOTHING_TO_DO)
    desk.driver.units[0]["skid_dry"] = False
    desk.scan(40)
    desk.give(Verb.ACKNOWLEDGE)
    desk.scan()

    assert desk.outcome() == (2, TAKEN)
    assert desk.value("unacknowledged", 1) == 0


def test_a_stop_of_the_bank_reaches_every_unit(desk: Desk) -> None:
    desk.give(Verb.STOP, unit=0)
    desk.scan()

    assert desk.outcome() == (1, TAKEN)
    assert [bool(desk.value("flags", unit) & 4) for unit in (1, 2)] == [True, True]
    assert desk.commands_told() == ["stop bank, by panel at 192.0.2.7, number 1: taken"]


# --- once or not at all -------------------------------------------------------------------------------


def test_a_write_that_sticks_is_answered_and_carried_out_once(desk: Desk) -> None:
    for _ in range(50):
        desk.give(Verb.STOP, sequence=1)
        desk.scan()

    assert len(desk.entered) == 1
    assert len(desk.commands_told()) == 1
    assert desk.value("refused_writes") == 0


def test_an_older_number_and_one_too_far_ahead_are_refused(desk: Desk) -> None:
    for _ in range(3):
        desk.give(Verb.STOP)
        desk.scan(11)
    for sequence in (0, 1, 2, 5, 65_535):
        with pytest.raises(ValueRefusedError):
            desk.give(Verb.STOP, sequence=sequence)
    desk.scan()

    assert len(desk.entered) == 3
    assert desk.value("refused_writes") == 5


def test_another_command_with_a_number_that_is_taken_is_refused(desk: Desk) -> None:
    desk.give(Verb.STOP, unit=1, sequence=1)
    desk.scan()
    with pytest.raises(ValueRefusedError):
        desk.give(Verb.STOP, unit=2, sequence=1)
    desk.scan()

    assert [c.unit for c in desk.entered] == [1]


def test_a_block_from_before_a_restart_is_refused(desk: Desk) -> None:
    with pytest.raises(ValueRefusedError):
        desk.give(Verb.STOP, session=SESSION + 1)
    desk.scan(5)

    assert desk.entered == []


def test_while_one_command_waits_the_next_must_wait_too(desk: Desk) -> None:
    desk.give(Verb.STOP, sequence=1)
    with pytest.raises(DeviceBusyError):
        desk.give(Verb.STOP, unit=2, sequence=2)
    desk.scan()
    desk.give(Verb.STOP, unit=2, sequence=2)
    desk.scan()

    assert [c.unit for c in desk.entered] == [1, 2]


def test_the_number_after_65535_is_1(desk: Desk) -> None:
    desk.orders._sequence = 65_534
    desk.give(Verb.STOP, sequence=65_535)
    desk.scan(11)
    desk.give(Verb.STOP, sequence=1)
    desk.scan()

    assert desk.outcome() == (1, TAKEN)


@pytest.mark.parametrize(("verb", "entered"), [(Verb.START, 0), (Verb.ACKNOWLEDGE, 0), (Verb.STOP, 1)])
def test_after_a_scan_that_hung_only_a_stop_still_counts(desk: Desk, verb: Verb, entered: int) -> None:
    desk.give(verb, against=desk.controller.states()[0])
    desk.now_ms += WAIT_MS
    desk.scan()

    assert len(desk.entered) == entered
    assert desk.value("outcome") == (TAKEN if entered else Outcome.TOO_LATE)


def test_while_no_scan_comes_no_command_is_taken(desk: Desk) -> None:
    desk.now_ms += WAIT_MS + 1
    with pytest.raises(DeviceFailedError):
        desk.give(Verb.STOP)


# --- what is no command -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verb", "unit", "against"),
    [
        (0, 1, 0),
        (5, 1, 0),
        (65_535, 1, 0),
        (Verb.STOP, 3, 0),
        (Verb.STOP, 1, 17),
        (Verb.START, 0, STANDBY),
        (Verb.START, 1, 0),
        (Verb.RESET, 1, 0),
        (Verb.RESET, 0, STANDBY),
    ],
)
def test_what_no_command_is_has_exception_03(desk: Desk, verb: Verb | int, unit: int, against: int) -> None:
    with pytest.raises(ValueRefusedError):
        desk.give(verb, unit, against)
    desk.scan(3)

    assert desk.entered == []
    assert desk.value("sequence") == 0


@pytest.mark.parametrize(("address", "count"), [(0, 4), (0, 6), (1, 4), (4, 1), (1, 1), (5, 5)])
def test_another_place_or_length_has_exception_02(desk: Desk, address: int, count: int) -> None:
    with pytest.raises(AddressError):
        desk.device.write(Table.HOLDING, address, (1,) * count, PEER)


def test_without_leave_every_write_and_read_of_the_block_has_exception_02() -> None:
    desk = Desk(accepts=False)
    desk.scan()
    with pytest.raises(AddressError):
        desk.give(Verb.STOP)
    with pytest.raises(AddressError):
        desk.device.read(Table.HOLDING, 0, 1)
    desk.scan(2)

    assert desk.entered == []
    assert desk.value("accepts") == 0


def test_a_block_of_zeros_is_no_command(desk: Desk) -> None:
    with pytest.raises(ValueRefusedError):
        desk.device.write(Table.HOLDING, 0, (0,) * len(ORDER_WORDS), PEER)


def test_refused_writes_are_told_at_most_once_in_ten_seconds(desk: Desk) -> None:
    for _ in range(150):
        with pytest.raises(ValueRefusedError):
            desk.give(9)
        desk.scan()

    last = f"the last: [{SESSION}, 1, 9, 1, 0] at 0 from 192.0.2.7, no such verb, unit or state"
    assert desk.commands_told() == [f"{count} writes refused, {last}" for count in (1, 100)]


def test_the_last_command_can_be_read_back(desk: Desk) -> None:
    assert desk.device.read(Table.HOLDING, 0, 5) == (0, 0, 0, 0, 0)
    desk.give(Verb.STOP)
    assert desk.device.read(Table.HOLDING, 0, 5) == (SESSION, 1, VERB_CODES[Verb.STOP], 1, 0)
    with pytest.raises(AddressError):
        desk.device.read(Table.HOLDING, 1, 5)


# --- whatever is written ------------------------------------------------------------------------------

near = st.one_of(st.integers(0, 6), st.integers(0, 65_535))
blocks = st.one_of(
    st.tuples(st.just(SESSION), st.integers(0, 12), st.integers(0, 5), st.integers(0, 3), st.integers(0, 17)),
    st.lists(near, min_size=1, max_size=8).map(tuple),
)
writes = st.tuples(
    st.sampled_from([Table.HOLDING, Table.HOLDING, Table.HOLDING, Table.COIL]),
    st.sampled_from([0, 0, 0, 0, 1, 4, 65_530]),
    blocks,
    st.booleans(),
)
_READY = Desk()
_READY.scan(70)
_START = _READY.controller.snapshot()


@settings(max_examples=300, deadline=None)
@given(st.lists(writes, max_size=25))
def test_whatever_is_written_only_the_four_verbs_arrive_each_number_once_and_in_order(todo) -> None:
    desk = Desk()
    desk.controller.restore(_START)
    desk.scan()
    accepted: list[tuple[int, ...]] = []
    for table, address, values, then_scan in todo:
        before = desk.orders.read(0, 5)
        try:
            desk.device.write(table, address, values, PEER)
        except RefusedError:
            assert desk.orders.read(0, 5) == before
        else:
            accepted += [values] if values != before else []
        if then_scan:
            desk.scan()
    desk.scan()

    verbs = [command.verb for command in desk.entered]
    assert set(verbs) <= set(VERB_CODES)
    assert [words[1] for words in accepted] == [*range(1, len(accepted) + 1)]
    assert len(desk.entered) <= len(accepted)
    told = [text for text in desk.commands_told() if "writes refused" not in text]
    assert len(told) == len(accepted)
    assert all(command.by == "panel at 192.0.2.7" and not command.hours for command in desk.entered)
    assert set(STATE_CODES.values()) == set(range(1, 17))
