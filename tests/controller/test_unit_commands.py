"""Commands that come together, are held, or are refused: the sentence that a person is shown."""

from __future__ import annotations

import pytest
from harness import QUICK, UnitRig, unit_in

from controller.signals import Command, Verb
from controller.unit.states import UnitState

S = UnitState


def give(rig: UnitRig, *commands: Command) -> UnitRig:
    """These commands in one scan."""
    rig.permit(commands=commands).step()
    return rig.permit(commands=())


def asked(rig: UnitRig, verb: Verb, by: str = "Ada", reason: str = "") -> Command:
    """A command against the present state."""
    return Command(verb, 1, by, rig.state.value, reason)


# --- what is refused, and in which words ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "verb", "by", "sentence"),
    [
        (S.STANDBY, Verb.MAINTAIN, "Ada", "maintain: as many units as allowed are out for maintenance"),
        (S.MAINTENANCE, Verb.RETURN_TO_SERVICE, "", "return to service: needs the name of a person"),
        (S.OFF, Verb.RETURN_TO_SERVICE, "Ada", "returned to service"),
        (S.STANDBY, Verb.RESET, "Ada", None),
        (S.STANDBY, Verb.ACKNOWLEDGE, "Ada", None),
    ],
)
def test_a_refusal_says_why(state: UnitState, verb: Verb, by: str, sentence: str | None) -> None:
    rig = unit_in(state).permit(maintenance_slot=False).hold(selector_auto=state is S.STANDBY)
    rig.run(1)

    give(rig, asked(rig, verb, by))

    assert rig.state is state
    assert rig.texts("refused") == ([sentence] if sentence else [])


def test_maintenance_is_refused_while_the_unit_boots() -> None:
    rig = unit_in(S.BOOT)

    give(rig, asked(rig, Verb.MAINTAIN))

    assert rig.texts("refused") == ["maintenance requested"]


# --- several in one scan --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verb", "refused"),
    [
        (Verb.ACKNOWLEDGE, []),
        (Verb.START, []),
        (Verb.MAINTAIN, ["maintain: as many units as allowed are out for maintenance"]),
    ],
)
def test_a_stop_is_taken_whatever_else_is_asked_in_the_same_scan(verb: Verb, refused: list[str]) -> None:
    rig = unit_in(S.PRODUCE).permit(maintenance_slot=False)

    give(rig, asked(rig, verb), asked(rig, Verb.STOP))

    assert rig.state is S.STOPPING
    assert rig.sequencer.memory.stopped
    assert rig.texts("refused") == refused


def test_the_second_of_two_commands_in_one_scan_is_too_fast() -> None:
    rig = unit_in(S.STANDBY)

    give(rig, asked(rig, Verb.START), asked(rig, Verb.MAINTAIN))

    assert rig.state is S.STANDBY
    assert rig.texts("refused") == ["maintain: too fast"]


# --- STOP held ------------------------------------------------------------------------------------------


def flush_is_given_up_s(rig: UnitRig, every_s: float, times: int, at_once: int = 1) -> float | None:
    """Seconds from the first of several STOP commands to the end of the stop flush; None: it goes on."""
    stop = [asked(rig, Verb.STOP)] * at_once
    for scan in range(60):
        count, offset = divmod(scan, round(every_s * 10))
        give(rig, *(stop if offset == 0 and count < times else []))
        if rig.state is not S.STOP_FLUSH:
            return scan / 10
    return None


@pytest.mark.parametrize(
    ("every_s", "times", "given_up_s"),
    [(0.1, 100, 3.0), (1.0, 3, 3.0), (1.1, 100, None), (0.1, 20, None), (0.1, 21, 3.0)],
)
def test_stop_held_for_three_seconds_with_pauses_of_at_most_one_gives_up_the_stop_flush(
    every_s: float, times: int, given_up_s: float | None
) -> None:
    rig = unit_in(S.STOP_FLUSH)
    rig.run(10)

    assert flush_is_given_up_s(rig, every_s, times) == given_up_s
    assert rig.sequencer.memory.flush_owed


