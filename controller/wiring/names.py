"""What the name of a signal stands for: "bank.header_ma", "unit3.suction_ma", "unit*.state"."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import NamedTuple

from controller.files import InputError
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, Signal
from controller.wiring.model import Use

SPARE = "spare"
ALL_UNITS = "unit*."
_SIGNALS = {
    **{f"bank.{signal.name}": signal for signal in BANK_SIGNALS},
    **{f"{ALL_UNITS}{signal.name}": signal for signal in UNIT_SIGNALS},
}
_OF_TARGET = {"bank.command": Use.COMMAND, "unit*.command": Use.COMMAND, "unit*.state": Use.STATE}
_ONE_UNIT = re.compile(r"unit([1-9]\d{0,3})\.")


class Place(NamedTuple):
    """Where an entry stands in the file; part of everything that is refused."""

    file: str
    key: str

    def at(self, key: str) -> Place:
        """A key inside this one."""
        return Place(self.file, f"{self.key}.{key}")

    def of(self, name: str) -> Place:
        """One of several things that the entry stands for."""
        return Place(self.file, f"{self.key}: {name}")

    def refuse(self, text: str) -> InputError:
        """The one line for the user."""
        return InputError(f"{self.file}: {self.key}: {text}")


class What(NamedTuple):
    """One signal of one unit (0 = the bank); without ``signal`` what a controller under test has besides."""

    name: str
    unit: int
    signal: Signal | None
    use: Use

    @property
    def is_contact(self) -> bool:
        """Open or closed."""
        return self.signal is not None and self.signal.kind in (Kind.DI, Kind.DO)


def what_is(name: str, n_units: int, place: Place) -> list[What]:
    """All that a name stands for: one thing, or one for each unit; InputError when there is no such."""
    numbered = _ONE_UNIT.match(name)
    pattern = ALL_UNITS + name[numbered.end() :] if numbered else name
    signal = _SIGNALS.get(pattern)
    use = _OF_TARGET.get(pattern) or _use(signal)
    if use is None:
        raise place.refuse(f"{name} is not in the I/O list{near(pattern, [*_SIGNALS, *_OF_TARGET, SPARE])}")
    if not pattern.startswith(ALL_UNITS):
        return [What(name, 0, signal, use)]
    if numbered and int(numbered[1]) > n_units:
        raise place.refuse(f"{name}: the site has {n_units} units")
    units = [int(numbered[1])] if numbered else range(1, n_units + 1)
    return [What(pattern.replace("*", str(unit)), unit, signal, use) for unit in units]


def all_signals(n_units: int) -> list[What]:
    """Every signal of the I/O list of a site: the bank's, then one unit's after the other's."""
    place = Place("", "")
    found = [what for pattern in _SIGNALS for what in what_is(pattern, n_units, place)]
    return sorted(found, key=lambda what: what.unit)  # what is of one unit stays in its order


def near(word: str, known: Iterable[str]) -> str:
    """The nearest known word, as the end of a line."""
    found = difflib.get_close_matches(word, list(known), 1)
    return f": did you mean {found[0]}?" if found else ""


def _use(signal: Signal | None) -> Use | None:
    if signal is None:
        return None
    return Use.FIELD_INPUT if signal.kind in (Kind.DI, Kind.AI) else Use.FIELD_OUTPUT
