"""The tables of values from outside (``values/*.toml``) as the tests and the page read them.

A table is named after its value's id and holds:

    what, given      the quantity and what it is computed from; units stand in the names
    expected, unit   the value, a list of values, or (range = true) the least and the greatest
    within_rel, within_abs, why    the tolerance of each value, and its reason
    source, basis    where the value is from; basis is published, library, arithmetic or memory
    status           "confirmed", or "from memory": repeat it before relying on it
    by               the function of the ``ours_`` modules that gives our value, by production code only
    not_here         instead of ``by``: why nothing of this project can be held against it
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "values"


@dataclass(frozen=True)
class Value:
    """One value from outside; exactly one of ``by`` and ``not_here`` is given."""

    id: str
    topic: str
    what: str
    expected: float | str | list[Any]
    unit: str
    why: str
    source: str
    basis: str
    status: str
    given: dict[str, Any] = field(default_factory=dict)
    range: bool = False
    within_rel: float | None = None
    within_abs: float | None = None
    by: str = ""
    not_here: str = ""

    def misses(self, ours: float | list[float]) -> str:
        """ "" when ours is within the tolerance, else what is wrong."""
        each = ours if isinstance(ours, list) else [ours]
        if self.range:
            least, greatest = self.expected
            return "" if all(least <= x <= greatest for x in each) else f"{ours} is not in {self.expected}"
        wanted = self.expected if isinstance(self.expected, list) else [self.expected]
        pairs = zip(each, wanted, strict=True)
        outside = [f"{x!r} instead of {y!r}" for x, y in pairs if not abs(x - y) <= self.allowed(y)]
        return "; ".join(outside)

    def allowed(self, expected: float) -> float:
        """Greatest difference from this expected value; a hair more than nothing for exact ones."""
        if self.within_rel is not None:
            return self.within_rel * abs(expected)
        return max(self.within_abs or 0.0, 1e-12 * abs(expected))


def read_values() -> dict[str, Value]:
    """All values by id, topic by topic."""
    values: dict[str, Value] = {}
    for path in sorted(FOLDER.glob("*.toml")):
        for name, table in tomllib.loads(path.read_text(encoding="utf-8")).items():
            if name in values:
                raise ValueError(f"{name} stands in {values[name].topic} and in {path.stem}")
            values[name] = Value(id=name, topic=path.stem, **table)
    return values
