"""What falls out of the concentrate: saturation at a concentration factor, and the factor allowed."""

from __future__ import annotations

import math
from typing import NamedTuple

from sim_plant.process.chemistry import concentrated, index_ph, langelier
from sim_plant.process.speciation import concentrate
from sim_plant.study.analysis import Analysis, Limits

FACTOR_MOST = 20.0


class Saturation(NamedTuple):
    """Of one concentrate: log10 of saturation of three minerals, the Langelier index, and its pH."""

    calcite: float  # corrected for ionic strength and pairs
    gypsum: float
    silica: float
    langelier: float  # closed form of the trade
    ph: float

    def room(self, limits: Limits) -> tuple[float, str]:
        """Least distance to a limit, below 0 when one is passed, and the mineral."""
        return min(
            (limits.calcite_index - self.calcite, "calcite"),
            (limits.gypsum_index - self.gypsum, "gypsum"),
            (limits.silica_index - self.silica, "silica"),
        )


def saturation(analysis: Analysis, factor: float, degc: float) -> Saturation:
    """Of the concentrate of this analysis; no ion passes the membrane, all carbon dioxide does."""
    made, solved = concentrate(analysis.mixture(degc), factor)
    feed = analysis.langelier_water(degc)
    index = langelier(concentrated(feed, factor, min(index_ph(feed, factor), 10.5)))
    return Saturation(solved.calcite, solved.gypsum, solved.silica, index, made.ph)


def most_concentrated(analysis: Analysis, limits: Limits) -> tuple[float, str, float]:
    """Largest concentration factor at which every limit holds at every temperature, its mineral and degC.

    Factor 0 when the feed itself passes a limit.
    """
    return min(_most_at(analysis, limits, degc) for degc in analysis.degc)


def _most_at(analysis: Analysis, limits: Limits, degc: float) -> tuple[float, str, float]:
    room, mineral = saturation(analysis, 1.0, degc).room(limits)
    if room < 0.0:
        return 0.0, mineral, degc
    low, high = 1.0, FACTOR_MOST
    for _ in range(16):
        middle = math.sqrt(low * high)
        here, first = saturation(analysis, middle, degc).room(limits)
        low, high, mineral = (middle, high, mineral) if here >= 0.0 else (low, middle, first)
    return low, mineral, degc
