"""A short storm in every run of the tests; the long ones are ``python -m tests.hil.storms``."""

from __future__ import annotations

import random

import numpy as np
import pytest

from controller.signals import BankInputs, Inputs, Outputs, UnitInputs, safe_outputs
from controller.wiring import default_wiring
from sim_plant.bench.monitors.causes import LINK_LOST
from sim_plant.bench.trace import BANK_DI, Recorder, Trace
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.serve.remote_io import RemoteIo
from tests.hil.proxy import Mischief, Proxy, ProxyThread, Rule
from tests.hil.storm_bank import READY_AFTER_MS, SHORT, STATE_NAMES, answerable, ready, recovery_most_ms
from tests.hil.storm_rules import LAG_MS, FieldRules
from tests.hil.storm_troubles import HOWS, Trouble, Weather, draw
from tests.hil.storms import carry_out
from tests.ports import free_port

SAFE = safe_outputs(2)
PUMPING = SAFE._replace(
    units=(SAFE.units[0]._replace(pump=True, feed_valve=True, enable=True), SAFE.units[1])
)
HEALTHY = Inputs(
    BankInputs(*[True] * 15, *[12.0] * 8),
    (UnitInputs(*[True] * 11, *[8.0] * 5), UnitInputs(*[True] * 11, *[9.0] * 5)),
    (0, 0),
)


def test_a_short_storm_finds_nothing_wrong() -> None:
    report = carry_out(n_banks=3, first=0, minutes=4.5, seed=3)
    assert report.storms == 3
    assert sum(report.faults.values()) > 20
    assert report.struck[Mischief.SWAP.value] + report.struck[Mischief.EXCEPTION.value] > 0
    assert report.images > 100
    assert report.violations == []


def test_a_storm_follows_from_its_seed() -> None:
    assert draw(random.Random(5), 60_000) == draw(random.Random(5), 60_000)


def test_storms_hold_every_fault_in_every_way() -> None:
    drawn = {(t.fault_id, t.how) for seed in range(60) for t in draw(random.Random(seed), 60_000)}
    assert drawn == {(fault_id, how) for fault_id, hows in HOWS.items() for how in hows}


@pytest.mark.parametrize("harmless", [Mischief.DUPLICATE, Mischief.STALE])
def test_an_answer_that_comes_twice_is_not_shielded_from_what_else_is_done_to_it(harmless: Mischief) -> None:
    """Given a rule that lets the true answer pass, and then one that puts another device's in its place."""
    with ProxyThread() as thread:
        proxy = Proxy(thread, free_port(), seed=1)
        answers = {unit: bytes((0, 1, 0, 0, 0, 5, unit, 4, 2, 0, 10 * unit)) for unit in (1, 2)}
        for answer in answers.values():
            assert proxy.of_answer(answer) == ([answer], 0.0)
        proxy.set_rules([Rule(harmless, 2), Rule(Mischief.FOREIGN)])
        frames, _ = proxy.of_answer(answers[2])
        assert frames == [answers[2][:7] + answers[1][7:]]
        proxy.close()


def test_a_recovery_may_take_as_long_as_its_waits_and_no_longer() -> None:
    """A bank that starts at the desk, with nothing in its way, has more than enough with that."""
    most_ms = recovery_most_ms(SHORT)
    assert ready().t_ms - READY_AFTER_MS < most_ms / 2
    rested = SHORT.model_copy(update={"min_off_s": SHORT.min_off_s + 100})
    assert recovery_most_ms(rested) == most_ms + 100_000


# --- the rules can fail -------------------------------------------------------------------------------------


def found(rules: FieldRules) -> list[tuple[str, int]]:
    return [(one.rule, one.unit) for one in rules.found]


def look(rules: FieldRules, at_ms: int, outputs: Outputs, inputs: Inputs = HEALTHY) -> None:
    rules.look(at_ms, 100, inputs, outputs)


