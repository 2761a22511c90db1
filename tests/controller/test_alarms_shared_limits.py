"""What an alarm of the bank is raised on, and how all that is seen becomes the bits of one number."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from test_alarms_conditions import NOW_MS, ago, bank_sight, sight

from controller.alarms.evidence import (
    BAD_BIT,
    BANK_CONDITIONS,
    CONDITION_BIT,
    FROZEN_BIT,
    UNCERTAIN_BIT,
    UNIT_CONDITIONS,
    BankSight,
    UnitSight,
    bank_events,
    bank_held,
    sample_bank,
    sample_unit,
)
from controller.bank.memory import BankMemory
from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.unit.memory import UnitMemory
from controller.unit.states import Event, UnitState

E = Event

BANK_FIELD = {
    "feed temperature above the alarm limit": ({"temp_alarm_degc": 38}, "feed_degc", 38.0, 38.1, 2),
    "free chlorine above the alarm limit": (
        {"chlorine_alarm_mgl": 0.0625},
        "chlorine_mgl",
        0.0625,
        0.0626,
        4,
    ),
    "blended product too poor": ({"product_tds_mgl": 250}, "product_us", 500.0, 500.1, 7),
}
"""By condition: setpoint, quantity, its limit, just beyond, place of the loop."""


@pytest.mark.parametrize("name", BANK_FIELD)
def test_shared_water_exactly_on_its_limit_is_still_good(name: str) -> None:
    setpoints, quantity, limit, beyond, _ = BANK_FIELD[name]
    on, over = bank_sight({quantity: limit}), bank_sight({quantity: beyond})
    on.s = over.s = Setpoints(**setpoints)  # type: ignore[arg-type]  # fields of Setpoints

    assert not BANK_CONDITIONS[name](on)
    assert BANK_CONDITIONS[name](over)


@pytest.mark.parametrize("name", BANK_FIELD)
def test_a_condition_of_the_bank_is_judged_on_its_own_loop_and_only_while_it_is_believed(name: str) -> None:
    _, quantity, _, beyond, own = BANK_FIELD[name]
    for place in range(8):
        v = bank_sight({quantity: 1.1 * beyond})
        v.m.loops[place].quality = Quality.BAD

        assert BANK_CONDITIONS[name](v) is (place != own)


@pytest.mark.parametrize("event", [E.FEED_HOT, E.BOOSTER_FAULT])
def test_a_shared_cause_stands_while_it_is_latched_and_has_not_gone(event: Event) -> None:
    m = BankMemory(1, latched=[event, E.SUMP_HIGH])

    assert bank_events(m, False, Setpoints(), NOW_MS) == 1 << event | 1 << E.SUMP_HIGH
    m.gone_ms[event] = NOW_MS
    assert bank_events(m, False, Setpoints(), NOW_MS) == 1 << E.SUMP_HIGH
    assert bank_held(m, []) == 1 << event | 1 << E.SUMP_HIGH


@pytest.mark.parametrize(
    ("memory", "s", "event"),
    [
        ("header_low_ms", 5.0, E.HEADER_LOST),
        ("stale_ms", 4.0, E.COORDINATOR_LOST),  # 5 s since the image last changed, 1 s of it until stale
    ],
)
def test_a_lost_header_and_lost_values_stand_from_their_time_on(memory: str, s: float, event: Event) -> None:
    m = BankMemory(1)
    setattr(m, memory, ago(s))
    assert bank_events(m, False, Setpoints(), NOW_MS) == 1 << event

    setattr(m, memory, ago(s) + 1)
    assert bank_events(m, False, Setpoints(), NOW_MS) == 0


def test_the_e_stop_stands_while_its_chain_is_open_and_is_held_while_a_unit_waits_for_its_reset() -> None:
    waiting, other = UnitMemory(state=UnitState.ESTOP), UnitMemory(state=UnitState.STANDBY)

    assert bank_events(BankMemory(1), True, Setpoints(), NOW_MS) == 1 << E.ESTOP
    assert bank_held(BankMemory(2), [other, waiting]) == 1 << E.ESTOP
    assert bank_held(BankMemory(2), [other, other]) == 0
    assert bank_held(BankMemory(2, latched=[E.SUMP_HIGH]), [waiting]) == 1 << E.ESTOP | 1 << E.SUMP_HIGH


def test_shared_causes_stand_beside_each_other() -> None:
    m = BankMemory(1, latched=[E.OXIDANT], header_low_ms=ago(60), stale_ms=ago(60))

    causes = (E.OXIDANT, E.ESTOP, E.HEADER_LOST, E.COORDINATOR_LOST)
    assert bank_events(m, True, Setpoints(), NOW_MS) == sum(1 << cause for cause in causes)


# --- as bits ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n_loops", [5, 8], ids=["unit", "bank"])
def test_every_loop_has_a_bit_for_bad_and_one_for_uncertain(n_loops: int) -> None:
    for place in range(n_loops):
        for quality, first in ((Quality.BAD, BAD_BIT), (Quality.UNCERTAIN, UNCERTAIN_BIT)):
            v: UnitSight | BankSight = sight() if n_loops == 5 else bank_sight()
            v.m.loops[place].quality = quality
            bits = sample_unit(v) if isinstance(v, UnitSight) else sample_bank(v)

            assert bits == 1 << first + place


def test_two_loops_at_fault_are_both_told() -> None:
    v = bank_sight()
    v.m.loops[1].quality, v.m.loops[2].quality, v.m.loops[3].quality = (
        Quality.BAD,
        Quality.UNCERTAIN,
        Quality.BAD,
    )

    assert sample_bank(v) == 0b1010 << BAD_BIT | 0b100 << UNCERTAIN_BIT


def test_conditions_that_hold_have_their_bits_beside_those_of_the_loops() -> None:
    v, w = sight(quality_alarm=True, lost_memory=True), bank_sight({"tank_above_low": False})
    v.m.loops[3].quality = w.m.loops[5].quality = Quality.BAD

    def bit(conditions: dict[str, Callable[..., bool]], name: str) -> int:
        return 1 << CONDITION_BIT + list(conditions).index(name)

    unit_bits = bit(UNIT_CONDITIONS, "quality alarm of the sequence") | bit(
        UNIT_CONDITIONS, "retained data lost"
    )
    assert sample_unit(v) == unit_bits | 1 << BAD_BIT + 3
    assert sample_bank(w) == bit(BANK_CONDITIONS, "low float open") | 1 << BAD_BIT + 5


def test_the_bits_of_events_conditions_and_loops_do_not_overlap() -> None:
    assert max(Event) < CONDITION_BIT
    assert CONDITION_BIT + max(len(UNIT_CONDITIONS), len(BANK_CONDITIONS)) <= BAD_BIT
    assert BAD_BIT + 8 <= UNCERTAIN_BIT <= FROZEN_BIT - 8
