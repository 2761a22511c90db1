"""The booster's start as header and drive really answer: a header that has stood is not empty."""

from __future__ import annotations

import pytest
from bench_samples import make_rig

from controller.settings import Setpoints
from sim_plant.bench.monitors import Context, judge_all
from sim_plant.bench.rig import Rig
from sim_plant.bench.verdicts import Finding


def header_bar(rig: Rig) -> float:
    return float(rig.trace().bank("header_bar")[-1])


def running(rig: Rig) -> bool:
    return bool(rig.trace().bank("booster_run")[-1])


def gentle(rig: Rig) -> Finding:
    findings = judge_all(rig.trace(), Setpoints(), Context(1))
    return next(one for one in findings if one.name == "SR-53")


@pytest.mark.parametrize("stood_s", [4, 8, 12, 16])
def test_a_booster_that_starts_again_soon_raises_what_is_left_in_the_header_gently(stood_s: int) -> None:
    rig = make_rig()
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
