"""The alarm board: alarms of the bank and of every unit, commands of people, what the horn must know."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.evidence import (
    BANK_CONDITIONS,
    FROZEN_BIT,
    SAMPLE_MS,
    UNIT_CONDITIONS,
    BankSight,
    UnitSight,
    bank_events,
    bank_held,
    sample_bank,
    sample_unit,
)
from controller.alarms.memory import ScopeMemory, Shelf
from controller.alarms.movement import watch
from controller.alarms.rules import Priority
from controller.alarms.scope import Scope, Seen
from controller.alarms.states import TABLE, AlarmState, Answer, Happening
from controller.alarms.unit_rules import UNIT_RULES
from controller.bank.memory import BankMemory
from controller.parts.answers import Answered, Outcome
from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.signals import Command, Inputs, Verb
from controller.unit.memory import UnitMemory
from controller.unit.permits import AlarmSignal, Request

_VERBS = frozenset({Verb.ACKNOWLEDGE, Verb.SHELVE, Verb.UNSHELVE})
_HAPPENS = {
    Verb.ACKNOWLEDGE: Happening.ACKNOWLEDGE,
    Verb.SHELVE: Happening.SHELVE,
    Verb.UNSHELVE: Happening.UNSHELVE,
}
_NOTHING = "nothing to acknowledge"
_OUTCOMES = {"": Outcome.TAKEN, _NOTHING: Outcome.NOTHING_TO_DO}  # all other refusals are told in words


class AlarmView(NamedTuple):
    """One alarm for display. ``unit`` 0 is the bank."""

    unit: int
    tag: str
    id: str
    state: AlarmState
    priority: Priority
    first_out: bool
    since_ms: int  # in this state since
    text: str
    action: str
    consequence_of: str = ""  # name of the alarm that explains this one
    shelf: Shelf | None = None


@dataclass(frozen=True)
class AlarmSnapshot:
    """The board's whole state."""

    scopes: tuple[ScopeMemory, ...]
    sounding: bool


