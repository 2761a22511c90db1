"""One explored scan: a state in bytes and a scene in; outputs, the next state and what it broke out.

A state is the unit's memory (``compact``) and what the observer remembers (``observer``), one string of
bytes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from functools import cached_property
from typing import NamedTuple

from controller import retained
from controller.bank.memory import BankMemory
from controller.parts.analogue import Loop, Quality
from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.signals import SAFE_UNIT_OUTPUTS as NOTHING
from controller.signals import Command, UnitOutputs
from controller.unit.memory import UnitMemory
from controller.unit.protections import RULES
from controller.unit.sequencer import Sequencer
from controller.unit.states import STATES, Event, UnitState
from sim_plant.bench.explore.base import NOW_MS, Driven, Passed, Presets, Scene
from sim_plant.bench.explore.compact import Codec
from sim_plant.bench.explore.edge import Edge, Seen, limits_of
from sim_plant.bench.explore.given import Given, given
from sim_plant.bench.explore.observer import at_power_up, look, pass_time
from sim_plant.bench.explore.reading import LONG_AGO_MS
from sim_plant.bench.explore.required import REQUIRED, Broken, broken
from sim_plant.bench.explore.scale import TICK_MS, scaled
from sim_plant.bench.explore.scene import Scenes

_ELAPSED = [LONG_AGO_MS] * len(RULES)
_RUNNING = [NEVER] * len(RULES)
POWER = "power"
"""The place of a loss of power, where only some places are explored."""
_VALUES = tuple(field.name for field in fields(UnitMemory))
KEPT_MEMORIES = 50_000
"""So many memories' scans are kept; beyond, they are made anew."""


class Scanned(NamedTuple):
    """What one scan made of a memory."""

    memory: bytes
    outputs: UnitOutputs
    state: UnitState


class Like(NamedTuple):
    """Scenes that an observer cannot tell apart and that lead from a memory to the same."""

    scene: Scene  # the first of them
    given: Given
    scanned: Scanned
    goes_on: bool  # the pump would be driven if all were well, and quality alone is not
    times: int


class Tried(NamedTuple):
    """A scene, how the observer has it, and its number: it is the same whatever passed before it."""

    scene: Scene
    given: Given
    number: int


class Next(NamedTuple):
    """One edge: where it leads, by which scene, and what it broke. ``scene`` None: the power went.

    It stands for so many scenes as ``times``.
    """

    code: bytes
    scene: Scene | None
    outputs: UnitOutputs
    broken: list[Broken]
    times: int = 1


