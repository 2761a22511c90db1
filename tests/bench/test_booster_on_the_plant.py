"""The booster's start as header and drive really answer: a header that has stood is not empty."""

from __future__ import annotations

import pytest

from controller.settings import Setpoints
from sim_plant.bench.monitors import Context, judge_all
from sim_plant.bench.rig import Rig
from sim_plant.bench.targets import DeskTarget
from sim_plant.bench.verdicts import Finding
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters


def header_bar(rig: Rig) -> float:
    return float(rig.trace().bank("header_bar")[-1])


def running(rig: Rig) -> bool:
    return bool(rig.trace().bank("booster_run")[-1])


def gentle(rig: Rig) -> Finding:
    findings = judge_all(rig.trace(), Setpoints(), Context(1))
    return next(one for one in findings if one.name == "SR-53")


def cold(ramp_hz_s: float) -> Rig:
    """A cold rig of two units, whose drive gains speed so fast."""
    parameters = PlantParameters.model_validate({"booster": {"ramp_hz_s": ramp_hz_s}})
    rig = Rig(Plant(2, parameters, 3), DeskTarget(2, Setpoints()), 100)
    rig.plant.set_tank_pct(30.0)
    return rig


@pytest.mark.parametrize("ramp_hz_s", [4, 10])
@pytest.mark.parametrize("stood_s", [4, 8, 12, 16])
def test_a_booster_that_starts_again_soon_raises_what_is_left_in_the_header_gently(
    stood_s: int, ramp_hz_s: float
) -> None:
    """A ramp that does not wait for the drive is seen with the slower one: the other is soon at 25 Hz."""
    rig = cold(ramp_hz_s)
    assert rig.run_until(lambda: rig.now_ms > 0 and running(rig) and header_bar(rig) > 1.9, 120)
    rig.operate("bank_run", 0, False)
    rig.run_for(stood_s)
    assert not running(rig)
    assert 0.4 < header_bar(rig) < 1.9

    rig.operate("bank_run", 0, True)
    rig.run_for(40)

    assert running(rig)
    finding = gentle(rig)
    assert finding.margin is not None
    assert finding.margin >= 0, finding.detail


@pytest.mark.parametrize("ramp_hz_s", [1, 3, 5, 30])
def test_a_header_that_is_empty_is_raised_gently_by_a_slow_drive_and_by_a_fast_one(ramp_hz_s: float) -> None:
    rig = cold(ramp_hz_s)

    assert rig.run_until(lambda: rig.now_ms > 0 and header_bar(rig) >= 2.0, 130)
    rig.run_for(10)

    assert running(rig)
    finding = gentle(rig)
    assert finding.margin is not None
    assert finding.margin >= 0, finding.detail
