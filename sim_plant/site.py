"""A site folder: what it must hold, and the one line that says what is wrong with it.

    SITE/site.toml           [site], [setpoints], [plant.*]
    SITE/cases/*.case.toml   what to try (see bench/cases.py)

Whatever is unknown, out of range, of the wrong unit or missing is refused before anything runs, with a
line that names file, key, value and limit.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from controller.settings import Setpoints
from controller.signals import UNITS_MAX, UNITS_MIN
from sim_plant.process.parameters import PlantParameters

FILE_BYTES_MAX = 1_000_000


class InputError(ValueError):
    """The user's input is at fault; the message is one line for the user."""


class SiteTable(BaseModel):
    """The [site] table."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(min_length=1, max_length=40, pattern=r"^[a-z0-9][a-z0-9_-]*$")
    title: str = Field(min_length=1, max_length=120)
    units: int = Field(ge=UNITS_MIN, le=UNITS_MAX)
    scan_ms: int = Field(100, ge=50, le=200)
    seed: int = Field(1, ge=0, le=2**31 - 1)


class SiteFile(BaseModel):
    """All of site.toml."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    site: SiteTable
    setpoints: Setpoints = Setpoints()
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


def read_toml(path: Path) -> dict[str, Any]:
    """Read one TOML file; InputError when it is missing, too large or not TOML."""
    try:
        if path.stat().st_size > FILE_BYTES_MAX:
            raise InputError(f"{path.name}: larger than {FILE_BYTES_MAX} bytes")
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name}: {error}") from error


def load_site(folder: Path, overrides: Iterable[str] = ()) -> Site:
    """Read a site folder. ``overrides`` are "setpoint=value" texts that replace setpoints."""
    if not folder.is_dir():
        raise InputError(f"{folder}: no such site folder; a site is a folder with a site.toml")
    data = read_toml(folder / "site.toml")
    setpoints = data.setdefault("setpoints", {})
    for text in overrides:
        key, value = _override(text)
        if isinstance(setpoints, dict):
            setpoints[key] = value
    try:
        file = SiteFile.model_validate(data)
        file.setpoints.flush_slots(file.site.units)
    except ValidationError as error:
        raise InputError(explain("site.toml", error, SiteFile)) from error
    except ValueError as error:
        raise InputError(f"site.toml: setpoints: {error}") from error
    return Site(folder, file)


def _override(text: str) -> tuple[str, float | int]:
    key, equals, value = text.partition("=")
    try:
        number = float(value)
    except ValueError:
        number = None
    if not equals or number is None:
        raise InputError(f"--set {text}: must read setpoint=number, for example start_flush_s=90")
    return key.strip(), int(number) if number == int(number) else number


def explain(file: str, error: ValidationError, model: type[BaseModel]) -> str:
    """One line for the first thing that is wrong: file, key, value, limit; and how many more there are."""
    first, *more = error.errors()
    key = ".".join(str(part) if not isinstance(part, int) else f"[{part + 1}]" for part in first["loc"])
    key = key.replace(".[", "[")
    kind, context = first["type"], first.get("ctx", {})
    if kind == "extra_forbidden":
        text = f"{key} is not a known key{_near_key(first['loc'], model)}"
    elif kind == "missing":
        text = f"{key} is missing"
    elif kind == "value_error":
        text = f"{key}: {context.get('error', first['msg'])}" if key else str(context.get("error"))
    else:
        text = f"{key} = {_short(first['input'])}: {_limit(kind, context, first['msg'])}"
    tail = f" (and {len(more)} more)" if more else ""
    return f"{file}: {text}{tail}"


def _limit(kind: str, context: Mapping[str, Any], message: str) -> str:
    words = {
        "greater_than_equal": ("must be at least", "ge"),
        "greater_than": ("must be more than", "gt"),
        "less_than_equal": ("must be at most", "le"),
        "less_than": ("must be less than", "lt"),
    }
    if kind in words:
        text, name = words[kind]
        limit = context[name]
        return f"{text} {limit:g}" if isinstance(limit, (int, float)) else f"{text} {limit}"
    return message[:1].lower() + message[1:]


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _near_key(location: tuple[int | str, ...], model: type[BaseModel]) -> str:
    """The nearest known key beside an unknown one; the unit is part of a key, so say so when it differs."""
    table: Any = model
    for part in location[:-1]:
        if isinstance(part, int):
            continue
        field = getattr(table, "model_fields", {}).get(part)
        table = getattr(field, "annotation", None)
        arguments = getattr(table, "__args__", ())
        table = next((a for a in arguments if hasattr(a, "model_fields")), table)
    known = list(getattr(table, "model_fields", {}))
    wrong = str(location[-1])
    stem = wrong.rsplit("_", 1)[0]
    same = [name for name in known if name.rsplit("_", 1)[0] == stem]
    if same:
        return f": the key is {same[0]}, its unit is part of its name"
    near = difflib.get_close_matches(wrong, known, 1)
    return f": did you mean {near[0]}?" if near else ""
