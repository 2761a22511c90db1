"""The part of the status map that is there once: the program, what the units share, the last command."""

from __future__ import annotations

from collections.abc import Callable

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.rules import Priority
from controller.alarms.unit_rules import UNIT_RULES
from controller.panel.codes import STAGE_CODES, present, unseen
from controller.panel.form import Form, Row, bits_of
from controller.panel.shown import BankShown, alarm_rows, contacts, loop_rows
from controller.picture import BankPicture
from controller.signals import BANK_SIGNALS, Kind, from_ma, names, signal_named

KNOWN = 1234.5
"""Stands at a fixed address, so that a panel can tell whether it reads words in the right order."""

_U16, _U32, _F32, _BITS = Form.UINT16, Form.UINT32, Form.FLOAT32, Form.BITS
_N_INPUTS, _N_OUTPUTS = len(names(BANK_SIGNALS, Kind.DI)), len(names(BANK_SIGNALS, Kind.DO))
_SPEED = signal_named(BANK_SIGNALS, "booster_speed_cmd_ma")
_RATE = signal_named(BANK_SIGNALS, "dosing_rate_cmd_ma")


def _row(
    address: int, name: str, form: Form, text: str, get: Callable[[BankPicture], float], *bits: str
) -> Row[BankShown]:
    return Row(address, name, form, text, lambda shown: get(shown.picture.bank), bits)


def _present(shown: BankShown, priority: Priority) -> int:
    units = (present(unit.alarms, UNIT_RULES, priority) for unit in shown.picture.units)
    return present(shown.picture.bank.alarms, BANK_RULES, priority) + sum(units)


def _unseen(shown: BankShown) -> int:
    return unseen(shown.picture.bank.alarms) + sum(unseen(unit.alarms) for unit in shown.picture.units)


PROGRAM_ROWS: tuple[Row[BankShown], ...] = (
    Row(1, "session", _U16, "drawn anew at each start of the firmware, never 0", lambda s: s.facts.session),
    Row(2, "heartbeat", _U16, "scans since the start, modulo 65536", lambda s: s.facts.heartbeat),
    Row(3, "units", _U16, "number of units", lambda s: len(s.picture.units)),
    Row(4, "known", _F32, f"always {KNOWN}; proves word order and addresses", lambda _: KNOWN),
    Row(6, "uptime_s", _U32, "seconds since the start", lambda s: s.facts.uptime_s),
    Row(8, "skipped", _U32, "scans skipped since the start: one took too long", lambda s: s.facts.skipped),
    Row(10, "journal", _U32, "number of the last journal line on disk", lambda s: s.facts.journal),
)

_STATUS: tuple[Row[BankShown], ...] = (
    _row(12, "age_ms", _U16, "age of the shared I/O image", lambda p: p.age_ms),
    _row(
        13,
        "flags",
        _BITS,
        "what holds of the bank",
        lambda p: bits_of((p.stale, p.link_lost, p.full, bool(p.latched))),
        "stale: the shared I/O image is too old to be judged",
        "link_lost: the shared I/O was lost and has not been back for long enough",
        "full: the tank is above the first call, nobody new may start",
        "latched: a shared cause waits for its end and a reset",
    ),
    _row(
        14,
        "inputs",
        _BITS,
        "contacts as read, 1 is closed",
        lambda p: bits_of(p.inputs[:_N_INPUTS]),
        *contacts(BANK_SIGNALS, Kind.DI),
    ),
    _row(
        15,
        "outputs",
        _BITS,
        "outputs as commanded, 1 is energised",
        lambda p: bits_of(p.outputs[:_N_OUTPUTS]),
        *contacts(BANK_SIGNALS, Kind.DO),
    ),
    _row(16, "stage", _U16, "pre-start order, by its number", lambda p: STAGE_CODES[p.stage]),
    _row(17, "stage_s", _U16, "seconds in this stage", lambda p: p.stage_s),
    _row(18, "wanted", _U16, "units that the demand wants", lambda p: p.wanted),
    Row(
        19,
        "critical",
        _U16,
        "alarms of priority 1 that are present, those of units included",
        lambda s: _present(s, Priority.CRITICAL),
    ),
    Row(20, "high", _U16, "the same of priority 2", lambda s: _present(s, Priority.HIGH)),
    Row(21, "medium", _U16, "the same of priority 3", lambda s: _present(s, Priority.MEDIUM)),
    Row(22, "unacknowledged", _U16, "alarms that nobody has acknowledged, those of units included", _unseen),
    _row(
        23,
        "first_out",
        _U16,
        "first cause that stopped the bank: its alarm number; 0 for none",
        lambda p: p.alarms.first_out + 1,
    ),
    _row(
        24,
        "booster_speed_cmd",
        _F32,
        f"{_SPEED.text}, {_SPEED.unit}",
        lambda p: from_ma(_SPEED, p.outputs.booster_speed_cmd_ma),
    ),
    _row(
        26,
        "dosing_rate_cmd",
        _F32,
        f"{_RATE.text}, {_RATE.unit}",
        lambda p: from_ma(_RATE, p.outputs.dosing_rate_cmd_ma),
    ),
)

RECEIPT_ROWS: tuple[Row[BankShown], ...] = (
    Row(60, "accepts", _U16, "1 when commands are taken at all", lambda s: s.facts.receipt.accepts),
    Row(61, "next", _U16, "sequence that the next command must bear", lambda s: s.facts.receipt.next),
    Row(
        62,
        "sequence",
        _U16,
        "acknowledge: sequence of the last command answered; 0 before the first",
        lambda s: s.facts.receipt.sequence,
    ),
    Row(63, "outcome", _U16, "acknowledge: what became of it", lambda s: s.facts.receipt.outcome),
    Row(64, "verb", _U16, "acknowledge: its verb", lambda s: s.facts.receipt.verb),
    Row(65, "unit", _U16, "acknowledge: its unit", lambda s: s.facts.receipt.unit),
    Row(
        66,
        "refused_writes",
        _U16,
        "writes answered with an exception since the start, modulo 65536",
        lambda s: s.facts.receipt.refused_writes % 65_536,
    ),
)

BANK_ROWS: tuple[Row[BankShown], ...] = (
    *_STATUS,
    *loop_rows(BANK_SIGNALS, lambda shown: shown.picture.bank.values),
    *RECEIPT_ROWS,
    *alarm_rows(BANK_RULES, lambda shown: shown.picture.bank.alarms),
)
