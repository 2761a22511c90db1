"""What the commands share: exit codes, the caution, and where evidence comes from."""

from __future__ import annotations

import os
import platform
import sys
import time
from datetime import datetime
from importlib.metadata import version

from controller.settings import Setpoints
from sim_plant.bench.evidence import About
from sim_plant.site import Site

PROVEN, FAILED, BAD_INPUT, NOT_REACHED, STOPPED = range(5)

CAUTION = (
    "Prototype and test bench, not a safety system: no SIL or PL is claimed, and a passing run is no proof "
    "of a safe plant. Local codes and licensed practice come first; lock out, tag out, try out before you "
    "open anything."
)

CORES = min(os.cpu_count() or 1, 64)


def about_of(
    site: Site, controller: str, seed: int, started: datetime, complete: bool, planned: int
) -> About:
    """Where evidence comes from; ``planned`` are the runs that were to be done."""
    return About(
        site=site.name,
        title=site.file.site.title,
        target=f"{controller}, in process with the simulated plant",
        seed=seed,
        settings=site.setpoints.model_dump(),
        defaults=Setpoints().model_dump(),
        plant=site.file.plant.model_dump(),
        started=started.isoformat(timespec="seconds"),
        took_s=time.time() - started.timestamp(),
        version=version("skidproof"),
        python=platform.python_version(),
        platform=f"{platform.system()} {platform.machine()}",
        command=" ".join(["skidproof", *sys.argv[1:]]),
        complete=complete,
        planned_runs=planned,
    )
