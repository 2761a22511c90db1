"""What an exploration leaves in the evidence folder: figures as JSON, a page, and a case for each
violation.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from controller.settings import Setpoints
from controller.unit.states import STATES
from sim_plant.bench.case_text import case_toml
from sim_plant.bench.evidence import About
from sim_plant.bench.evidence.frame import Badge, Head, badge, render
from sim_plant.bench.explore.as_case import as_case
from sim_plant.bench.explore.liveness import Cycle, Liveness
from sim_plant.bench.explore.required import REQUIRED
from sim_plant.bench.explore.scale import RACES, real_s, ticks
from sim_plant.bench.explore.search import Search, Violation
from sim_plant.bench.verdicts import Verdict

CASES = "found"


class Explored(Protocol):
    """What the papers tell of a search, of one unit or of two."""

    @property
    def edges(self) -> int:
        """So many were made."""

    @property
    def depth(self) -> int:
        """Scans from the start."""

    @property
    def seconds(self) -> float:
        """It took so long."""

    @property
    def left(self) -> int:
        """States that were met and not expanded."""

    @property
    def stopped_by(self) -> str:
        """The bound that was met, "" for none."""

    @property
    def violations(self) -> dict[str, Violation]:
        """What can be broken."""

    @property
    def codes(self) -> Sequence[object]:
        """Every state that was met."""

    @property
    def closed(self) -> bool:
        """Every state has been expanded."""

    def by_state(self) -> Counter[str]:
        """How many of the states are in each state of the sequence."""


class Checked(NamedTuple):
    """One requirement over the whole exploration."""

    id: str
    text: str
    times: int
    verdict: Verdict


class Timer(NamedTuple):
    """One timer in seconds and in ticks, and what it races with."""

    name: str
    seconds: float
    ticks: int
    race: str


class Step(NamedTuple):
    """One scan of a shortest sequence."""

    number: int
    given: str
    state: str
    outputs: str


@dataclass(frozen=True)
class Found:
    """A violation in words, its shortest sequence and its case, "" when there is none."""

    violation: Violation
    steps: Sequence[Step]
    case: str
    not_said: Sequence[str]
    world: str = ""  # of two units


@dataclass(frozen=True)
class Figures:
    """All that console, page and JSON tell."""

    search: Explored
    live: Liveness | None
    checked: Sequence[Checked]
    timers: Sequence[Timer]
    found: Sequence[Found]
    worlds: Sequence[dict[str, Any]] = ()  # of two units; liveness is looked at with one only

    @property
    def verdict(self) -> Verdict:
        """A violation, a dead end or chatter fails; a set that was not closed leaves it open."""
        if self.search.violations or (self.live and (self.live.dead or self.live.chatter)):
            return Verdict.FAIL
        looked = self.live is not None or self.worlds
        return Verdict.PASS if self.search.closed and looked else Verdict.INCONCLUSIVE


def figures_of(search: Search, live: Liveness | None, folder: Path) -> Figures:
    """Everything to tell; writes the case of each violation into the folder."""
    return Figures(
        search,
        live,
        [_checked(search, place) for place in range(len(REQUIRED))],
        _timers(search.order.setpoints),
        [_found(search, violation, folder) for violation in search.violations.values()],
    )


def _checked(search: Search, place: int) -> Checked:
    required, times = REQUIRED[place], search.counted[place]
    verdict = Verdict.PASS if times else Verdict.NOT_EXERCISED
    if any(v.id == required.id and v.text == required.text for v in search.violations.values()):
        verdict = Verdict.FAIL
    return Checked(required.id, required.text, times, verdict)


def _timers(s: Setpoints) -> list[Timer]:
    counts = ticks(s)
    return [
        Timer(name, real_s(name, s), counts[name], race) for race, names in RACES.items() for name in names
    ]


def _found(search: Search, violation: Violation, folder: Path) -> Found:
    edges = search.play(violation)
    steps = [
        Step(
            number,
            "the power goes and comes"
            if edge.scene is None
            else _given(edge.scene.permits.call, edge.scene.atoms),
            STATES[edge.code[0]].value,
            ", ".join(name for name in edge.outputs._fields if getattr(edge.outputs, name)) or "nothing",
        )
        for number, edge in enumerate(edges, start=1)
    ]
    case = as_case(search, violation)
    path = folder / CASES / f"{violation.id.lower()}.case.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    comment = [f"Found by exploring: breaks {violation.id}, {violation.text}."]
    comment += [f"Not said here: {text}." for text in case.not_said]
    path.write_text(case_toml(case.table, comment), encoding="utf-8")
    return Found(violation, steps, f"{CASES}/{path.name}", case.not_said)


def _given(_called: bool, atoms: Sequence[str]) -> str:
    return ", ".join(atoms) or "all well"


def as_json(figures: Figures) -> dict[str, Any]:
    """For programs."""
    search, live = figures.search, figures.live
    return {
        "states": len(search.codes),
        "edges": search.edges,
        "depth": search.depth,
        "seconds": round(search.seconds, 1),
        "closed": search.closed,
        "stopped_by": search.stopped_by,
        "waiting": search.left,
        "worlds": list(figures.worlds),
        "by_state": dict(search.by_state()),
        "requirements": [c._asdict() | {"verdict": c.verdict.value} for c in figures.checked],
        "timers": [timer._asdict() for timer in figures.timers],
        "violations": [
            {
                "id": f.violation.id,
                "text": f.violation.text,
                "depth": f.violation.depth,
                "case": f.case,
                "not_said": list(f.not_said),
                "world": f.world,
                "steps": [step._asdict() for step in f.steps],
            }
            for f in figures.found
        ],
        "liveness": None
        if live is None
        else {
            "memories": live.memories,
            "dead_ends": len(live.dead),
            "cycles": [cycle._asdict() for cycle in live.cycles],
        },
    }


def write_papers(figures: Figures, about: About, folder: Path) -> None:
    """explore.json and report.html."""
    (folder / "explore.json").write_text(json.dumps(as_json(figures), indent=1), encoding="utf-8")
    (folder / "report.html").write_text(explore_html(figures, about), encoding="utf-8")


def explore_html(figures: Figures, about: About) -> str:
    """The page; ``evidence/explore.html`` says how it looks."""
    verdicts = [c.verdict for c in figures.checked]
    order = (Verdict.FAIL, Verdict.PASS, Verdict.NOT_EXERCISED)
    head = Head(
        outcome(figures),
        badge(figures.verdict),
        [(badge(verdict), verdicts.count(verdict)) for verdict in order],
        coverage(figures),
    )
    return render(
        "explore.html",
        about,
        head,
        figures=figures,
        search=figures.search,
        live=figures.live,
        checked=[(c, badge(c.verdict)) for c in figures.checked],
        by_state=[(state.value, figures.search.by_state()[state.value]) for state in STATES],
        cycles=sorted_cycles(figures.live),
    )


def sorted_cycles(live: Liveness | None) -> list[Cycle]:
    """Chatter first, then by length."""
    return sorted(live.cycles if live else (), key=lambda c: (not c.chatters, c.ticks, c.states, c.outputs))


def outcome(figures: Figures) -> str:
    """One line."""
    search, live = figures.search, figures.live
    if search.violations:
        ids = sorted({violation.id for violation in search.violations.values()})
        return f"{len(ids)} requirement{'s' * (len(ids) > 1)} can be broken: {', '.join(ids)}"
    if live and (live.dead or live.chatter):
        return f"{len(live.dead)} dead ends, {len(live.chatter)} cycles of chatter"
    if not search.closed:
        return f"Not closed: stopped by {search.stopped_by}, {search.left} states not looked at"
    if live is None:
        return "Every reachable state holds every requirement; liveness was not looked at"
    return "Every reachable state holds every requirement, and from each production can be reached again"


def coverage(figures: Figures) -> str:
    """Another: how much was looked at."""
    search = figures.search
    closed = "the set is closed" if search.closed else f"{search.left} states left at depth {search.depth}"
    times = sum(c.times for c in figures.checked)
    return (
        f"{len(search.codes):,} states, {search.edges:,} edges, depth {search.depth}, "
        f"{search.seconds:.0f} s; {closed}. "
        f"{sum(1 for c in figures.checked if c.times)} of {len(figures.checked)} rules were put to the test, "
        f"{times:,} times."
    )


def overall(figures: Figures) -> Badge:
    """The verdict as a badge."""
    return badge(figures.verdict)
