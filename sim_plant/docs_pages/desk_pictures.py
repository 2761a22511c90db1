"""Pictures of the desk for docs/: each is `skidproof watch --case --still` on a site that is made for it."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

CASE = "desk.case.toml"
SITE = """\
[site]
name = "bank"
title = "{title}"
units = {units}
"""
SUPPLY_OF_MANY = """
[setpoints]
drain_capacity_m3h = 45
booster_capacity_m3h = 70

[plant.booster]
rated_flow_m3h = 72

[plant.drain]
capacity_m3h = 50

[plant.dosing]
full_ml_h = 900
stroke_ml = 0.2
"""
MANY = 6  # more units than that need more than the plant gives that no table describes


def site_text(units: int) -> str:
    """The site.toml of a bank of so many units."""
    title = "One unit" if units == 1 else f"A bank of {units} units"
    return SITE.format(title=title, units=units) + (SUPPLY_OF_MANY if units > MANY else "")


class DeskPicture(NamedTuple):
    """One picture: how many units, and how many pixels."""

    units: int
    size: str

    @property
    def name(self) -> str:
        """Of its file."""
        return f"desk-{self.units}-{self.size}.png"


DOCS = {
    "desk.png": DeskPicture(6, "1500x1900"),
    "desk-24.png": DeskPicture(24, "1920x1080"),
    "desk-1.png": DeskPicture(1, "1280x800"),
}
SIZES = ("1280x800", "1920x1080", "820x1180")
EVERY = [DeskPicture(units, size) for units in (1, 6, 24) for size in SIZES]


def write_desk_pictures(images: Path) -> list[Path]:
    """The pictures that docs/ shows; ``images`` holds their case."""
    return [_take(picture, images / CASE, images / name) for name, picture in DOCS.items()]


def write_every_size(case: Path, folder: Path) -> list[Path]:
    """Every number of units at every size, to be looked at."""
    folder.mkdir(parents=True, exist_ok=True)
    return [_take(picture, case, folder / picture.name) for picture in EVERY]


def _take(picture: DeskPicture, case: Path, file: Path) -> Path:
    with tempfile.TemporaryDirectory() as folder:
        site, story = Path(folder), Path(folder) / case.name
        (site / "site.toml").write_text(site_text(picture.units), encoding="utf-8")
        text = case.read_text(encoding="utf-8")
        if picture.units == 1:
            text = text.replace("unit = 2", "unit = 1")
        story.write_text(text, encoding="utf-8")
        watch = [sys.executable, "-m", "sim_plant.cli", "watch", folder, "--port", "0", "--case", str(story)]
        subprocess.run([*watch, "--still", str(file), "--still-size", picture.size], check=True)
    return file
