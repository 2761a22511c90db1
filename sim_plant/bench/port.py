"""What a target's data port answers when a setpoint is written and read back, as a mark carries it."""

from __future__ import annotations

import re
from typing import NamedTuple

_WORDS = re.compile(
    r"(?P<name>.*?) = (?P<value>\S+) by '(?P<by>.*)': (?P<verdict>accepted|refused), "
    r"(?P<before>\S+) then (?P<after>\S+)",
    re.DOTALL,
)


class Answered(NamedTuple):
    """One attempt to write a setpoint.

    ``before`` and ``after`` are what the port read beside it; NaN for a name that it does not know.
    """

    name: str
    value: float
    by: str
    accepted: bool
    before: float
    after: float

    def words(self) -> str:
        """As it stands in a mark."""
        verdict = "accepted" if self.accepted else "refused"
        read = f"{self.before!r} then {self.after!r}"
        return f"{self.name} = {self.value!r} by '{self.by}': {verdict}, {read}"


def answered(words: str) -> Answered:
    """The inverse of ``Answered.words``; ValueError for other words."""
    found = _WORDS.fullmatch(words)
    if found is None:
        raise ValueError(f"{words!r} is no answer to a setpoint")
    part = found.groupdict()
    return Answered(
        part["name"],
        float(part["value"]),
        part["by"],
        part["verdict"] == "accepted",
        float(part["before"]),
        float(part["after"]),
    )
