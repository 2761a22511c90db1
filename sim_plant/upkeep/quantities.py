"""What a log may hold, in which units it may be, and what can be true of it.

Inside everything is bar, m3/h, degC, mg/L. The limits are wide: beyond them a value is no measurement of
brackish water in such a bank, whatever its column says. Own choices.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


class Scale(NamedTuple):
    """Ours = theirs * factor + offset."""

    factor: float
    offset: float = 0.0

    def ours(self, value: float) -> float:
        """A value of the log in our unit."""
        return value * self.factor + self.offset


class Quantity(NamedTuple):
    """One measured quantity: words, our unit, the units that it may be logged in, and the limits of sense."""

    words: str
    unit: str
    scales: Mapping[str, Scale]
    lo: float
    hi: float


PRESSURE = {
    "bar": Scale(1.0),
    "mbar": Scale(1e-3),
    "kPa": Scale(1e-2),
    "MPa": Scale(10.0),
    "psi": Scale(0.0689476),
}
FLOW = {
    "m3/h": Scale(1.0),
    "L/h": Scale(1e-3),
    "L/min": Scale(0.06),
    "L/s": Scale(3.6),
    "m3/d": Scale(1.0 / 24.0),
    "US gal/min": Scale(0.2271247),
}
TEMPERATURE = {"degC": Scale(1.0), "degF": Scale(5.0 / 9.0, -160.0 / 9.0), "K": Scale(1.0, -273.15)}
MASS = {"mg/L": Scale(1.0), "g/L": Scale(1000.0)}
CONDUCTIVITY = {"uS/cm": Scale(1.0), "mS/cm": Scale(1000.0), "mS/m": Scale(10.0)}  # to uS/cm
SALT = {**CONDUCTIVITY, **MASS}
FLAG: dict[str, Scale] = {}

QUANTITIES: dict[str, Quantity] = {
    "feed_pressure": Quantity("feed pressure at the membranes", "bar", PRESSURE, 0.5, 80.0),
    "concentrate_pressure": Quantity("concentrate pressure", "bar", PRESSURE, 0.0, 80.0),
    "pressure_loss": Quantity("pressure loss from feed to concentrate", "bar", PRESSURE, 0.0, 15.0),
    "permeate_pressure": Quantity("permeate pressure", "bar", PRESSURE, 0.0, 10.0),
    "permeate_flow": Quantity("permeate flow", "m3/h", FLOW, 0.0, 1000.0),
    "concentrate_flow": Quantity("concentrate flow", "m3/h", FLOW, 0.0, 1000.0),
    "feed_flow": Quantity("feed flow of the unit", "m3/h", FLOW, 0.0, 2000.0),
    "feed_temperature": Quantity("feed temperature", "degC", TEMPERATURE, 1.0, 50.0),
    "feed_salt": Quantity("dissolved solids of the feed", "mg/L", SALT, 50.0, 20000.0),
    "permeate_salt": Quantity("dissolved solids of the permeate", "mg/L", SALT, 0.1, 5000.0),
    "header_pressure": Quantity("pressure before the prefilter", "bar", PRESSURE, 0.0, 20.0),
    "suction_pressure": Quantity("pressure after the prefilter", "bar", PRESSURE, -1.0, 20.0),
    "prefilter_loss": Quantity("pressure loss of the prefilter", "bar", PRESSURE, 0.0, 10.0),
    "running": Quantity("whether the unit runs", "", FLAG, 0.0, 1.0),
    "purging": Quantity("whether the flush valve is open", "", FLAG, 0.0, 1.0),
}

NEEDED = ("feed_pressure", "permeate_flow", "feed_temperature", "feed_salt", "permeate_salt")
FLAGS = ("running", "purging")
TRUE_WORDS = frozenset({"1", "1.0", "true", "on", "yes", "open", "run"})
FALSE_WORDS = frozenset({"0", "0.0", "false", "off", "no", "closed", "stop"})


def to_ours(name: str, unit: str, mgl_per_us: float) -> Scale:
    """How a value logged in ``unit`` becomes ours; conductivity is dissolved solids times a factor."""
    scale = QUANTITIES[name].scales[unit]
    return Scale(scale.factor * mgl_per_us) if unit in CONDUCTIVITY else scale


def units_that_fit(name: str, value: float, mgl_per_us: float) -> list[str]:
    """Units in which a logged value would lie inside the limits of sense; for the hint beside a refusal."""
    quantity = QUANTITIES[name]
    return [
        unit
        for unit in quantity.scales
        if quantity.lo <= to_ours(name, unit, mgl_per_us).ours(value) <= quantity.hi
    ]
