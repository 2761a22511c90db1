"""A saboteur on the bundled site, and what was carried out as tests type it."""

from __future__ import annotations

from pathlib import Path

from controller.unit.states import UnitState
from sim_plant.bench.prove import Job
from sim_plant.bench.sabotage.change import Change
from sim_plant.bench.sabotage.plan import all_changes
from sim_plant.bench.sabotage.results import Kept
from sim_plant.bench.sabotage.work import SabotageOrder, Saboteur, Scouted, Trial
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.site import demo_folder, load_site

MOVE = "move/PRODUCE/HIGH_DISCHARGE/drop"
RULE = "rule/SKID_LEAK/skid_leak-leak_s/drop"
TIMER = "timer/suction_trip_s/later"


def order() -> SabotageOrder:
    """The nursery with few of the runs that nobody wrote."""
    site = load_site(demo_folder(), ())
    job = Job(site, OUR_FIRMWARE, site.file.site.seed, Path("nowhere"))
    return SabotageOrder(job, ("F24", "F81"), (UnitState.PRODUCE, UnitState.STOPPING, UnitState.LOCKOUT))


def saboteur() -> Saboteur:
    return Saboteur(order())


def change(name: str) -> Change:
    return all_changes()[name]


def scouted(run: str, *touches: str, long_s: float = 10.0) -> Scouted:
    return Scouted(run, touches, long_s, "o", "a")


def kept(
    *runs: Scouted,
    trials: dict[str, tuple[Trial, ...]] | None = None,
    sources: dict[str, str] | None = None,
    states: dict[str, str] | None = None,
) -> Kept:
    """What a file would hold; a run is its own source and begins in BOOT unless it is said otherwise."""
    told = {one.run: (sources or {}).get(one.run, one.run) for one in runs}
    begun = {one.run: (states or {}).get(one.run, "BOOT") for one in runs}
    return Kept({one.run: one for one in runs}, told, begun, trials or {}, 1.0)
