"""Changes of timers: moved both ways by the smallest amount that no tolerance of a requirement forgives.

They move inside the controller alone. What it tells at its data port stays true, and monitors judge by that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

from controller.firmware import Controller
from controller.settings import Setpoints
from sim_plant.bench.monitors.tolerance import REACTION_S, timer_tolerance_ms
from sim_plant.bench.sabotage.change import Change, attribute

UNITS_S = {"_s": 1.0, "_min": 60.0, "_h": 3600.0}
_RATES = ("_bar_s", "_ml_h", "_per_h")
_LAG_S = 0.2  # two scans: an input may change just after one, and an answer be seen one later
_LEAST_PART = 0.1  # a timer is not moved to nothing and beyond: at least a tenth of it is left


def read(name: str) -> str:
    """The touch of a setpoint that a scan looked at."""
    return f"read {name}"


class Doctored(Controller):
    """Our firmware, whose parts are handed ``handed_in`` of the setpoints."""

    handed_in: Callable[[Setpoints], Setpoints] = staticmethod(lambda setpoints: setpoints)

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        super().__init__(n_units, setpoints, retained_text)
        self._adopt(setpoints)

    def _adopt(self, setpoints: Setpoints) -> None:
        super()._adopt(type(self).handed_in(setpoints))
        self.setpoints = setpoints


def timer_names() -> tuple[str, ...]:
    """Setpoints that are times."""
    return tuple(name for name in Setpoints.model_fields if _unit_s(name))


def _unit_s(name: str) -> float:
    """Seconds in the unit that a name ends in, 0.0 for what is no time, such as a rate or a count."""
    ending = "_" + name.rsplit("_", 1)[-1]
    return 0.0 if name.endswith(_RATES) else UNITS_S.get(ending, 0.0)


def changes() -> Iterator[Change]:
    """All of them, in the order of the settings."""
    for name in timer_names():
        for how, sign in (("later", 1.0), ("sooner", -1.0)):
            text = f"{name} is a little {'longer' if sign > 0 else 'shorter'} than it is set"
            yield Change("timer", name, how, text, read(name), partial(moved_timer, name, sign))


def moved_to(name: str, value: float, sign: float) -> float:
    """The value that the controller works with; 0, where it stands for "never", stays."""
    if value == 0.0:
        return value
    unit_s = _unit_s(name)
    by_s = timer_tolerance_ms(value * unit_s) / 1000.0 + REACTION_S + _LAG_S
    return max(value + sign * by_s / unit_s, _LEAST_PART * value)


@contextmanager
def moved_timer(name: str, sign: float) -> Iterator[None]:
    """The timer moved, inside each controller that is made meanwhile."""

    def handed_in(setpoints: Setpoints) -> Setpoints:
        return setpoints.model_copy(update={name: moved_to(name, getattr(setpoints, name), sign)})

    with attribute(Doctored, "handed_in", staticmethod(handed_in)):
        yield
