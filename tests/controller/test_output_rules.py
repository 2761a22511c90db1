"""Whatever happens to the inputs, some outputs never come together. Judged from inputs and outputs only."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from functools import cache
from typing import NamedTuple

from bank_harness import BankRig
from harness import QUICK, Values
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.signals import SAFE_UNIT_OUTPUTS, UnitOutputs, Verb
from controller.unit.states import STATES

TOLERANCE_S = 0.2
DRY_RUN_S, EVERY_S = 160, 4


@dataclass
class UnitHistory:
    """What the outputs of one unit have done so far."""

    both_s: float = 0.0  # feed and flush open, pump off, without a break
    whole: bool = False  # such a spell has lasted a whole start flush since the pump was last on
    flush_shut_s: float = 0.0
    selector_off_s: float = 0.0
    pump: bool = False


@dataclass
class Judge:
    """Holds every scan against the global output rules; an AssertionError names the one broken."""

    slots: int
    units: list[UnitHistory] = field(default_factory=list)
    rose_s: float = -1000.0
    time_s: float = 0.0

    def look(self, rig: BankRig) -> None:
        """Judge the scan just made."""
        self.time_s += 0.1
        estop_open = rig.bank.get("estop_healthy", True) is False
        for seen, out, held, age_ms in zip(
            self.units, rig.out.units, rig.units, rig.unit_age_ms, strict=True
        ):
            self._unit(seen, out)
            away = held.get("selector_auto", True) is False
            seen.selector_off_s = seen.selector_off_s + 0.1 if away else 0.0
            must_rest = estop_open or age_ms > 1_000 or held.get("isolator_on", True) is False
            if must_rest or seen.selector_off_s > 5.0:
                assert out._replace(beacon=False) == SAFE_UNIT_OUTPUTS, "a dead unit drives nothing"
        flushing = sum(out.flush_valve for out in rig.out.units)
        assert flushing <= self.slots, "more flush valves open than slots"

    def _unit(self, seen: UnitHistory, out: UnitOutputs) -> None:
        assert out.feed_valve or not out.pump, "pump without feed"
        assert out.enable or not out.pump, "pump without enable"
        if out.pump and not seen.pump:
            assert seen.whole, "pump without a whole start flush of this run"
            assert seen.flush_shut_s >= QUICK.settle_s - TOLERANCE_S, "pump before the valves have settled"
            assert self.time_s - self.rose_s >= QUICK.stagger_s - TOLERANCE_S, "two pump starts too close"
            self.rose_s = self.time_s
        if seen.pump and not out.pump:
            seen.whole = False
        seen.pump = out.pump
        flooding = out.feed_valve and out.flush_valve and not out.pump
        seen.both_s = seen.both_s + 0.1 if flooding else 0.0
        seen.whole = seen.whole or seen.both_s >= QUICK.start_flush_s - TOLERANCE_S
        seen.flush_shut_s = 0.0 if out.flush_valve else seen.flush_shut_s + 0.1
        assert seen.both_s <= QUICK.start_flush_max_s + 3.0, "flush with the pump off for too long"


class Moment(NamedTuple):
    """A bank in the middle of its first start, and what has been seen of it."""

    rig: BankRig
    judge: Judge


@cache
def moments(n_units: int) -> tuple[Moment, ...]:
    """Undisturbed start of a bank, stopped every few seconds: from boot to the last unit producing."""
    rig = BankRig(n_units)
    judge = Judge(QUICK.flush_slots(n_units), [UnitHistory() for _ in range(n_units)])
    kept = []
    for scan in range(DRY_RUN_S * 10):
        rig.step()
        judge.look(rig)
        if scan % (EVERY_S * 10) == 0:
            kept.append(Moment(copy.deepcopy(rig), copy.deepcopy(judge)))
    assert any(unit.pump for unit in judge.units), "the dry run must come to production"
    return tuple(kept)


def _one_of(choices: dict[str, tuple[float | bool, ...]]) -> st.SearchStrategy[tuple[str, float | bool]]:
    return st.sampled_from([(name, value) for name, values in choices.items() for value in values])


CONTACT = (False, True)
UNIT_CHANGE = _one_of(
    {
        "selector_auto": CONTACT,
        "isolator_on": CONTACT,
        "pump_running": CONTACT,
        "motor_healthy": (False,),
        "suction_ok": (False,),
        "discharge_ok": (False,),
        "permeate_ok": (False,),
        "skid_dry": (False,),
        "suction_bar": (0.0, 0.5, 1.0, 2.5),
        "suction_ma": (0.0, 3.7, 22.0, float("nan")),
        "membrane_bar": (0.0, 5.0, 20.0),
        "membrane_ma": (0.0,),
        "permeate_us": (50.0, 500.0, 900.0),
        "permeate_cond_ma": (0.0,),
        "concentrate_m3h": (0.0, 1.0, 3.0),
        "concentrate_flow_ma": (0.0,),
    }
)
BANK_CHANGE = _one_of(
    {
        "estop_healthy": (False,),
        "reset_button": CONTACT,
        "bank_run": (False,),
        "dosing_pulse": (False,),
        "tank_not_overfull": (False,),
        "floor_dry": (False,),
        "sump_ok": (False,),
        "source_wet": (False,),
        "header_bar": (0.5, 2.0, 2.9),
        "header_ma": (0.0,),
        "feed_degc": (43.0,),
        "chlorine_mgl": (0.2,),
        "level_pct": (20.0, 80.0, 90.0, 97.0),
        "tank_level_ma": (0.0,),
    }
)
ACTION = st.one_of(
    st.tuples(st.just("unit"), st.integers(0, 2), UNIT_CHANGE),
    st.tuples(st.just("bank"), st.just(0), BANK_CHANGE),
    st.tuples(st.just("age"), st.integers(0, 2), st.sampled_from([0, 900, 1_100, 1_900, 2_500])),
    st.tuples(st.just("command"), st.integers(0, 2), st.tuples(st.sampled_from(Verb), st.booleans())),
    st.tuples(st.just("heal"), st.just(0), st.none()),
)
STORY = st.lists(st.tuples(ACTION, st.integers(1, 60)), max_size=14)


def act(rig: BankRig, kind: str, index: int, what: object) -> None:
    """Carry out one action on the rig."""
    unit = index % rig.n_units
    if kind == "unit" and isinstance(what, tuple):
        rig.units[unit][what[0]] = what[1]
    elif kind == "bank" and isinstance(what, tuple):
        rig.bank[what[0]] = what[1]
    elif kind == "age" and isinstance(what, int):
        rig.unit_age_ms[unit] = what
    elif kind == "command" and isinstance(what, tuple):
        rig.command(what[0], unit + 1, against=None if what[1] else "STANDBY")
    else:
        heal(rig)


def heal(rig: BankRig) -> None:
    """Everything is as it should be again."""
    healthy: Values = {"level_pct": 20.0}
    rig.bank, rig.units = healthy, [{} for _ in range(rig.n_units)]
    rig.unit_age_ms = [0] * rig.n_units


@settings(max_examples=60, deadline=None, derandomize=True)
@given(n_units=st.integers(1, 3), moment=st.integers(0, DRY_RUN_S // EVERY_S - 1), story=STORY)
def test_no_story_of_inputs_breaks_a_global_output_rule(
    n_units: int, moment: int, story: list[tuple[tuple[str, int, object], int]]
) -> None:
    rig, judge = copy.deepcopy(moments(n_units)[moment])

    for action, scans in story:
        act(rig, *action)
        for _ in range(scans):
            rig.step()
            judge.look(rig)
            assert set(rig.states) <= set(STATES)


@settings(max_examples=10, deadline=None, derandomize=True)
@given(n_units=st.integers(1, 2), moment=st.integers(0, DRY_RUN_S // EVERY_S - 1), story=STORY)
def test_after_any_story_the_same_inputs_give_the_same_outputs(
    n_units: int, moment: int, story: list[tuple[tuple[str, int, object], int]]
) -> None:
    first, second = (copy.deepcopy(moments(n_units)[moment].rig) for _ in range(2))

    for rig in (first, second):
        for action, scans in story:
            act(rig, *action)
            for _ in range(scans):
                rig.step()

    assert first.trace == second.trace
    assert first.controller.snapshot() == second.controller.snapshot()