def test_stop_held_by_two_people_is_held_no_shorter() -> None:
    rig = unit_in(S.STOP_FLUSH)
    rig.run(10)

    assert flush_is_given_up_s(rig, 0.1, 100, at_once=2) == 3.0


def test_stop_held_in_production_stops_with_its_flush() -> None:
    rig = unit_in(S.PRODUCE)
    stop = asked(rig, Verb.STOP)

    for _ in range(20):
        give(rig, stop)
    rig.until(S.STOP_FLUSH, 10)
    rig.until(S.STANDBY, 200)

    assert not rig.sequencer.memory.flush_owed


# --- the same cause again and again ---------------------------------------------------------------------


def reset_three_times() -> UnitRig:
    """Locked out by a skid leak for the fourth time, three resets in this hour; dry for long enough."""
    rig = unit_in(S.STANDBY, QUICK).permit(call=False, token=False)
    for _ in range(3):
        lock_out(rig, "skid_dry", 30)
        rig.reset().step()
        assert rig.state is S.STANDBY
    lock_out(rig, "skid_dry", 30)
    return rig


def lock_out(rig: UnitRig, contact: str, clear_s: float) -> None:
    """One contact opens and closes again, for its clear time."""
    rig.hold(**{contact: False}).run(3)
    assert rig.state is S.LOCKOUT
    rig.free().run(clear_s + 1)


@pytest.mark.parametrize(
    ("verb", "by", "reason"),
    [
        (Verb.RESET, "", ""),
        (Verb.RESET, "Ada", ""),
        (Verb.RESET, "", "hose came off"),
        (Verb.ACKNOWLEDGE, "Ada", "hose came off"),
    ],
)
def test_the_fourth_reset_of_a_cause_is_refused_without_name_and_reason(
    verb: Verb, by: str, reason: str
) -> None:
    rig = reset_three_times()

    give(rig.reset(), asked(rig, verb, by, reason))

    assert rig.state is S.LOCKOUT
    sentence = "reset: the same cause again; a named person must give the reason"
    assert rig.texts("refused") == [sentence, "reset refused, the cause persists"]


def test_the_fourth_reset_of_a_cause_is_taken_with_name_and_reason() -> None:
    rig = reset_three_times()

    give(rig.reset(), asked(rig, Verb.RESET, "Ada", "hose came off"))

    assert rig.state is S.STANDBY
    assert rig.texts("refused") == []


def test_an_hour_after_the_first_of_three_resets_the_next_needs_no_reason() -> None:
    rig = reset_three_times()
    rig.now_ms += 3_600_000 - 100_000

    rig.reset().step()

    assert rig.state is S.STANDBY


def test_resets_of_another_cause_do_not_count() -> None:
    rig = unit_in(S.STANDBY, QUICK).permit(call=False, token=False)
    for _ in range(3):
        lock_out(rig, "skid_dry", 30)
        rig.reset().step()
    lock_out(rig, "discharge_ok", 10)

    rig.reset().step()

    assert rig.state is S.STANDBY


def test_an_emergency_stop_is_reset_however_often_the_latched_cause_was() -> None:
    rig = reset_three_times().permit(estop_open=True)
    rig.step()
    rig.permit(estop_open=False).step()

    rig.reset().step()

    assert rig.state is S.BOOT


# --- causes without a clear time ------------------------------------------------------------------------


def test_a_lockout_by_lost_io_is_reset_in_the_first_scan_with_good_io() -> None:
    rig = unit_in(S.PRODUCE)
    rig.sequencer.memory.io_lost_ms = [rig.now_ms] * 3
    rig.age_ms = 2_000
    rig.until(S.LOCKOUT, 5)
    rig.reset().step()
    assert rig.texts("refused") == ["reset refused, the cause persists"]

    rig.age_ms = 0
    rig.reset().step()

    assert rig.state is S.STANDBY


def test_a_lockout_by_lost_memory_is_reset_at_once() -> None:
    rig = UnitRig(QUICK)
    rig.sequencer.memory.lost_memory = True
    rig.until(S.LOCKOUT, 10)

    rig.reset().step()

    assert rig.state is S.STANDBY
