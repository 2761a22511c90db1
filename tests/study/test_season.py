"""Units that fail and are serviced over a season: against the binomial distribution and plain sums."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from sim_plant.study.buffer import Tank, day_flat_out
from sim_plant.study.season import Outcome, changes_of, season_study, through
from sim_plant.study.season_table import Season

NO_SERVICE = {"service_every_days": 0.0}
DRAW = (1.0, 1.0, 4.0, 9.0, 6.0, 3.0, 2.0, 0.0) * 3
NO_TANK, TANK = Tank(10.0, 10.0, 10.0), Tank(10.0, 10.0, 95.0)


def outcomes(table: Season, units: int, usable_m3: float = 0.0) -> list[Outcome]:
    """All seasons; a unit makes 2 m3/h."""
    return [
        through(changes_of(table, units, units, number), table.days, units, 2.0, DRAW, usable_m3)
        for number in range(table.seasons)
    ]


@pytest.mark.parametrize(
    ("units", "between_days", "repair_h"), [(2, 5.0, 24.0), (4, 20.0, 72.0), (6, 3.0, 12.0)]
)
def test_units_are_out_as_often_as_the_binomial_distribution_says(
    units: int, between_days: float, repair_h: float
) -> None:
    """Each is ready for a share of MTBF / (MTBF + MTTR) by itself; without a tank demand follows from it."""
    table = Season(days=400, seasons=20, between_failures_days=between_days, repair_h=repair_h, **NO_SERVICE)
    out = 1.0 - 24.0 * between_days / (24.0 * between_days + repair_h)
    seen = outcomes(table, units)

    shares = np.array([one.out_h for one in seen]) / (24.0 * table.days)
    error = np.maximum(shares.std(axis=0, ddof=1) / np.sqrt(table.seasons), 1e-4)
    assert (np.abs(shares.mean(axis=0) - binom.pmf(np.arange(units + 1), units, out)) < 4.0 * error).all()

    short_h = np.array([one.short_h for one in seen])
    expected_h = table.days * sum(
        binom.pmf(k, units, out) * sum(draw > 2.0 * (units - k) for draw in DRAW) for k in range(units + 1)
    )
    assert abs(short_h.mean() - expected_h) < 4.0 * short_h.std(ddof=1) / np.sqrt(table.seasons) + 1e-9


def test_when_nothing_fails_a_season_is_its_days_one_after_another() -> None:
    table = Season(days=7, seasons=20, repair_h=0.0, **NO_SERVICE)
    stock, short_h, short_m3 = TANK.usable_m3, 0.0, 0.0
    for _ in range(table.days):
        day = day_flat_out(stock, 3.0, DRAW, TANK.usable_m3)
        stock, short_h, short_m3 = day.end_m3, short_h + day.short_h, short_m3 + day.short_m3
    study = season_study(table, 1, 3.0, DRAW, TANK)
    assert study.fleets[0].mean_h == pytest.approx(short_h)
    assert study.fleets[0].mean_m3 == pytest.approx(short_m3)
    assert short_h > 0.0
    assert study.fleets[2].mean_h == 0.0


def test_services_take_one_unit_at_a_time_and_each_as_often_as_planned() -> None:
    table = Season(days=120, seasons=20, repair_h=0.0, service_every_days=30.0, service_h=5.0)
    (changes, *_) = [changes_of(table, 6, 6, number) for number in range(2)]
    assert min(change.ready for change in changes) == 5
    assert through(changes, 120, 6, 2.0, DRAW, 0.0).out_h[:2] == pytest.approx((120 * 24 - 120.0, 120.0))


def test_a_service_that_is_due_while_a_unit_is_out_waits_for_it() -> None:
    """Of two units one is in repair nearly always: hardly a service begins, and never at the same moment."""
    often = Season(days=60, seasons=20, between_failures_days=1.0, repair_h=200.0, service_every_days=1.0)
    without = often.model_copy(update=NO_SERVICE)
    both_out = [sum(one.out_h[2] for one in outcomes(table, 2)) for table in (often, without)]
    assert both_out[0] == pytest.approx(both_out[1], rel=0.1)


@given(
    units=st.integers(1, 5),
    number=st.integers(0, 50),
    repair_h=st.floats(1.0, 200.0),
    usable_m3=st.floats(0.0, 30.0),
)
def test_one_unit_more_is_never_worse(units: int, number: int, repair_h: float, usable_m3: float) -> None:
    table = Season(days=7, between_failures_days=2.0, repair_h=repair_h, **NO_SERVICE)
    fewer, more = (
        through(changes_of(table, n, units, number), 7, n, 2.0, DRAW, usable_m3) for n in (units, units + 1)
    )
    assert more.short_h <= fewer.short_h + 1e-9
    assert more.short_m3 <= fewer.short_m3 + 1e-9


def test_the_seed_decides() -> None:
    table = Season(days=30, seasons=20, between_failures_days=5.0)
    assert outcomes(table, 3) == outcomes(table, 3)
    assert outcomes(table, 3) != outcomes(table.model_copy(update={"seed": 2}), 3)
