"""One of two units: the firmware's sequencer in its seat, scanned once with grants that were really given.

Memory in bytes, what is chosen in place of memory, and what a healthy plant answers are those of one unit
explored alone (``step``, ``compact``, ``base``). Two things more matter beside another unit: how old a debt
is (it goes ahead in the queue), and the head start of the first purge of a run in the second seat.
"""

from __future__ import annotations

import copy
from typing import NamedTuple

from controller.settings import Setpoints
from controller.signals import UnitInputs, UnitOutputs, Verb
from controller.unit import progress
from controller.unit.memory import UnitMemory
from controller.unit.permits import Permits, Request
from controller.unit.sequencer import Sequencer
from controller.unit.states import STATES, Event, UnitState
from controller.unit.view import View
from sim_plant.bench.explore.base import Driven, Passed, Presets, Scene
from sim_plant.bench.explore.carried import Scanned
from sim_plant.bench.explore.pair_bank import UNITS, Asked, asked_of
from sim_plant.bench.explore.pair_scene import HEAD_START, OLD_DEBT, UNIT_PLACES, comes_from
from sim_plant.bench.explore.reading import LONG_AGO_MS
from sim_plant.bench.explore.step import Unit

AWAY = ("selector_auto",)
"""A unit is returned to service with its selector OFF: command and selector come in one scan."""


class Asking(Sequencer):
    """The sequencer, and what it asked the bank for last."""

    request: Request

    def step(self, io: UnitInputs, age_ms: int, permits: Permits, now_ms: int) -> tuple[UnitOutputs, View]:
        """One scan, as the sequencer does it."""
        outputs, v = super().step(io, age_ms, permits, now_ms)
        self.request = progress.request(v)
        return outputs, v


class Answer(NamedTuple):
    """What one scan made of a unit, and what an observer must know of it."""

    memory: bytes
    outputs: UnitOutputs
    asked: Asked
    cut: bool  # something cuts all outputs at once: a valve that shuts then had no choice
    away: bool  # the selector is away from AUTO
    atoms: tuple[str, ...]

    @property
    def state(self) -> UnitState:
        """The state that the unit reports after the scan."""
        return STATES[self.memory[0]]


class Seat(Unit):
    """A unit in its place beside another one; only inside ``pair_in_ticks``.

    ``s`` are the pair's setpoints in ticks. ``only`` are the places of ``UNIT_PLACES`` that are tried, () for
    all.
    """

    def __init__(self, site: Setpoints, s: Setpoints, only: tuple[str, ...] = ()) -> None:
        super().__init__(site)
        self.s = s
        self._only = only
        self._chosen: tuple[str, ...] = ()
        self._sit(1)

    def beside(self) -> Seat:
        """The second seat."""
        other = copy.copy(self)
        other._sit(2)
        return other

    def _sit(self, number: int) -> None:
        only = self._only
        self._asking = self._sequencer = Asking(number, UNITS, self.s)
        places = [place for place in UNIT_PLACES if comes_from(only, place, number)]
        self.tried_atoms = [
            (atom.name,) for place in places for atom in self.scenes.atoms if atom.place == place
        ]
        self.tried_atoms += [(OLD_DEBT,)] * (OLD_DEBT in places)
        self.tried_atoms += [(HEAD_START,)] * (HEAD_START in places and number > 1)

    def answer(
        self, memory: bytes, was: UnitOutputs, permits: Permits, atoms: tuple[str, ...], passed: Passed
    ) -> Answer:
        """One scan with these atoms and these grants."""
        scene = self.scene(was, permits, atoms, passed)
        return self.told(self.scan(memory, scene), was, permits, scene)

    def told(self, scanned: Scanned, was: UnitOutputs, permits: Permits, scene: Scene) -> Answer:
        """The answer of a scan that was made."""
        out, io = scanned.outputs, scene.io
        asked = asked_of(
            self._asking.request,
            started=out.pump and not was.pump,
            shut=was.feed_valve and not out.feed_valve,
        )
        welded = io.pump_running and not was.pump and not out.pump
        stale = scene.age_ms > 1000.0 * self.s.io_stale_s
        leak = Event.FLOOR_LEAK in permits.events
        cut = stale or welded or leak or permits.estop_open or not io.isolator_on
        return Answer(scanned.memory, out, asked, cut, not io.selector_auto, scene.atoms)

    def scene(self, was: UnitOutputs, permits: Permits, atoms: tuple[str, ...], passed: Passed) -> Scene:
        """All that the unit is given; whoever returns a unit to service turns its selector away."""
        if any(c.verb is Verb.RETURN_TO_SERVICE for c in permits.commands) and AWAY[0] not in atoms:
            atoms = (*AWAY, *atoms)
        known = tuple(name for name in atoms if name not in (OLD_DEBT, HEAD_START))
        driven = Driven(was.feed_valve, was.flush_valve, was.pump)
        scene = self.scenes.standing(True, known, driven)
        return scene._replace(permits=permits, passed=passed, atoms=atoms)

    def scan_memory(self, scene: Scene) -> Scanned:
        """One scan of the memory as it stands, at NOW_MS."""
        self._chosen = scene.atoms
        return super().scan_memory(scene)

    def _preset(self, m: UnitMemory, presets: Presets) -> None:
        super()._preset(m, presets)
        if OLD_DEBT in self._chosen:
            m.owed_since_ms = LONG_AGO_MS
        if HEAD_START in self._chosen:
            m.purge_ahead_ms = round(500.0 * self.s.purge_interval_s)

    def fresh(self) -> bytes:
        """The memory when power comes for the first time."""
        return self.split(self.start())[0]

    def powered(self, memory: bytes) -> bytes:
        """Power goes and comes again."""
        return self._powered(memory)

    def choose(self, m: UnitMemory, presets: Presets, atoms: tuple[str, ...]) -> None:
        """Set what is chosen in any memory; to hold an exploration against the whole firmware."""
        self._chosen = atoms
        self._preset(m, presets)
