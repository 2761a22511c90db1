"""One row of a log brought to the conditions of the baseline, after ASTM D4516.

The terms are in ``process/normalise.py``, each with its source. Here they are put together:

- net driving pressure: Pf - dp/2 - Pp - (pi of the mean feed side - pi of the permeate);
- mean feed side: feed concentration times ln(1 / (1 - Y)) / Y, with the recovery Y of that row;
- flow: Q (NDP_s TCF_s) / (NDP_a TCF_a);
- salt passage: (Cp / Cf) (Q_a / Q_s) (TCF_s / TCF_a) (Cfb_s / Cfb_a) (Cf_a / Cf_s), Q_s the baseline's flow;
- pressure loss: see ``normalised_loss``, no part of D4516.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from sim_plant.process import membrane, normalise
from sim_plant.process.water import viscosity_pa_s
from sim_plant.upkeep.table import Law


class Reading(NamedTuple):
    """What is known of a unit at one moment."""

    feed_bar: Any  # a number; a column of them while a log is read
    loss_bar: Any
    permeate_bar: Any
    permeate_m3h: Any
    concentrate_m3h: Any
    degc: Any
    feed_mgl: Any
    permeate_mgl: Any

    @property
    def recovery(self) -> float:
        """Permeate over feed."""
        return float(self.permeate_m3h / (self.permeate_m3h + self.concentrate_m3h))

    @property
    def feed_side_mgl(self) -> float:
        """Log-mean concentration of the feed side."""
        return float(self.feed_mgl * normalise.log_mean_factor(self.recovery))

    @property
    def mean_m3h(self) -> float:
        """Mean flow along the feed side."""
        return float(self.concentrate_m3h + 0.5 * self.permeate_m3h)

    @property
    def passage(self) -> float:
        """Salt passage as it stands, permeate over feed."""
        return float(self.permeate_mgl / self.feed_mgl)


class Normalised(NamedTuple):
    """At the conditions of the baseline."""

    flow_m3h: float
    passage: float
    loss_bar: float


def driving_bar(reading: Reading, osmotic_ratio: float) -> float:
    """Net driving pressure of a reading."""
    feed_side, permeate = (
        osmotic_ratio * normalise.osmotic_estimate_bar(mgl, reading.degc)
        for mgl in (reading.feed_side_mgl, reading.permeate_mgl)
    )
    return normalise.net_driving_bar(
        reading.feed_bar, reading.loss_bar, reading.permeate_bar, feed_side, permeate
    )


def flow_factor(degc: float, law: Law) -> float:
    """Permeate flow against 25 degC: percent for each degree when stated, else the activation law."""
    if law.flow_pct_per_degc is None:
        return float(membrane.temperature_factor(degc))
    return normalise.temperature_factor(degc, law.flow_pct_per_degc / 100.0)


def normalised(reading: Reading, standard: Reading, law: Law, osmotic_ratio: float) -> Normalised:
    """The reading as it would be under the ``standard`` conditions."""
    both = (standard, reading)
    driving = [driving_bar(one, osmotic_ratio) for one in both]
    water = [flow_factor(one.degc, law) for one in both]
    salt = [normalise.temperature_factor(one.degc, law.salt_pct_per_degc / 100.0) for one in both]
    thickness = [viscosity_pa_s(one.degc) for one in both]
    return Normalised(
        normalise.normalised_flow(reading.permeate_m3h, (driving[0], water[0]), (driving[1], water[1])),
        normalise.normalised_salt_passage(
            reading.passage,
            (standard.permeate_m3h, reading.permeate_m3h),
            (salt[0], salt[1]),
            (standard.feed_side_mgl, reading.feed_side_mgl),
            (standard.feed_mgl, reading.feed_mgl),
        ),
        normalise.normalised_loss(
            reading.loss_bar,
            (standard.mean_m3h, reading.mean_m3h),
            (thickness[0], thickness[1]),
            law.loss_exponent,
        ),
    )