class Unit:
    """The firmware's own sequencer, put into any memory and scanned once.

    The constants must be in ticks (``scale.scaled_constants``) for as long as it is used. ``only`` leaves out
    what comes from other places; () leaves out nothing.
    """

    def __init__(self, setpoints: Setpoints, only: tuple[str, ...] = ()) -> None:
        self.s = scaled(setpoints)
        self.codec = Codec(setpoints)
        self.scenes = Scenes(self.s, only)
        self._power_goes = not only or POWER in only
        self.limits = limits_of(setpoints, self.s)
        self.counted = [0] * len(REQUIRED)
        self._sequencer = Sequencer(1, 1, self.s)
        self._good = Loop(Quality.GOOD, started_ms=LONG_AGO_MS)
        self.memory_bytes = 2 + len(self.codec.fields)
        self._scanned: dict[bytes, tuple[Like, ...]] = {}
        self._tried_in: dict[tuple[UnitState, Event | None, Driven], tuple[Tried, ...]] = {}
        self._after_power: dict[bytes, bytes] = {}

    # --- one scan ---

    def scan(self, memory: bytes, scene: Scene) -> Scanned:
        """One scan, a tick after ``memory`` or within the same one."""
        self.codec.decode(memory, self._sequencer.memory, scene.passed)
        return self.scan_memory(scene)

    def scan_memory(self, scene: Scene) -> Scanned:
        """One scan of the memory as it stands, at NOW_MS."""
        unit = self._sequencer
        m = unit.memory
        self._preset(m, scene.presets)
        permits = scene.permits
        if permits.commands:
            now = tuple(Command(c.verb, c.unit, c.by, m.state.value) for c in permits.commands)
            permits = permits._replace(commands=now)
        outputs, _request = unit.scan(scene.io, scene.age_ms, permits, NOW_MS)
        unit.events.clear()
        return Scanned(self.codec.encode(m), outputs, m.state)

    def _preset(self, m: UnitMemory, presets: Presets) -> None:
        s = self.s
        m.rule_ms = list(_ELAPSED if presets.elapsed else _RUNNING)
        m.loops = [self._loop(quality) for quality in presets.loops]
        m.starts_ms = [NOW_MS - TICK_MS] * (s.max_starts_per_h if presets.starts_spent else 0)
        m.quality_flushes_ms = [NOW_MS - TICK_MS] * (s.quality_flush_budget if presets.quality_spent else 0)
        m.reset_cause = m.latched if presets.resets_spent else None
        m.resets_ms = [NOW_MS - TICK_MS] * (s.resets_per_h if presets.resets_spent else 0)
        if presets.hour_over:
            m.io_lost_ms = []
        m.suction_ms = [NOW_MS - TICK_MS] * (s.suction_retries if presets.suction_spent else 0)
        m.forgive_ms = NOW_MS
        m.purge_failures = int(presets.purge_failed)
        m.cause_gone_ms = LONG_AGO_MS if presets.cause_gone else NEVER
        m.volume_l = 1e3 if presets.volume_met else 0.0
        m.purge_not_before_ms = m.tds_good_ms = NEVER
        m.quality_alarm = m.quality_flush_due = m.divert = False
        m.last_flush_ms = LONG_AGO_MS if presets.stagnant else NOW_MS
        m.flush_not_before_ms = NOW_MS + (TICK_MS if presets.flush_put_off else 0)
        m.retry_wait_s = s.suction_retry_1_s
        m.feed_proven = m.feed_ms != NEVER and not presets.feed_unproven
        m.stop_ms = m.stop_seen_ms = NEVER
        m.close_due_ms = NEVER  # its patience ends as if the bank let it close
        if presets.stop_held:
            m.stop_ms, m.stop_seen_ms = LONG_AGO_MS, NOW_MS - TICK_MS
        m.owed_since_ms, m.command_ms, m.purge_ahead_ms = NOW_MS, NEVER, 0
        if m.feed_off_ms == NEVER and m.feed_ms == NEVER:
            m.feed_off_ms = LONG_AGO_MS
        m.pump_off_ms = LONG_AGO_MS if m.pump_ms == NEVER else NEVER

    def _loop(self, quality: Quality) -> Loop:
        """A loop writes down nothing while it is good, so one good loop serves all."""
        if quality is not Quality.GOOD:
            return Loop(quality, started_ms=LONG_AGO_MS)
        self._good.quality, self._good.broken_ms, self._good.outside_ms = quality, NEVER, NEVER
        return self._good

    # --- edges ---

    def start(self) -> bytes:
        """The first state: power comes for the first time."""
        fresh = UnitMemory(rule_ms=list(_RUNNING))
        return self._join(self._at_power_up(fresh), NOTHING, at_power_up(self.limits))

    def split(self, code: bytes) -> tuple[bytes, UnitOutputs, Seen]:
        """Memory, outputs as driven, and what the observer remembers."""
        n = self.memory_bytes
        return code[:n], _OUTPUTS[code[n]], Seen(*code[n + 1 :])

    @staticmethod
    def _join(memory: bytes, outputs: UnitOutputs, seen: Seen) -> bytes:
        return b"".join((memory, bytes((_OUTPUT_CODE[outputs],)), bytes(seen)))

    def edges(self, code: bytes) -> list[Next]:
        """All edges out of a state."""
        memory, was, seen = self.split(code)
        state = STATES[memory[0]]
        seen_at = [pass_time(seen, was, state, passed, self.limits) for passed in Passed]
        found = [
            self._judged(state, was, seen_at[like.scene.passed], like) for like in self._likes(memory, was)
        ]
        if self._power_goes:
            power_up = at_power_up(self.limits, seen)
            found.append(Next(self._join(self._powered(memory), NOTHING, power_up), None, NOTHING, []))
            found.append(Next(self._forgotten, None, NOTHING, []))
        return found

    def edge(self, code: bytes, scene: Scene) -> Next:
        """The edge of one scene, whatever it is made of."""
        memory, was, seen = self.split(code)
        state = STATES[memory[0]]
        like = Like(scene, given(scene, self.s), self.scan(memory, scene), False, 1)
        return self._judged(state, was, pass_time(seen, was, state, scene.passed, self.limits), like)

    def tried(self, memory: bytes, was: UnitOutputs) -> tuple[Scene, ...]:
        """The scenes that are tried in a memory."""
        return tuple(one.scene for one in self._tried(memory, was))

    def _tried(self, memory: bytes, was: UnitOutputs) -> tuple[Tried, ...]:
        key = (
            STATES[memory[0]],
            self.codec.latched(memory),
            Driven(was.feed_valve, was.flush_valve, was.pump),
        )
        if key not in self._tried_in:
            numbers: dict[tuple[object, ...], int] = {}
            self._tried_in[key] = tuple(
                Tried(scene, given(scene, self.s), numbers.setdefault(scene[1:-1], len(numbers)))
                for scene in self.scenes.of(*key)
            )
        return self._tried_in[key]

    def _likes(self, memory: bytes, was: UnitOutputs) -> tuple[Like, ...]:
        """All scans of a memory, each made once: states often differ in what the observer remembers only."""
        likes = self._scanned.get(memory)
        if likes is None:
            if len(self._scanned) >= KEPT_MEMORIES:
                self._scanned.clear()
            likes = self._scanned[memory] = tuple(self._scans(memory, was))
        return likes

    def _scans(self, memory: bytes, was: UnitOutputs) -> Iterable[Like]:
        at = {passed: self._decoded(memory, passed) for passed in Passed}
        like = {passed: min(other for other in Passed if at[other] == at[passed]) for passed in Passed}
        made: dict[tuple[int, Passed], Scanned] = {}
        found: dict[tuple[object, ...], Like] = {}
        would_pump = False
        for scene, seen_as, number in self._tried(memory, was):
            passed = like[scene.passed]
            if (number, passed) not in made:
                self._put(at[passed])
                made[number, passed] = self.scan_memory(scene)
            scanned = made[number, passed]
            if not scene.atoms:
                would_pump = scanned.outputs.pump
            goes_on = would_pump and seen_as.only_quality
            key = (scene.passed, goes_on, seen_as, scanned)
            known = found.get(key)
            times = 1 if known is None else known.times + 1
            found[key] = Like(known.scene if known else scene, seen_as, scanned, goes_on, times)
        return found.values()

    def _decoded(self, memory: bytes, passed: Passed) -> list[object]:
        """A memory's values after what passed, to be put back before each of many scans."""
        m = self._sequencer.memory
        self.codec.decode(memory, m, passed)
        return [getattr(m, name) for name in _VALUES]

    def _put(self, values: list[object]) -> None:
        m = self._sequencer.memory
        for name, value in zip(_VALUES, values, strict=True):
            setattr(m, name, value)
        m.io_lost_ms = list(m.io_lost_ms)  # the one list that is remembered; a scan may change it in place

    def _judged(self, state: UnitState, was: UnitOutputs, seen: Seen, like: Like) -> Next:
        out = like.scanned.outputs
        e = Edge(was, state, like.given, out, like.scanned.state, seen, self.limits, like.goes_on)
        code = self._join(like.scanned.memory, out, look(e))
        return Next(code, like.scene, out, broken(e, self.counted, like.times), like.times)

    def _powered(self, memory: bytes) -> bytes:
        """Power goes and comes again; what is retained is read back by the firmware's own code."""
        found = self._after_power.get(memory)
        if found is None:
            kept, fresh = self._sequencer.memory, UnitMemory(rule_ms=list(_RUNNING))
            self.codec.decode(memory, kept)
            text = retained.encode(retained.gather(BankMemory(1), [kept]))
            retained.recall(text, BankMemory(1), [fresh])
            found = self._after_power[memory] = self._at_power_up(fresh)
        return found

    @cached_property
    def _forgotten(self) -> bytes:
        """The state when retained data could not be read."""
        fresh = UnitMemory(rule_ms=list(_RUNNING))
        fresh.lost_memory = True
        return self._join(self._at_power_up(fresh), NOTHING, at_power_up(self.limits))

    def _at_power_up(self, m: UnitMemory) -> bytes:
        m.entered_ms = NOW_MS
        return self.codec.encode(m)


_ALL_OUTPUTS = [UnitOutputs(*(bool(code >> place & 1) for place in range(6))) for code in range(64)]
_OUTPUTS = dict(enumerate(_ALL_OUTPUTS))
_OUTPUT_CODE = {outputs: code for code, outputs in _OUTPUTS.items()}
