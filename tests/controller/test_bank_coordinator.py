"""What the coordinator tells units, relay, horn and journal, to the scan and to the word."""

from __future__ import annotations

import pytest
from bank_desk import Desk, ready_desk, with_latch
from harness import QUICK, Values

from controller.bank.memory import Stage
from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.signals import Command, Verb
from controller.unit.permits import Permits
from controller.unit.states import Event

NOTHING = Permits(
    call=False,
    ready=False,
    may_start=False,
    hold_s=0.0,
    token=False,
    start_slot=False,
    close_feed=False,
    maintenance_slot=False,
    estop_open=False,
    reset=False,
    header_bar=3.0,
    events=(),
    commands=(),
)
LATE = Setpoints(**(QUICK.model_dump() | {"resume_s": 200.0, "resume_step_s": 10.0}))


# --- permits --------------------------------------------------------------------------------------------


def test_a_ready_bank_tells_a_called_unit_and_an_idle_one_no_more_than_that() -> None:
    desk = ready_desk(2, QUICK)

    first, second = desk.scan()

    assert first == NOTHING._replace(call=True, ready=True, may_start=True)
    assert second == NOTHING._replace(ready=True, may_start=True)


def test_before_the_loops_are_believed_the_units_get_no_permit_and_no_header() -> None:
    desk = Desk(1, QUICK)
    desk.ask(1, available=True)

    assert desk.scan() == (NOTHING._replace(header_bar=None),)


@pytest.mark.parametrize(
    "shows",
    [{"level_pct": 85.0}, {"antiscalant_ok": False}, {"header_ma": 0.0}, {"tank_level_ma": 0.0}],
    ids=str,
)
def test_a_new_start_needs_room_in_the_tank_antiscalant_and_a_header_to_be_believed(shows: Values) -> None:
    desk = ready_desk(2, QUICK)

    desk.bank |= shows
    desk.scan(3)

    assert [permit.may_start for permit in desk.permits] == [False, False]
    assert all(permit.ready for permit in desk.permits)


def test_a_latched_cause_makes_the_bank_not_ready_in_the_same_scan_and_is_told_to_every_unit() -> None:
    desk = ready_desk(2, QUICK)

    desk.bank |= {"tank_not_overfull": False, "source_wet": False}

    causes = (Event.TANK_HIGH_HIGH, Event.BOOSTER_FAULT)
    assert [(p.ready, p.events) for p in desk.scan()] == [(False, causes), (False, causes)]


def test_the_bank_selector_is_a_stop_for_every_unit() -> None:
    desk = ready_desk(2, QUICK)

    desk.bank["bank_run"] = False

    assert [permit.events for permit in desk.scan()] == [(Event.STOP,), (Event.STOP,)]


def test_an_open_estop_chain_is_told_to_every_unit() -> None:
    desk = ready_desk(2, QUICK)

    desk.bank["estop_healthy"] = False

    assert [permit.estop_open for permit in desk.scan()] == [True, True]


def test_a_unit_gets_its_own_commands_and_those_for_the_bank() -> None:
    desk = ready_desk(3, QUICK)
    one, two, all_of_them = (Command(Verb.STOP, unit, "Ada") for unit in (1, 2, 0))

    permits = desk.scan(commands=(one, all_of_them, two))

    assert [permit.commands for permit in permits] == [(one, all_of_them), (all_of_them, two), (all_of_them,)]


@pytest.mark.parametrize(
    ("out_already", "most", "asked", "let_out"),
    [
        (0, 1, 2, [2]),
        (0, 1, 4, [4]),
        (0, 1, 0, [1]),
        (0, 2, 0, [1, 2]),
        (1, 2, 0, [1]),
        (1, 1, 0, []),
        (2, 1, 0, []),  # the number was lowered meanwhile
    ],
)
def test_units_are_let_out_by_number_for_as_long_as_there_is_room(
    out_already: int, most: int, asked: int, let_out: list[int]
) -> None:
    desk = Desk(4, Setpoints(max_in_maintenance=most))
    for unit in range(5 - out_already, 5):
        desk.ask(unit, in_maintenance=True)

    permits = desk.command(Verb.MAINTAIN, asked)

    assert [unit for unit, permit in enumerate(permits, start=1) if permit.maintenance_slot] == let_out


