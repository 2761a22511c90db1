"""The worlds of two units that are explored: demand, and troubles of one kind, at any time and often.

All troubles together are more states than can be visited (docs/exploring.md says how many were). So each kind
has a world of its own, which closes, once on one flush slot and once on two. Worlds are independent of each
other: each goes to one process as a whole.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from controller.settings import Setpoints
from controller.signals import UnitOutputs
from sim_plant.bench.campaign.hands import in_order
from sim_plant.bench.explore.pair_parts import PairNext
from sim_plant.bench.explore.pair_required import PAIR_REQUIRED
from sim_plant.bench.explore.pair_scale import WITH_SLOTS
from sim_plant.bench.explore.pair_search import PairOrder, PairSearch, search_pair
from sim_plant.bench.explore.search import Bound, Hands, Violation

KINDS: dict[str, tuple[str, ...]] = {
    "nothing else": (),
    "queue and run hours": ("queue", "old debt", "head start"),
    "tank": ("tank full", "level"),
    "E-stop": ("E-stop", "reset"),
    "high-high float": ("high-high float", "reset"),
    "floor leak": ("floor leak", "reset"),
    "drain sump": ("drain sump", "reset"),
    "booster drive": ("booster", "reset"),
    "antiscalant": ("antiscalant", "reset"),
    "bank selector": ("bank selector",),
    "header": ("header",),
    "stale image of the bank": ("bank image",),
    "lease of a slot": ("lease",),
    "slow pre-start": ("pre-start", "reset"),
    "power": ("power", "brownout"),
    "start and stop": ("commands",),
    "maintenance": ("maintenance",),
    "maintenance and return of unit 1": ("maintenance/1", "return/1"),
    "maintenance and return of unit 2": ("maintenance/2", "return/2"),
    "selector": ("selector_auto",),
    "isolator": ("isolator_on",),
    "contactor": ("pump_running", "reset"),
    "motor protector": ("motor_healthy", "reset"),
    "suction": ("suction_ok", "reset"),
    "image of unit 1": ("age_ms/1", "reset"),
    "image of unit 2": ("age_ms/2", "reset"),
    "motor at rest": ("starts_spent",),
    "volume of a flush": ("volume_met", "reset"),
    "flush put off": ("flush_put_off",),
}
"""What comes in beside demand, by the name of the world."""


class PairStep(NamedTuple):
    """One scan of a shortest sequence, in words."""

    given: str
    states: str
    driven: str


class World(NamedTuple):
    """One world as it was explored: plain figures, to travel from a worker."""

    name: str
    slots: int
    states: int
    edges: int
    depth: int
    seconds: float
    left: int
    stopped_by: str
    counted: tuple[int, ...]
    by_state: Counter[str]
    violations: tuple[tuple[Violation, tuple[PairStep, ...]], ...]

    @property
    def told(self) -> str:
        """Its name in words."""
        return f"{self.name}, {self.slots} flush slot{'s' if self.slots > 1 else ''}"


class Errand(NamedTuple):
    """What a worker must know."""

    setpoints: Setpoints
    bound: Bound


def explore_world(errand: Errand, which: tuple[tuple[str, int], ...]) -> list[World]:
    """Explore worlds, in a worker."""
    found = []
    for name, slots in which:
        order = PairOrder(errand.setpoints, only=("demand", *KINDS[name]), slots=slots)
        found.append(world_of(name, search_pair(order, errand.bound)))
    return found


def world_of(name: str, found: PairSearch) -> World:
    """The figures of a search."""
    return World(
        name,
        found.order.slots,
        len(found.codes),
        found.edges,
        found.depth,
        found.seconds,
        found.left,
        found.stopped_by,
        tuple(found.counted),
        found.by_state(),
        tuple((v, tuple(_steps(found, v))) for v in found.violations.values()),
    )


def _steps(found: PairSearch, violation: Violation) -> list[PairStep]:
    return [_step(found, edge) for edge in found.play(violation)]


def _step(found: PairSearch, edge: PairNext) -> PairStep:
    one, two, _bank, seen = found.pair.parts(edge.code)
    states = " and ".join(state.value for state in found.pair.states(edge.code))
    driven = [f"{unit}: {_driven(part.outputs)}" for unit, part in enumerate((one, two), start=1)]
    return PairStep(_given(edge), states, "; ".join([*driven, *["booster"] * bool(seen.booster)]))


def _given(edge: PairNext) -> str:
    if edge.bank is None or edge.one is None or edge.two is None:
        return "the power goes and comes"
    words = list(edge.bank.told)
    for unit, given in enumerate((edge.one, edge.two), start=1):
        words += [f"{name} of unit {unit}" for name in given.told]
    return ", ".join(words) or "all well"


def _driven(outputs: UnitOutputs) -> str:
    return ", ".join(name for name in outputs._fields if getattr(outputs, name)) or "nothing"


@dataclass
class Worlds:
    """All worlds as one thing to tell (``papers.Explored``)."""

    setpoints: Setpoints
    worlds: list[World]

    @property
    def codes(self) -> range:
        """So many states were met."""
        return range(sum(world.states for world in self.worlds))

    @property
    def edges(self) -> int:
        """So many edges were made."""
        return sum(world.edges for world in self.worlds)

    @property
    def depth(self) -> int:
        """Scans in the deepest world."""
        return max(world.depth for world in self.worlds)

    @property
    def seconds(self) -> float:
        """Of all worlds together."""
        return sum(world.seconds for world in self.worlds)

    @property
    def left(self) -> int:
        """States that were met and not expanded."""
        return sum(world.left for world in self.worlds)

    @property
    def stopped_by(self) -> str:
        """The bounds that were met, and where."""
        return "; ".join(f"{world.stopped_by} ({world.told})" for world in self.worlds if world.stopped_by)

    @property
    def closed(self) -> bool:
        """Every world is closed."""
        return self.left == 0

    @property
    def counted(self) -> list[int]:
        """How often each requirement applied, in the order of ``PAIR_REQUIRED``."""
        return [sum(world.counted[place] for world in self.worlds) for place in range(len(PAIR_REQUIRED))]

    @property
    def violations(self) -> dict[str, Violation]:
        """The shortest sequence to each rule that can be broken, over all worlds."""
        return {key: violation for key, (violation, _steps, _world) in self.shortest().items()}

    def shortest(self) -> dict[str, tuple[Violation, tuple[PairStep, ...], World]]:
        """The same with its scans, and the world in which it was found."""
        found: dict[str, tuple[Violation, tuple[PairStep, ...], World]] = {}
        for world in self.worlds:
            for violation, steps in world.violations:
                key = f"{violation.id} {violation.text}"
                if key not in found or violation.depth < found[key][0].depth:
                    found[key] = (violation, steps, world)
        return found

    def by_state(self) -> Counter[str]:
        """In how many of the states a unit is in each state of the sequence; every state counts twice."""
        return sum((world.by_state for world in self.worlds), Counter())


def explore_worlds(
    site: Setpoints,
    hands: Hands,
    bound: Bound,
    told: Callable[[World, float], None] = lambda _world, _share: None,
) -> Worlds:
    """Explore every world, each bounded by itself; ``told`` hears of each one and of the share done."""
    which = [(name, slots) for name in KINDS for slots in WITH_SLOTS]
    started = ((one, hands.submit(explore_world, Errand(site, bound), (one,))) for one in which)
    found: list[World] = []
    for _one, worlds in in_order(started, hands.window()):
        found += worlds
        told(found[-1], len(found) / len(which))
    return Worlds(site, found)
