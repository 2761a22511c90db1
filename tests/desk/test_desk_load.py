"""The short form of ``python -m tests.bench.desk_load``."""

from __future__ import annotations

from tests.bench.desk_load import Load, Stretch, load


def test_a_desk_that_is_looked_at_keeps_its_time_and_sends_each_scan() -> None:
    measured = load(units=3, seconds=4.0, ahead_s=10.0)

    assert measured.stalled == 1
    assert measured.pictures_per_s > 5.0  # ten on a machine that has nothing else to do
    assert measured.looked_at.plant_per_real > 0.8


def test_a_limit_that_is_broken_is_named() -> None:
    good = Stretch(core=0.1, plant_per_real=1.0, memory_mb=(90.0, 90.5))

    assert Load(good, good, 10.0, 1).broken() == []
    assert Load(good, good._replace(core=0.3), 10.0, 1).broken() == ["30% of a core"]
    assert Load(good, good._replace(plant_per_real=0.9), 10.0, 1).broken() == ["10.0% slower with viewers"]
    assert Load(good, good._replace(memory_mb=(90.0, 99.0)), 10.0, 1).broken() == ["9.0 MB more at the end"]
