"""Requirements that only the target's data port can show: its journal, and its setpoints written and read."""

from __future__ import annotations

import math
import operator

from controller.parts.journal import Entry
from controller.settings import Setpoints
from sim_plant.bench.monitors.observed import Observed
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.port import Answered, answered

_BOUNDS = {"ge": operator.ge, "gt": operator.gt, "le": operator.le, "lt": operator.lt}


def stops_have_a_cause(obs: Observed) -> Tally:
    """SR-55."""
    tally = obs.tally("one move with one cause in the journal within a scan of each stop")
    if obs.trace.journal is None:
        tally.silent("the target gives no journal")
        return tally
    for unit in obs.units:
        for row in obs.falls("pump", unit).tolist():
            if not obs.powered[row]:
                continue  # a program without supply writes nothing
            at_ms = int(obs.t[row])
            causes = [_cause(line) for line in _moves(obs.trace.journal, unit, at_ms, obs.scan_ms)]
            if len(causes) == 1 and causes[0]:
                tally.held(at_ms, unit, causes[0])
            else:
                told = "; ".join(cause or "a move without a cause" for cause in causes) or "none"
                tally.broken(at_ms, unit, f"{len(causes)} causes of one stop: {told}")
    return tally


def _moves(journal: list[Entry], unit: int, at_ms: int, scan_ms: int) -> list[Entry]:
    """Lines that say that the unit changed its state in this very scan, or else within a scan of it."""
    moves = [line for line in journal if line.unit == unit and line.kind == "move"]
    exact = [line for line in moves if line.t_ms == at_ms]
    return exact or [line for line in moves if abs(line.t_ms - at_ms) <= scan_ms]


def _cause(line: Entry) -> str:
    return line.text.partition(":")[2].strip()


def setpoints_are_guarded(obs: Observed) -> Tally:
    """SR-56."""
    tally = obs.tally("refused, and the last good value stays")
    for mark in obs.trace.marks:
        if mark.what == "setpoint":
            _judge_answer(tally, mark.t_ms, answered(mark.text))
    return tally


def _judge_answer(tally: Tally, at_ms: int, answer: Answered) -> None:
    wrong = _wrong(answer)
    stayed = answer.after == answer.before or (math.isnan(answer.before) and math.isnan(answer.after))
    if wrong and answer.accepted:
        tally.broken(at_ms, 0, f"{answer.name} = {answer.value:g} taken though {wrong}")
    elif not answer.accepted and not stayed:
        tally.broken(at_ms, 0, f"{answer.name} refused, yet {answer.before:g} became {answer.after:g}")
    elif answer.accepted and answer.after != answer.value:
        tally.broken(at_ms, 0, f"{answer.name} = {answer.value:g} accepted, reads {answer.after:g}")
    elif wrong or answer.accepted:
        tally.held(at_ms, 0, f"refused: {wrong}" if wrong else "accepted")


def _wrong(answer: Answered) -> str:
    """Why the change must be refused, "" when it may be accepted or not."""
    if not answer.by.strip():
        return "nobody gives a name"
    if answer.name not in Setpoints.model_fields:
        return "there is no such setpoint"
    if not math.isfinite(answer.value):
        return "it is no number"
    for bound in Setpoints.model_fields[answer.name].metadata:
        for name, inside in _BOUNDS.items():
            limit = getattr(bound, name, None)
            if limit is not None and not inside(answer.value, limit):
                return "it lies outside its range"
    return ""


RULES = (
    Requirement(
        "SR-55",
        "Every stop of a pump stands in the target's journal as one move with one cause, at the time of the "
        "stop.",
        "invariant",
        ("loss of availability",),
        (),
        stops_have_a_cause,
    ),
    Requirement(
        "SR-56",
        "A setpoint outside its range, one that is no number, one that does not exist or one from somebody "
        "without a name is refused, and the last good value stays; one that is accepted reads back.",
        "invariant",
        ("all others",),
        (),
        setpoints_are_guarded,
    ),
)
