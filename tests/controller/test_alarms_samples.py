"""How the movement of a loop is followed from sample to sample, in a start and in a purge."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from alarms_harness import PLACE
from harness import unit_inputs

from controller.alarms.memory import ScopeMemory, Stir, fresh
from controller.alarms.movement import START_S, STILL_MA, watch
from controller.parts.analogue import Quality
from controller.parts.timing import NEVER
from controller.signals import UnitInputs
from controller.unit.memory import UnitMemory
from controller.unit.states import UnitState
from controller.unit.view import QUALITY

S = UnitState
ALL = 0b11111
NAMES = ("suction_ma", "membrane_ma", "permeate_cond_ma", "permeate_flow_ma", "concentrate_flow_ma")
NOW_MS = 900_000


def image(*currents_ma: float) -> UnitInputs:
    """Inputs with these currents of the five loops; one current stands for all."""
    each = currents_ma if len(currents_ma) == 5 else currents_ma * 5
    return unit_inputs()._replace(**dict(zip(NAMES, each, strict=True)))


def unit(state: UnitState, pump_s: float | None = 600.0, *, evidence: bool = True) -> UnitMemory:
    """A unit in a state, its pump on for so long (None: off), every loop believed."""
    m = UnitMemory(state=state, evidence=evidence)
    m.pump_ms = NEVER if pump_s is None else NOW_MS - round(1000 * pump_s)
    for loop in m.loops:
        loop.quality = Quality.GOOD
    return m


def follow(samples: Sequence[tuple[UnitMemory, UnitInputs]], frozen: int = 0) -> ScopeMemory:
    """Take the samples one after another."""
    seen = fresh(len(PLACE))
    seen.frozen = frozen
    for m, io in samples:
        assert watch(seen, m, io, NOW_MS) == seen.frozen
    return seen


@pytest.mark.parametrize(
    ("state", "pump_s", "stir"),
    [
        (S.PUMP_START, 0.0, Stir.START),
        (S.PUMP_START, None, Stir.NONE),
        (S.PRODUCE, 0.0, Stir.START),
        (S.PRODUCE, START_S - 0.001, Stir.START),
        (S.PRODUCE, START_S, Stir.NONE),
        (S.PURGE, 600.0, Stir.PURGE),
        (S.PURGE, 10.0, Stir.PURGE),
        (S.QUALITY_FLUSH, 600.0, Stir.PURGE),
        (S.STOPPING, 10.0, Stir.NONE),
        (S.START_FLUSH, None, Stir.NONE),
        (S.STANDBY, None, Stir.NONE),
    ],
)
def test_a_start_and_a_purge_move_the_loops_and_nothing_else_does(
    state: UnitState, pump_s: float | None, stir: Stir
) -> None:
    assert follow([(unit(state, pump_s), image(12.0))]).stir is stir


def started(*currents_ma: UnitInputs, frozen: int = 0) -> ScopeMemory:
    """Samples: one before the start, some in it, and the last as it is over."""
    before, *within, last = currents_ma
    samples = [(unit(S.DELAY, None), before)]
    samples += [(unit(S.PUMP_START, 1.0), io) for io in within]
    return follow([*samples, (unit(S.PRODUCE, START_S), last)], frozen)


def purged(*currents_ma: UnitInputs, frozen: int = 0, evidence: bool = True) -> ScopeMemory:
    """As ``started``, for a purge."""
    before, *within, last = currents_ma
    samples = [(unit(S.PRODUCE), before)]
    samples += [(unit(S.PURGE), io) for io in within]
    return follow([*samples, (unit(S.PRODUCE, evidence=evidence), last)], frozen)


def test_a_loop_has_moved_from_half_a_thousandth_of_its_span_on() -> None:
    moved, still = image(STILL_MA), image(STILL_MA * 0.999)

    assert started(image(0.0), moved, moved).frozen == 0
    assert started(image(0.0), still, still).frozen == ALL


@pytest.mark.parametrize("place", range(5))
def test_each_loop_is_judged_by_itself(place: int) -> None:
    moving = image(*(12.0 if each == place else 14.0 for each in range(5)))

    assert started(image(12.0), moving, moving).frozen == 1 << place
    assert purged(image(12.0), moving, moving).frozen == (1 << place) & ~(1 << QUALITY)


def test_movement_is_measured_from_the_last_sample_before_to_the_last_within() -> None:
    rises, falls = image(14.0), image(10.0)

    for path in (started, purged):
        assert path(image(12.0), rises, rises).frozen == 0
        assert path(image(12.0), falls, falls).frozen == 0
        # back where it was, but it has moved between
        assert path(image(12.0), rises, image(12.0), image(12.0)).frozen == 0
        assert path(image(12.0), falls, image(12.0), image(12.0)).frozen == 0
        # the sample that finds it over has no say
        assert path(image(12.0), image(12.0), rises).frozen == (
            ALL if path is started else ALL & ~(1 << QUALITY)
        )


def test_what_moved_before_counts_for_nothing() -> None:
    idle = [(unit(S.DELAY, None), image(current_ma)) for current_ma in (4.0, 20.0, 12.0)]
    start = [(unit(S.PUMP_START, 1.0), image(12.0)), (unit(S.PRODUCE, START_S), image(12.0))]

    assert follow([*idle, *start]).frozen == ALL


def test_a_purge_that_follows_a_start_at_once_is_measured_from_its_own_beginning() -> None:
    start = [(unit(S.DELAY, None), image(4.0)), (unit(S.PRODUCE, 44.0), image(12.0))]
    purge = [(unit(S.PURGE, 44.5), image(12.0)), (unit(S.PRODUCE, 60.0), image(12.0))]

    assert follow([*start, *purge]).frozen == ALL & ~(1 << QUALITY)


def test_a_loop_that_moves_is_no_longer_frozen_and_the_others_stay_it() -> None:
    one_moves = image(12.0, 12.0, 12.0, 14.0, 12.0)

    assert started(image(12.0), one_moves, one_moves, frozen=ALL).frozen == 0b10111
    assert purged(image(12.0), image(14.0), image(14.0), frozen=ALL).frozen == 1 << QUALITY


def test_a_loop_that_is_not_believed_is_not_called_frozen() -> None:
    over = unit(S.PRODUCE, START_S)
    over.loops[1].quality = Quality.BAD
    still = image(12.0)

    seen = follow([(unit(S.DELAY, None), still), (unit(S.PUMP_START, 1.0), still), (over, still)], 0b10)

    assert seen.frozen == ALL & ~0b10


@pytest.mark.parametrize("ended_in", [S.STOPPING, S.LOCKOUT, S.STANDBY])
def test_what_was_cut_short_says_nothing(ended_in: UnitState) -> None:
    still = image(12.0)
    for state in (S.PUMP_START, S.PURGE):
        during = unit(state, 1.0)
        over = unit(ended_in, START_S)

        assert follow([(unit(S.DELAY, None), still), (during, still), (over, still)], 0b1).frozen == 0b1


def test_a_start_that_ends_before_its_time_says_nothing() -> None:
    still = image(12.0)
    restarted = unit(S.PRODUCE, None)

    assert (
        follow([(unit(S.DELAY, None), still), (unit(S.PUMP_START, 1.0), still), (restarted, still)]).frozen
        == 0
    )


def test_a_purge_that_no_loop_has_seen_says_nothing() -> None:
    assert purged(image(12.0), image(12.0), image(12.0), frozen=0b1, evidence=False).frozen == 0b1


def test_a_start_needs_no_evidence_of_a_flush() -> None:
    still = image(12.0)
    over = unit(S.PRODUCE, START_S, evidence=False)

    assert (
        follow([(unit(S.DELAY, None), still), (unit(S.PUMP_START, 1.0), still), (over, still)]).frozen == ALL
    )


def test_settled_production_says_nothing_however_still_it_is() -> None:
    still = [(unit(S.PRODUCE), image(12.0))] * 3

    assert follow(still).frozen == 0
