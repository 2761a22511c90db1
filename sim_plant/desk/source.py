"""What a page looks at: a simulation, a stored record, or the status of a controller that runs."""

from __future__ import annotations

from concurrent.futures import Future
from typing import Any, Protocol

from sim_plant.desk.wishes import Wish


class Latest:
    """The latest picture, as JSON: one writer, any number of readers, nobody waits."""

    def __init__(self) -> None:
        self._shown: tuple[int, bytes] = (0, b"")

    def put(self, text: bytes) -> None:
        """In place of the one before."""
        self._shown = (self._shown[0] + 1, text)

    def get(self) -> tuple[int, bytes]:
        """Its number, which only grows, and the picture; number 0 before the first."""
        return self._shown


class Source(Protocol):
    """Where pictures come from, and where wishes go; only those about time unless ``takes_wishes``."""

    takes_wishes: bool
    latest: Latest

    def about(self) -> dict[str, Any]:
        """What does not change."""

    def history(self, unit: int, from_ms: int, to_ms: int, points: int) -> dict[str, Any]:
        """What trends are drawn from."""

    def ask(self, wish: Wish) -> Future[dict[str, Any]]:
        """Hand a wish in; RefusedError at once, or by the future, when it is not granted."""
