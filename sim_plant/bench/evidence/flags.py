"""Labelled vertical lines of a picture: what the bench did, and where a limit was broken."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sim_plant.bench.evidence import svg
from sim_plant.bench.evidence.panels import RIGHT, WIDTH, View
from sim_plant.bench.evidence.summary import grave_findings, time_text
from sim_plant.bench.trace import Mark
from sim_plant.bench.verdicts import RunResult, Verdict

_ROW_HEIGHT, _MOST_ROWS = 14.0, 5
_COLOURS = {"fail": svg.RED, "open": "#7a5200"}


class _Flag(NamedTuple):
    """One line; without ``words`` it has no label."""

    t_ms: int
    words: str
    css: str


class _Spot(NamedTuple):
    """Where a label stands: its row, and the side of the line on which it starts or ends."""

    row: int
    anchor: str


class Flags:
    """The flags of one run in as few label rows as hold them; ``height`` is known before they are drawn.

    A label that finds no room is left out and counted; its line stays. Verdicts are placed first.
    """

    def __init__(self, view: View, result: RunResult) -> None:
        self._x = view.x
        every = [*_verdict_flags(result), *_mark_flags(view.trace.marks)]
        self._flags = [flag for flag in every if view.x.lo <= flag.t_ms <= view.x.hi]
        taken: list[list[tuple[float, float]]] = []
        self._spots = [_place(flag, view.x.at(flag.t_ms), taken) for flag in self._flags]
        self._rows = len(taken)
        self._left_out = sum(
            bool(flag.words) and spot is None for flag, spot in zip(self._flags, self._spots, strict=True)
        )
        self.height = _ROW_HEIGHT * self._rows + (12 if self._left_out else 0)

    def draw(self, bottom: float) -> str:
        """All lines from their labels down to ``bottom``; verdicts last, so that nothing covers them."""
        pairs = list(zip(self._flags, self._spots, strict=True))
        parts = [self._draw(flag, spot, bottom) for flag, spot in reversed(pairs)]
        if self._left_out:
            words = f"{self._left_out} more marks have a line but no room for words; the record holds them"
            parts.append(svg.text(RIGHT, self.height - 2, words, "small soft", anchor="end"))
        return "".join(parts)

    def _draw(self, flag: _Flag, spot: _Spot | None, bottom: float) -> str:
        x = self._x.at(flag.t_ms)
        if spot is None:
            return svg.line(x, self.height, x, bottom, flag.css)
        top = spot.row * _ROW_HEIGHT + 2
        colour = _COLOURS.get(flag.css, "")
        shift = 4 if spot.anchor == "start" else -4
        label = svg.text(
            x + shift, top + 9.5, flag.words, "strong" if colour else "", anchor=spot.anchor, fill=colour
        )
        return svg.line(x, top, x, bottom, flag.css) + label


def _verdict_flags(result: RunResult) -> Iterator[_Flag]:
    """One flag for each moment at which something failed or stayed open."""
    moments: dict[tuple[int, Verdict], list[str]] = {}
    for finding in grave_findings(result):
        if finding.at_ms is not None:
            moments.setdefault((finding.at_ms, finding.verdict), []).append(finding.name)
    for (at_ms, verdict), names in moments.items():
        word, css = ("FAIL", "fail") if verdict is Verdict.FAIL else ("INCONCLUSIVE", "open")
        yield _Flag(at_ms, _short(f"{word} {time_text(at_ms)} {', '.join(names)}", 60), css)


def _mark_flags(marks: Sequence[Mark]) -> Iterator[_Flag]:
    """One flag for each mark; of a burst of the same (a mashed button) only the first has words."""
    before: Mark | None = None
    for mark in marks:
        where = f"unit {mark.unit} " if mark.unit else ""
        same = before is not None and before[1:] == mark[1:]
        before = mark
        yield _Flag(mark.t_ms, "" if same else _short(f"{mark.what} {where}{mark.text}", 46), "mark")


def _place(flag: _Flag, x: float, taken: list[list[tuple[float, float]]]) -> _Spot | None:
    """The first row and side where the label covers no other; None when it has no words or finds no room."""
    if not flag.words:
        return None
    wide = svg.width_of(flag.words) + 8
    for row in range(_MOST_ROWS):
        if row == len(taken):
            taken.append([])
        for anchor, left, right in (("start", x, x + wide), ("end", x - wide, x)):
            if left >= 0 and right <= WIDTH and all(right <= a or left >= b for a, b in taken[row]):
                taken[row].append((left, right))
                return _Spot(row, anchor)
    return None


def _short(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 1] + "…"
