"""What every report page has: head, cautions, settings, plant, room to sign; see ``frame.html``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from controller.settings import Setpoints
from sim_plant.bench.evidence.cautions import CAUTIONS
from sim_plant.bench.evidence.summary import About, time_text
from sim_plant.bench.verdicts import Verdict

_LETTERS = {Verdict.PASS: "P", Verdict.FAIL: "F", Verdict.INCONCLUSIVE: "I", Verdict.NOT_EXERCISED: "-"}


class Badge(NamedTuple):
    """A verdict as word, letter and style; never as a colour alone."""

    word: str
    letter: str
    css: str


class Setting(NamedTuple):
    """One row of the setpoint table."""

    name: str
    value: str
    default: str
    changed: bool
    meaning: str


class Head(NamedTuple):
    """The first things a reader sees: the outcome in words and as a badge, counts, what was covered."""

    headline: str
    overall: Badge
    counts: Sequence[tuple[Badge, int]]
    coverage: str


def render(template: str, about: About, head: Head, **content: Any) -> str:
    """A page from a template in this folder that extends ``frame.html``; ``content`` is its own."""
    settings = _settings(about)
    return (
        pages()
        .get_template(template)
        .render(
            about=about,
            footer=re.sub(r"[^\w .,:-]", " ", f"{about.site}, seed {about.seed}, {about.started}"),
            **head._asdict(),
            cautions=CAUTIONS,
            settings=settings,
            changed=", ".join(f"{s.name} = {s.value}" for s in settings if s.changed),
            plant=list(_flat(about.plant)),
            **content,
        )
    )


def pages(*folders: Path) -> Environment:
    """Where page templates are: in these folders, then in this one, whose style sheet all share."""
    environment = Environment(
        loader=FileSystemLoader([*folders, Path(__file__).parent]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"clock": time_text, "badge": badge}
    return environment


def badge(verdict: Verdict) -> Badge:
    """How a verdict is shown."""
    return Badge(verdict.value, _LETTERS[verdict], verdict.value.replace(" ", "-"))


def _settings(about: About) -> list[Setting]:
    rows = []
    for name, value in about.settings.items():
        default = about.defaults.get(name)
        field = Setpoints.model_fields.get(name)
        rows.append(
            Setting(
                name=name,
                value=f"{value:g}",
                default="-" if default is None else f"{default:g}",
                changed=default is None or value != default,
                meaning=(field.description or "") if field else "",
            )
        )
    return rows


def _flat(values: Mapping[str, object], before: str = "") -> Iterable[tuple[str, str]]:
    for key, value in values.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{before}{key}.")
        else:
            yield f"{before}{key}", _plain_value(value)


def _plain_value(value: object) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return ", ".join(_plain_value(item) for item in value)
    return str(value)
