"""All that the alarms of one unit, or of the bank, remember: plain values, bits by place in the rule table.

Shared values in the lists never change in place, so ``copy`` is shallow and cheap.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from enum import IntEnum
from typing import NamedTuple, Self

from controller.alarms.states import AlarmState
from controller.parts.timing import NEVER


class Shelf(NamedTuple):
    """Who put an alarm aside, why, and until when on the firmware's clock."""

    by: str
    reason: str
    until_ms: int


class Stir(IntEnum):
    """What a unit is doing that must move its pressures and flows."""

    NONE = 0
    START = 1
    PURGE = 2


@dataclass(slots=True)
class ScopeMemory:
    """Memory of the alarms of one unit or of the bank; lists have one entry for each rule."""

    states: list[AlarmState]
    since_ms: list[int]  # moment of the last change of state
    timer_ms: list[int]  # on-delay or off-delay runs since
    stands: int = 0  # causes that stand, delays counted in
    latched: int = 0  # the sequence holds a latch and a reset is due
    suppressed: int = 0
    explained_by: dict[int, str] = field(default_factory=dict)  # consequence -> alarm that explains it
    shelves: dict[int, Shelf] = field(default_factory=dict)
    out_of_service: bool = False
    first_out: int = -1  # place of the rule, -1 for none
    sounding: bool = False  # an urgent alarm came in the last look
    urgent: bool = False  # an urgent alarm stands or waits for its reset, seen or not

    # of a unit: how far its loops move
    stir: Stir = Stir.NONE
    lo_ma: tuple[float, ...] = ()  # least current of each loop in what goes on; else the last one
    hi_ma: tuple[float, ...] = ()
    frozen: int = 0  # loops that did not move, by place

    # what was seen last, so that nothing is looked at while nothing changes
    active: int = 0  # events
    slow: int = 0  # conditions and loops
    held: int = 0
    elsewhere: int = 0  # alarms present in the bank
    sampled_ms: int = NEVER
    due_ms: int = NEVER  # the next delay or expiry; NEVER before the first look

    def copy(self) -> Self:
        """An independent copy."""
        return dataclasses.replace(
            self,
            states=self.states.copy(),
            since_ms=self.since_ms.copy(),
            timer_ms=self.timer_ms.copy(),
            explained_by=self.explained_by.copy(),
            shelves=self.shelves.copy(),
        )


def fresh(n_rules: int) -> ScopeMemory:
    """Memory after power-up: everything normal, nothing shelved."""
    return ScopeMemory([AlarmState.NORM] * n_rules, [NEVER] * n_rules, [NEVER] * n_rules)
