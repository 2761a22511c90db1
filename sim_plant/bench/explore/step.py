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
from sim_plant.bench.explore.carried import Family, Noting, Outcome, Scanned
from sim_plant.bench.explore.compact import Codec
from sim_plant.bench.explore.edge import Seen, limits_of
from sim_plant.bench.explore.given import Given, given
from sim_plant.bench.explore.judged import Like, Pattern, edge_of
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


class Tried(NamedTuple):
    """A scene, how the observer has it, and its number: it is the same whatever passed before it."""

    scene: Scene
    given: Given
    number: int


Place = tuple[UnitState, Event | None, Driven]
"""All that decides what is tried: the state, the cause latched in LOCKOUT, and what is driven."""

Held = tuple[bool, tuple[str, ...]]
"""What is held from scan to scan: does the bank grant everything or nothing, and the atoms."""


class Plan(NamedTuple):
    """What is tried, and the scans that must be made for it: what is alike is scanned once."""

    tried: tuple[tuple[Tried, int], ...]  # and the number of its scan
    scans: tuple[tuple[Scene, Passed], ...]


class Led(NamedTuple):
    """All edges out of a memory: the memory and the outputs that each leads to, and how they are judged."""

    to: list[bytes]
    pattern: Pattern


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
        self._noting = Noting()
        self._led: dict[tuple[bytes, UnitOutputs], Led] = {}
        self._families: dict[tuple[bytes, Place], tuple[Plan, Family]] = {}
        self._patterns: dict[tuple[object, ...], Pattern] = {}
        self._givens: dict[Given, Given] = {}
        self._tried_in: dict[Place, tuple[Tried, ...]] = {}
        self._alone: dict[Place, tuple[tuple[str, ...], ...]] = {}
        self._plans: dict[tuple[Place, tuple[Passed, ...]], Plan] = {}
        self._after_power: dict[bytes, bytes] = {}

    # --- one scan ---

    def scan(self, memory: bytes, scene: Scene) -> Scanned:
        """One scan, a tick after ``memory`` or within the same one."""
        self.codec.decode(memory, self._sequencer.memory, scene.passed)
        return self.scan_memory(scene)

    def scan_memory(self, scene: Scene) -> Scanned:
        """One scan of the memory as it stands, at NOW_MS."""
        outputs = self._scan(scene)
        m = self._sequencer.memory
        return Scanned(self.codec.encode(m), outputs, m.state)

    def _scan(self, scene: Scene) -> UnitOutputs:
        unit = self._sequencer
        m = unit.memory
        self._preset(m, scene.presets)
        permits = scene.permits
        if permits.commands:
            now = tuple(Command(c.verb, c.unit, c.by, m.state.value) for c in permits.commands)
            permits = permits._replace(commands=now)
        outputs, _view = unit.step(scene.io, scene.age_ms, permits, NOW_MS)
        unit.events.clear()
        return outputs

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
        return memory + _OUTPUT_BYTE[outputs] + bytes(seen)

    def edges(self, code: bytes) -> list[Next]:
        """All edges out of a state."""
        memory, was, seen = self.split(code)
        led = self._led_by(memory, was)
        judged = led.pattern.judged(seen)
        self.counted = [a + b for a, b in zip(self.counted, judged.counted, strict=True)]
        found = [
            Next(to + after, like.scene, like.out, faults, like.times)
            for to, after, like, faults in zip(
                led.to, judged.seen, led.pattern.likes, judged.broken, strict=True
            )
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
        made = self.scan(memory, scene)
        like = Like(scene, given(scene, self.s), made.outputs, made.state, False, 1)
        at = pass_time(seen, was, state, scene.passed, self.limits)
        e = edge_of(state, was, at, like, self.limits)
        return Next(self._join(made.memory, like.out, look(e)), scene, like.out, broken(e, self.counted))

    # --- scans of a memory, made once ---

    def place(self, memory: bytes, was: UnitOutputs) -> Place:
        """What decides what is tried in a memory."""
        state = STATES[memory[0]]
        latched = self.codec.latched(memory) if state is UnitState.LOCKOUT else None
        return state, latched, Driven(was.feed_valve, was.flush_valve, was.pump)

    def _tried(self, place: Place) -> tuple[Tried, ...]:
        if place not in self._tried_in:
            numbers: dict[tuple[object, ...], int] = {}
            self._tried_in[place] = tuple(
                Tried(scene, self._given(scene), numbers.setdefault(scene[1:-1], len(numbers)))
                for scene in self.scenes.of(*place)
            )
        return self._tried_in[place]

    def _given(self, scene: Scene) -> Given:
        """Equal ones are one object."""
        found = given(scene, self.s)
        return self._givens.setdefault(found, found)

    def _led_by(self, memory: bytes, was: UnitOutputs) -> Led:
        """All scans of a memory: states often differ in what the observer remembers only."""
        found = self._led.get((memory, was))
        if found is None:
            if len(self._led) >= KEPT_MEMORIES:
                self._led.clear()
            found = self._led[memory, was] = self._lead(memory, was)
        return found

    def _lead(self, memory: bytes, was: UnitOutputs) -> Led:
        place = self.place(memory, was)
        plan, scanned = self._scans(memory, place)
        first: dict[tuple[object, ...], int] = {}
        times: list[int] = []
        likes: list[tuple[Tried, Scanned, bool]] = []
        would_pump = False
        for tried, number in plan.tried:
            made = scanned[number]
            if not tried.scene.atoms:
                would_pump = made.outputs.pump
            goes_on = would_pump and tried.given.only_quality
            key = (tried.scene.passed, goes_on, id(tried.given), made)
            at = first.setdefault(key, len(likes))
            if at == len(likes):
                likes.append((tried, made, goes_on))
                times.append(0)
            times[at] += 1
        to = [made.memory + _OUTPUT_BYTE[made.outputs] for _tried, made, _goes_on in likes]
        return Led(to, self._pattern(place, was, likes, times))

    def _pattern(
        self, place: Place, was: UnitOutputs, likes: list[tuple[Tried, Scanned, bool]], times: list[int]
    ) -> Pattern:
        made = tuple(
            (id(tried), scanned.outputs, scanned.state, goes_on, n)
            for (tried, scanned, goes_on), n in zip(likes, times, strict=True)
        )
        found = self._patterns.get((place, was, made))
        if found is None:
            found = self._patterns[place, was, made] = Pattern(
                place[0],
                was,
                tuple(
                    Like(tried.scene, tried.given, scanned.outputs, scanned.state, goes_on, n)
                    for (tried, scanned, goes_on), n in zip(likes, times, strict=True)
                ),
                self.limits,
            )
        return found

    def _scans(self, memory: bytes, place: Place) -> tuple[Plan, list[Scanned]]:
        plan, family, carried = self._family(memory, place)
        return plan, family.scanned(
            carried, range(len(plan.scans)), lambda number: self._make(memory, *plan.scans[number])
        )

    def held(self, memory: bytes, was: UnitOutputs, held: Iterable[Held]) -> list[Scanned]:
        """What a tick in which each of these is held makes of a memory."""
        place = self.place(memory, was)
        _plan, family, carried = self._family(memory, place)
        return family.scanned(
            carried, held, lambda one: self._make(memory, self.scenes.standing(*one, place[2]), Passed.TICK)
        )

    def held_alone(self, memory: bytes, was: UnitOutputs) -> tuple[tuple[str, ...], ...]:
        """What is tried in a memory and can be held: nothing, and each thing by itself."""
        place = self.place(memory, was)
        if place not in self._alone:
            scenes = (one.scene for one in self._tried(place))
            alone = (s.atoms for s in scenes if len(s.atoms) <= 1 and s.presets.elapsed)
            self._alone[place] = tuple(dict.fromkeys(alone))
        return self._alone[place]

    def _family(self, memory: bytes, place: Place) -> tuple[Plan, Family, bytes]:
        core, carried = memory[: self.codec.core_bytes], memory[self.codec.core_bytes :]
        if (core, place) not in self._families:
            self._families[core, place] = self._plan(place, self._alike(memory)), Family(self.codec)
        return *self._families[core, place], carried

    def _alike(self, memory: bytes) -> tuple[Passed, ...]:
        """For each of what may have passed, the first that makes the same of a memory."""
        values = [self._decoded(memory, passed) for passed in Passed]
        return tuple(Passed(values.index(one)) for one in values)

    def _decoded(self, memory: bytes, passed: Passed) -> list[object]:
        m = self._sequencer.memory
        self.codec.decode(memory, m, passed)
        return [getattr(m, name) for name in _VALUES]

    def _plan(self, place: Place, alike: tuple[Passed, ...]) -> Plan:
        if (place, alike) not in self._plans:
            scans: dict[tuple[int, Passed], Scene] = {}
            numbers: dict[tuple[int, Passed], int] = {}
            tried = []
            for one in self._tried(place):
                scan = one.number, alike[one.scene.passed]
                scans.setdefault(scan, one.scene)
                tried.append((one, numbers.setdefault(scan, len(numbers))))
            made = tuple((scene, passed) for (_number, passed), scene in scans.items())
            self._plans[place, alike] = Plan(tuple(tried), made)
        return self._plans[place, alike]

    def _make(self, memory: bytes, scene: Scene, passed: Passed) -> tuple[int, Outcome]:
        """One scan: what it has read of what the memory carries, and what came out."""
        m = self._sequencer.memory = self._noting
        self.codec.decode(memory, m, passed)
        m.forget()
        outputs = self._scan(scene)
        core, read = self.codec.encode_core(m), m.read  # to write down what is carried is no reading
        return read, Outcome(core, self.codec.encode_carried(m), m.written, outputs, m.state)

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
_OUTPUT_BYTE = {outputs: bytes((code,)) for code, outputs in _OUTPUTS.items()}