def test_a_pump_without_its_feed_valve_is_found_in_the_same_scan() -> None:
    rules = FieldRules(2)
    look(rules, 0, SAFE._replace(units=(SAFE.units[0]._replace(pump=True), SAFE.units[1])))
    assert found(rules) == [("SR-01", 1)]


def test_a_device_that_is_cut_off_must_be_at_rest_after_the_lag_and_not_before() -> None:
    rules = FieldRules(2)
    rules.cut_off("silence", (1,), 0)
    look(rules, LAG_MS, PUMPING)
    assert found(rules) == []
    look(rules, LAG_MS + 1, PUMPING)
    assert found(rules) == [("SR-45", 1)]


OPENED = HEALTHY._replace(bank=HEALTHY.bank._replace(estop_healthy=False))
OVERFULL = HEALTHY._replace(bank=HEALTHY.bank._replace(tank_not_overfull=False))
FIRST = HEALTHY._replace(bank=BankInputs(*[False] * 15, *[0.0] * 8), bank_age_ms=3_600_000)
"""What a driver gives before the bank has shown anything: all contacts open."""


def opens(rules: FieldRules, inputs: Inputs, *, taken_ms: int | None = 0) -> None:
    """A contact opens in the field at 0 ms; the firmware takes an image that shows it."""
    rules.shown(inputs, 0)
    look(rules, 0, PUMPING, inputs)
    if taken_ms is not None:
        rules.shown(inputs, taken_ms)
        rules.taken(inputs, taken_ms)


def test_after_an_estop_nothing_comes_on_before_a_reset() -> None:
    rules = FieldRules(2)
    opens(rules, OPENED)
    look(rules, LAG_MS + 1, SAFE)
    assert found(rules) == []
    look(rules, LAG_MS + 100, PUMPING)
    assert set(found(rules)) == {("SR-33", 1)}


def test_after_an_estop_and_a_reset_outputs_may_come_on() -> None:
    rules = FieldRules(2)
    opens(rules, OPENED)
    look(rules, 5_000, SAFE)
    rules.reset_given()
    look(rules, 60_000, PUMPING)
    assert found(rules) == []


def test_a_reset_with_the_estop_open_frees_nothing() -> None:
    rules = FieldRules(2)
    opens(rules, OPENED)
    rules.reset_given()
    look(rules, 60_000, PUMPING)
    assert set(found(rules)) == {("SR-33", 1)}


def test_an_estop_is_answered_from_the_first_image_that_carried_it() -> None:
    rules = FieldRules(2)
    opens(rules, OPENED, taken_ms=2_000)
    look(rules, 2_000 + LAG_MS, PUMPING)
    assert found(rules) == []
    look(rules, 2_001 + LAG_MS, PUMPING)
    assert set(found(rules)) == {("SR-33", 1)}


def test_an_estop_that_an_image_carries_after_it_was_closed_waits_for_its_reset_all_the_same() -> None:
    rules = FieldRules(2)
    opens(rules, OPENED, taken_ms=None)
    look(rules, 500, PUMPING)
    rules.taken(OPENED, 600)
    look(rules, 601 + LAG_MS, PUMPING)
    assert set(found(rules)) == {("SR-33", 1)}
    assert rules.estop.unseen(9_000) == [(0, 500)]


def test_an_estop_that_no_image_carried_is_counted_and_asks_for_nothing() -> None:
    rules = FieldRules(2)
    rules.shown(HEALTHY, -500)
    opens(rules, OPENED, taken_ms=None)
    rules.taken(HEALTHY._replace(bank_age_ms=900, unit_age_ms=(900, 900)), 400)
    look(rules, 500, PUMPING)
    look(rules, 60_000, PUMPING)
    assert found(rules) == []
    assert (rules.estop.opened, rules.estop.uncarried) == (1, 1)
    assert rules.estop.unseen(60_000) == [(0, 500)]


def test_contacts_that_the_bank_has_not_shown_yet_carry_no_estop() -> None:
    rules = FieldRules(2)
    opens(rules, OPENED, taken_ms=None)
    rules.taken(FIRST, 100)
    assert rules.estop.uncarried == 1
    assert rules.estop.unseen(200) == [(0, 201)]


