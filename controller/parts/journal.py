"""What the firmware reports of itself: moves, causes, refusals. For records only; nothing reads it back."""

from __future__ import annotations

from typing import NamedTuple


class Entry(NamedTuple):
    """One journal line. ``unit`` 0 is the bank; ``kind`` is "move", "cause", "refused", "setting",
    "alarm" or "note"."""

    t_ms: int
    unit: int
    kind: str
    text: str
