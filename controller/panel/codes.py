"""Numbers for the words of the firmware, as they stand in the registers of the status map.

They follow the order of the lists that they number, so a word that is added may move others: the register
``map`` then changes, and docs/status-map.md with it.
"""

from __future__ import annotations

from controller.alarms.rules import AlarmRule
from controller.alarms.states import AlarmState
from controller.bank.memory import Stage
from controller.picture import Alarms
from controller.signals import Verb
from controller.unit.states import Event, UnitState

STATE_CODES: dict[UnitState, int] = {state: number for number, state in enumerate(UnitState, 1)}
STAGE_CODES: dict[Stage, int] = {stage: number for number, stage in enumerate(Stage, 1)}
ALARM_CODES: dict[AlarmState, int] = {state: number for number, state in enumerate(AlarmState)}
VERB_CODES: dict[Verb, int] = {
    verb: number for number, verb in enumerate((Verb.START, Verb.STOP, Verb.RESET, Verb.ACKNOWLEDGE), 1)
}
"""All that a panel may ask for."""

PRIORITY_STEP = 256
PRESENT = frozenset({AlarmState.UNACK, AlarmState.ACKED, AlarmState.LATUN, AlarmState.LATACK})
"""The cause stands, or a reset is due."""
UNSEEN = frozenset({AlarmState.UNACK, AlarmState.RTNUN, AlarmState.LATUN})


def state_code(state: UnitState | None) -> int:
    """0 for none."""
    return 0 if state is None else STATE_CODES[state]


def event_code(event: Event | None) -> int:
    """The number of the narrative, E09 is 9; 0 for none."""
    return 0 if event is None else event.value


def alarm_word(rule: AlarmRule, state: AlarmState) -> int:
    """An alarm in one register: 0 when normal, else priority * 256 + state."""
    return 0 if state is AlarmState.NORM else PRIORITY_STEP * rule.priority + ALARM_CODES[state]


def present(alarms: Alarms, rules: tuple[AlarmRule, ...], priority: int) -> int:
    """How many alarms of a priority are present."""
    return sum(
        rule.priority == priority and state in PRESENT
        for rule, state in zip(rules, alarms.states, strict=True)
    )


def highest(alarms: Alarms, rules: tuple[AlarmRule, ...]) -> int:
    """The most urgent priority among the alarms that are present, 1 before 2; 0 when there is none."""
    found = [r.priority for r, state in zip(rules, alarms.states, strict=True) if state in PRESENT]
    return min(found, default=0)


def unseen(alarms: Alarms) -> int:
    """How many alarms nobody has acknowledged."""
    return sum(state in UNSEEN for state in alarms.states)
