"""What a campaign at the desk and one on a live controller share: whose file it is, and its papers."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from controller.files import InputError
from sim_plant.bench.campaign.cells import Choice, Plan
from sim_plant.bench.campaign.closer import Look
from sim_plant.bench.campaign.figures import figures_of
from sim_plant.bench.campaign.papers import write_papers
from sim_plant.bench.campaign.summary import print_figures
from sim_plant.bench.campaign.work import Order
from sim_plant.bench.cases import Run, load_cases
from sim_plant.bench.evidence.console import plain_console
from sim_plant.bench.prove import about_proof, requirement_texts
from sim_plant.commands.common import FAILED, PROVEN
from sim_plant.site import Site


def identity(order: Order, choice: Choice) -> dict[str, str]:
    """All that must be the same for two results to belong to one campaign."""
    job = order.job
    plant = job.site.file.model_dump_json(exclude={"setpoints"})
    return {
        "site": job.site.name,
        "version": version("skidproof"),
        "controller": job.controller,
        "seed": str(job.seed),
        **{f"setpoint {name}": f"{value:g}" for name, value in job.site.setpoints.model_dump().items()},
        "checksum of site.toml without its setpoints": checksum(plant),
        "seconds after the strike": f"{order.for_s:g}",
        "lines": ",".join(choice.lines),
        "states": ",".join(choice.states),
        "severities": ",".join(choice.severities),
        "moments": ",".join(f"{moment_s:g}" for moment_s in choice.moments_s),
        "units": str(choice.units),
        "sample": str(choice.sample),
    }


def checksum(text: str) -> str:
    """Enough of one to tell two texts apart."""
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def conclude(
    file: Path,
    order: Order,
    plan: Plan,
    looks: Sequence[Look],
    started: datetime,
    code: int,
    target: str = "",
) -> int:
    """Write the papers, print the figures; the exit code. ``target`` "" is a controller at the desk."""
    figures, job = figures_of(file), order.job
    complete = figures.done == figures.planned
    about = about_proof(job, started, ["skidproof", *sys.argv[1:]], complete, figures.planned)
    about = replace(about, target=target or about.target)
    texts = requirement_texts(job.site.setpoints)
    cells = {cell.key: cell for cell in plan.cells}
    write_papers(file.parent, file, figures, cells, about, texts, looks, _cases(job.site))
    console = plain_console()
    print_figures(console, figures)
    for look in looks:
        if look.shrunk:
            console.print(
                f"shrunk: {file.parent / 'shrunk' / look.cell.run_id}.case.toml: {look.note}",
                markup=False,
                soft_wrap=True,
            )
    console.print(f"report: {file.parent / 'report.html'}", markup=False, soft_wrap=True)
    return FAILED if code == PROVEN and not figures.held else code


def _cases(site: Site) -> list[Run]:
    """The site's runs; none where it has no sound cases, which a campaign does not need."""
    try:
        return load_cases(site)
    except InputError:
        return []
