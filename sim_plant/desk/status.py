"""The registers of a status map as pictures for the page; what the map does not tell is None.

docs/status-map.md is the map. A number that it does not have is refused, never guessed at.
Contacts of an image that is too old for the controller itself are not known here either.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from typing import Any

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.rules import AlarmRule
from controller.alarms.states import STATE_TEXT, AlarmState
from controller.alarms.unit_rules import UNIT_RULES
from controller.panel.bank_rows import KNOWN
from controller.panel.codes import ALARM_CODES, PRIORITY_STEP, STAGE_CODES, STATE_CODES
from controller.panel.form import NONE, Form, Row
from controller.panel.map import BANK_MAP, UNIT_MAP, map_sum
from controller.parts.analogue import Quality
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, names
from controller.unit.states import EVENT_TEXT, Event, UnitState
from sim_plant.bench.evidence.strips import look_of
from sim_plant.desk.history import BANK_LOOPS, UNIT_LOOPS
from sim_plant.desk.picture import SHOWN, STAGES

UNITS_MAX = 64
READ_MAX = 125  # registers in one request
NOT_TOLD = "the status map does not tell why"
UNNAMED = "a cause that the status map does not name"
NOT_KNOWN = "not known"
_STATES = {code: state for state, code in STATE_CODES.items()}
_STAGES = {code: stage for stage, code in STAGE_CODES.items()}
_ALARMS = {code: state for state, code in ALARM_CODES.items()}
_EVENTS = {event.value: event for event in Event}
_QUALITIES = {quality.value: quality for quality in Quality}

Fields = dict[str, float]
"""A block of the map by the names of its rows."""


class StrangerError(Exception):
    """What answers is not a status map of ours, or not one that can be true; the words say where to look."""


def spans(rows: Sequence[Row[Any]]) -> tuple[tuple[int, int], ...]:
    """First address and count of the requests that read these rows; none cuts a row in two."""
    found: list[list[int]] = []
    for row in rows:
        if not found or row.end - found[-1][0] > READ_MAX:
            found.append([row.address, row.end])
        found[-1][1] = row.end
    return tuple((first, end - first) for first, end in found)


BANK_SPANS, UNIT_SPANS = spans(BANK_MAP), spans(UNIT_MAP)


def fields(rows: Sequence[Row[Any]], registers: Sequence[int]) -> Fields:
    """The block that these registers are, from its address 0 on."""
    return {row.name: _value(row.form, registers[row.address : row.end]) for row in rows}


def _value(form: Form, registers: Sequence[int]) -> float:
    """
    >>> _value(Form.FLOAT32, [0x449A, 0x5000]), _value(Form.UINT32, [1, 1])
    (1234.5, 65537)
    """
    raw = b"".join(word.to_bytes(2, "big") for word in registers)
    if form is Form.FLOAT32:
        return float(struct.unpack(">f", raw)[0])
    return int.from_bytes(raw, "big")


# --- who answers ---------------------------------------------------------------------------------------


def check_bank(bank: Fields) -> int:
    """The number of units; StrangerError when this is no status map of this version."""
    if bank["known"] != KNOWN:
        raise StrangerError(
            f"what answers is no status map: {KNOWN:g} must stand at address 4; look at host and port"
        )
    if bank["map"] != map_sum():
        raise StrangerError(
            f"it shows map {bank['map']:.0f}, this program knows {map_sum()}: look at the versions of both"
        )
    units = int(bank["units"])
    if not 1 <= units <= UNITS_MAX or not bank["session"]:
        raise StrangerError("it shows what no firmware of this map shows: look at what serves this port")
    return units


def check_unit(unit: Fields, number: int) -> None:
    """StrangerError when this is another unit's block."""
    if unit["unit"] != number:
        raise StrangerError(f"unit {unit['unit']:.0f} stands where unit {number} must: look at what answers")


# --- one moment ----------------------------------------------------------------------------------------


def draw_bank(bank: Fields) -> dict[str, Any]:
    """What the units share."""
    flags = int(bank["flags"])
    stage = _STAGES.get(int(bank["stage"]))
    if stage is None:
        raise _odd("stage", bank)
    return {
        "stage": STAGES[stage.value],
        "wanted": int(bank["wanted"]),
        "full": bool(flags & 4),
        "latched": [UNNAMED] if flags & 8 else [],
        "stale": bool(flags & 1),
        "values": _values(bank, BANK_LOOPS),
        "in": None if flags & 1 else _bits(bank["inputs"], len(names(BANK_SIGNALS, Kind.DI))),
        "out": _bits(bank["outputs"], len(names(BANK_SIGNALS, Kind.DO))),
    }