def test_no_other_command_lets_a_unit_out() -> None:
    assert not any(permit.maintenance_slot for permit in Desk(2).command(Verb.STOP, 0))


# --- age of the shared image ----------------------------------------------------------------------------


def test_a_shared_image_of_one_second_is_used_and_an_older_one_is_not() -> None:
    desk = ready_desk(1, QUICK)

    desk.age_ms = 1_000
    assert desk.scan()[0].may_start
    assert desk.out.alarm_relay

    desk.age_ms = 1_001
    assert not desk.scan()[0].may_start
    assert not desk.out.alarm_relay


def test_what_an_old_image_shows_is_not_latched() -> None:
    desk = ready_desk(1, QUICK)
    desk.bank["drive_healthy"] = False

    desk.age_ms = 1_001
    desk.scan(20)
    assert desk.memory.latched == []

    desk.age_ms = 1_000
    desk.scan()
    assert desk.memory.latched == [Event.BOOSTER_FAULT]


def test_an_open_float_is_latched_from_an_old_image_too_and_told_once() -> None:
    desk = ready_desk(1, QUICK)
    desk.bank["tank_not_overfull"] = False

    desk.age_ms = 1_001
    desk.scan(20)

    assert desk.memory.latched == [Event.TANK_HIGH_HIGH]
    assert [entry.kind for entry in desk.coordinator.events].count("cause") == 1


def test_contacts_that_no_image_has_shown_since_power_up_latch_nothing() -> None:
    desk = Desk(1, QUICK)
    desk.bank["tank_not_overfull"] = False
    desk.age_ms = 3_600_000

    desk.scan(10 * round(QUICK.boot_s) + 20)

    assert desk.memory.latched == []


@pytest.mark.parametrize("stale_s", [0.5, 1.0, 2.0])
def test_the_heartbeat_is_lost_when_the_shared_image_is_five_seconds_old(stale_s: float) -> None:
    desk = ready_desk(1, Setpoints(**(QUICK.model_dump() | {"io_stale_s": stale_s})))
    desk.age_ms = 10_000

    took_s = desk.until(lambda d: d.permits[0].events == (Event.COORDINATOR_LOST,), 10)

    assert stale_s + took_s == 5.0


def test_short_gaps_of_the_shared_image_do_not_add_up_to_a_lost_heartbeat() -> None:
    desk = ready_desk(1, QUICK)
    for age_ms in (1_500, 0, 1_500):
        desk.age_ms = age_ms
        desk.scan(3.9)

    assert desk.permits[0].events == ()


@pytest.mark.parametrize("back_s", [100.0, 200.0])
def test_after_a_lost_heartbeat_nobody_is_told_to_be_ready_before_the_link_is_stable(back_s: float) -> None:
    desk = ready_desk(2, Setpoints(**(QUICK.model_dump() | {"io_back_s": back_s})))
    desk.age_ms = 10_000
    desk.scan(5)
    desk.age_ms = 0

    took_s = desk.until(lambda d: all(permit.ready for permit in d.permits), 300)

    assert took_s == back_s


def test_a_new_gap_in_a_link_that_is_coming_back_makes_the_wait_begin_again() -> None:
    desk = ready_desk(1, Setpoints(**(QUICK.model_dump() | {"io_back_s": 100.0})))
    desk.age_ms = 10_000
    desk.scan(5)
    desk.age_ms = 0
    desk.scan(90)
    desk.age_ms = 1_500
    desk.scan()
    desk.age_ms = 0

    assert desk.until(lambda d: d.permits[0].ready, 300) == 100.0


def test_after_a_gap_that_is_no_loss_only_the_order_before_a_start_is_waited_for() -> None:
    desk = ready_desk(1, Setpoints(**(QUICK.model_dump() | {"io_back_s": 300.0})))
    desk.age_ms = 1_500
    desk.scan(3.8)
    desk.age_ms = 0

    assert desk.until(lambda d: d.permits[0].ready, 290) < 290


# --- after power return ---------------------------------------------------------------------------------


def test_contacts_are_judged_from_the_end_of_boot_on() -> None:
    desk = Desk(1, QUICK)
    desk.bank["tank_not_overfull"] = False

    assert desk.until(lambda d: d.memory.latched != [], 20) == QUICK.boot_s


