"""Changes of what survives a loss of power, and of the alarms."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import MISSING, Field, fields
from functools import partial
from typing import Any

from controller import retained
from controller.alarms import board
from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.rules import AlarmRule
from controller.alarms.unit_rules import UNIT_RULES
from controller.bank.memory import BankMemory
from controller.unit.memory import UnitMemory
from sim_plant.bench.alarms_seen import PREFIX
from sim_plant.bench.sabotage.change import Change, attribute, swapped

_NEVER_S = 1e9


def recalled(scope: str, name: str) -> str:
    """The touch of a field that was recalled with something else than a fresh memory has."""
    return f"recall {scope} {name}"


def came(scope: str, alarm: str) -> str:
    """The touch of an alarm that came."""
    return f"alarm {scope} {alarm}"


UNIT_FIELDS, BANK_FIELDS = (
    tuple(
        name
        for name in kept
        if name in {f.name for f in fields(memory)}  # "starts_ago_ms" is kept in another form
    )
    for kept, memory in (
        (retained._unit_values(retained.gather(BankMemory(1), [UnitMemory()]).units[0]), UnitMemory),
        (retained.gather(BankMemory(1), []).bank, BankMemory),
    )
)
"""Fields of the memories that a recall fills in."""


def changes() -> Iterator[Change]:
    """All of them."""
    for scope, names, memory in (("unit", UNIT_FIELDS, UnitMemory), ("bank", BANK_FIELDS, BankMemory)):
        for name in names:
            text = f"{name} of the {scope} is lost with the power"
            patch = partial(_forgotten, scope, _field(memory, name))
            yield Change("retained", f"{scope}/{name}", "drop", text, recalled(scope, name), patch)
    for scope, table, rules in (("unit", "UNIT_RULES", UNIT_RULES), ("bank", "BANK_RULES", BANK_RULES)):
        for place, rule in enumerate(rules):
            text = f'the alarm "{rule.id}" of the {scope} never comes'
            patch = partial(_silent, table, rules, place)
            entry = f"{scope}/{rule.id.replace(' ', '-')}"
            shows = ("bank." if scope == "bank" else "") + PREFIX + rule.id
            yield Change("alarm", entry, "drop", text, came(scope, rule.id), patch, shows)


def _field(memory: type, name: str) -> Field[Any]:
    return next(f for f in fields(memory) if f.name == name)


def fresh(f: Field[Any]) -> object:
    """What a memory begins with."""
    return f.default if f.default_factory is MISSING else f.default_factory()


@contextmanager
def _forgotten(scope: str, f: Field[Any]) -> Iterator[None]:
    recall = retained.recall

    def forgetful(text: str, bank: BankMemory, units: list[UnitMemory]) -> None:
        recall(text, bank, units)
        for memory in (bank,) if scope == "bank" else units:
            setattr(memory, f.name, fresh(f))

    with attribute(retained, "recall", forgetful):
        yield


@contextmanager
def _silent(table: str, rules: tuple[AlarmRule, ...], place: int) -> Iterator[None]:
    """The rule stays in its place, as others name it; its cause never counts, nor does its latch."""
    silent = rules[place]._replace(on_delay=_NEVER_S, latching=False, stops=False)
    with attribute(board, table, swapped(rules, place, silent)):
        yield
