"""The alarms of one unit on evidence that a test gives, without a sequence behind them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Self

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.evidence import BAD_BIT, CONDITION_BIT, UNCERTAIN_BIT, UNIT_CONDITIONS
from controller.alarms.scope import Scope, Seen
from controller.alarms.states import AlarmState
from controller.alarms.unit_rules import UNIT_RULES
from controller.settings import Setpoints
from controller.unit.states import Event

PLACE = {rule.id: place for place, rule in enumerate(UNIT_RULES)}
BANK_PLACE = {rule.id: place for place, rule in enumerate(BANK_RULES)}
_CONDITIONS = tuple(UNIT_CONDITIONS)


def bits(events: Iterable[Event]) -> int:
    """Events as the firmware notes them."""
    return sum(1 << event for event in set(events))


class AlarmRig:
    """One unit's alarms; what stands, is latched or holds stays so until it is changed."""

    def __init__(self) -> None:
        self.scope = Scope(1, UNIT_RULES, _CONDITIONS, BANK_RULES, Setpoints())
        self.now_ms = 0
        self.events: set[Event] = set()
        self.latched: set[Event] = set()
        self.conditions: set[str] = set()
        self.bad: set[int] = set()
        self.uncertain: set[int] = set()
        self.bank: set[str] = set()
        self.in_maintenance = False
        self.horn = False

    def step(self, seconds: float = 0.1) -> Self:
        """One scan, so long after the last one."""
        self.now_ms += round(seconds * 1000)
        slow = sum(1 << CONDITION_BIT + _CONDITIONS.index(name) for name in self.conditions)
        slow |= sum(1 << BAD_BIT + loop for loop in self.bad)
        slow |= sum(1 << UNCERTAIN_BIT + loop for loop in self.uncertain)
        bank = sum(1 << BANK_PLACE[name] for name in self.bank)
        seen = Seen(bits(self.events), bits(self.latched), slow, bank, self.in_maintenance)
        self.horn = self.scope.step(seen, self.now_ms)
        return self

    def come(self, *events: Event) -> Self:
        """Causes come; a scan."""
        self.events |= set(events)
        return self.step()

    def go(self, *events: Event) -> Self:
        """Causes go; a scan."""
        self.events -= set(events)
        return self.step()

    def state(self, name: str) -> AlarmState:
        return self.scope.memory.states[PLACE[name]]

    def first_out(self) -> str:
        """Name of the first-out, "" for none."""
        place = self.scope.memory.first_out
        return "" if place == -1 else UNIT_RULES[place].id

    def shown(self) -> dict[str, str]:
        """Every alarm that is not NORM, with its state."""
        states = zip(UNIT_RULES, self.scope.memory.states, strict=True)
        return {rule.id: state.value for rule, state in states if state is not AlarmState.NORM}

    def texts(self) -> list[str]:
        """Journal lines so far."""
        return [entry.text for entry in self.scope.events]
