"""A wiring from ``wiring.toml`` beside ``site.toml``, or the one that a site has without the file."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from controller.files import InputError, explain, read_toml
from controller.wiring.checks import check
from controller.wiring.expand import expand
from controller.wiring.form import WiringFile
from controller.wiring.model import Asker, Wiring
from controller.wiring.notes import notes_of

WIRING_FILE = "wiring.toml"


def load_wiring(folder: Path, n_units: int, asker: Asker = Asker.CONTROLLER) -> Wiring:
    """The wiring of a site folder, checked for the side that asks; InputError, one line, when at fault."""
    return wiring_from(read_toml(folder / WIRING_FILE), n_units, asker, WIRING_FILE)


def wiring_from(data: dict[str, Any], n_units: int, asker: Asker, source: str) -> Wiring:
    """The wiring in data as TOML gives them; InputError, which names ``source``, when they are at fault."""
    try:
        file = WiringFile.model_validate(data)
    except ValidationError as error:
        raise InputError(explain(source, error, WiringFile)) from error
    wiring = expand(file, source, n_units, asker)
    check(wiring, source)
    return dataclasses.replace(wiring, notes=notes_of(wiring))
