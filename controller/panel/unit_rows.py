"""The part of the status map that is there for each unit."""

from __future__ import annotations

from collections.abc import Callable

from controller.alarms.unit_rules import UNIT_RULES
from controller.panel.codes import event_code, highest, state_code, unseen
from controller.panel.form import NONE, Form, Row, bits_of
from controller.panel.shown import UnitShown, alarm_rows, contacts, loop_rows
from controller.picture import UnitPicture
from controller.signals import UNIT_SIGNALS, Kind, names

_U16, _U32, _BITS = Form.UINT16, Form.UINT32, Form.BITS
_N_INPUTS, _N_OUTPUTS = len(names(UNIT_SIGNALS, Kind.DI)), len(names(UNIT_SIGNALS, Kind.DO))


def _row(
    address: int, name: str, form: Form, text: str, get: Callable[[UnitPicture], float], *bits: str
) -> Row[UnitShown]:
    return Row(address, name, form, text, lambda shown: get(shown.picture), bits)


def _or_none(to_go_s: float | None) -> float:
    return NONE if to_go_s is None else to_go_s


_STATUS: tuple[Row[UnitShown], ...] = (
    Row(
        0,
        "heartbeat",
        _U16,
        "as the bank's; blocks with the same one are of the same scan",
        lambda s: s.facts.heartbeat,
    ),
    Row(1, "unit", _U16, "number of the unit", lambda s: s.unit),
    _row(2, "state", _U16, "state, by its number", lambda p: state_code(p.state)),
    _row(3, "in_state_s", _U16, "timer: seconds in this state", lambda p: p.in_state_s),
    _row(4, "target", _U16, "in a stop: the state that it leads to; else 0", lambda p: state_code(p.target)),
    _row(5, "trip", _U16, "in a stop: its trip class, by its number; else 0", lambda p: p.trip),
    _row(6, "latched", _U16, "cause of a lockout: its event; 0 for none", lambda p: event_code(p.latched)),
    _row(
        7,
        "blocked_by",
        _U16,
        "what blocks the next start: its event; 0 for none",
        lambda p: event_code(p.blocked_by),
    ),
    _row(
        8,
        "flags",
        _BITS,
        "what holds of the unit",
        lambda p: bits_of(
            (p.stale, p.link_lost, p.stopped, p.flush_owed, p.in_maintenance, p.first_start, p.quality_alarm)
        ),
        "stale: its I/O image is too old to be judged",
        "link_lost: its I/O was lost and has not been back for long enough",
        "stopped: by a person; needs a start command",
        "flush_owed: concentrate may stand in the membranes",
        "in_maintenance: out for maintenance; this is not isolation",
        "first_start: a person must be present at the next pump start",
        "quality_alarm: stands until the water is good again",
    ),
    _row(
        9,
        "inputs",
        _BITS,
        "contacts as read, 1 is closed",
        lambda p: bits_of(p.inputs[:_N_INPUTS]),
        *contacts(UNIT_SIGNALS, Kind.DI),
    ),
    _row(
        10,
        "outputs",
        _BITS,
        "outputs as commanded, 1 is energised",
        lambda p: bits_of(p.outputs[:_N_OUTPUTS]),
        *contacts(UNIT_SIGNALS, Kind.DO),
    ),
    _row(11, "age_ms", _U16, "age of its I/O image", lambda p: p.age_ms),
    _row(12, "flush_s", _U16, "timer: seconds with both valves open, pump off", lambda p: p.flush_s),
    _row(13, "flush_l", _U16, "litres flushed meanwhile", lambda p: p.flush_l),
    _row(14, "pumping_s", _U32, "timer: seconds since the pump was switched on", lambda p: p.pumping_s),
    _row(
        16,
        "purge_in_s",
        _U16,
        "timer: seconds to the next purge; 65535 when none is counted",
        lambda p: _or_none(p.purge_in_s),
    ),
    _row(
        17,
        "retry_in_s",
        _U16,
        "timer: seconds to the next try; 65535 when none waits",
        lambda p: _or_none(p.retry_in_s),
    ),
    _row(18, "cause_gone_s", _U16, "timer: seconds since the latched cause went", lambda p: p.cause_gone_s),
    _row(
        19,
        "first_out",
        _U16,
        "first cause that stopped it: its alarm number; 0 for none",
        lambda p: p.alarms.first_out + 1,
    ),
    _row(20, "run_s", _U32, "seconds that its pump has run in its life", lambda p: p.run_s),
    _row(22, "starts", _U32, "pump starts in its life", lambda p: p.starts),
    _row(24, "low_suctions", _U16, "low suctions in a rolling hour", lambda p: p.low_suctions_hour),
    _row(25, "io_losses", _U16, "losses of its I/O in a rolling hour", lambda p: p.io_losses_hour),
    _row(26, "quality_flushes", _U16, "quality flushes in a rolling hour", lambda p: p.quality_flushes_hour),
    _row(
        27,
        "priority",
        _U16,
        "the most urgent priority among its alarms that are present; 0 for none",
        lambda p: highest(p.alarms, UNIT_RULES),
    ),
    _row(28, "unacknowledged", _U16, "its alarms that nobody has acknowledged", lambda p: unseen(p.alarms)),
)

UNIT_ROWS: tuple[Row[UnitShown], ...] = (
    *_STATUS,
    *loop_rows(UNIT_SIGNALS, lambda shown: shown.picture.values),
    *alarm_rows(UNIT_RULES, lambda shown: shown.picture.alarms),
)
