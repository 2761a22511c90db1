"""What one link does in its rounds, with devices in memory and a clock of our own."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from remote_field import Field, device

from controller.drivers.remote import by_name
from controller.drivers.rounds import SILENT_EVERY_MS, RemoteLink, Rounds, Values
from controller.signals import safe_outputs

OURS, THEIRS = 7, 9
INPUTS = ("unit1.pump_running", "unit1.suction_ma")
SAFE = by_name(safe_outputs(4))
PUMP_ON = {**SAFE, "unit1.pump": True}


class Bench:
    """One link with devices skid1.. at unit ids 1.., each with a contact and a loop."""

    def __init__(self, n: int = 1, fc23: bool = False) -> None:
        self.field = Field({unit: [1, 12_000] for unit in range(1, n + 1)})
        self.said: list[str] = []
        devices = [
            device(
                f"skid{unit}",
                unit,
                tuple(name.replace("unit1", f"unit{unit}") for name in INPUTS),
                (f"unit{unit}.pump",),
                fc23,
            )
            for unit in range(1, n + 1)
        ]
        self.rounds = Rounds(RemoteLink(self.field, devices, 100), OURS, self.said.append)

    def go(self, rounds: int = 1, outputs: Values = SAFE) -> None:
        """Rounds at moments 100 ms apart, or as long as they take."""
        for _ in range(rounds):
            next_ms = self.field.now_ms + 100
            self.rounds.round(outputs, self.field.clock)
            self.field.now_ms = max(self.field.now_ms, next_ms)

    def age_ms(self, unit: int = 1) -> int | None:
        fresh_ms = self.rounds.asked[unit - 1].newest.fresh_ms
        return None if fresh_ms is None else self.field.now_ms - fresh_ms

    def image(self, unit: int = 1) -> Values:
        return self.rounds.asked[unit - 1].newest.values


def test_an_image_is_fresh_once_life_moved_and_our_heartbeat_came_back() -> None:
    b = Bench()
    ages = []
    for _ in range(4):
        b.go()
        ages.append(b.age_ms())
    # read only; life moved and first heartbeat written; heartbeat seen, written one round before; likewise
    assert ages == [None, None, 200, 200]
    assert b.image() == {"unit1.pump_running": True, "unit1.suction_ma": 12.0}


def test_a_first_round_only_looks() -> None:
    b = Bench()
    b.go()
    assert b.field.written == []


def test_every_round_writes_outputs_heartbeat_and_mark() -> None:
    b = Bench()
    b.go(3, PUMP_ON)
    assert b.field.written == [(1, [1, OURS, 1]), (1, [2, OURS, 1])]


def test_a_heartbeat_is_never_zero() -> None:
    b = Bench()
    b.go()
    b.rounds.asked[0].heartbeat = 65_534
    b.go(3)
    assert [content[0] for _, content in b.field.written] == [65_535, 1, 2]


def test_one_request_does_both_as_soon_as_writing_is_allowed() -> None:
    b = Bench(fc23=True)
    b.go(3)
    assert [what for _, _, what in b.field.asked] == ["read", "both", "both"]


def test_a_counter_that_stands_still_lets_the_image_age_though_answers_come() -> None:
    b = Bench()
    b.go(5)
    b.field.frozen.add(1)
    b.go(20)
    assert (b.age_ms() or 0) >= 2_000
    assert any("stands still" in line for line in b.said)


def test_a_device_that_does_not_hear_us_shows_what_it_sees_in_an_image_that_ages() -> None:
    """F74 at all writes: a contact that opens meanwhile is seen, and its image counts as old."""
    b = Bench()
    b.go(5)
    b.field.deaf = {1}
    b.go(20)
    b.field.inputs[1][0] = 0
    b.go()
    assert b.image()["unit1.pump_running"] is False
    assert (b.age_ms() or 0) >= 2_000


def test_a_device_that_refuses_the_write_is_as_good_as_silent() -> None:
    """Given exception 4 for every write; reading alone keeps no image fresh."""
    b = Bench()
    b.go(5)
    b.field.refusing.add(1)
    b.go(20)
    assert (b.age_ms() or 0) >= 2_000
    assert any("exception 04" in line for line in b.said)


def test_another_device_shows_nothing_and_is_not_written_to() -> None:
    b = Bench()
    b.go(5, PUMP_ON)
    b.field.identity[1] = 12
    b.go(1, PUMP_ON)
    b.field.written.clear()
    b.go(20, PUMP_ON)
    assert b.field.written == []
    assert (b.image(), b.age_ms()) == ({}, None)


@pytest.mark.parametrize("fc23", [False, True])
def test_answers_of_another_device_let_the_outputs_fall_by_themselves(fc23: bool) -> None:
    """F71: nothing is written but what one request of function 23 carries before its answer is seen."""
    b = Bench(fc23=fc23)
    b.go(5, PUMP_ON)
    b.field.identity[1] = 12
    b.field.written.clear()
    b.go(20, PUMP_ON)
    assert len(b.field.written) == fc23


def test_a_device_under_another_mark_is_not_written_to_any_more() -> None:
    b = Bench()
    b.go(5, PUMP_ON)
    b.field.marks[1] = [900, THEIRS]
    b.go(1, PUMP_ON)
    b.field.written.clear()
    for n in range(20):
        b.field.marks[1] = [901 + n, THEIRS]
        b.go(1, PUMP_ON)
    assert b.field.written == []
    assert any("two masters: 9" in line for line in b.said)
    assert (b.age_ms() or 0) >= 2_000  # nobody hears us there


@pytest.mark.parametrize("register", [0xFFFF, 40_000, 65_000])
def test_a_register_that_no_loop_can_carry_reads_as_a_broken_loop(register: int) -> None:
    b = Bench()
    b.field.inputs[1][1] = register
    b.go(3)
    assert b.image()["unit1.suction_ma"] == 0.0


def test_registers_that_make_no_sense_leave_the_image_to_age() -> None:
    b = Bench()
    b.go(5)
    before = b.image()

    def nonsense(*_: object) -> dict[str, bool | float]:
        raise ValueError("code 77 is unknown")

    b.rounds.asked[0].device = replace(b.rounds.asked[0].device, unpack=nonsense)
    b.go(20)
    assert b.image() is before
    assert (b.age_ms() or 0) >= 2_000
    assert any("code 77" in line for line in b.said)


# --- several devices on a link ------------------------------------------------------------------------------


def test_silent_devices_do_not_starve_the_others() -> None:
    """Given three of four silent at 0.2 s each; the fourth stays younger than the 1 s of narrative 2.3."""
    b = Bench(4)
    b.go(10)
    b.field.silent = {1, 2, 4}
    b.go(3)
    ages = []
    for _ in range(100):
        b.go()
        ages.append(b.age_ms(3) or 0)
    assert max(ages) < 1_000


def test_silent_devices_are_asked_in_turn_and_seldom_while_another_lives() -> None:
    b = Bench(3)
    b.go(5)
    b.field.silent = {1, 3}
    b.go(3)
    b.field.asked.clear()
    b.go(100)
    tries = [(at_ms, unit) for at_ms, unit, _ in b.field.asked if unit in b.field.silent]
    gaps = [later - at for (at, _), (later, _) in pairwise(tries)]
    assert min(gaps) >= SILENT_EVERY_MS - b.field.cost_ms * 4  # the others are asked between
    assert {unit for _, unit in tries} == {1, 3}


def test_a_device_that_answers_again_is_asked_in_every_round_again() -> None:
    b = Bench(2)
    b.go(5)
    b.field.silent = {2}
    b.go(30)
    b.field.silent = set()
    b.go(25)
    assert (b.age_ms(2) or 0) <= 200
    assert any(line == "skid2: answers again" for line in b.said)


def test_one_answer_that_is_lost_is_asked_for_again_before_the_image_is_bad() -> None:
    """Given two devices and a single loss; an image is good for 1 s (F69: retry, then BAD)."""
    b = Bench(2)
    b.go(5)
    b.field.silent = {1}
    b.go(1)
    b.field.silent = set()
    ages: list[int] = []
    for _ in range(10):
        b.go(1)
        ages += [b.age_ms(1) or 0, b.age_ms(2) or 0]
    assert max(ages) < 1_000


def test_when_none_answers_one_is_asked_in_every_round() -> None:
    b = Bench(3)
    b.go(5)
    b.field.silent = {1, 2, 3}
    b.go(1)
    b.field.asked.clear()
    b.go(6)
    assert sorted(unit for _, unit, _ in b.field.asked) == [1, 1, 2, 2, 3, 3]


def test_one_answer_on_a_link_that_was_dead_brings_all_back_at_once() -> None:
    b = Bench(4)
    b.go(5)
    b.field.silent = {1, 2, 3, 4}
    b.go(10)
    b.field.silent = set()
    b.go(5)
    assert all((b.age_ms(unit) or 9_999) <= 200 for unit in (1, 2, 3, 4))


def test_after_a_loss_of_the_link_no_device_on_it_is_written_to_unseen() -> None:
    """Given two devices on a connection that was lost; then both are read before either is written to."""
    b = Bench(2, fc23=True)
    b.go(5)
    b.field.losses += 1
    b.field.asked.clear()
    b.go(2)
    assert [what for _, _, what in b.field.asked] == ["read", "read", "both", "both"]


# --- a device that began anew -------------------------------------------------------------------------------


def began_anew(b: Bench) -> None:
    """Life from 0, no mark, no heartbeat, outputs fallen."""
    b.field.life[1], b.field.marks[1] = 0, [0, 0]
    b.field.written.clear()


def test_a_device_that_began_anew_is_driven_to_rest_in_the_same_round_and_for_1_s() -> None:
    """Given a pump that ran; it must not come on again without its flush (F75, SR-02)."""
    b = Bench()
    skid1 = device("skid1", 1, INPUTS, ("unit1.pump",))
    b.rounds = Rounds(RemoteLink(b.field, [skid1], 100), OURS, print, SAFE)
    b.go(600, PUMP_ON)
    assert b.field.written[-1][1][2] == 1
    began_anew(b)
    b.go(9, PUMP_ON)
    assert [content[2] for _, content in b.field.written] == [0] * 9
    assert b.age_ms() is None
    b.go(5, PUMP_ON)
    assert b.field.written[-1][1][2] == 1  # what the firmware drives now, it drives knowing of the loss
    assert b.age_ms() is not None


def test_a_mark_that_is_not_ours_stops_the_write_of_the_same_round() -> None:
    """F77: the round that reads another's mark writes nothing over it."""
    b = Bench()
    b.go(5, PUMP_ON)
    b.field.written.clear()
    b.field.marks[1] = [900, OURS + 1]
    b.go(3, PUMP_ON)
    assert b.field.written == []
