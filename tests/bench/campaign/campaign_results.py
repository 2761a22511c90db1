"""Results of a campaign of three cells, made by hand: one held, one not seen, one broken."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from campaign_samples import cell

from controller.unit.states import UnitState
from sim_plant.bench.campaign.answers import Answer
from sim_plant.bench.campaign.cells import Plan
from sim_plant.bench.campaign.results import FILE, ResultFile
from sim_plant.bench.campaign.work import CellResult
from sim_plant.bench.verdicts import Finding, Verdict

IDENTITY = {"site": "pair", "seed": "5", "setpoint purge_s": "20", "seconds after the strike": "30"}
F01, F09, F47 = cell("F01"), cell("F09"), cell("F47", UnitState.PRODUCE, "severe")
PLAN = Plan((F01, F09, F47), {"a reason": 4})

HELD = CellResult(
    F01,
    Verdict.PASS,
    (Finding("SR-04", Verdict.PASS, 2, 0.5, "s", 4000, 1), Finding("SR-55", Verdict.PASS, 1)),
    (1, 0),
    Answer("pump off", 1100),
    Answer("unit 1: LOOP: NORM > UNACK", 2000),
    (("BOOT", 40), ("STANDBY", 60)),
    (("BOOT", "STANDBY", 2),),
    30.0,
    0.5,
)
UNSEEN = CellResult(
    F09, Verdict.PASS, (Finding("SR-04", Verdict.PASS, 1, 0.7, "s"),), (0,), visits=(("BOOT", 100),)
)
BROKEN = CellResult(
    F47,
    Verdict.FAIL,
    (Finding("SR-04", Verdict.FAIL, 1, -0.2, "s", 5000, 1, "within 1 s", "pump on"),),
    (1,),
    Answer("pump off", 3100),
)
QUIET = CellResult(F47, Verdict.NOT_EXERCISED)


def write(folder: Path, *results: CellResult) -> Path:
    """A campaign's file with these results."""
    with closing(ResultFile(folder, IDENTITY)) as file:
        file.begin(PLAN)
        for result in results:
            file.add(result)
    return folder / FILE
