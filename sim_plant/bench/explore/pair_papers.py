"""What an exploration of two units leaves in the evidence folder: the papers that ``papers`` writes."""

from __future__ import annotations

from typing import Any

from sim_plant.bench.explore.pair_required import PAIR_REQUIRED
from sim_plant.bench.explore.pair_scale import BANK_RACES, pair_in_ticks, real_bank_s
from sim_plant.bench.explore.pair_worlds import Worlds
from sim_plant.bench.explore.papers import Checked, Figures, Found, Step, Timer
from sim_plant.bench.explore.scale import ticks
from sim_plant.bench.verdicts import Verdict


def pair_figures(worlds: Worlds) -> Figures:
    """Everything to tell. A sequence of two units is told scan by scan; no case is written for it."""
    shortest = worlds.shortest()
    checked = [
        Checked(r.id, r.text, times, _verdict(f"{r.id} {r.text}" in shortest, times))
        for r, times in zip(PAIR_REQUIRED, worlds.counted, strict=True)
    ]
    found = [
        Found(violation, [Step(n, *step) for n, step in enumerate(steps, start=1)], "", (), world.told)
        for violation, steps, world in shortest.values()
    ]
    rows = [
        {
            "world": world.told,
            "states": world.states,
            "edges": world.edges,
            "depth": world.depth,
            "seconds": round(world.seconds, 1),
            "closed": not world.left,
            "stopped_by": world.stopped_by,
            "waiting": world.left,
        }
        for world in worlds.worlds
    ]
    return Figures(worlds, None, checked, _timers(worlds), found, rows)


def _verdict(broken: bool, times: int) -> Verdict:
    if broken:
        return Verdict.FAIL
    return Verdict.PASS if times else Verdict.NOT_EXERCISED


def _timers(worlds: Worlds) -> list[Timer]:
    site = worlds.setpoints
    with pair_in_ticks(site):
        counts = ticks(site)
    return [
        Timer(name, real_bank_s(name, site), counts[name], race)
        for race, names in BANK_RACES.items()
        for name in names
    ]


def world_line(row: dict[str, Any]) -> str:
    """One world on the console."""
    closed = "closed" if row["closed"] else f"stopped by {row['stopped_by']}, {row['waiting']:,} states left"
    return (
        f"{row['world']}: {row['states']:,} states, {row['edges']:,} edges, depth {row['depth']}, "
        f"{row['seconds']:.0f} s; {closed}"
    )
