"""How far a value is from its baseline and how fast it moves, each with an interval. Days in, numbers out.

Slope: the median of the slopes of all pairs of days, with the interval that Kendall's statistic gives (Theil
1950, Sen 1968; from memory). Its variance is widened by (1 + r) / (1 - r), r the correlation of a day's
residual with that of the day before, as for a first-order autoregressive series. The standard error of a
median is taken as 1.2533 s / sqrt(n), widened alike. s is the scatter from one day to the next, so that a
bend or a step of the values is not taken for scatter. Intervals are for 95 in 100 as far as days can tell;
what the method itself leaves of a season no day tells, so it is added (``METHOD_PCT_PER_DEGC``).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_Z95 = 1.96
_DAYS_MOST = 1000  # pairs of more would fill the memory: every second, third ... day is taken
METHOD_PCT_PER_DEGC = 0.4  # what D4516 leaves of a season of the healthy plant model: tests/upkeep
_MOST_ALIKE = 0.95  # correlation of neighbours beyond which an interval would say nothing


class Interval(NamedTuple):
    """A value with its 95 % interval."""

    value: float
    lo: float
    hi: float


class Fit(NamedTuple):
    """Slope by the day with its interval, scatter from day to day, likeness of neighbours."""

    per_day: Interval
    scatter: float
    alike: float


def fit_line(days: Floats, values: Floats) -> Fit:
    """The line through the days; at least 3 different days."""
    step = math.ceil(len(days) / _DAYS_MOST)
    x, y = days[::step], values[::step]
    first, second = np.triu_indices(len(x), 1)
    slopes = np.sort((y[second] - y[first]) / (x[second] - x[first]))
    slope = float(np.median(slopes))
    residuals = y - slope * x
    residuals = residuals - np.median(residuals)
    alike = _alike(residuals)
    n = len(x)
    wide = _Z95 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0 * (1.0 + alike) / (1.0 - alike))
    low = max(math.floor((len(slopes) - wide) / 2.0), 0)
    high = min(math.ceil((len(slopes) + wide) / 2.0), len(slopes) - 1)
    steps = np.diff(residuals)
    scatter = 1.4826 / math.sqrt(2.0) * float(np.median(np.abs(steps - np.median(steps))))
    return Fit(Interval(slope, float(slopes[low]), float(slopes[high])), scatter, alike)


def _alike(residuals: Floats) -> float:
    """Correlation with the day before, 0 to 0.95."""
    power = float(residuals @ residuals)
    if power <= 0.0:
        return 0.0
    return min(max(float(residuals[1:] @ residuals[:-1]) / power, 0.0), _MOST_ALIKE)


def change_pct(baseline: Floats, recent: Floats, fit: Fit, apart_degc: float) -> Interval:
    """Median of the recent days against that of the baseline, in percent.

    ``apart_degc``: how much warmer or colder the feed is now; the interval has that much more on both sides.
    """
    measure = float(np.median(baseline))
    change = 100.0 * (float(np.median(recent)) / measure - 1.0)
    error = math.hypot(*(_error(fit, len(part)) for part in (baseline, recent)))
    wide = 100.0 * _Z95 * error / abs(measure) + METHOD_PCT_PER_DEGC * abs(apart_degc)
    return Interval(change, change - wide, change + wide)


def _error(fit: Fit, days: int) -> float:
    """Standard error of the median of so many days."""
    return 1.2533 * fit.scatter * math.sqrt((1.0 + fit.alike) / (1.0 - fit.alike) / days)