def test_units_may_move_again_one_after_another() -> None:
    desk = Desk(3, LATE)
    desk.ask(1, wants_water=True)
    since_boot_s: dict[int, float] = {}
    ready_since_s: dict[int, float] = {}
    while len(ready_since_s) < 3:
        for unit, permit in enumerate(desk.scan(), start=1):
            if permit.may_start:
                since_boot_s.setdefault(unit, (desk.now_ms - 100) / 1000)
            if permit.ready:
                ready_since_s.setdefault(unit, (desk.now_ms - 100) / 1000)

    assert since_boot_s == {1: 200.0, 2: 210.0, 3: 220.0}
    # the pre-start takes 3 s, and begins when the first unit may use the water
    assert ready_since_s == {1: 203.0, 2: 210.0, 3: 220.0}


def test_power_returns_are_forgotten_when_the_supply_has_been_steady() -> None:
    desk = Desk(1, Setpoints(brownout_min=2.0))
    desk.memory.returns = 2

    assert desk.until(lambda d: d.memory.returns == 0, 200) == 120.0


@pytest.mark.parametrize(("returns", "held_s"), [(2, 0.0), (3, 120.0), (4, 120.0)])
def test_after_three_returns_in_short_order_nobody_moves_until_the_supply_has_been_steady(
    returns: int, held_s: float
) -> None:
    desk = Desk(2, Setpoints(**(QUICK.model_dump() | {"brownout_min": 2.0, "resume_step_s": 3.0})))
    desk.memory.returns = returns
    first_s = desk.until(lambda d: d.permits[0].may_start, 200)

    assert first_s == max(held_s, 5.0)  # the loops are not believed before
    assert desk.permits[1].may_start


# --- journal --------------------------------------------------------------------------------------------


def test_the_journal_tells_the_way_to_a_ready_bank() -> None:
    desk = ready_desk(1, QUICK)

    assert desk.journal() == [
        ("move", "STOPPED > CHECK_HEALTH"),
        ("move", "CHECK_HEALTH > CHECK_WATER"),
        ("move", "CHECK_WATER > RAISE_HEADER"),
        ("move", "RAISE_HEADER > PROVE_DOSING"),
        ("move", "PROVE_DOSING > READY"),
    ]


def test_the_journal_tells_cause_refused_reset_and_reset() -> None:
    desk = ready_desk(1, QUICK)
    desk.journal()

    desk.bank |= {"tank_not_overfull": False, "source_wet": False}
    desk.scan()
    at_once = desk.journal()
    desk.bank["tank_not_overfull"] = True
    desk.scan(20)
    silence = desk.journal()
    desk.command(Verb.RESET)

    assert at_once == [
        ("cause", "tank high-high float"),
        ("cause", "booster fault or source dry"),
        ("move", "READY > STOPPED"),
    ]
    assert silence == []
    assert desk.journal() == [
        ("note", "reset: tank high-high float"),
        ("refused", "reset: booster fault or source dry persists"),
    ]


def test_a_journal_line_of_the_bank_has_the_moment_and_unit_0() -> None:
    desk = with_latch()

    assert desk.coordinator.events[-1] == Entry(desk.now_ms, 0, "cause", "tank high-high float")


# --- setpoints ------------------------------------------------------------------------------------------


def test_other_setpoints_hold_from_the_next_scan_on() -> None:
    desk = Desk(4, Setpoints(drain_capacity_m3h=6.9))
    assert desk.coordinator.slots == 1

    desk.coordinator.adopt(Setpoints(drain_capacity_m3h=100, booster_capacity_m3h=100, io_stale_s=2))

    desk.age_ms = 1_500
    desk.scan()
    assert desk.out.alarm_relay
    assert desk.coordinator.slots == 4


def test_setpoints_that_leave_no_room_for_a_flush_are_refused_and_change_nothing() -> None:
    desk = Desk(4, Setpoints())

    with pytest.raises(ValueError, match="leave no room for one flush"):
        desk.coordinator.adopt(Setpoints(drain_capacity_m3h=1, io_stale_s=2))

    desk.age_ms = 1_500
    desk.scan()
    assert not desk.out.alarm_relay
    assert desk.stage is Stage.STOPPED
