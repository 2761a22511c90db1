"""What became of a command, for whoever gave it. No part of the state: only of the last scan."""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from typing import NamedTuple

from controller.signals import Command


class Outcome(IntEnum):
    """What became of a command; the numbers are those of the status map."""

    TAKEN = 1
    TOO_FAST = 2
    STATE_PASSED = 3
    NOT_FROM_HERE = 4
    CAUSE_STANDS = 5
    NOTHING_TO_DO = 6
    REASON_NEEDED = 7
    REFUSED = 8
    NO_ANSWER = 9
    TOO_LATE = 10


OUTCOME_TEXT: dict[Outcome, str] = {
    Outcome.TAKEN: "taken",
    Outcome.TOO_FAST: "refused: less than 1 s after another command",
    Outcome.STATE_PASSED: "refused: given against a state that has passed",
    Outcome.NOT_FROM_HERE: "refused: not from this state",
    Outcome.CAUSE_STANDS: "refused: the cause stands",
    Outcome.NOTHING_TO_DO: "refused: there is nothing to reset or to acknowledge",
    Outcome.REASON_NEEDED: "refused: the same cause again and again; a named person must give the reason",
    Outcome.REFUSED: "refused: the journal says why",
    Outcome.NO_ANSWER: "refused: the firmware gave no answer",
    Outcome.TOO_LATE: "refused: no scan took it in time",
}

_RANK = (Outcome.TAKEN, Outcome.NOTHING_TO_DO)


class Answered(NamedTuple):
    """One command and what one unit, the bank or the alarms made of it."""

    command: Command
    outcome: Outcome


def outcome_of(command: Command, answers: Sequence[Answered]) -> Outcome:
    """One outcome for a command that went to several: a refusal before TAKEN, TAKEN before nothing to do.

    >>> from controller.signals import Verb
    >>> stop = Command(Verb.STOP, 0, "Grace")
    >>> outcome_of(stop, [Answered(stop, Outcome.NOTHING_TO_DO), Answered(stop, Outcome.TAKEN)]).name
    'TAKEN'
    >>> outcome_of(stop, []).name
    'NO_ANSWER'
    """
    found = {answer.outcome for answer in answers if answer.command == command}
    refusals = sorted(found.difference(_RANK))
    if refusals:
        return refusals[0]
    return next((outcome for outcome in _RANK if outcome in found), Outcome.NO_ANSWER)