class Board:
    """All alarms of a controller; ``scopes[0]`` is the bank, ``scopes[n]`` unit n."""

    def __init__(self, n_units: int, s: Setpoints) -> None:
        self._s = s
        self.sounding = False  # an urgent alarm has newly come: the horn sounds in the next scan
        self.answers: list[Answered] = []  # to the commands of the last scan; no part of the state
        bank = Scope(0, BANK_RULES, tuple(BANK_CONDITIONS), (), s)
        units = (
            Scope(unit, UNIT_RULES, tuple(UNIT_CONDITIONS), BANK_RULES, s) for unit in range(1, n_units + 1)
        )
        self.scopes: tuple[Scope, ...] = (bank, *units)

    def adopt(self, s: Setpoints) -> None:
        """Take over changed setpoints."""
        self._s = s
        for scope in self.scopes:
            scope.adopt(s)

    def signal(self) -> AlarmSignal:
        """What horn and alarm relay must know; being acknowledged makes no difference to it."""
        return AlarmSignal(self.sounding, any(scope.memory.urgent for scope in self.scopes))

    # --- one scan ------------------------------------------------------------------------------------

    def scan(
        self,
        bank: BankMemory,
        units: list[UnitMemory],
        inputs: Inputs,
        requests: tuple[Request, ...],
        header_bar: float | None,
        now_ms: int,
    ) -> None:
        """Follow what bank and units have just decided, then take the commands of people."""
        self.answers.clear()
        self.sounding = self._scan_bank(bank, units, inputs, requests, now_ms)
        present = self.scopes[0].present
        for scope, m, io, age_ms in zip(
            self.scopes[1:], units, inputs.units, inputs.unit_age_ms, strict=True
        ):
            stale = age_ms > self._s.io_stale_s * 1000.0
            seen = scope.memory
            slow = seen.slow
            if not stale and now_ms - seen.sampled_ms >= SAMPLE_MS:
                slow = sample_unit(UnitSight(self._s, m, io, header_bar, now_ms))
                slow |= watch(seen, m, io, now_ms) << FROZEN_BIT
                seen.sampled_ms = now_ms
            # what cannot be judged has not gone
            active = m.active | seen.active if stale else m.active
            held = 1 << m.latched if m.latched is not None else 0
            if scope.step(Seen(active, held, slow, present, m.in_maintenance), now_ms):
                self.sounding = True
        for command in inputs.commands:
            if command.verb in _VERBS:
                self._obey(command, now_ms)

    def _scan_bank(
        self,
        bank: BankMemory,
        units: list[UnitMemory],
        inputs: Inputs,
        requests: tuple[Request, ...],
        now_ms: int,
    ) -> bool:
        scope = self.scopes[0]
        seen = scope.memory
        slow = seen.slow
        stale = inputs.bank_age_ms > self._s.io_stale_s * 1000.0
        if not stale and now_ms - seen.sampled_ms >= SAMPLE_MS:
            pumping = any(request.pumping for request in requests)
            slow = sample_bank(BankSight(self._s, bank, inputs.bank, pumping, now_ms))
            seen.sampled_ms = now_ms
        active = bank_events(bank, bank.io_seen and not inputs.bank.estop_healthy, self._s, now_ms)
        return scope.step(Seen(active, bank_held(bank, units), slow, 0, False), now_ms)

    # --- people --------------------------------------------------------------------------------------

    def _obey(self, command: Command, now_ms: int) -> None:
        """Carry a command out or refuse it with the reason. Acknowledging changes no output."""
        refusal = self._refusal(command)
        self.answers.append(Answered(command, _OUTCOMES.get(refusal, Outcome.REFUSED)))
        if refusal:
            unit = command.unit if command.unit in range(len(self.scopes)) else 0
            text = f"{command.verb.value} {command.alarm or 'all'}: {refusal}"
            self.scopes[unit].events.append(Entry(now_ms, unit, "refused", text))
            return
        scope = self.scopes[command.unit]
        for place in self._addressed(scope, command):
            if command.verb is Verb.ACKNOWLEDGE:
                scope.tell(place, Happening.ACKNOWLEDGE, now_ms, f"by {command.by}")
            elif command.verb is Verb.SHELVE:
                until_ms = now_ms + round(command.hours * 3_600_000)
                scope.shelve(place, Shelf(command.by, command.reason, until_ms), now_ms)
            else:
                scope.unshelve(place, now_ms, f"by {command.by}")
        scope.settle()

    @staticmethod
    def _addressed(scope: Scope, command: Command) -> list[int]:
        """Places of the alarms that a command names and whose state allows it."""
        m = scope.memory
        return [
            place
            for place, rule in enumerate(scope.rules)
            if command.alarm in ("", rule.id)
            and TABLE[m.states[place], _HAPPENS[command.verb]] is not Answer.REFUSE
            and (command.verb is not Verb.UNSHELVE or place in m.shelves)
        ]

    def _refusal(self, command: Command) -> str:
        """Why a command is not taken, or ""."""
        if command.unit not in range(len(self.scopes)):
            return f"there is no unit {command.unit}"
        if not command.by:
            return "needs the name of a person"
        scope = self.scopes[command.unit]
        named = [place for place, rule in enumerate(scope.rules) if rule.id == command.alarm]
        if not named and (command.alarm or command.verb is not Verb.ACKNOWLEDGE):
            return "there is no alarm of that name"
        if command.verb is Verb.SHELVE:
            refusal = self._shelving_refused(command, scope.rules[named[0]].priority)
            if refusal:
                return refusal
        if not self._addressed(scope, command):
            return f"it is {scope.memory.states[named[0]].value}" if named else _NOTHING
        return ""

    def _shelving_refused(self, command: Command, priority: Priority) -> str:
        if priority is Priority.CRITICAL:
            return "an alarm of priority 1 cannot be shelved"
        if not command.reason:
            return "needs a reason"
        if not 0.0 < command.hours <= self._s.shelve_max_h:
            return f"needs a time up to {self._s.shelve_max_h:g} h"
        return ""

    # --- display and state ---------------------------------------------------------------------------

    def views(self) -> tuple[AlarmView, ...]:
        """Every alarm that is not NORM, bank first, then by unit, in the order of the tables."""
        return tuple(
            self._view(scope, place)
            for scope in self.scopes
            for place, state in enumerate(scope.memory.states)
            if state is not AlarmState.NORM
        )

    @staticmethod
    def _view(scope: Scope, place: int) -> AlarmView:
        rule, m = scope.rules[place], scope.memory
        return AlarmView(
            unit=scope.unit,
            tag=rule.tag.replace("x", str(scope.unit)),
            id=rule.id,
            state=m.states[place],
            priority=rule.priority,
            first_out=place == m.first_out,
            since_ms=m.since_ms[place],
            text=rule.text,
            action=rule.action,
            consequence_of=m.explained_by.get(place, ""),
            shelf=m.shelves.get(place),
        )

    def take_events(self) -> list[Entry]:
        """Journal lines since the last call."""
        lines = [line for scope in self.scopes for line in scope.events]
        for scope in self.scopes:
            scope.events.clear()
        return lines

    def snapshot(self) -> AlarmSnapshot:
        """Copy of the whole state."""
        return AlarmSnapshot(tuple(scope.memory.copy() for scope in self.scopes), self.sounding)

    def restore(self, snapshot: AlarmSnapshot) -> None:
        """Continue from a snapshot of a board of the same size."""
        for scope, memory in zip(self.scopes, snapshot.scopes, strict=True):
            scope.memory = memory.copy()
        self.sounding = snapshot.sounding
