"""The plant in real time, with a clock that the test sets: moments, overruns, what is made up for."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from serve_samples import HOLDING, INPUT

from controller.signals import safe_outputs
from controller.wiring import default_wiring
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.serve.loop import CATCH_UP_MS, PlantLoop, Seen, UnitSeen
from sim_plant.serve.remote_io import RemoteIo

SCAN_MS = 100
FEED_OPEN_AND_BOOSTER_ON = 0b1


class SlowClock:
    """Time passes in ``sleep`` alone, each time by so much more than asked for, ms, then exactly."""

    def __init__(self, *extra_ms: int) -> None:
        self.ns = 5_000_000_000
        self._extra_ms = list(extra_ms)

    def now_ns(self) -> int:
        return self.ns

    def sleep(self, seconds: float) -> None:
        extra_ms = self._extra_ms.pop(0) if self._extra_ms else 0
        self.ns += round(seconds * 1e9) + extra_ms * 1_000_000


@pytest.fixture
def plant() -> Plant:
    return Plant(2, PlantParameters(), seed=3)


Start = Callable[..., PlantLoop]


@pytest.fixture
def start(plant: Plant) -> Start:
    """A loop on the plant, run for so many turns with a clock that is so slow."""

    def run(turns: int, *extra_ms: int, io: RemoteIo | None = None) -> PlantLoop:
        clock = SlowClock(*extra_ms)
        used = io or RemoteIo(default_wiring(2), lambda: clock.ns // 1_000_000)
        loop = PlantLoop(plant, used, SCAN_MS, clock.now_ns, clock.sleep)
        left = [turns]

        def go_on() -> bool:
            left[0] -= 1
            return left[0] >= 0

        loop.run(go_on)
        return loop

    return run


def test_a_turn_in_time_is_one_step(start: Start) -> None:
    loop = start(10)
    assert (loop.seen.t_ms, loop.overruns, loop.left_out_ms) == (1_000, 0, 0)
    assert loop.late_p99_ms() == 0.0


def test_a_turn_that_is_late_by_less_than_a_scan_is_no_overrun_and_does_not_shift_the_next(
    start: Start,
) -> None:
    loop = start(3, 99)
    assert (loop.seen.t_ms, loop.overruns) == (300, 0)
    assert list(loop.late_ns) == [99_000_000, 0, 0]


def test_moments_that_passed_are_counted_and_made_up_for(start: Start) -> None:
    loop = start(3, 0, 450)
    assert (loop.seen.t_ms, loop.overruns, loop.left_out_ms) == (700, 4, 0)
    assert list(loop.late_ns) == [0, 450_000_000, 0]


def test_what_is_made_up_for_is_the_same_plant(start: Start, plant: Plant) -> None:
    start(3, 0, 450)
    twin = Plant(2, PlantParameters(), seed=3)
    for _ in range(7):
        twin.step(safe_outputs(2), SCAN_MS)
    assert plant.inputs() == twin.inputs()


def test_no_more_is_made_up_for_than_the_bound_and_the_rest_is_told(start: Start) -> None:
    loop = start(2, 30_000)
    assert loop.overruns == 300
    assert loop.left_out_ms == 30_000 + SCAN_MS - CATCH_UP_MS
    assert loop.seen.t_ms == CATCH_UP_MS + SCAN_MS


def test_the_first_image_is_there_before_the_first_step(plant: Plant) -> None:
    io = RemoteIo(default_wiring(2), lambda: 0)
    loop = PlantLoop(plant, io, SCAN_MS)
    assert list(io.on_link("io")[1].read(INPUT, 0, 1)) == [1]
    assert loop.seen == Seen(
        0, pytest.approx(plant.bank_truth[0]), pytest.approx(60.0), (UnitSeen(False, False, False),) * 2
    )


def test_each_turn_shows_one_image_however_many_steps_it_makes(start: Start) -> None:
    io = RemoteIo(default_wiring(2), lambda: 0)
    start(3, 0, 450, io=io)
    assert list(io.on_link("io")[1].read(INPUT, 0, 1)) == [1 + 3]


def test_what_is_written_moves_the_plant(start: Start) -> None:
    io = RemoteIo(default_wiring(2), lambda: 0)
    io.on_link("io")[2].write(HOLDING, 0, [1, 7, FEED_OPEN_AND_BOOSTER_ON], "")
    loop = start(100, io=io)
    assert [unit.feed_open for unit in loop.seen.units] == [False, True]


def test_lateness_is_that_which_all_but_one_in_a_hundred_stay_below(start: Start) -> None:
    loop = start(200, *range(100))
    assert loop.late_p99_ms() == 98.0
