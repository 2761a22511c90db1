"""Random runs of the firmware's sequencer, in ticks and in full time, to hold against an explored set."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from typing import NamedTuple

from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.signals import Command, UnitOutputs
from controller.unit.memory import UnitMemory
from controller.unit.sequencer import Sequencer
from controller.unit.states import STATES
from sim_plant.bench.explore.base import Driven, Scene, base
from sim_plant.bench.explore.compact import Codec
from sim_plant.bench.explore.reading import MOMENTS
from sim_plant.bench.explore.regions import Regions
from sim_plant.bench.explore.scale import TICK_MS
from sim_plant.bench.explore.scene import Atom, atoms
from sim_plant.bench.explore.search import Order, Search
from sim_plant.bench.explore.step import Unit

SCAN_MS = 100
HOLDS_S = (0.1, 0.3, 1.0, 2.5, 6.0, 12.0, 35.0, 70.0, 130.0, 250.0)
MOST_ATOMS = 3


class Met(NamedTuple):
    """A memory after a scan, and how it came about."""

    memory: UnitMemory
    now_ms: int
    told: str


def driven(outputs: UnitOutputs) -> Driven:
    """What a plant answers."""
    return Driven(outputs.feed_valve, outputs.flush_valve, outputs.pump)


def draw(rng: random.Random, known: Sequence[Atom]) -> tuple[Atom, ...]:
    """None to some atoms of different places; mostly none or one."""
    count = rng.choices(range(MOST_ATOMS + 1), (5, 5, 2, 1))[0]
    drawn = rng.sample(known, min(count, len(known)))
    places: set[str] = set()
    kept = []
    for atom in drawn:
        if atom.place not in places:
            places.add(atom.place)
            kept.append(atom)
    return tuple(kept)


def scene_of(s: Setpoints, chosen: Sequence[Atom], granted: bool, out: UnitOutputs) -> Scene:
    """The scene of these atoms while this is driven."""
    scene = base(s, driven(out), granted=granted)
    for atom in chosen:
        scene = atom.on(scene)
    return scene


def full_time(s: Setpoints, seed: int, minutes: float, only: Sequence[str] = ()) -> Iterator[Met]:
    """Memories of a unit scanned every 100 ms with the site's own timers."""
    rng = random.Random(seed)
    known = [
        atom
        for atom in atoms(s)
        if (not only or atom.place in only)
        and not hasattr(base(s, Driven(False, False, False), granted=True).presets, atom.name)
    ]
    unit = Sequencer(1, 1, s)
    now_ms, end_ms = 0, round(minutes * 60_000)
    out = UnitOutputs(False, False, False, False, False, False)
    while now_ms < end_ms:
        chosen, granted = draw(rng, known), rng.random() < 0.85
        until_ms = now_ms + round(1000 * rng.choice(HOLDS_S))
        told = f"{'granted' if granted else 'not granted'}, {', '.join(a.name for a in chosen) or 'all well'}"
        first = True
        while now_ms < until_ms:
            scene = scene_of(s, chosen, granted, out)
            permits = scene.permits
            commands = permits.commands if first else ()
            seen = tuple(Command(c.verb, 1, c.by, unit.memory.state.value) for c in commands)
            out, _request = unit.scan(scene.io, scene.age_ms, permits._replace(commands=seen), now_ms)
            unit.events.clear()
            yield Met(unit.memory, now_ms, told)
            now_ms += SCAN_MS
            first = False


def in_ticks(unit: Unit, seed: int, scans: int) -> Iterator[tuple[bytes, str]]:
    """Memories of a unit scanned once a tick, never cut down to its bytes, under scenes of any atoms.

    Before every scan all moments go back by one tick, so that it happens at the moment of explored scans.
    """
    rng = random.Random(seed)
    m = unit._sequencer.memory = UnitMemory(rule_ms=[NEVER] * len(unit._sequencer.memory.rule_ms))
    m.entered_ms = NEVER
    out = UnitOutputs(False, False, False, False, False, False)
    names: list[str] = []
    while scans > 0:
        chosen, granted = draw(rng, unit.scenes.atoms), rng.random() < 0.8
        for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
            _back(m)
            scanned = unit.scan_memory(scene_of(unit.s, chosen, granted, out))
            out = scanned.outputs
            names.append(", ".join(a.name for a in chosen))
            yield scanned.memory, "; ".join(names[-6:])
            scans -= 1


def _back(m: UnitMemory) -> None:
    for name in MOMENTS:
        since_ms = getattr(m, name)
        if since_ms != NEVER:
            setattr(m, name, since_ms - TICK_MS)
    m.suction_ms = [at_ms - TICK_MS for at_ms in m.suction_ms]
    m.io_lost_ms = [at_ms - TICK_MS for at_ms in m.io_lost_ms]


@cache
def _memories(order: Order, codes: tuple[bytes, ...]) -> frozenset[bytes]:
    with order.in_ticks():
        unit = order.unit()
        return frozenset(unit.split(code)[0] for code in codes)


@cache
def _regions(order: Order, codes: tuple[bytes, ...]) -> frozenset[bytes]:
    looks = Regions(order.setpoints, Codec(order.setpoints))
    return frozenset(looks.of_code(memory) for memory in _memories(order, codes))


def outside_in_ticks(found: Search, seed: int, scans: int) -> str:
    """Where a random run in ticks leaves the explored set; "" when it does not."""
    known = _memories(found.order, tuple(found.codes))
    with found.order.in_ticks():
        unit = found.order.unit()
        for memory, told in in_ticks(unit, seed, scans):
            if memory not in known:
                unlike = _unlike(unit.codec, memory, known)
                return f"seed {seed}: {STATES[memory[0]].value} after {told}: {unlike}"
    return ""


def _unlike(codec: Codec, memory: bytes, known: Iterable[bytes]) -> dict[str, tuple[int, int]]:
    """The bytes in which the most similar explored memory differs."""
    near = min(known, key=lambda one: sum(a != b for a, b in zip(one, memory, strict=True)))
    names = ("state", "flags", *(field.name for field in codec.fields))
    return {n: (a, b) for n, a, b in zip(names, memory, near, strict=True) if a != b}


def outside_in_full_time(found: Search, seed: int, minutes: float) -> str:
    """Where a random run in full time has regions that were not explored; "" when it has none."""
    known = _regions(found.order, tuple(found.codes))
    looks = Regions(found.order.setpoints, Codec(found.order.setpoints))
    for met in full_time(found.order.setpoints, seed, minutes, found.order.only):
        regions = looks.of_memory(met.memory, met.now_ms)
        if regions not in known:
            near = min(known, key=lambda one: sum(a != b for a, b in zip(one, regions, strict=False)))
            ours, theirs = looks.told(regions), looks.told(near)
            unlike = {n: (ours.get(n), theirs.get(n)) for n in ours | theirs if ours.get(n) != theirs.get(n)}
            return f"seed {seed} at {met.now_ms / 1000:.1f} s, {met.told}: {ours['state']} {unlike}"
    return ""
