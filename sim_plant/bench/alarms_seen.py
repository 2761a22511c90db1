"""Alarms as an expectation may name them, and when the target's journal shows them.

``alarm.low suction`` is an alarm of the unit, ``bank.alarm.feed too hot`` one of the bank. It is shown while
its cause stands or its reset is due, unless something covers it. Names and states are those of
docs/alarms.md; a target without a journal shows none, and nothing is said of it.
"""

from __future__ import annotations

import numpy as np

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.states import AlarmState
from controller.alarms.unit_rules import UNIT_RULES
from sim_plant.bench.trace import Bools, Trace

PREFIX = "alarm."
UNIT_ALARMS = tuple(PREFIX + rule.id for rule in UNIT_RULES)
BANK_ALARMS = tuple(PREFIX + rule.id for rule in BANK_RULES)
SHOWN = frozenset(
    state.value for state in (AlarmState.UNACK, AlarmState.ACKED, AlarmState.LATUN, AlarmState.LATACK)
)


def shown(trace: Trace, name: str, unit: int) -> Bools:
    """For each row, whether the alarm ``name`` is shown; ``unit`` 0 is the bank. All normal after a start."""
    alarm = name.removeprefix(PREFIX)
    lines = [e for e in trace.journal or [] if e.unit == unit and e.kind == "alarm"]
    news = [(e.t_ms, _shows(e.text, alarm)) for e in lines if e.text.startswith(f"{alarm}: ")]
    news += [(mark.t_ms, False) for mark in trace.marks if mark.what == "power" and mark.text == "off"]
    rows = np.zeros(len(trace.t_ms), np.bool_)
    for t_ms, is_shown in sorted(news, key=lambda one: one[0]):
        rows[int(np.searchsorted(trace.t_ms, t_ms)) :] = is_shown
    return rows


def _shows(text: str, alarm: str) -> bool:
    """Whether a line of the journal shows the alarm from then on."""
    states = text.removeprefix(f"{alarm}: ").partition(",")[0]
    return states.rpartition(" > ")[2] in SHOWN
