"""What a change is, and how an entry of a table is put in place and taken back.

A patch is a function that gives a context manager. It keeps the very object that stood there and puts it
back, so that afterwards every table is what it was, identity and order included.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar

Patch = Callable[[], AbstractContextManager[None]]
Key = TypeVar("Key")
Value = TypeVar("Value")


@dataclass(frozen=True)
class Change:
    """One entry changed in one way. ``touch`` is the word for the entry coming into play (see ``touch``).

    ``shows`` is what an expectation names that looks at the very entry: a signal, an alarm, or "state" and
    the state in which a move ends; "" where there is no such thing.
    """

    kind: str
    entry: str
    how: str
    text: str = field(compare=False)
    touch: str = field(compare=False)
    patch: Patch = field(compare=False, repr=False)
    shows: str = field(default="", compare=False)

    @property
    def id(self) -> str:
        """Its name everywhere."""
        return f"{self.kind}/{self.entry}/{self.how}"


@contextmanager
def item(table: dict[Key, Value], key: Key, value: Value) -> Iterator[None]:
    """Another value under a key that the table has."""
    before = table[key]
    table[key] = value
    try:
        yield
    finally:
        table[key] = before


@contextmanager
def attribute(owner: Any, name: str, value: object) -> Iterator[None]:
    """Another value under a name that a module or class has."""
    before = vars(owner)[name]
    setattr(owner, name, value)
    try:
        yield
    finally:
        setattr(owner, name, before)


def swapped(table: tuple[Value, ...], place: int, value: Value) -> tuple[Value, ...]:
    """The same rows but for one."""
    return (*table[:place], value, *table[place + 1 :])


@contextmanager
def applied(change: Change) -> Iterator[None]:
    """The change in force in this process; controllers made meanwhile are built from the changed tables."""
    with change.patch():
        yield