def test_an_open_estop_cannot_stay_unseen_by_a_line_that_carries() -> None:
    rules = FieldRules(2)
    rules.shown(HEALTHY, 0)
    for at_ms in range(100, 4_000, 100):
        rules.shown(OPENED, at_ms)
    rules.taken(HEALTHY, 4_000)
    assert ("SR-46", 0) in found(rules)


def test_an_image_of_the_bank_that_is_lost_for_5_s_stops_the_pumps() -> None:
    rules = FieldRules(2)
    rules.shown(HEALTHY, 0)
    rules.taken(HEALTHY._replace(bank_age_ms=1_001, unit_age_ms=(9_000, 9_000)), 1_000)
    look(rules, 5_000 + LAG_MS, PUMPING)
    assert found(rules) == []
    look(rules, 5_001 + LAG_MS, PUMPING)
    assert found(rules) == [("SR-47", 1)]


def test_a_fresh_image_of_the_bank_lets_the_pumps_go_on() -> None:
    rules = FieldRules(2)
    rules.shown(HEALTHY, 0)
    rules.taken(HEALTHY._replace(bank_age_ms=1_001, unit_age_ms=(9_000, 9_000)), 1_000)
    rules.taken(HEALTHY._replace(unit_age_ms=(9_000, 9_000)), 1_100)
    look(rules, 60_000, PUMPING)
    assert found(rules) == []


def test_a_program_that_has_ended_leaves_nothing_on() -> None:
    rules = FieldRules(2)
    rules.cut_off("the program's end", range(3), 0, "SR-43")
    look(rules, LAG_MS + 1, PUMPING)
    assert found(rules) == [("SR-43", 1)]


def test_a_module_that_keeps_its_outputs_is_judged_when_it_lets_go() -> None:
    rules = FieldRules(2)
    rules.cut_off("silence", (1,), 0)
    rules.hold(1, 100)
    look(rules, 60_000, PUMPING)
    assert found(rules) == []
    rules.let_go(1, 60_100)
    look(rules, 60_200, PUMPING)
    assert found(rules) == [("SR-45", 1)]
    assert rules.were_held == [(1, 100, 60_100)]


def test_an_open_float_stops_the_pumps() -> None:
    rules = FieldRules(2)
    opens(rules, OVERFULL)
    look(rules, LAG_MS + 1, PUMPING, OVERFULL)
    assert found(rules) == [("SR-28", 1)]


def test_the_image_of_another_device_is_found() -> None:
    rules = FieldRules(2)
    rules.shown(HEALTHY, 0)
    rules.taken(HEALTHY, 100)
    assert found(rules) == []
    one, two = HEALTHY.units
    rules.taken(HEALTHY._replace(units=(two, one)), 100)
    assert found(rules) == [("SR-46", 1), ("SR-46", 2)]


def test_an_old_image_that_is_called_fresh_is_found_and_one_that_is_called_old_is_none() -> None:
    rules = FieldRules(2)
    rules.shown(HEALTHY, 0)
    rules.taken(HEALTHY._replace(unit_age_ms=(3_000, 3_000), bank_age_ms=3_000), 3_000)
    assert found(rules) == []
    rules.taken(HEALTHY, 3_000)
    assert found(rules) == [("SR-46", 0), ("SR-46", 1), ("SR-46", 2)]


# --- what the monitors are shown ----------------------------------------------------------------------------


def record(ages_ms: int, opened: range, seconds: int = 10) -> Trace:
    """One row a second from 100 s on: the E-stop is open in some, the ages are the same in all."""
    recorder, plant = Recorder(2, STATE_NAMES), Plant(2, PlantParameters(), 1)
    for second in range(seconds):
        inputs = OPENED if second in opened else HEALTHY
        aged = inputs._replace(bank_age_ms=ages_ms, unit_age_ms=(ages_ms, ages_ms))
        recorder.add(100_000 + 1_000 * second, aged, SAFE, plant.unit_truth, plant.bank_truth)
    return recorder.trace()


