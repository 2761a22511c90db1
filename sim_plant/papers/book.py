"""What is known of a site when its papers are written, and what a change of settings asks to be repeated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from pydantic import ValidationError

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.unit_rules import UNIT_RULES
from controller.files import InputError, explain, near_key, read_toml
from controller.settings import Setpoints
from controller.wiring import Wiring
from sim_plant.bench.cases import Run
from sim_plant.bench.evidence.summary import RequirementSummary, RequirementText, summary_of_all
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.prove import requirement_texts
from sim_plant.papers.evidence import Taken
from sim_plant.papers.proofs import Key, Mark, Proof, Proofs
from sim_plant.papers.reads import Reads
from sim_plant.site import Site


@dataclass(frozen=True)
class Left:
    """Settings as left on site, with the reason for each that somebody gave one for."""

    setpoints: Setpoints
    reasons: dict[str, str]


def read_left(path: Path, site: Site) -> Left:
    """A TOML file with [setpoints] and, if wanted, [reasons]; what is left out is as in site.toml.

    InputError when a name or value does not hold.
    """
    data = read_toml(path)
    strange = sorted(data.keys() - {"setpoints", "reasons"})
    if strange:
        raise InputError(f"{path.name}: {strange[0]}: not a known table; there are setpoints and reasons")
    values, reasons = data.get("setpoints", {}), data.get("reasons", {})
    if not isinstance(values, dict) or not isinstance(reasons, dict):
        raise InputError(f"{path.name}: setpoints and reasons must be tables")
    for name, reason in reasons.items():
        if name not in Setpoints.model_fields:
            raise InputError(
                f"{path.name}: reasons.{name} is not a known setpoint{near_key((name,), Setpoints)}"
            )
        if not isinstance(reason, str):
            raise InputError(f"{path.name}: reasons.{name}: must be a text")
    try:
        setpoints = Setpoints.model_validate({**site.setpoints.model_dump(), **values}, strict=True)
        setpoints.flush_slots(site.units)
    except ValidationError as error:
        raise InputError(explain(path.name, error, Setpoints)) from error
    except ValueError as error:
        raise InputError(f"{path.name}: {error}") from error
    return Left(setpoints, reasons)


@dataclass(frozen=True)
class Repeats:
    """What must be repeated because these setpoints were changed. ``all_of_it`` names those nobody reads."""

    changed: tuple[str, ...] = ()
    requirements: frozenset[str] = frozenset()
    cells: frozenset[Key] = frozenset()
    alarms: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()
    all_of_it: tuple[str, ...] = ()


@dataclass(frozen=True)
class Book:
    """A site with its evidence. ``date`` "" is left open to be written by hand."""

    site: Site
    wiring: Wiring | None
    runs: Sequence[Run]
    taken: Taken = field(default_factory=Taken)
    proofs: Proofs = field(default_factory=Proofs)
    left: Left | None = None
    date: str = ""

    @property
    def setpoints(self) -> Setpoints:
        """The settings in force: as left, or those of the site."""
        return self.left.setpoints if self.left else self.site.setpoints

    @cached_property
    def reads(self) -> Reads:
        """What the rules read."""
        return Reads(self.setpoints)

    @cached_property
    def requirements(self) -> list[tuple[RequirementText, RequirementSummary]]:
        """Every requirement in the values in force, with what the evidence says of it."""
        return summary_of_all(self.taken.results, requirement_texts(self.setpoints))

    @cached_property
    def repeats(self) -> Repeats:
        """What changed between the evidence, or the site without one, and the settings in force."""
        about = self.taken.about if not self.taken.refused else None
        made = about.settings if about else numbers(self.site.setpoints)
        now = numbers(self.setpoints)
        changed = tuple(name for name in Setpoints.model_fields if made.get(name) != now[name])
        return _repeats(changed, self) if changed else Repeats()

    def proof(self, key: Key) -> Proof:
        """What the records show of a cell, with what must be repeated marked."""
        proof = self.proofs.of(key)
        again = key in self.repeats.cells or self.repeats.all_of_it
        if again and proof.mark in (Mark.PROVEN, Mark.KEPT):
            return proof._replace(mark=Mark.REPEAT)
        return proof

    def must_repeat(self, requirement: str) -> bool:
        """Whether a requirement's result was made before a setpoint that it depends on was changed."""
        return bool(self.repeats.all_of_it) or requirement in self.repeats.requirements


def numbers(setpoints: Setpoints) -> dict[str, float]:
    """Setpoints as evidence holds them."""
    return {name: float(value) for name, value in setpoints.model_dump().items()}


def _repeats(changed: tuple[str, ...], book: Book) -> Repeats:
    names = frozenset(changed)
    requirements = frozenset(r.id for r in REQUIREMENTS if names.intersection(r.setpoints))
    cells = book.reads.cells_of(names)
    alarms = tuple(dict.fromkeys(rule.id for rule in (*UNIT_RULES, *BANK_RULES) if rule.on_delay in names))
    shown_by = {proof.run_id for key, proof in book.proofs.cells.items() if key in cells}
    runs = tuple(
        run.run_id
        for run in book.runs
        if requirements.intersection(run.case.requirements) or run.run_id in shown_by or _names(run, names)
    )
    known = {name for r in REQUIREMENTS for name in r.setpoints}
    known |= {name for read in book.reads.of_step.values() for name in read}
    known |= {name for event in book.reads.initiators for name in book.reads.setpoints_of(event)}
    known |= {rule.on_delay for rule in (*UNIT_RULES, *BANK_RULES) if isinstance(rule.on_delay, str)}
    all_of_it = tuple(name for name in changed if name not in known or name in book.reads.of_look)
    runs = tuple(run.run_id for run in book.runs) if all_of_it else runs
    return Repeats(changed, requirements, cells, alarms, runs, all_of_it)


def _names(run: Run, names: frozenset[str]) -> bool:
    """Whether a case changes or mentions one of these setpoints."""
    written = {step.setpoint.name for step in run.case.step if step.setpoint is not None}
    words = {*run.case.title.split(), *(word for e in run.case.expect for word in e.text.split())}
    return bool(names & (written | words))
