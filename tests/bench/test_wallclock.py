"""The simulated date is seen by the scanning thread, while it scans, and by nothing else."""

from __future__ import annotations

import threading
import time

from sim_plant.bench.wallclock import START_S, WallClock


def test_the_scanning_thread_sees_the_simulated_date() -> None:
    clock = WallClock()
    clock.now_ms, clock.stepped_ms = 2000, 3_600_000
    with clock:
        assert time.time() == START_S + 3602
        assert time.time_ns() == (START_S + 3602) * 10**9
    assert abs(time.time() - START_S) > 3602


def test_another_thread_sees_the_real_date_while_one_scans() -> None:
    """The event loop of a cluster's worker stands still for months when its date jumps to and fro."""
    seen: list[tuple[float, int]] = []
    before = time.time()
    with WallClock():
        other = threading.Thread(target=lambda: seen.append((time.time(), time.time_ns())))
        other.start()
        other.join()
    assert before <= seen[0][0] <= time.time()
    assert before * 1e9 <= seen[0][1] + 1e3  # a float of today holds about a microsecond
