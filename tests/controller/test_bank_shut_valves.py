"""A booster does not run against shut valves: not for a unit that trips, nor for one that must still wait."""

from __future__ import annotations

from itertools import pairwise

import pytest
from bank_desk import Desk, ready_desk, rising
from bank_harness import BankRig
from harness import QUICK

from controller.bank.memory import Stage
from controller.settings import Setpoints

LAST_CLOSED_S = 5.1  # SR-53 and one scan
ONE_SLOT = Setpoints(drain_capacity_m3h=6.0)  # for two units, and for three
RESUMING = Setpoints(**(QUICK.model_dump() | {"resume_s": 30.0, "resume_step_s": 40.0}))
HELD = Setpoints(**(QUICK.model_dump() | {"brownout_min": 5.0}))


def shut_one_after_another(wanted_s: float) -> Desk:
    """Unit 1 has shut its feed valve; unit 2 still wanted water for so long, and trips before it draws."""
    desk = ready_desk(2, QUICK)
    desk.ask(1)
    desk.ask(2, wants_water=True)
    desk.scan(wanted_s)
    assert desk.out.booster_run
    desk.ask(2)
    return desk


# --- after the last closure -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wanted_s", "runs_on_s"), [(0.1, 1.9), (1.0, 1.0), (1.9, 0.1), (3.2, 0.0), (60, 0.0)]
)
def test_the_wait_counts_from_the_closure_and_not_from_the_last_wish(
    wanted_s: float, runs_on_s: float
) -> None:
    desk = shut_one_after_another(wanted_s)

    assert desk.until(lambda d: not d.out.booster_run, 5) == pytest.approx(runs_on_s)


def test_a_wish_that_stands_keeps_the_booster() -> None:
    desk = ready_desk(2, QUICK)
    desk.ask(1)
    desk.ask(2, wants_water=True)

    desk.scan(60)

    assert desk.stage is Stage.READY


def test_a_feed_valve_that_opens_begins_the_wait_anew() -> None:
    desk = shut_one_after_another(1.5)
    desk.ask(2, wants_water=True, draws_water=True)
    desk.scan(0.1)
    desk.ask(2)

    assert desk.until(lambda d: not d.out.booster_run, 5) == pytest.approx(2.0)


def test_a_wish_that_blinks_before_the_header_is_ready_does_not_switch_the_booster() -> None:
    desk = rising(0.0)

    for blink in range(40):
        desk.ask(1, wants_water=bool(blink % 2))
        desk.scan(1.0)
        assert desk.out.booster_run

    desk.ask(1)
    assert desk.until(lambda d: not d.out.booster_run, 5) == pytest.approx(2.0)


def dry_s(rig: BankRig) -> float:
    """Longest time for which the booster ran on after the last feed valve had shut, in the whole trace."""
    longest, shut_ms = 0.0, None
    for (_, _, before, _), (t_ms, _, after, bank) in pairwise(rig.trace):
        if any(out.feed_valve for out in after):
            shut_ms = None
        elif any(out.feed_valve for out in before):
            shut_ms = t_ms
        if shut_ms is not None:
            longest = max(longest, (t_ms - shut_ms) / 1000)
        if not bank.booster_run:
            shut_ms = None
    return longest


def first_draws(n_units: int, setpoints: Setpoints) -> tuple[BankRig, int]:
    """A bank in which the first unit has opened its feed valve just now, and which one that is."""
    rig = BankRig(n_units, setpoints)
    rig.bank["level_pct"] = 20.0
    rig.until(lambda r: any(out.feed_valve for out in r.out.units), 400)
    return rig, [out.feed_valve for out in rig.out.units].index(True)


def forked(rig: BankRig, setpoints: Setpoints) -> BankRig:
    """The same bank once more, from this moment on; its trace begins some seconds before."""
    other = BankRig(rig.n_units, setpoints)
    other.controller.restore(rig.controller.snapshot())
    other.bank, other.units = dict(rig.bank), [dict(unit) for unit in rig.units]
    other.now_ms, other.out = rig.now_ms, rig.out
    other.trace = rig.trace[-50:]
    return other


@pytest.mark.parametrize(("n_units", "drawn_s"), [(2, 0.1), (2, 5.0), (3, 0.6)])
def test_whenever_the_next_one_trips_the_booster_stops_in_time(n_units: int, drawn_s: float) -> None:
    """The first unit trips so long after it drew; all others do at one moment until the next one draws."""
    rig, first = first_draws(n_units, ONE_SLOT)
    rig.run(drawn_s)
    rig.units[first]["motor_healthy"] = False
    rig.until(lambda r: not r.out.units[first].feed_valve, 20)
    led = False
    while not any(out.feed_valve for out in rig.out.units):
        led |= any(out.flush_valve for unit, out in enumerate(rig.out.units) if unit != first)
        fork = forked(rig, ONE_SLOT)
        for unit in fork.units:
            unit["motor_healthy"] = False
        fork.run(5.5)

        assert not fork.out.bank.booster_run
        assert dry_s(fork) <= LAST_CLOSED_S
        rig.step()
    assert led


# --- after power return -----------------------------------------------------------------------------------


def returned(setpoints: Setpoints, n_units: int, returns: int) -> BankRig:
    """Power has come back so often in short order; every unit owes a flush, and the tank is full."""
    text = BankRig(n_units, setpoints).controller.retained()
    for _ in range(returns - 1):
        text = BankRig(n_units, setpoints, text).controller.retained()
    rig = BankRig(n_units, setpoints, text)
    rig.bank["level_pct"] = 90.0
    return rig


def test_while_a_supply_that_comes_and_goes_is_waited_out_the_booster_stands() -> None:
    rig = returned(HELD, 2, returns=3)

    rig.run(60 * HELD.brownout_min - 1)

    assert not any(bank.booster_run for *_, bank in rig.trace)
    assert rig.until(lambda r: any(out.feed_valve for out in r.out.units), 60) > 0


def test_the_booster_waits_for_the_first_unit_that_may_move_again() -> None:
    rig = returned(RESUMING, 3, returns=1)
    for unit in (0, 1):
        rig.units[unit]["selector_auto"] = False

    rig.until(lambda r: r.out.bank.booster_run, 200)

    assert rig.now_ms / 1000 == pytest.approx(30 + 2 * 40, abs=0.5)


def test_a_unit_that_must_still_wait_keeps_no_booster_running_when_the_first_one_trips() -> None:
    rig = returned(RESUMING, 2, returns=1)
    rig.until(lambda r: r.out.units[0].feed_valve, 100)
    rig.units[0]["motor_healthy"] = False

    rig.until(lambda r: not r.out.bank.booster_run, 20)

    assert dry_s(rig) <= LAST_CLOSED_S
    assert not rig.rises("feed_valve")[1:]
