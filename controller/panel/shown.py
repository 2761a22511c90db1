"""What the rows of the status map are taken out of, and rows that bank and unit have in common."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import NamedTuple, TypeVar

from controller.alarms.rules import AlarmRule
from controller.panel.codes import alarm_word
from controller.panel.form import Form, Row
from controller.panel.orders import Receipt
from controller.picture import Alarms, Picture, UnitPicture, Value
from controller.signals import Kind, Signal

LOOPS_AT, LOOP_STEP, ALARMS_AT = 30, 3, 100


class Facts(NamedTuple):
    """What the program around the firmware adds.

    ``session`` is drawn at each start. ``scans`` and ``skipped`` count since the start, ``journal`` is the
    number of the last journal line on disk.
    """

    session: int
    scans: int
    skipped: int
    uptime_s: float
    journal: int
    receipt: Receipt

    @property
    def heartbeat(self) -> int:
        """Changes with each scan."""
        return self.scans % 65_536


class BankShown(NamedTuple):
    """For the rows of the bank."""

    facts: Facts
    picture: Picture


class UnitShown(NamedTuple):
    """For the rows of a unit; ``unit`` counts from 1."""

    facts: Facts
    unit: int
    picture: UnitPicture


_S = TypeVar("_S")


def loop_rows(table: tuple[Signal, ...], values: Callable[[_S], tuple[Value, ...]]) -> Iterator[Row[_S]]:
    """Each loop: its value, and behind it how far that is to be believed."""
    for place, signal in enumerate(s for s in table if s.kind is Kind.AI):
        name, address = signal.name.removesuffix("_ma"), LOOPS_AT + LOOP_STEP * place
        text = f"{signal.text}, {signal.unit}; not a number while it is not to be believed"
        yield Row(address, name, Form.FLOAT32, text, partial(_value, values, place))
        yield Row(
            address + 2,
            f"{name}_quality",
            Form.UINT16,
            "0 INIT, 1 GOOD, 2 UNCERTAIN, 3 BAD",
            partial(_quality, values, place),
        )


def alarm_rows(rules: tuple[AlarmRule, ...], alarms: Callable[[_S], Alarms]) -> Iterator[Row[_S]]:
    """Each alarm in a register of its own, in the order of the table."""
    for place, rule in enumerate(rules):
        text = f"alarm {place + 1}, priority {rule.priority.value}: {rule.text}"
        yield Row(ALARMS_AT + place, rule.id, Form.UINT16, text, partial(_alarm, alarms, place, rule))


def contacts(table: tuple[Signal, ...], kind: Kind) -> tuple[str, ...]:
    """What each bit of an image means."""
    return tuple(f"{s.name}: {s.text}" for s in table if s.kind is kind)


def _value(values: Callable[[_S], tuple[Value, ...]], place: int, shown: _S) -> float:
    return values(shown)[place].value


def _quality(values: Callable[[_S], tuple[Value, ...]], place: int, shown: _S) -> float:
    return values(shown)[place].quality


def _alarm(alarms: Callable[[_S], Alarms], place: int, rule: AlarmRule, shown: _S) -> float:
    return alarm_word(rule, alarms(shown).states[place])
