"""A bank of two units, cases typed in a test, and traces drawn by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from controller.settings import Setpoints
from controller.unit.states import STATES, UnitState
from sim_plant.bench.cases import CaseFile, Run
from sim_plant.bench.rig import Rig
from sim_plant.bench.targets import ControllerFactory, DeskTarget
from sim_plant.bench.trace import (
    BANK_AI,
    BANK_AO,
    BANK_DI,
    BANK_DO,
    UNIT_AI,
    UNIT_DI,
    UNIT_DO,
    Trace,
)
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.site import Site, SiteFile
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

NAMES = tuple(state.value for state in STATES)


def pair() -> Site:
    """Two units with every setting at its default."""
    table = {"name": "pair", "title": "Two units", "units": 2}
    return Site(Path("pair"), SiteFile.model_validate({"site": table}))


def make_rig(factory: ControllerFactory | None = None, seed: int = 3) -> Rig:
    """A cold rig of two units with a tank that wants water."""
    target = DeskTarget(2, Setpoints()) if factory is None else DeskTarget(2, Setpoints(), factory)
    rig = Rig(Plant(2, PlantParameters(), seed), target, 100)
    rig.plant.set_tank_pct(30.0)
    return rig


def make_run(state: UnitState = UnitState.BOOT, **tables: Any) -> Run:
    """A run of a case typed in a test; unit 1 is under test."""
    data = {
        "title": "typed in a test",
        "family": "none",
        "given": {"states": [state.value], "unit": 1, "offset_s": 0},
        "run": {"for_s": 2},
        **tables,
    }
    return Run("typed", "typed.case.toml", CaseFile.model_validate(data), state, "")


def flat_trace(seconds: float = 10.0, n_units: int = 2) -> Trace:
    """Rows 100 ms apart in which every contact is open, every loop at 4 mA and every unit in STANDBY."""
    n = round(seconds * 10)
    return Trace(
        t_ms=np.arange(n, dtype=np.int64) * 100,
        unit_di=np.zeros((n, n_units, len(UNIT_DI)), np.bool_),
        unit_ai=np.full((n, n_units, len(UNIT_AI)), 4.0),
        unit_do=np.zeros((n, n_units, len(UNIT_DO)), np.bool_),
        bank_di=np.zeros((n, len(BANK_DI)), np.bool_),
        bank_ai=np.full((n, len(BANK_AI)), 4.0),
        bank_do=np.zeros((n, len(BANK_DO)), np.bool_),
        bank_ao=np.full((n, len(BANK_AO)), 4.0),
        unit_truth=np.zeros((n, n_units, len(UNIT_TRUTH))),
        bank_truth=np.zeros((n, len(BANK_TRUTH))),
        unit_state=np.full((n, n_units), NAMES.index("STANDBY"), np.int16),
        unit_age_ms=np.zeros((n, n_units), np.int32),
        bank_age_ms=np.zeros(n, np.int32),
        state_names=NAMES,
    )


def pump_on(trace: Trace, from_s: float, to_s: float, unit: int = 1) -> Trace:
    """The same trace with the pump output of a unit on for a while."""
    trace.unit_do[round(from_s * 10) : round(to_s * 10), unit - 1, UNIT_DO.index("pump")] = True
    return trace
