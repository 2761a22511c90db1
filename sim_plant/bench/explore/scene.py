"""What can come in during one scan, cut into the classes that the logic can tell apart.

A scene is a *base* (``base``: all is well, the bank grants everything or nothing) and *atoms*, each of which
makes one thing different. Contacts and permits have two classes; a measured quantity has one for each
interval between the limits that the logic compares it with (``reading.limits``).

``Scenes.of`` gives what is tried in a state: each base, and on each base every atom that matters there
(``Scenes.places``), one tick after the scan before or within the same tick. Two things in one scan are not
tried, but for some that are held or remembered together (``_TOGETHER``): one is followed by the other within
the tick instead.
That this leaves nothing out is tested with random scenes of any number of atoms (``tests/bench/explore``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.signals import Command, Verb
from controller.unit.protections import RULES, Rule
from controller.unit.states import RESTING, Answer, Event, UnitState
from controller.unit.table import CELLS, MATRIX
from sim_plant.bench.explore.base import (
    CONTACTS,
    GRANTS,
    LOOP_NAMES,
    LOOP_OF,
    PROOFS,
    Driven,
    Passed,
    Presets,
    Scene,
    base,
    current_ma,
)
from sim_plant.bench.explore.reading import Readings, limits

BROKEN_MA = 0.0
BANK_CAUSES = (*(row.event for row in MATRIX if row.bank), Event.HEADER_LOST, Event.STOP)
VERBS = (Verb.START, Verb.STOP, Verb.MAINTAIN, Verb.RETURN_TO_SERVICE)
_VERB_EVENTS = {
    Verb.START: Event.CALL,
    Verb.STOP: Event.STOP,
    Verb.MAINTAIN: Event.MAINTENANCE_REQUEST,
    Verb.RETURN_TO_SERVICE: Event.RETURN_TO_SERVICE,
}
_ACTING = (Answer.BLOCK, Answer.REMEMBER)


CHOSEN = (
    "starts_spent",
    "quality_spent",
    "resets_spent",
    "hour_over",
    "suction_spent",
    "purge_failed",
    "cause_gone",
    "volume_met",
    "stagnant",
    "flush_put_off",
)
"""What is chosen in place of memory (``base.Presets``)."""


@dataclass(frozen=True)
class Atom:
    """One thing that is not as in the base. ``change`` makes a scene of a scene."""

    name: str
    place: str
    """What it changes; two atoms of one place exclude each other."""
    change: Callable[[Scene], Scene]

    def on(self, scene: Scene) -> Scene:
        """The scene with this one thing different."""
        return self.change(scene)._replace(atoms=(*scene.atoms, self.name))


def classes(s: Setpoints) -> dict[str, tuple[float, ...]]:
    """A value out of each interval between the limits of a quantity.

    >>> len(classes(Setpoints())["tds_mgl"])  # below 170, to 200, to 300, above
    4
    """
    return {name: tuple(_between(found)) for name, found in limits(s).items()}


def _between(found: tuple[float, ...]) -> Iterator[float]:
    if not found:
        return
    yield found[0] / 2.0
    for low, high in pairwise(found):
        yield (low + high) / 2.0
    yield found[-1] * 1.05


def _io(**values: Any) -> Callable[[Scene], Scene]:
    return lambda scene: scene._replace(io=scene.io._replace(**values))


def _permit(**values: Any) -> Callable[[Scene], Scene]:
    return lambda scene: scene._replace(permits=scene.permits._replace(**values))


def _preset(**values: Any) -> Callable[[Scene], Scene]:
    return lambda scene: scene._replace(presets=scene.presets._replace(**values))


def _other_contact(name: str) -> Callable[[Scene], Scene]:
    return lambda scene: _io(**{name: not getattr(scene.io, name)})(scene)


def _other_grant(name: str) -> Callable[[Scene], Scene]:
    return lambda scene: _permit(**{name: not getattr(scene.permits, name)})(scene)


def _cause(event: Event) -> Callable[[Scene], Scene]:
    return lambda scene: scene._replace(permits=scene.permits._replace(events=(*scene.permits.events, event)))


def _broken(place: int, quality: Quality) -> Callable[[Scene], Scene]:
    def change(scene: Scene) -> Scene:
        loops = list(scene.presets.loops)
        loops[place] = quality
        return _preset(loops=tuple(loops))(_io(**{LOOP_NAMES[place]: BROKEN_MA})(scene))

    return change


def _held_stop(scene: Scene) -> Scene:
    given = _permit(commands=(Command(Verb.STOP, 1, "a person"),))(scene)
    return _preset(stop_held=True)(given)


def atoms(s: Setpoints) -> tuple[Atom, ...]:
    """All of them, for the scaled setpoints of a site."""
    return tuple(_atoms(s))


def _atoms(s: Setpoints) -> Iterator[Atom]:
    for name in (*CONTACTS, *(PROOFS if s.position_proofs else ())):
        yield Atom(name, name, _other_contact(name))
    stale_ms, lost_ms = round(500.0 * (s.io_stale_s + s.io_lost_s)), round(1000.0 * s.io_lost_s)
    yield Atom("image stale", "age_ms", lambda scene: scene._replace(age_ms=stale_ms))
    yield Atom("image lost", "age_ms", lambda scene: scene._replace(age_ms=lost_ms))
    found = classes(s)
    for name, place in LOOP_OF.items():
        for value in found[name]:
            yield Atom(
                f"{name} {value:.3g}",
                f"loop {place}",
                _io(**{LOOP_NAMES[place]: current_ma(s, name, value)}),
            )
    for place, loop in enumerate(LOOP_NAMES):
        yield Atom(
            f"{loop.removesuffix('_ma')} no measurement", f"loop {place}", _broken(place, Quality.GOOD)
        )
        yield Atom(f"{loop.removesuffix('_ma')} BAD", f"loop {place}", _broken(place, Quality.BAD))
    for name in GRANTS:
        yield Atom(name, name, _other_grant(name))
    for event in BANK_CAUSES:
        yield Atom(event.name, event.name, _cause(event))
    yield Atom("estop_open", "estop_open", _permit(estop_open=True))
    yield Atom("header unknown", "header_bar", _permit(header_bar=None))
    for value in found["header_bar"]:
        yield Atom(f"header {value:.3g}", "header_bar", _permit(header_bar=value))
    yield Atom("reset", "reset", _permit(reset=True))
    for verb in VERBS:
        yield Atom(verb.value, "commands", _permit(commands=(Command(verb, 1, "a person"),)))
    yield Atom("stop held", "commands", _held_stop)
    for name in CHOSEN:
        yield Atom(name, name, _preset(**{name: not getattr(Presets(), name)}))


STILL_RUNNING = Atom("on-delays run", "elapsed", _preset(elapsed=False))
NEVER_PROVEN = Atom("on-delays run, feed never proven", "elapsed", _preset(elapsed=False, feed_unproven=True))
_SUCTION = f"loop {LOOP_OF['suction_bar']}"
_EVERYWHERE = frozenset({"age_ms", "selector_auto", "isolator_on", "estop_open"})
_ELSEWHERE = frozenset({"reset", "resets_spent", "cause_gone", "starts_spent", "stagnant", "flush_put_off"})
"""What matters only at rest: resets, and what holds a start or a flush back."""
_BY_HAND = frozenset({"commands", "reset"})
"""What a person gives with the selector turned away; a return to service asks for that."""


_UNGRANTED = _EVERYWHERE | _BY_HAND | {"pump_running"}
"""What is tried with nothing granted after a tick; the rest follows within it."""
_TRIED = (
    (True, Passed.TICK),
    (True, Passed.NOTHING),
    (True, Passed.SHORT),
    (False, Passed.NOTHING),
    (False, Passed.TICK),
)
"""Bases on which atoms are tried: what the bank grants, and what has passed since the scan before."""

_SUCTION_PLACES = frozenset({_SUCTION, "suction_ok"})
_TOGETHER: tuple[tuple[frozenset[str], frozenset[str]], ...] = (
    (frozenset({"age_ms"}), frozenset({event.name for event in BANK_CAUSES}) | _BY_HAND | {"estop_open"}),
    (frozenset({"hour_over"}), frozenset({"age_ms"})),
    (frozenset({"suction_spent"}), _SUCTION_PLACES),
    (frozenset({"quality_spent"}), frozenset({f"loop {LOOP_OF['tds_mgl']}"})),
    (frozenset({"resets_spent", "cause_gone"}), frozenset({"reset"})),
)
"""Places that are tried together: two things that are both held or remembered, or a count that is spent and
what asks for it."""
_HELD = frozenset({"selector_auto", "close_feed"})
"""What is held for long while anything else comes: it is tried together with everything."""
_IN_PUMP_FLUSHES = (
    frozenset({"purge_failed", f"loop {LOOP_OF['membrane_bar']}"}),
    frozenset({f"loop {LOOP_OF['concentrate_m3h']}"}),
)
"""Likewise, where a flush shows itself by one of two quantities, or did not the time before."""


def _paired(state: UnitState, matter: list[Atom]) -> list[tuple[Atom, Atom]]:
    """Atoms of two places that are tried together in a state."""
    flushes = state in (UnitState.PURGE, UnitState.QUALITY_FLUSH)
    together = (*_TOGETHER, _IN_PUMP_FLUSHES) if flushes else _TOGETHER
    found = {
        (one, other): None
        for first, second in together
        for one in matter
        if one.place in first
        for other in matter
        if other.place in second
    }
    held = [atom for atom in matter if atom.place in _HELD]
    found |= {(one, other): None for one in held for other in matter if other.place != one.place}
    return list(found)


class Scenes:
    """What is tried in a state. ``s`` is scaled, and its constants must be in ticks.

    ``only`` leaves out all atoms but those of some places; () leaves out none.
    """

    def __init__(self, s: Setpoints, only: tuple[str, ...] = ()) -> None:
        self._s = s
        every = atoms(s)
        self.atoms = tuple(atom for atom in every if not only or atom.place in only)
        self._made: dict[tuple[UnitState, Event | None, Driven], tuple[Scene, ...]] = {}
        self._by_name = {atom.name: atom for atom in (*every, STILL_RUNNING, NEVER_PROVEN)}
        self._standing: dict[tuple[bool, tuple[str, ...], Driven], Scene] = {}

    @cached_property
    def _readings(self) -> Readings:
        return Readings(self._s)

    @cached_property
    def _rule_reads(self) -> tuple[frozenset[str], ...]:
        return tuple(self._readings.of_rule(rule) for rule in RULES)

    def of(self, state: UnitState, latched: Event | None, driven: Driven) -> tuple[Scene, ...]:
        """All scenes that are tried in a state, with this cause latched and this driven."""
        key = (state, latched, driven)
        if key not in self._made:
            self._made[key] = tuple(self._make(*key))
        return self._made[key]

    def standing(self, granted: bool, names: tuple[str, ...], driven: Driven) -> Scene:
        """These atoms, whatever is driven meanwhile: the plant goes on answering, the rest stays as it is."""
        key = (granted, names, driven)
        if key not in self._standing:
            scene = base(self._s, driven, granted=granted)
            for name in names:
                scene = self._by_name[name].on(scene)
            self._standing[key] = scene
        return self._standing[key]

    def _make(self, state: UnitState, latched: Event | None, driven: Driven) -> Iterator[Scene]:
        places, delayed = self.places(state, latched)
        matter = [atom for atom in self.atoms if atom.place in places]
        seen: set[tuple[Any, ...]] = set()
        for scene in self._all(state, driven, matter, delayed):
            if scene[1:] not in seen:
                seen.add(scene[1:])
                yield scene

    def _all(
        self, state: UnitState, driven: Driven, matter: list[Atom], delayed: frozenset[str]
    ) -> Iterator[Scene]:
        pairs = _paired(state, matter)
        for granted, passed in _TRIED:
            start = base(self._s, driven, granted=granted)._replace(passed=passed)
            yield start
            everything = granted or not passed
            for atom in matter:
                if not everything and atom.place not in _UNGRANTED:
                    continue
                yield atom.on(start)
                if everything and atom.place in delayed:
                    yield STILL_RUNNING.on(atom.on(start))
                if everything and atom.place == _SUCTION:
                    yield NEVER_PROVEN.on(atom.on(start))
            for one, other in pairs:
                if everything or {one.place, other.place} <= _UNGRANTED:
                    yield other.on(one.on(start))
        yield base(self._s, driven, granted=False)._replace(passed=Passed.SHORT)

    def places(self, state: UnitState, latched: Event | None) -> tuple[frozenset[str], frozenset[str]]:
        """Places that matter in a state, and those of them behind an on-delay.

        At rest these are the places that something reads which acts there. Where anything is driven all
        matter, so that an answer that is missing is missed.
        """
        if state not in RESTING:
            behind = frozenset(place for rule, reads in self._rules() if rule.delay for place in reads)
            return _EVERYWHERE | {atom.place for atom in self.atoms} - _ELSEWHERE, behind
        acting = {event for event in Event if self._acts(state, event)}
        if state is UnitState.LOCKOUT and latched is not None:
            acting.add(latched)
        found = set(self._readings.of_state(state)) | _EVERYWHERE
        delayed: set[str] = set()
        for rule, reads in self._rules():
            if rule.event in acting or (
                rule.event is Event.LOW_SUCTION and Event.LOW_SUCTION_SPENT in acting
            ):
                found |= reads
                delayed |= reads if rule.delay else set()
        found |= {event.name for event in BANK_CAUSES if event in acting}
        found |= self._by_person(acting) | self._by_hour(state, acting)
        if Event.TOKEN_LOST in acting:
            found.add("token")
        if Event.CALL in acting or Event.CALL_WITHDRAWN in acting:
            found |= {"call", "may_start"}
        return frozenset(found), frozenset(delayed)

    def _rules(self) -> Iterator[tuple[Rule, frozenset[str]]]:
        return zip(RULES, self._rule_reads, strict=True)

    @staticmethod
    def _acts(state: UnitState, event: Event) -> bool:
        cell = CELLS[state, event]
        return not isinstance(cell, Answer) or cell in _ACTING

    @staticmethod
    def _by_person(acting: set[Event]) -> set[str]:
        found = {"commands"}  # a stop or a start is remembered wherever it is given
        if Event.RESET in acting:
            found |= {"reset", "resets_spent", "cause_gone"}
        if Event.MAINTENANCE_REQUEST in acting:
            found.add("maintenance_slot")
        return found

    @staticmethod
    def _by_hour(state: UnitState, acting: set[Event]) -> set[str]:
        found = set()
        if Event.STARTS_LIMIT in acting:
            found.add("starts_spent")
        if Event.QUALITY_ALARM in acting:
            found.add("quality_spent")
        if Event.LOW_SUCTION in acting or Event.IO_LOST in acting:
            found |= {"hour_over", "suction_spent"}
        if state is UnitState.STANDBY:
            found |= {"stagnant", "flush_put_off"}
        return found
