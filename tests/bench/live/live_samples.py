"""A controller behind a field in this process and in time that runs as fast as it is computed."""

from __future__ import annotations

from pathlib import Path

from controller.firmware import Controller
from controller.signals import Inputs, Outputs, safe_outputs
from controller.unit.states import STATES
from sim_plant.bench.live.field import Rounds
from sim_plant.bench.live.target import LiveTarget, Pace
from sim_plant.site import Site, load_site

LIVE_SITE = Path(__file__).parents[2] / "hil" / "live_site"
SEED = 5


def live_site() -> Site:
    """Two units with short flushes."""
    return load_site(LIVE_SITE, ())


class FastClock:
    """Sleeping moves it on."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


class DeskField:
    """Our firmware as a live controller; ``wrong`` is what it answers for its trouble."""

    name = "controller in this process"

    def __init__(self, site: Site) -> None:
        self.rounds = Rounds()
        self.controller = Controller(site.units, site.setpoints, None)
        self.wrong = ""
        self.ages = (0,) * (site.units + 1)
        self.missing: list[str] = []
        self.otherwise: list[str] = []
        self.forced: Outputs | None = None
        self._out = safe_outputs(site.units)
        self.now_ms = 0
        self.closed = False

    def publish(self, inputs: Inputs) -> None:
        self.now_ms += 100
        self._out = self.controller.scan(inputs, self.now_ms)
        self.controller.take_events()
        self.rounds.add(20.0)

    def outputs(self) -> Outputs:
        return self.forced or self._out

    def states(self) -> tuple[int, ...]:
        return tuple(STATES.index(state) for state in self.controller.states())

    def ages_ms(self) -> tuple[int, ...]:
        return self.ages

    def trouble(self) -> str:
        return self.wrong

    def unheard(self) -> list[str]:
        return self.missing

    def misread(self) -> list[str]:
        return self.otherwise

    def close(self) -> None:
        self.closed = True


def fast_target(field: DeskField, uncertainty_ms: int = 0) -> LiveTarget:
    """A live target on a clock that never waits."""
    clock = FastClock()
    return LiveTarget(field, Pace(100, clock, clock.sleep), uncertainty_ms, clock)
