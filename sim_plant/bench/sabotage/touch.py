"""Noting which entries of the tables come into play in a run of the untouched logic.

The tables are put in place once more with functions that note and then do what stood there; nothing that the
logic does changes. Each word that is noted is the ``touch`` of the changes of that entry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

from controller import retained
from controller.alarms.scope import Scope
from controller.alarms.states import AlarmState, Happening
from controller.alarms.states import Answer as AlarmAnswer
from controller.bank import shared
from controller.bank.memory import BankMemory
from controller.bank.view import BankView
from controller.firmware import Controller
from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.signals import Inputs, Outputs, UnitOutputs, Verb
from controller.unit import outputs, sequencer
from controller.unit.memory import UnitMemory
from controller.unit.progress import WAITS
from controller.unit.protections import RULES, Rule
from controller.unit.sequencer import Sequencer
from controller.unit.states import Answer, Event, UnitState
from controller.unit.table import ALSO, CELLS, Move
from controller.unit.view import View
from sim_plant.bench.sabotage.change import attribute, item
from sim_plant.bench.sabotage.matrix import edge_taken, moved, stood
from sim_plant.bench.sabotage.memory import BANK_FIELDS, UNIT_FIELDS, came, recalled
from sim_plant.bench.sabotage.rules import raised, reset_tried, took
from sim_plant.bench.sabotage.steps import DRIVEN, held, off, on
from sim_plant.bench.sabotage.timers import Doctored, read

Note = Callable[[str], None]
_KEPT = (Answer.BLOCK, Answer.REMEMBER, Answer.REFUSE)


class Notes:
    """The touches of one run, in the order of coming."""

    def __init__(self) -> None:
        self._words: dict[str, None] = {}
        self.scanning = False  # what is read while a controller is made or restored decides nothing

    def add(self, word: str) -> None:
        """Note a word; once is enough."""
        self._words[word] = None

    def words(self) -> tuple[str, ...]:
        """All of them."""
        return tuple(self._words)


@contextmanager
def noting() -> Iterator[Notes]:
    """Notes what controllers made meanwhile touch."""
    notes = Notes()
    with ExitStack() as stack:
        for patch in (_moves, _rules, _steps, _memories, _setpoints):
            for context in patch(notes):
                stack.enter_context(context)
        yield notes


def _moves(notes: Notes) -> Iterator[Any]:
    react, perform, commands = Sequencer._react, Sequencer._perform, Sequencer._commands
    cause_gone = Sequencer._cause_gone

    seen: set[tuple[UnitState, Event]] = set()

    def noted_react(self: Sequencer, v: View, events: list[Event]) -> bool:
        state = v.m.state
        for event in events:
            if (state, event) not in seen:
                seen.add((state, event))
                if CELLS[state, event] in _KEPT:
                    notes.add(stood(state, event))
        return react(self, v, events)

    def noted_perform(self: Sequencer, v: View, event: Event, cell: Move) -> None:
        state = v.m.state
        perform(self, v, event, cell)
        notes.add(moved(state, event))
        if v.m.state in ALSO.get((state, event), ()):
            notes.add(edge_taken(state, event, v.m.state))

    def noted_commands(self: Sequencer, v: View) -> list[Event]:
        if any(command.verb is Verb.START for command in v.p.commands):
            notes.add(stood(v.m.state, Event.CALL))
        return commands(self, v)

    def noted_cause_gone(v: View) -> bool:
        if v.m.latched is not None:
            notes.add(reset_tried("unit", v.m.latched))
        return cause_gone(v)

    yield attribute(Sequencer, "_react", noted_react)
    yield attribute(Sequencer, "_perform", noted_perform)
    yield attribute(Sequencer, "_commands", noted_commands)
    yield attribute(Sequencer, "_cause_gone", staticmethod(noted_cause_gone))


def _rules(notes: Notes) -> Iterator[Any]:
    yield attribute(sequencer, "RULES", tuple(_noted_rule(notes, *row) for row in enumerate(RULES)))
    noted_shared = tuple(_noted_shared(notes, *row) for row in enumerate(shared.SHARED))
    yield attribute(shared, "SHARED", noted_shared)
    noted_global = tuple(_noted_global(notes, rule) for rule in outputs.GLOBAL_RULES)
    yield attribute(outputs, "GLOBAL_RULES", noted_global)
    clear = shared.clear_causes

    def noted_clear(v: BankView) -> list[Event]:
        for event in v.m.latched:
            notes.add(reset_tried("bank", event))
        return clear(v)

    yield attribute(shared, "clear_causes", noted_clear)


def _noted_rule(notes: Notes, place: int, rule: Rule) -> Rule:
    def when(v: View) -> bool | None:
        holds = rule.when(v)
        if holds:
            since_ms = v.m.rule_ms[place]
            delay_s = getattr(v.s, rule.delay) if rule.delay else 0.0
            if not delay_s or (since_ms != NEVER and v.held_s(since_ms) >= delay_s):
                notes.add(raised("unit", place))
        return holds

    return rule._replace(when=when)


def _noted_shared(notes: Notes, place: int, rule: shared.SharedRule) -> shared.SharedRule:
    def when(v: BankView, standing: bool) -> bool | None:
        holds = rule.when(v, standing)
        if holds:
            notes.add(raised("bank", place))
        return holds

    return rule._replace(when=when)


def _noted_global(notes: Notes, rule: outputs.GlobalRule) -> outputs.GlobalRule:
    def when(v: View, wanted: UnitOutputs) -> bool:
        holds = rule.when(v, wanted)
        if holds and any(getattr(wanted, name) for name in rule.takes):
            notes.add(took(rule.name))
        return holds

    return rule._replace(when=when)


def _steps(notes: Notes) -> Iterator[Any]:
    for state, guard in WAITS.items():
        yield item(WAITS, state, _noted_guard(notes, state, guard))
    drive = sequencer.drive  # type: ignore[attr-defined]  # where the sequencer looks for it

    seen: set[tuple[UnitState, UnitOutputs]] = set()

    def noted_drive(v: View) -> UnitOutputs:
        state = v.m.state
        driven: UnitOutputs = drive(v)
        if (state, driven) not in seen:
            seen.add((state, driven))
            for signal in DRIVEN.values():
                notes.add(on(state, signal) if getattr(driven, signal) else off(state, signal))
        return driven

    yield attribute(sequencer, "drive", noted_drive)


def _noted_guard(
    notes: Notes, state: UnitState, guard: Callable[[View], str | None]
) -> Callable[[View], str | None]:
    def noted(v: View) -> str | None:
        waiting = guard(v)
        if waiting is not None:
            notes.add(held(state))
        return waiting

    return noted


def _memories(notes: Notes) -> Iterator[Any]:
    recall, tell = retained.recall, Scope.tell

    def noted_recall(text: str, bank: BankMemory, units: list[UnitMemory]) -> None:
        before = [getattr(bank, name) for name in BANK_FIELDS]
        befores = [[getattr(m, name) for name in UNIT_FIELDS] for m in units]
        recall(text, bank, units)
        _note_recalled(notes, "bank", BANK_FIELDS, before, bank)
        for values, m in zip(befores, units, strict=True):
            _note_recalled(notes, "unit", UNIT_FIELDS, values, m)

    def noted_tell(
        self: Scope, place: int, happening: Happening, now_ms: int, why: str = ""
    ) -> AlarmAnswer | AlarmState:
        if happening is Happening.CAUSE_COMES:
            notes.add(came("unit" if self.unit else "bank", self.rules[place].id))
        return tell(self, place, happening, now_ms, why)

    yield attribute(retained, "recall", noted_recall)
    yield attribute(Scope, "tell", noted_tell)


def _note_recalled(
    notes: Notes, scope: str, names: tuple[str, ...], before: list[Any], memory: object
) -> None:
    for name, value in zip(names, before, strict=True):
        if getattr(memory, name) != value:
            notes.add(recalled(scope, name))


def _setpoints(notes: Notes) -> Iterator[Any]:
    scan = Controller.scan

    class Watched(Setpoints):
        """Setpoints that note which of them a scan reads: a value is there only after the first reading."""

        def __getattr__(self, name: str) -> Any:
            value = values[name]
            if notes.scanning:
                notes.add(read(name))
                self.__dict__[name] = value
            return value

    def noted_scan(self: Controller, inputs: Inputs, now_ms: int) -> Outputs:
        notes.scanning = True
        try:
            return scan(self, inputs, now_ms)
        finally:
            notes.scanning = False

    values: dict[str, Any] = {}

    def handed_in(setpoints: Setpoints) -> Setpoints:
        values.update(setpoints.model_dump())
        watched = Watched.model_construct()
        watched.__dict__.clear()
        return watched

    yield attribute(Controller, "scan", noted_scan)
    yield attribute(Doctored, "handed_in", staticmethod(handed_in))
