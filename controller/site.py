"""The firmware's part of a site folder: ``site.toml`` with its tables [site] and [setpoints].

The tables [plant] and [wiring] belong to the simulated plant and to the I/O; they are passed over here.
Anything else that is unknown, out of range or missing is refused with one line: file, key, limit.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from controller.settings import Setpoints
from controller.signals import UNITS_MAX, UNITS_MIN

FILE_BYTES_MAX = 1_000_000
_NOT_OURS = ("plant", "wiring")


class SiteError(ValueError):
    """The site folder is at fault; the message is one line for the user."""


class SiteTable(BaseModel):
    """The [site] table; ``seed`` is for the simulated plant."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(min_length=1, max_length=40, pattern=r"^[a-z0-9][a-z0-9_-]*$")
    title: str = Field(min_length=1, max_length=120)
    units: int = Field(ge=UNITS_MIN, le=UNITS_MAX)
    scan_ms: int = Field(100, ge=50, le=200)
    seed: int = Field(1, ge=0, le=2**31 - 1)


class _SiteFile(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    site: SiteTable
    setpoints: Setpoints = Setpoints()


@dataclass(frozen=True)
class Site:
    """A site that has been read and found sound."""

    folder: Path
    table: SiteTable
    setpoints: Setpoints


def load_site(folder: Path) -> Site:
    """Read a site folder; SiteError when it cannot be used."""
    path = folder / "site.toml"
    data = _read(path)
    for name in _NOT_OURS:
        data.pop(name, None)
    try:
        # strict: "6" is no number and true is not 1
        file = _SiteFile.model_validate(data, strict=True)
        file.setpoints.flush_slots(file.site.units)
    except ValidationError as error:
        raise SiteError(f"{path}: {_explain(error)}") from error
    except ValueError as error:
        raise SiteError(f"{path}: setpoints: {error}") from error
    return Site(folder, file.site, file.setpoints)


def _read(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            content = file.read(FILE_BYTES_MAX + 1)
    except OSError as error:
        raise SiteError(f"{path}: {error.strerror or error}") from error
    if len(content) > FILE_BYTES_MAX:
        raise SiteError(f"{path}: more than {FILE_BYTES_MAX} bytes")
    try:
        return tomllib.loads(content.decode())
    except (ValueError, RecursionError) as error:  # not UTF-8, not TOML, or nested without end
        raise SiteError(f"{path}: not TOML: {str(error).splitlines()[0]}") from error


def _explain(error: ValidationError) -> str:
    """The first thing that is wrong, on one line, and how many more there are."""
    found = error.errors()
    first = found[0]
    key = ".".join(map(str, first["loc"]))
    if first["type"] == "extra_forbidden":
        text = f"{key} is not a known key"
    elif first["type"] == "missing":
        text = f"{key} is missing"
    elif first["type"] == "value_error":
        text = f"{key}: {first.get('ctx', {}).get('error', first['msg'])}"
    else:
        value = repr(first["input"])
        text = f"{key} = {value[:60]}: {first['msg'].replace('Input should be', 'must be')}"
    return text + (f" (and {len(found) - 1} more)" if len(found) > 1 else "")
