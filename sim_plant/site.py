"""A site folder: what it must hold, and the one line that says what is wrong with it.

    SITE/site.toml           [site], [setpoints], [plant.*]
    SITE/wiring.toml         optional: where every signal lives on Modbus (see controller/wiring)
    SITE/cases/*.case.toml   what to try (see bench/cases.py)

[site] and [setpoints] are the firmware's and described beside it (controller/site.py). Whatever is unknown,
out of range, of the wrong unit or missing is refused before anything runs (controller/files.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from controller import site as firmware
from controller.files import InputError, near_key
from controller.settings import Setpoints
from sim_plant.process.parameters import PlantParameters


class SiteFile(firmware.SiteFile):
    """All of site.toml."""

    plant: PlantParameters = PlantParameters()


@dataclass(frozen=True)
class Site:
    """A site that has been read and found sound."""

    folder: Path
    file: SiteFile

    @property
    def name(self) -> str:
        """Short name, fit for a file name."""
        return self.file.site.name

    @property
    def units(self) -> int:
        """Number of RO units."""
        return self.file.site.units

    @property
    def setpoints(self) -> Setpoints:
        """The firmware's settings."""
        return self.file.setpoints


def demo_folder() -> Path:
    """The bundled site, an invented seedling nursery."""
    return Path(str(resources.files("sim_plant.demo") / "nursery"))


def load_site(folder: Path, overrides: Sequence[str] = ()) -> Site:
    """Read a site folder. ``overrides`` are "setpoint=value" texts that replace setpoints."""
    data = firmware.read_site(folder)
    setpoints = data.setdefault("setpoints", {})
    source = " ".join([firmware.SITE_FILE, *(f"--set {text}" for text in overrides)])
    for text in overrides:
        key, value = _override(text)
        if isinstance(setpoints, dict):
            setpoints[key] = value
    return Site(folder, firmware.checked(source, data, SiteFile))


def _override(text: str) -> tuple[str, float | int]:
    key, _equals, value = text.partition("=")
    key = key.strip()
    if key not in Setpoints.model_fields:
        raise InputError(f"--set {text}: {key} is not a known setpoint{near_key((key,), Setpoints)}")
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise InputError(f"--set {text}: must read setpoint=number, for example start_flush_s=90")
    return key, int(number) if number.is_integer() else number
