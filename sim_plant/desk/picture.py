"""The picture that a page is sent: plain data for JSON, made by the thread that owns the session."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

from controller.alarms.board import AlarmView
from controller.alarms.states import STATE_TEXT
from controller.parts.journal import Entry
from controller.picture import BankPicture, UnitPicture, Value
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, names
from controller.unit.states import EVENT_TEXT
from sim_plant.bench.evidence.strips import look_of
from sim_plant.desk.history import BANK_LOOPS, UNIT_LOOPS
from sim_plant.desk.session import Active, Session
from sim_plant.faults import spec_of

PICTURE_VERSION = 1
JOURNAL_LINES = 40
_UNIT_DIS, _BANK_DIS = (len(names(table, Kind.DI)) for table in (UNIT_SIGNALS, BANK_SIGNALS))
_BANK_DOS = len(names(BANK_SIGNALS, Kind.DO))
_TO_GO = re.compile(r"^(.*), (\d+) s to go$")

STAGES = {
    "STOPPED": "stopped",
    "CHECK_HEALTH": "checking healthy signals",
    "CHECK_WATER": "checking the feed water",
    "RAISE_HEADER": "raising the header",
    "PROVE_DOSING": "proving the dosing",
    "READY": "ready",
}


def split_wait(sentence: str) -> tuple[str, int | None]:
    """The firmware's sentence about a wait, and the seconds that it counts down, if it does.

    >>> split_wait("flushing, 87 s to go")
    ('flushing', 87)
    >>> split_wait("waiting for a flush slot")
    ('waiting for a flush slot', None)
    """
    found = _TO_GO.match(sentence)
    return (found[1], int(found[2])) if found else (sentence, None)


def draw(session: Session) -> dict[str, Any]:
    """All that is shown of the run as it is now; the pace of time is added by whoever keeps it."""
    picture, alarms = session.picture(), session.controller.alarms()
    return {
        "version": PICTURE_VERSION,
        "t_ms": session.now_ms,
        "powered": session.rig.powered,
        "copies": session.kept,
        "bank": _bank(picture.bank),
        "units": [
            _unit(number, unit, wait, alarms, session.rig.powered)
            for number, (unit, wait) in enumerate(
                zip(picture.units, session.controller.waits(), strict=True), start=1
            )
        ],
        "alarms": [_alarm(alarm, session.now_ms) for alarm in alarms],
        "faults": [_fault(active) for active in session.active()],
        "coming": [{"due_s": due_ms / 1000.0, "words": words} for due_ms, words in session.coming_words()],
        "journal": [_line(line) for line in list(session.journal)[-JOURNAL_LINES:]],
        "receipts": [
            {"t_s": r.t_ms / 1000.0, "text": r.text, "outcome": r.outcome, "ok": r.ok}
            for r in session.receipts
        ],
        "done": len(session.performed),
    }


def _bank(bank: BankPicture) -> dict[str, Any]:
    return {
        "stage": STAGES[bank.stage.value],
        "stage_s": round(bank.stage_s, 1),
        "ready": bank.stage.value == "READY",
        "wanted": bank.wanted,
        "full": bank.full,
        "latched": [EVENT_TEXT[event] for event in bank.latched],
        "stale": bank.stale,
        "values": _values(BANK_LOOPS, bank.values),
        "in": None if bank.stale else [int(contact) for contact in bank.inputs[:_BANK_DIS]],
        "out": [int(coil) for coil in bank.outputs[:_BANK_DOS]],
    }


def _unit(
    number: int, unit: UnitPicture, wait: str, alarms: Sequence[AlarmView], powered: bool
) -> dict[str, Any]:
    look = look_of(unit.state.value)
    own = [alarm for alarm in alarms if alarm.unit == number]
    why, to_go_s = split_wait(wait)
    if not powered:
        why, to_go_s = "the controller has no power", None
    first_out = next((alarm.text for alarm in own if alarm.first_out), "")
    return {
        "unit": number,
        "state": unit.state.value,
        "code": look.code,
        "words": look.word,
        "target": look_of(unit.target.value).word if unit.target is not None else "",
        "in_state_s": round(unit.in_state_s, 1),
        "why": why,
        "to_go_s": to_go_s,
        "first_out": first_out,
        "latched": EVENT_TEXT[unit.latched] if unit.latched is not None else "",
        "cause_gone_s": round(unit.cause_gone_s, 1),
        "blocked": EVENT_TEXT[unit.blocked_by] if unit.blocked_by is not None else "",
        "flush_owed": unit.flush_owed,
        "stopped": unit.stopped,
        "in_maintenance": unit.in_maintenance,
        "stale": unit.stale,
        "run_h": round(unit.run_s / 3600.0, 2),
        "starts": unit.starts,
        "values": _values(UNIT_LOOPS, unit.values),
        "in": None if unit.stale else [int(contact) for contact in unit.inputs[:_UNIT_DIS]],
        "out": [int(coil) for coil in unit.outputs],
        "worst": min((alarm.priority.value for alarm in own if alarm.state.value in SHOWN), default=0),
    }


SHOWN = frozenset({"UNACK", "ACKED", "RTNUN", "LATUN", "LATACK"})
"""States in which an alarm counts: neither shelved, nor suppressed, nor out of service."""


def _values(loops: Sequence[str], values: Sequence[Value]) -> dict[str, list[Any]]:
    return {
        name: [round(value, 3) if math.isfinite(value) else None, quality.name]
        for name, (value, quality) in zip(loops, values, strict=True)
    }


def _alarm(alarm: AlarmView, now_ms: int) -> dict[str, Any]:
    row: dict[str, Any] = {
        "unit": alarm.unit,
        "tag": alarm.tag,
        "id": alarm.id,
        "state": alarm.state.value,
        "state_words": STATE_TEXT[alarm.state],
        "priority": alarm.priority.value,
        "first_out": alarm.first_out,
        "since_s": alarm.since_ms / 1000.0,
        "text": alarm.text,
        "action": alarm.action,
        "because_of": alarm.consequence_of,
        "shown": alarm.state.value in SHOWN,
        "unseen": alarm.state.value in ("UNACK", "RTNUN", "LATUN"),
    }
    if alarm.shelf is not None:
        left_min = max(alarm.shelf.until_ms - now_ms, 0) / 60_000.0
        row["shelf"] = f"by {alarm.shelf.by}: {alarm.shelf.reason}; {left_min:.0f} min left"
    return row


def _fault(active: Active) -> dict[str, Any]:
    fault = active.fault
    spec = spec_of(fault.target, fault.kind)
    value = "" if fault.value is None else f" {fault.value:g} {spec.value_unit}"
    return {
        "name": active.name,
        "unit": fault.unit,
        "words": f"{fault.target} {fault.kind}{value}",
        "text": spec.text,
        "left_s": active.left_s,
    }


def _line(line: Entry) -> list[Any]:
    return [round(line.t_ms / 1000.0, 1), line.unit, line.kind, line.text]
