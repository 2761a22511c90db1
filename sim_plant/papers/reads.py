"""Which setpoint touches what, found by asking the rules: what they read, not what somebody typed."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any, NamedTuple

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.unit_rules import UNIT_RULES
from controller.bank.memory import BankMemory, Stage
from controller.bank.shared import SHARED, SharedRule
from controller.bank.view import LOOP_NAMES, BankView
from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, BankInputs, Kind, signal_named
from controller.unit import progress
from controller.unit.protections import RULES, Rule
from controller.unit.states import STATES, Event, UnitState
from controller.unit.view import View
from sim_plant.bench.explore.base import LOOP_NAMES as UNIT_LOOP_NAMES
from sim_plant.bench.explore.base import NOW_MS
from sim_plant.bench.explore.reading import LONG_AGO_MS, Noting, Readings, views

_UNIT_SIGNALS = {signal.name: signal.tag for signal in UNIT_SIGNALS}


class Initiator(NamedTuple):
    """One rule that raises an event: in words, on which tags, how long held, which setpoints it reads."""

    text: str
    tags: tuple[str, ...]
    delay: str  # a setpoint, "" for at once
    clear_s: float
    setpoints: tuple[str, ...]


class Reads:
    """Everything asked once. ``initiators`` by event, ``of_step`` the setpoints of each state's own step,
    ``of_look`` those that are read before any rule is asked.
    """

    def __init__(self, s: Setpoints) -> None:
        noting = Noting(s)
        self._asked = list(views(noting))  # type: ignore[arg-type]  # it stands in for the setpoints
        looked = frozenset(noting.noted)
        for v in self._asked:
            v.s = noting  # type: ignore[assignment]  # it stands in for the setpoints
        self._noting = noting
        readings = Readings(s)
        self.initiators: dict[Event, list[Initiator]] = {}
        for rule in RULES:
            if not rule.only_with or getattr(s, rule.only_with):
                self.initiators.setdefault(rule.event, []).append(self._of_rule(rule, readings))
        for shared in SHARED:
            self.initiators.setdefault(shared.event, []).append(_of_shared(shared, s))
        self.of_step = {state: self._of_state(state) for state in STATES}
        by_rule = {name for event in self.initiators for name in self.setpoints_of(event)}
        by_step = {name for names in self.of_step.values() for name in names}
        self.of_look = looked - by_rule - by_step  # read before any rule is asked, so all may depend on it

    def _read(self, ask: Callable[[View], object], *states: UnitState) -> tuple[str, ...]:
        self._noting.noted = set()
        for v in self._asked:
            if not states or v.m.state in states:
                ask(v)
        return tuple(name for name in Setpoints.model_fields if name in self._noting.noted)

    def _of_rule(self, rule: Rule, readings: Readings) -> Initiator:
        places = readings.of_rule(rule)
        loops = {f"loop {place}": name for place, name in enumerate(UNIT_LOOP_NAMES)}
        names = {loops.get(place, place) for place in places}
        tags = tuple(tag for name, tag in _UNIT_SIGNALS.items() if name in names)
        read = {*self._read(rule.when), rule.delay, rule.only_with}
        return Initiator(_first_line(rule.when), tags, rule.delay, rule.clear_s, _in_order(read))

    def _of_state(self, state: UnitState) -> tuple[str, ...]:
        return self._read(progress.WAITS[state], state)

    def setpoints_of(self, event: Event) -> frozenset[str]:
        """Every setpoint that the rules raising an event read."""
        return frozenset(name for one in self.initiators.get(event, ()) for name in one.setpoints)

    def tags_of(self, event: Event) -> tuple[str, ...]:
        """Tags on which an event is raised: those that its rules read, else that of its alarm."""
        tags = dict.fromkeys(tag for one in self.initiators.get(event, ()) for tag in one.tags)
        alarms = dict.fromkeys(rule.tag for rule in (*UNIT_RULES, *BANK_RULES) if rule.source is event)
        return tuple(tags or alarms)

    def cells_of(self, names: frozenset[str]) -> frozenset[tuple[UnitState, Event]]:
        """Cells of the table that a change of these setpoints touches."""
        events = {event for event in Event if self.setpoints_of(event) & names}
        steps = {(state, Event.DONE) for state in STATES if names.intersection(self.of_step[state])}
        return frozenset(product(STATES, events)) | steps


def _of_shared(rule: SharedRule, s: Setpoints) -> Initiator:
    setpoints, signals = Noting(s), set[str]()
    for high, since_ms, stage, standing in product(
        (False, True), (LONG_AGO_MS, NOW_MS), Stage, (False, True)
    ):
        io = Noting(_image(high))
        memory = BankMemory(1, stage=stage, stage_ms=since_ms, booster_ms=since_ms, unproven_ms=since_ms)
        for loop in memory.loops:
            loop.bad_ms = since_ms
        loops, values = _NotingPlaces(memory.loops), _NotingPlaces([99.0 if high else 0.0] * len(LOOP_NAMES))
        memory.loops = loops  # type: ignore[assignment]  # these stand in for what they note
        rule.when(BankView(setpoints, memory, io, False, (), 1, NOW_MS, values), standing)  # type: ignore[arg-type]
        signals |= io.noted | {LOOP_NAMES[place] for place in (*loops.noted, *values.noted)}
    tags = tuple(signal.tag for signal in BANK_SIGNALS if signal.name in signals)
    return Initiator(
        _first_line(rule.when), tags, rule.delay, rule.clear_s, _in_order({*setpoints.noted, rule.delay})
    )


def _image(high: bool) -> BankInputs:
    values: dict[str, Any] = {
        name: high if signal_named(BANK_SIGNALS, name).kind is Kind.DI else 12.0
        for name in BankInputs._fields
    }
    return BankInputs(**values)


class _NotingPlaces:
    """A list that notes which places were read."""

    def __init__(self, items: list[Any]) -> None:
        self._items, self.noted = items, set[int]()

    def __getitem__(self, place: int) -> Any:
        self.noted.add(place)
        return self._items[place]


def _first_line(function: Callable[..., object]) -> str:
    return (function.__doc__ or "").strip().splitlines()[0].rstrip(".")


def _in_order(names: set[str]) -> tuple[str, ...]:
    return tuple(name for name in Setpoints.model_fields if name in names)
