"""The coordinator's memory in bytes: nothing that it remembers is forgotten unseen."""

from __future__ import annotations

from dataclasses import fields

import pytest

from controller.bank.coordinator import Coordinator
from controller.bank.memory import BankMemory, Stage
from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.unit.states import Event
from sim_plant.bench.explore.base import NOW_MS, Passed
from sim_plant.bench.explore.pair_bank import Bank, Chosen
from sim_plant.bench.explore.pair_scale import pair_in_ticks, scaled_pair
from sim_plant.bench.explore.scale import TICK_MS

IN_BYTES = {
    "stage",
    "tokens",
    "called",
    "io_seen",
    "proven",
    "start_ms",
    "close_ms",
    "no_draw_ms",
    "booted_ms",
    "scanned_ms",
    "latched",
}
CHOSEN = {
    "returns",
    "stale_ms",
    "fresh_ms",
    "link_lost",
    "loops",
    "rule_ms",
    "gone_ms",
    "pressed_ms",
    "released",
    "horn_ms",
    "stage_ms",
    "healthy_ms",
    "water_ms",
    "header_ready_ms",
    "header_low_ms",
    "booster_ms",
    "setpoint_bar",
    "integral_hz",
    "speed_hz",
    "pulse_was",
    "dosing",
    "still_ms",
    "unproven_ms",
    "undosed_ms",
    "strays_ms",
    "steady_ms",
    "released_ms",
    "poor_ms",
    "wanted",
    "demand_ms",
}
MADE_ANEW = {"n_units", "full"}


def test_every_field_is_in_bytes_or_chosen_or_made_anew() -> None:
    assert {f.name for f in fields(BankMemory)} == IN_BYTES | CHOSEN | MADE_ANEW


def test_what_is_chosen_is_chosen_in_every_scan() -> None:
    site = Setpoints()
    with pair_in_ticks(site):
        bank = Bank(site, scaled_pair(site, 1))
        m = bank.coordinator.memory
        left = object()
        for name in CHOSEN - {"loops"}:
            setattr(m, name, left)
        m.loops = [left] * len(m.loops)  # type: ignore[list-item]  # none of them may stay
        bank.preset(m, Chosen())
    assert [name for name in CHOSEN if getattr(m, name) is left] == []
    assert left not in m.loops


def _remembered(m: BankMemory) -> dict[str, object]:
    found = {name: getattr(m, name) for name in IN_BYTES - {"tokens"}}
    return found | {"tokens": set(m.tokens)}


@pytest.mark.parametrize("passed", [Passed.NOTHING, Passed.TICK])
def test_what_is_in_bytes_comes_back(passed: Passed) -> None:
    site = Setpoints()
    with pair_in_ticks(site):
        bank = Bank(site, scaled_pair(site, 1))
        m = Coordinator(2, scaled_pair(site, 1)).memory
        m.stage, m.tokens, m.called = Stage.PROVE_DOSING, {2: NOW_MS}, [True, False]
        m.io_seen, m.proven = True, True
        m.start_ms = m.no_draw_ms = m.booted_ms = m.close_ms = m.scanned_ms = NOW_MS
        m.latched = [Event.FLOOR_LEAK, Event.BOOSTER_FAULT]
        before = _remembered(m)
        code = bank.codec.encode(m)
        bank.codec.decode(code, m, passed)
    gone_ms = TICK_MS if passed is Passed.TICK else 0
    moments = {name: NOW_MS - gone_ms for name in before if name.endswith("_ms")}
    assert _remembered(m) == before | moments


def test_a_limit_that_has_passed_is_as_long_ago_as_any() -> None:
    site = Setpoints()
    with pair_in_ticks(site):
        codec = Bank(site, scaled_pair(site, 1)).codec
        for age in (codec.start, codec.close):
            limit = NOW_MS - age.cap * TICK_MS
            assert age.code(limit) == age.code(limit - 10**6) == age.code(NEVER) == 0
            assert age.code(limit + TICK_MS) == age.cap