def test_the_monitors_see_an_estop_from_the_image_that_carried_it_on() -> None:
    rules = FieldRules(2)
    rules.shown(OPENED, 0)
    look(rules, 52_000, SAFE, OPENED)
    rules.taken(OPENED, 54_500)

    shown = answerable(record(0, range(2, 7)), rules, t0_ms=-50_000, end_ms=60_000)

    assert np.flatnonzero(~shown.bank_di[:, BANK_DI.index("estop_healthy")]).tolist() == [5, 6]


def test_the_monitors_see_no_estop_that_no_image_carried() -> None:
    rules = FieldRules(2)
    look(rules, 52_000, SAFE, OPENED)

    shown = answerable(record(0, range(2, 10)), rules, t0_ms=-50_000, end_ms=60_000)

    assert shown.bank_di[:, BANK_DI.index("estop_healthy")].all()


def test_the_monitors_see_no_age_of_a_module_that_keeps_its_outputs() -> None:
    rules = FieldRules(2)
    for unit in (0, 2):
        rules.hold(unit, 53_000)
        rules.let_go(unit, 55_000)

    shown = answerable(record(1_500, range(0)), rules, t0_ms=-50_000, end_ms=60_000)

    held = [1_500] * 3 + [0] * 2 + [1_500] * 5
    assert shown.bank_age_ms.tolist() == held
    assert shown.unit_age_ms.T.tolist() == [[1_500] * 10, held]


class NoBank:
    """As much of a bank as the weather needs."""

    def __init__(self) -> None:
        self.rules, self.proxy, self.wiring = FieldRules(2), self, default_wiring(2)
        self.io, self.inputs = RemoteIo(self.wiring, lambda: 0), HEALTHY
        self.marks: list[tuple[str, int]] = []

    def set_rules(self, _rules: object) -> None:
        """The proxy's part: nothing passes here anyway."""

    def mark(self, what: str, unit: int, text: str) -> None:
        if text == LINK_LOST:
            self.marks.append((what, unit))

    def age(self, unit_1_ms: int) -> None:
        self.inputs = HEALTHY._replace(unit_age_ms=(unit_1_ms, 0))


CUTTING = Trouble("F67", "lose requests", "skid1", 0, 5_000)


def test_a_loss_is_marked_until_the_firmware_has_a_fresh_image_again() -> None:
    bank = NoBank()
    weather = Weather(bank)  # type: ignore[arg-type]  # see there
    weather.begin(CUTTING)
    weather.look()
    bank.age(3_000)
    weather.end(CUTTING)
    weather.look()
    assert bank.marks == [("inject", 1)]
    bank.age(100)
    weather.look()
    assert bank.marks == [("inject", 1), ("clear", 1)]


def test_two_cuts_without_an_image_in_between_are_one_loss() -> None:
    bank = NoBank()
    weather = Weather(bank)  # type: ignore[arg-type]  # likewise
    for _cut in range(2):
        weather.begin(CUTTING)
        weather.look()
        bank.age(3_000)
        weather.end(CUTTING)
        weather.look()
    assert bank.marks == [("inject", 1)]


def test_a_loss_is_none_from_when_the_module_keeps_its_outputs_to_the_next_fresh_image() -> None:
    bank = NoBank()
    weather = Weather(bank)  # type: ignore[arg-type]  # likewise
    weather.begin(CUTTING)
    weather.look()
    bank.age(3_000)
    bank.rules.hold(1, 0)
    weather.look()
    bank.rules.let_go(1, 4_000)
    weather.look()
    assert bank.marks == [("inject", 1), ("clear", 1)]
    weather.end(CUTTING)
    bank.age(0)
    weather.look()
    weather.begin(CUTTING)
    weather.look()
    assert bank.marks[2:] == [("inject", 1)]
