"""Waiting no longer than told for a call that knows no time-out, such as the look-up of a name."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Generic, TypeVar

T = TypeVar("T")


class Bounded(Generic[T]):
    """Does ``work`` in a thread, one at a time; what it gives too late is there the next time."""

    def __init__(self, work: Callable[[], T]) -> None:
        self._work = work
        self._future: Future[T] | None = None

    def get(self, end_s: float) -> T:
        """What ``work`` gives or raises; TimeoutError when it has not ended at ``end_s`` (monotonic)."""
        if self._future is None:
            self._future = Future()
            threading.Thread(target=self._run, args=(self._future,), name="bounded", daemon=True).start()
        future = self._future
        try:
            return future.result(max(end_s - time.monotonic(), 0.0))
        finally:
            if future.done():
                self._future = None

    def drop(self) -> None:
        """What is still going on is nobody's any more."""
        self._future = None

    def _run(self, future: Future[T]) -> None:
        try:
            future.set_result(self._work())
        except BaseException as error:  # belongs to the thread that asked
            future.set_exception(error)
