"""The firmware's part of a site folder: ``site.toml`` with its tables [site] and [setpoints].

The table [plant] belongs to the simulated plant and is passed over here. Anything else that is unknown, out
of range or missing is refused with one line (see controller/files.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from controller.files import InputError, explain, read_toml
from controller.settings import Setpoints
from controller.signals import UNITS_MAX, UNITS_MIN

SITE_FILE = "site.toml"


class SiteTable(BaseModel):
    """The [site] table; ``seed`` is for the simulated plant."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(min_length=1, max_length=40, pattern=r"^[a-z0-9][a-z0-9_-]*$")
    title: str = Field(min_length=1, max_length=120)
    units: int = Field(ge=UNITS_MIN, le=UNITS_MAX)
    scan_ms: int = Field(100, ge=50, le=200)
    seed: int = Field(1, ge=0, le=2**31 - 1)


class SiteFile(BaseModel):
    """What the firmware needs of site.toml."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    site: SiteTable
    setpoints: Setpoints = Setpoints()

    @model_validator(mode="after")
    def _units_can_flush(self) -> Self:
        self.setpoints.flush_slots(self.site.units)
        return self


_File = TypeVar("_File", bound=SiteFile)


@dataclass(frozen=True)
class Site:
    """A site that has been read and found sound."""

    folder: Path
    table: SiteTable
    setpoints: Setpoints


def load_site(folder: Path) -> Site:
    """Read a site folder; InputError when it cannot be used."""
    data = read_site(folder)
    data.pop("plant", None)
    file = checked(SITE_FILE, data, SiteFile)
    return Site(folder, file.site, file.setpoints)


def read_site(folder: Path) -> dict[str, Any]:
    """What stands in a folder's site.toml, not yet checked; InputError when it cannot be read."""
    if not folder.is_dir():
        raise InputError(f"{folder}: no such site folder; a site is a folder with a {SITE_FILE}")
    return read_toml(folder / SITE_FILE)


def checked(source: str, data: dict[str, Any], model: type[_File]) -> _File:
    """The data as a site file; InputError, which names ``source``, when they are not one."""
    try:
        return model.model_validate(data, strict=True)  # strict: "6" is no number and true is not 1
    except ValidationError as error:
        raise InputError(explain(source, error, model)) from error
