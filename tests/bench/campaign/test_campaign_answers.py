"""What answered first, on traces drawn by hand."""

from __future__ import annotations

import copy
from collections.abc import Callable

import numpy as np
import pytest

from controller.parts.journal import Entry
from sim_plant.bench.campaign.answers import Answer, first_alarm, first_output, reference_of
from sim_plant.bench.trace import BANK_AO, BANK_DO, UNIT_DO, Trace
from tests.bench.bench_samples import flat_trace

STRIKE_MS = 3000
PUMP, FEED, BEACON = (UNIT_DO.index(name) for name in ("pump", "feed_valve", "beacon"))
HORN, WATCHDOG = BANK_DO.index("horn"), BANK_DO.index("watchdog")
SPEED = BANK_AO.index("booster_speed_cmd_ma")
Change = Callable[[Trace], None]


def undisturbed() -> Trace:
    """Unit 1 pumps, with its feed valve open."""
    trace = flat_trace()
    trace.unit_do[:, 0, [PUMP, FEED]] = True
    trace.journal = [Entry(4000, 1, "alarm", "A: NORM > UNACK")]
    return trace


def answer(*changes: Change, units: tuple[int, ...] = (1,)) -> Answer | None:
    base = undisturbed()
    trace = copy.deepcopy(base)
    for change in changes:
        change(trace)
    return first_output(trace, reference_of(base, STRIKE_MS, []), STRIKE_MS, units)


def unit_do(row: int, unit: int, column: int, on: bool) -> Change:
    return lambda trace: trace.unit_do.__setitem__((slice(row, None), unit - 1, column), on)


def bank_do(row: int, column: int, on: bool) -> Change:
    return lambda trace: trace.bank_do.__setitem__((slice(row, None), column), on)


def speed(row: int, current_ma: float) -> Change:
    return lambda trace: trace.bank_ao.__setitem__((slice(row, None), SPEED), current_ma)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ([], None),
        ([unit_do(41, 1, PUMP, False)], Answer("pump off", 1100)),
        ([unit_do(30, 1, PUMP, False)], Answer("pump off", 0)),
        ([unit_do(42, 1, PUMP, False), unit_do(41, 1, BEACON, True)], Answer("beacon on", 1100)),
        ([unit_do(42, 1, BEACON, True), unit_do(42, 1, PUMP, False)], Answer("pump off", 1200)),
        ([bank_do(50, HORN, True)], Answer("bank horn on", 2000)),
        ([bank_do(50, WATCHDOG, True)], None),
        ([unit_do(41, 2, PUMP, True)], None),
        ([speed(35, 4.15)], None),
        ([speed(35, 4.2)], Answer("bank booster_speed_cmd up", 500)),
        ([speed(35, 3.5)], Answer("bank booster_speed_cmd down", 500)),
        ([speed(35, 9.0), unit_do(60, 1, FEED, False)], Answer("feed_valve off", 3000)),
    ],
    ids=lambda value: str(value) if isinstance(value, Answer) else None,
)
def test_the_first_output_that_differs_is_the_answer(changes: list[Change], told: Answer | None) -> None:
    assert answer(*changes) == told


def test_any_unit_may_answer_a_fault_of_the_bank() -> None:
    change = unit_do(41, 2, PUMP, True)
    assert answer(change, units=(1, 2)) == Answer("unit 2 pump on", 1100)


def test_what_differs_only_beyond_the_shorter_run_is_not_compared() -> None:
    base, trace = undisturbed(), undisturbed()
    trace.unit_do[60:, 0, PUMP] = False
    assert first_output(trace, reference_of(base.part(0, 60), STRIKE_MS, []), STRIKE_MS, (1,)) is None


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (Entry(4000, 1, "alarm", "A: NORM > UNACK"), None),
        (Entry(4100, 1, "alarm", "B: NORM > UNACK"), Answer("unit 1: B: NORM > UNACK", 1100)),
        (Entry(4100, 0, "alarm", "C: NORM > UNACK"), Answer("bank: C: NORM > UNACK", 1100)),
        (Entry(4100, 1, "move", "PRODUCE > STOPPING"), None),
        (Entry(2900, 1, "alarm", "B: NORM > UNACK"), None),
    ],
)
def test_an_alarm_that_the_undisturbed_run_lacks_is_told(line: Entry, told: Answer | None) -> None:
    base, trace = undisturbed(), undisturbed()
    trace.journal = sorted({*(trace.journal or []), line})
    assert first_alarm(trace, reference_of(base, STRIKE_MS, []), STRIKE_MS) == told


def test_a_target_without_a_journal_raises_no_alarm() -> None:
    base, trace = undisturbed(), undisturbed()
    trace.journal = None
    assert first_alarm(trace, reference_of(base, STRIKE_MS, []), STRIKE_MS) is None


def test_a_reference_keeps_its_own_arrays() -> None:
    base = undisturbed()
    reference = reference_of(base, STRIKE_MS, [])
    base.unit_do[:] = False
    assert np.all(reference.unit_do[:, 0, PUMP])
