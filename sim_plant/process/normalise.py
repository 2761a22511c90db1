"""Steady arithmetic of a membrane unit: recovery, concentration, normalised flow and salt passage.

Recovery is permeate over feed, rejection 1 - Cp/Cb, both 0..1. The kernel integrates; these closed
forms are what one holds it, or a site's log, against.
"""

from __future__ import annotations

import math


def concentration_factor(recovery: float, rejection: float = 1.0) -> float:
    """Concentrate over feed in plug flow with one local rejection: (1 - R)^(-r). 0 <= R < 1.

    >>> round(concentration_factor(0.75), 6), round(concentration_factor(0.75, 0.98), 3)
    (4.0, 3.891)
    """
    return float((1.0 - recovery) ** -rejection)


def mean_permeate_ratio(recovery: float, rejection: float) -> float:
    """Mean permeate over feed concentration in plug flow: (1 - (1 - R)^(1 - r)) / R. 0 < R < 1.

    >>> round(mean_permeate_ratio(0.75, 0.98), 4)
    0.0365
    """
    return float(1.0 - (1.0 - recovery) ** (1.0 - rejection)) / recovery


def log_mean_factor(recovery: float) -> float:
    """Log-mean feed-side over feed concentration: ln(1 / (1 - R)) / R, 1 at no recovery. 0 <= R < 1.

    >>> round(log_mean_factor(0.5), 4), log_mean_factor(0.0)
    (1.3863, 1.0)
    """
    return -math.log1p(-recovery) / recovery if recovery > 0.0 else 1.0


def greatest_recovery(feed_osmotic_bar: float, applied_bar: float) -> float:
    """Recovery at which the concentrate's osmotic pressure equals the applied one: 1 - pi / P.

    Full rejection, no losses; 0 when the feed alone holds the pressure.

    >>> greatest_recovery(2.0, 8.0)
    0.75
    """
    return max(1.0 - feed_osmotic_bar / applied_bar, 0.0)


def temperature_factor(degc: float, per_degc: float = 0.03) -> float:
    """Permeate flow against 25 degC by the rule of the trade: 1.03^(t - 25) (common practice, no source).

    The kernel follows viscosity instead (``water.permeability_factor``).

    >>> round(temperature_factor(20.0), 4)
    0.8626
    """
    return float((1.0 + per_degc) ** (degc - 25.0))


def net_driving_bar(
    feed_bar: float,
    loss_bar: float,
    permeate_bar: float,
    feed_osmotic_bar: float,
    permeate_osmotic_bar: float,
) -> float:
    """Net driving pressure: Pf - dp/2 - Pp - (pi_feed side - pi_permeate).

    >>> round(net_driving_bar(10.0, 0.4, 0.2, 2.2, 0.022), 3)
    7.422
    """
    return feed_bar - loss_bar / 2.0 - permeate_bar - (feed_osmotic_bar - permeate_osmotic_bar)


def normalised_flow(flow: float, standard: tuple[float, float], actual: tuple[float, float]) -> float:
    """Permeate flow at standard conditions; a condition is (net driving bar, temperature factor).

    Q NDP_s TCF_s / (NDP_a TCF_a): structure of ASTM D4516, seen in a published guide. ``flow`` in any unit.

    >>> round(normalised_flow(3.0, (8.0, 1.0), (7.5, 0.9)), 3)
    3.556
    """
    return flow * standard[0] * standard[1] / (actual[0] * actual[1])


def normalised_salt_passage(
    passage: float,
    flows: tuple[float, float],
    temperature_factors: tuple[float, float],
    feed_side: tuple[float, float],
    feed: tuple[float, float],
) -> float:
    """Salt passage at standard conditions; every pair is (standard, actual).

    SP_a (Q_a / Q_s) (TCF_s / TCF_a) (Cfb_s / Cfb_a) (Cf_a / Cf_s): form of ASTM D4516, from memory.

    >>> normalised_salt_passage(0.02, (3.0, 3.0), (1.0, 1.0), (2000.0, 2000.0), (1500.0, 1500.0))
    0.02
    """
    return (
        passage
        * (flows[1] / flows[0])
        * (temperature_factors[0] / temperature_factors[1])
        * (feed_side[0] / feed_side[1])
        * (feed[1] / feed[0])
    )


def normalised_loss(
    loss: float, mean_flows: tuple[float, float], viscosities: tuple[float, float], exponent: float
) -> float:
    """Pressure loss of the feed side at standard conditions; every pair is (standard, actual).

    dp_a (Q_s / Q_a)^n (mu_s / mu_a)^(2 - n): what similarity leaves of a friction factor in proportion to
    Re^(n - 2), density taken as constant. Laminar n = 1, fully rough n = 2; D4516 has no such term.

    >>> round(normalised_loss(0.4, (2.0, 1.6), (1.0, 1.0), 1.7), 4)
    0.5845
    """
    flows, thickness = mean_flows[0] / mean_flows[1], viscosities[0] / viscosities[1]
    return float(loss * flows**exponent * thickness ** (2.0 - exponent))


def osmotic_estimate_bar(mgl: float, degc: float) -> float:
    """Osmotic pressure of sodium chloride as ASTM D4516 estimates it (constant from memory).

    0.2654 C (t + 273.15) / (1000 - C/1000) kPa. Valid to 20 000 mg/L.

    >>> round(osmotic_estimate_bar(2000.0, 25.0), 3)
    1.586
    """
    return 0.2654 * mgl * (degc + 273.15) / (1000.0 - mgl / 1000.0) / 100.0
