"""The firmware's whole controller of two units, in ticks, to hold against an exploration of the pair."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import fields, replace
from itertools import zip_longest
from typing import NamedTuple

from random_runs import HOLDS_S, SCAN_MS, _back, driven

from controller.bank.memory import BankMemory
from controller.firmware import Controller, Snapshot
from controller.parts.timing import NEVER
from controller.signals import (
    BANK_SIGNALS,
    Command,
    Inputs,
    Outputs,
    Verb,
    safe_outputs,
    signal_named,
    to_ma,
)
from controller.unit.permits import Request
from controller.unit.states import PUMPING, STATES
from sim_plant.bench.explore.base import NOW_MS, Driven, base
from sim_plant.bench.explore.pair import Pair
from sim_plant.bench.explore.pair_bank import STAGES, Asked, BankScene, asked_of
from sim_plant.bench.explore.pair_scene import HEAD_START, OLD_DEBT, Levels, bank_atoms, bank_base, healthy
from sim_plant.bench.explore.pair_search import PairSearch
from sim_plant.bench.explore.pair_unit import AWAY
from sim_plant.bench.explore.regions import Regions
from sim_plant.bench.explore.scale import TICK_MS

Atoms = tuple[str, ...]
AT_REST = Driven(False, False, False)


class Left(NamedTuple):
    """What a scan of the whole controller left behind, in the pair's bytes."""

    memories: tuple[bytes, ...]
    asked: tuple[Asked, ...]
    bank: bytes
    outputs: Outputs


def left_by(pair: Pair, was: Outputs, outputs: Outputs, snapshot: Snapshot) -> Left:
    """A snapshot as the pair writes it."""
    asked = tuple(
        asked_of(request, out.pump and not before.pump, before.feed_valve and not out.feed_valve)
        for request, before, out in zip(snapshot.requests, was.units, outputs.units, strict=True)
    )
    memories = tuple(seat.codec.encode(m) for seat, m in zip(pair.seats, snapshot.units, strict=True))
    return Left(memories, asked, pair.bank.codec.encode(snapshot.bank), outputs)


def inputs_of(
    pair: Pair, snapshot: Snapshot, was: Outputs, bank: BankScene, atoms: tuple[Atoms, ...]
) -> Inputs:
    """All that the controller is given: what the bank's scene and the units' atoms say."""
    commands = tuple(
        Command(c.verb, c.unit, c.by, snapshot.units[c.unit - 1].state.value if c.unit else "")
        for c in bank.commands
    )
    images, ages = [], []
    for number, (seat, out, names) in enumerate(zip(pair.seats, was.units, atoms, strict=True), start=1):
        returned = any(c.verb is Verb.RETURN_TO_SERVICE and c.unit == number for c in commands)
        names = (*AWAY, *names) if returned and AWAY[0] not in names else names
        names = tuple(name for name in names if name not in (OLD_DEBT, HEAD_START))
        scene = seat.scenes.standing(True, names, driven(out))
        images.append(scene.io)
        ages.append(scene.age_ms)
    return Inputs(bank.io, tuple(images), tuple(ages), bank.age_ms, commands)


def scan_whole(
    pair: Pair, snapshot: Snapshot, was: Outputs, bank: BankScene, atoms: tuple[Atoms, ...]
) -> tuple[Outputs, Snapshot]:
    """One scan of the whole controller, at NOW_MS, from a snapshot in which what is chosen has been set."""
    controller = Controller(2, pair.s)
    controller.restore(snapshot)
    outputs = controller.scan(inputs_of(pair, snapshot, was, bank, atoms), NOW_MS)
    return outputs, controller.snapshot()


def choose(pair: Pair, snapshot: Snapshot, bank: BankScene, atoms: tuple[Atoms, ...]) -> Snapshot:
    """Set what is chosen in place of memory; the wait to close a feed valve is left as it is."""
    pair.bank.preset(snapshot.bank, bank.chosen)
    for seat, m, names in zip(pair.seats, snapshot.units, atoms, strict=True):
        close_due_ms = m.close_due_ms
        known = tuple(name for name in names if name not in (OLD_DEBT, HEAD_START))
        seat.choose(m, seat.scenes.standing(True, known, AT_REST).presets, names)
        m.close_due_ms = close_due_ms
    first = 2 if bank.chosen.second_first else 1
    requests = tuple(
        request._replace(
            since_ms=NOW_MS - TICK_MS * (2 if unit == first else 1) if request.want else 0,
            run_ms=int(unit != first),
            quality_poor=False,
        )
        for unit, request in enumerate(snapshot.requests, start=1)
    )
    return replace(snapshot, requests=requests)


def _bank_back(m: BankMemory) -> None:
    for field in fields(BankMemory):
        since_ms = getattr(m, field.name)
        if field.name.endswith("_ms") and isinstance(since_ms, int) and since_ms != NEVER:
            setattr(m, field.name, since_ms - TICK_MS)


def _request_back(request: Request) -> Request:
    moments = {name: getattr(request, name) for name in ("feed_off_ms", "started_ms")}
    return request._replace(**{n: ms - TICK_MS for n, ms in moments.items() if ms != NEVER})


