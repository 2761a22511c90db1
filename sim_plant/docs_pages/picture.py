"""The picture of the README: one bundled run, carried out and drawn by the code that draws the evidence."""

from __future__ import annotations

from pathlib import Path

from sim_plant.bench.cases import load_case
from sim_plant.bench.evidence.picture import draw_run
from sim_plant.bench.runner import Workshop
from sim_plant.bench.targets import OUR_FIRMWARE, find_factory
from sim_plant.site import demo_folder, load_site

CASE = "feed-header-lost"


def draw_case(name: str) -> str:
    """SVG of the first run of a bundled case; RuntimeError when the run could not be carried out."""
    site = load_site(demo_folder())
    run = load_case(site.folder / "cases" / f"{name}.case.toml", site)[0]
    result = Workshop(site, find_factory(OUR_FIRMWARE), site.file.site.seed).carry_out(run)
    if result.trace is None:
        raise RuntimeError(f"{run.run_id}: {result.error}")
    picture = draw_run(result.trace, result, site.setpoints.model_dump())
    # a page with a dark ground would swallow the black lines
    return picture.replace("<svg ", '<svg style="background:#fff" ', 1)


def write_picture(path: Path) -> Path:
    """Draw the chosen case into the file; returns its path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(draw_case(CASE), encoding="utf-8", newline="\n")
    return path
