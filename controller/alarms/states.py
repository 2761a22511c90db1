"""The states of one alarm and what moves it, as a table.

The words are those of ISA-18.2 / IEC 62682 (from memory, the standards were not at hand). An alarm has one
state that is shown; beside it are remembered whether its cause stands, whether the sequence holds a latch
on it, and whether something covers it: out of service, shelved, or suppressed by design. What covers an
alarm hides its state but not its facts: when the cover is taken away, the facts say what is shown.
"""

from __future__ import annotations

from enum import Enum, StrEnum


class AlarmState(StrEnum):
    """What is shown of an alarm."""

    NORM = "NORM"
    UNACK = "UNACK"
    ACKED = "ACKED"
    RTNUN = "RTNUN"
    LATUN = "LATUN"
    LATACK = "LATACK"
    SHLVD = "SHLVD"
    DSUPR = "DSUPR"
    OOSRV = "OOSRV"


STATE_TEXT: dict[AlarmState, str] = {
    AlarmState.NORM: "normal",
    AlarmState.UNACK: "active, unacknowledged",
    AlarmState.ACKED: "active, acknowledged",
    AlarmState.RTNUN: "returned to normal, unacknowledged",
    AlarmState.LATUN: "cause gone, reset still due, unacknowledged",
    AlarmState.LATACK: "cause gone, reset still due, acknowledged",
    AlarmState.SHLVD: "shelved by a person, with an expiry",
    AlarmState.DSUPR: "suppressed by design",
    AlarmState.OOSRV: "out of service with its unit",
}


class Happening(Enum):
    """What can happen to an alarm."""

    CAUSE_COMES = "cause comes"
    CAUSE_GOES = "cause goes"
    CAUSE_GOES_LATCHED = "cause goes, latched"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset accepted"
    SHELVE = "shelve"
    UNSHELVE = "unshelve or expire"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    OUT_OF_SERVICE = "out of service"
    BACK = "back in service"


class Answer(Enum):
    """What a cell says when it names no state."""

    KEEP = "no effect"
    REFUSE = "refused, reason in the journal"
    BENEATH = "remembered, what is shown stays"
    UNCOVER = "shows what lies beneath: OOSRV, SHLVD or DSUPR while that holds, else by the facts"


Cell = AlarmState | Answer

NORM, UNACK, ACKED, RTNUN, LATUN, LATACK, SHLVD, DSUPR, OOSRV = AlarmState
KEEP, REFUSE, BENEATH, UNCOVER = Answer

COVERS = (OOSRV, SHLVD, DSUPR)
"""States that hide the others, the strongest first."""

_H = Happening
_ROWS: dict[AlarmState, tuple[Cell, ...]] = {
    # comes   goes     latched  ack      reset    shelve  unshelve suppress unsuppr. out     back
    NORM: (UNACK, KEEP, KEEP, REFUSE, KEEP, SHLVD, REFUSE, DSUPR, KEEP, OOSRV, KEEP),
    UNACK: (KEEP, RTNUN, LATUN, ACKED, KEEP, SHLVD, REFUSE, DSUPR, KEEP, OOSRV, KEEP),
    ACKED: (KEEP, NORM, LATACK, REFUSE, KEEP, SHLVD, REFUSE, DSUPR, KEEP, OOSRV, KEEP),
    RTNUN: (UNACK, KEEP, KEEP, NORM, KEEP, SHLVD, REFUSE, DSUPR, KEEP, OOSRV, KEEP),
    LATUN: (UNACK, KEEP, KEEP, LATACK, RTNUN, REFUSE, REFUSE, DSUPR, KEEP, OOSRV, KEEP),
    LATACK: (UNACK, KEEP, KEEP, REFUSE, NORM, REFUSE, REFUSE, DSUPR, KEEP, OOSRV, KEEP),
    SHLVD: (BENEATH,) * 3 + (REFUSE, BENEATH, REFUSE, UNCOVER, BENEATH, BENEATH, OOSRV, KEEP),
    DSUPR: (BENEATH,) * 3 + (REFUSE, BENEATH, SHLVD, REFUSE, KEEP, UNCOVER, OOSRV, KEEP),
    OOSRV: (BENEATH,) * 3 + (REFUSE, BENEATH, REFUSE, BENEATH, BENEATH, BENEATH, KEEP, UNCOVER),
}

TABLE: dict[tuple[AlarmState, Happening], Cell] = {
    (state, happening): cell
    for state, row in _ROWS.items()
    for happening, cell in zip(Happening, row, strict=True)
}


def by_facts(stands: bool, latched: bool) -> AlarmState:
    """What an uncovered alarm shows that nobody has seen yet."""
    if stands:
        return UNACK
    return LATUN if latched else NORM