def a_tick_later(snapshot: Snapshot) -> Snapshot:
    """The same when a tick has passed: all moments lie so much further back."""
    for m in snapshot.units:
        _back(m)
        if m.close_due_ms != NEVER:
            m.close_due_ms -= TICK_MS
    _bank_back(snapshot.bank)
    return replace(snapshot, requests=tuple(_request_back(r) for r in snapshot.requests))


def in_ticks(pair: Pair, seed: int, scans: int, only: Atoms) -> Iterator[tuple[Left, str]]:
    """The whole controller scanned once a tick, never cut down to bytes, with several things at once."""
    rng = random.Random(seed)
    snapshot, was = Controller(2, pair.s).snapshot(), safe_outputs(2)
    shared = bank_atoms(pair.s, only)
    told: list[str] = []
    while scans > 0:
        bank = bank_base(pair.s, granted=rng.random() < 0.85)
        for atom in rng.sample(shared, rng.choices((0, 1, 2), (5, 4, 1))[0]):
            bank = atom.on(bank)
        atoms = tuple(
            rng.choice(seat.tried_atoms) if seat.tried_atoms and rng.random() < 0.15 else ()
            for seat in pair.seats
        )
        for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
            given = choose(pair, a_tick_later(snapshot), bank, atoms)
            outputs, snapshot = scan_whole(pair, given, was, bank, atoms)
            told.append(f"{bank.told} {atoms}")
            yield left_by(pair, was, outputs, snapshot), "; ".join(told[-8:])
            was = outputs
            scans -= 1


def _brief(pair: Pair, code: int) -> tuple[object, ...]:
    one, two, bank, _seen = pair.parts(code)
    return one.memory, one.asked, two.memory, two.asked, bank


def outside(found: PairSearch, seed: int, scans: int) -> str:
    """Where a random run of the whole controller leaves the explored set; "" when it does not."""
    pair = found.pair
    known = {_brief(pair, code) for code in found.codes}
    with found.order.in_ticks():
        for left, told in in_ticks(pair, seed, scans, found.order.only):
            (one, two), (first, second) = left.memories, left.asked
            if (one, first, two, second, left.bank) not in known:
                return f"seed {seed}: {STATES[one[0]].value}, {STATES[two[0]].value} after {told}"
    return ""


def _in_words(looks: Regions, pair: Pair, code: int) -> tuple[object, ...]:
    one, two, bank, _seen = pair.parts(code)
    regions = [_that_matter(looks, looks.of_code(part.memory)) for part in (one, two)]
    return (*regions, bank[0], bank[1] & 0b1111)


def _that_matter(looks: Regions, regions: bytes) -> bytes:
    """With the pump on nothing asks how long the flush valve is open, nor how long quality is blanked."""
    state = STATES[regions[0]]
    if state not in PUMPING:
        return regions
    names = ("state", *looks._timers[state])
    return bytes(0 if name in ("flush_ms", "flushed_on_ms") else r for name, r in zip_longest(names, regions))


def outside_in_full_time(found: PairSearch, seed: int, minutes: float) -> str:
    """Where a run of the whole controller in full time has regions that were not explored; "" when nowhere.

    Looked at are the regions of both units' timers together, the stage of the pre-start, who has a slot and
    who is called. Only the level moves; so the world must have demand and the order of the queue.
    """
    order, site = found.order, found.order.setpoints
    with order.in_ticks():
        codec = found.pair.seats[0].codec
        looks = Regions(site, codec)
        known = {_in_words(looks, found.pair, code) for code in found.codes}
    rng = random.Random(seed)
    levels = (Levels.of(site).low, Levels.of(site).fair)
    controller = Controller(2, site)
    assert controller._bank.slots == order.slots
    was = safe_outputs(2)
    until_ms = -1
    for now_ms in range(0, round(minutes * 60_000), SCAN_MS):
        if now_ms >= until_ms:
            level_pct, until_ms = rng.choice(levels), now_ms + round(1000 * rng.choice(HOLDS_S))
        fed = sum(out.feed_valve for out in was.units)
        bank = healthy(site)._replace(
            tank_level_ma=to_ma(signal_named(BANK_SIGNALS, "tank_level_ma"), level_pct),
            feed_flow_ma=to_ma(signal_named(BANK_SIGNALS, "feed_flow_ma"), 2.5 * fed),
            dosing_pulse=now_ms % 1000 < 500,
        )
        units = tuple(base(site, driven(out), granted=True).io for out in was.units)
        was = controller.scan(Inputs(bank, units, (0, 0)), now_ms)
        controller.take_events()
        one, two = (_that_matter(looks, looks.of_memory(unit.memory, now_ms)) for unit in controller._units)
        m = controller._bank.memory
        flags = sum((unit in m.tokens) << place for place, unit in enumerate((1, 2)))
        flags += sum(called << place for place, called in enumerate(m.called, start=2))
        if (one, two, STAGES.index(m.stage), flags) not in known:
            told = [looks.told(regions) for regions in (one, two)]
            return f"seed {seed} at {now_ms / 1000:.1f} s: {told}, {m.stage.value}, {m.tokens}, {m.called}"
    return ""