def draw_unit(number: int, unit: Fields, alarms: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """One unit, with the alarms of all."""
    state, flags = state_of(unit), int(unit["flags"])
    target = _STATES.get(int(unit["target"]))
    if unit["target"] and target is None:
        raise _odd("target", unit)
    look = look_of(state.value)
    retry_s = _timer(unit["retry_in_s"])
    first_out = int(unit["first_out"])
    if first_out > len(UNIT_RULES):
        raise _odd("first_out", unit)
    own = [alarm["priority"] for alarm in alarms if alarm["unit"] == number and alarm["shown"]]
    return {
        "unit": number,
        "state": state.value,
        "code": look.code,
        "words": look.word,
        "target": "" if target is None else look_of(target.value).word,
        "in_state_s": _timer(unit["in_state_s"]),
        "why": NOT_TOLD if retry_s is None else "the next try",
        "to_go_s": retry_s,
        "first_out": UNIT_RULES[first_out - 1].text if first_out else "",
        "latched": _event("latched", unit),
        "cause_gone_s": _timer(unit["cause_gone_s"]),
        "blocked": _event("blocked_by", unit),
        "flush_owed": bool(flags & 8),
        "stopped": bool(flags & 4),
        "in_maintenance": bool(flags & 16),
        "stale": bool(flags & 1),
        "run_h": round(unit["run_s"] / 3600.0, 2),
        "starts": int(unit["starts"]),
        "values": _values(unit, UNIT_LOOPS),
        "in": None if flags & 1 else _bits(unit["inputs"], len(names(UNIT_SIGNALS, Kind.DI))),
        "out": _bits(unit["outputs"], len(names(UNIT_SIGNALS, Kind.DO))),
        "worst": min(own, default=0),
    }


def state_of(unit: Fields) -> UnitState:
    """The state of a unit."""
    state = _STATES.get(int(unit["state"]))
    if state is None:
        raise _odd("state", unit)
    return state


def draw_alarms(bank: Fields, units: Sequence[Fields]) -> list[dict[str, Any]]:
    """Every alarm that is not normal; since when, the map does not tell."""
    found = _scope(0, BANK_RULES, bank)
    for number, unit in enumerate(units, start=1):
        found.extend(_scope(number, UNIT_RULES, unit))
    return found


def _scope(number: int, rules: Sequence[AlarmRule], block: Fields) -> list[dict[str, Any]]:
    found = []
    for place, rule in enumerate(rules, start=1):
        if not (word := int(block[rule.id])):
            continue
        priority, code = divmod(word, PRIORITY_STEP)
        state = _ALARMS.get(code, AlarmState.NORM)
        if priority != rule.priority.value or state is AlarmState.NORM:
            raise _odd(rule.id, block)
        found.append(
            {
                "unit": number,
                "tag": rule.tag,
                "id": rule.id,
                "state": state.value,
                "state_words": STATE_TEXT[state],
                "priority": priority,
                "first_out": place == block["first_out"],
                "since_s": None,
                "text": rule.text,
                "action": rule.action,
                "because_of": "",
                "shown": state.value in SHOWN,
                "unseen": state.value in ("UNACK", "RTNUN", "LATUN"),
            }
        )
    return found


def _odd(name: str, block: Fields) -> StrangerError:
    return StrangerError(
        f"{name} reads {block[name]:.0f}, which this map does not have: look at what serves this port"
    )


def _values(block: Fields, loops: Sequence[str]) -> dict[str, list[Any]]:
    return {name: _believed(name.removesuffix("_ma"), block) for name in loops}


def _believed(name: str, block: Fields) -> list[Any]:
    value, quality = block[name], int(block[f"{name}_quality"])
    if quality not in _QUALITIES:
        raise _odd(f"{name}_quality", block)
    return [round(value, 3) if math.isfinite(value) else None, _QUALITIES[quality].name]


def _bits(word: float, count: int) -> list[int]:
    return [int(word) >> place & 1 for place in range(count)]


def _timer(seconds: float) -> int | None:
    """None when there is none, or more than a register holds."""
    return None if seconds == NONE else int(seconds)


def _event(name: str, unit: Fields) -> str:
    code = int(unit[name])
    if code and code not in _EVENTS:
        raise _odd(name, unit)
    return EVENT_TEXT[_EVENTS[code]] if code else ""


# --- nothing is known ----------------------------------------------------------------------------------


def unknown_bank() -> dict[str, Any]:
    """As long as the target does not tell."""
    return {
        "stage": None,
        "wanted": None,
        "full": None,
        "latched": None,
        "stale": None,
        "values": {name: [None, ""] for name in BANK_LOOPS},
        "in": None,
        "out": None,
    }


def unknown_unit(number: int) -> dict[str, Any]:
    """The same of a unit."""
    nothing = (
        "target",
        "in_state_s",
        "to_go_s",
        "first_out",
        "latched",
        "cause_gone_s",
        "blocked",
        "flush_owed",
        "stopped",
        "in_maintenance",
        "stale",
        "run_h",
        "starts",
        "in",
        "out",
        "worst",
    )
    return {
        **dict.fromkeys(nothing),
        "unit": number,
        "state": "",
        "code": "?",
        "words": NOT_KNOWN,
        "why": "the target does not tell",
        "values": {name: [None, ""] for name in UNIT_LOOPS},
    }
