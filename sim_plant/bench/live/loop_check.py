"""The loop check: before anything may move, is the right thing on the line, and does every point arrive?

Done with the E-stop open and the bank selector off, so a right program drives nothing. It proves the wiring
and not the program: that an input is used for what it is meant shows only in the cases.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple, Protocol

from controller.signals import BANK_SIGNALS, SAFE_BANK_OUTPUTS, Kind, Outputs, names
from sim_plant.bench.live.field import Field, LostError, Rounds
from sim_plant.bench.live.target import Pace, uncertainty_of
from sim_plant.plant import Plant

APPEAR_S = 10.0
"""So long a controller may take to show itself."""
MEASURE_S = 5.0
REST_WITHIN_MA = 0.05
"""A reference at rest may be so far from 4 mA: a register of few steps rounds (own choice)."""
NAMED = 8
"""So many points are named in a message; of the rest there is the number."""


class Checked(NamedTuple):
    """One thing that was looked at; ``fault`` is "" when it is right."""

    what: str
    fault: str


class Line(Field, Protocol):
    """A field that can say which points have not been exchanged and what does not read back."""

    def unheard(self) -> list[str]:
        """Points that the controller has not asked for, or not written, since the start."""

    def misread(self) -> list[str]:
        """What does not stand at the controller as it was written; empty where nothing can be read back."""


class Measured(NamedTuple):
    """The line at rest: what it means for time limits."""

    uncertainty_ms: int
    longest_round_ms: float
    rounds: int


def check_loops(
    line: Line, plant: Plant, pace: Pace, scan_ms: int, told: Callable[[Checked], None]
) -> Measured:
    """Look at everything, telling each; LostError at the first that makes a proof worthless."""
    plant.operate("estop_healthy", 0, False)
    plant.operate("bank_run", 0, False)
    _appears(line, plant, pace, scan_ms)
    told(Checked("the controller is there, lives, and is the right one", ""))
    line.rounds = Rounds()
    _run(line, plant, pace, scan_ms, MEASURE_S)
    for what, wrong in _questions(line):
        told(Checked(what, wrong))
        if wrong:
            raise LostError(f"{line.name}: {what}: {wrong}")
    longest_ms = line.rounds.longest_ms
    return Measured(uncertainty_of(scan_ms, longest_ms), longest_ms, line.rounds.count)


def _questions(line: Line) -> Iterator[tuple[str, str]]:
    yield "it stays there", line.trouble()
    yield "every point is exchanged", _listed(line.unheard(), "never asked for or written")
    yield "what is written stands where it was written", _listed(line.misread(), "read back otherwise")
    yield "with the E-stop open nothing is driven", _listed(driven(line.outputs()), "on")
    yield "the references stand at 4 mA at rest", _listed(not_at_rest(line.outputs()), "not at 4 mA")
    yield "the line is quick enough to tell anything", "" if line.rounds.count else "no round in 5 s"


def _listed(names: list[str], what: str) -> str:
    if not names:
        return ""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return f"{what}: {', '.join(names[:NAMED])}{more}"


def driven(outputs: Outputs) -> list[str]:
    """Outputs that move something and are on."""
    found = [f"bank.{name}" for name in ("booster_run", "dosing_run") if getattr(outputs.bank, name)]
    for unit, image in enumerate(outputs.units, start=1):
        found += [
            f"unit{unit}.{name}"
            for name in ("feed_valve", "flush_valve", "pump", "enable")
            if getattr(image, name)
        ]
    return found


def not_at_rest(outputs: Outputs) -> list[str]:
    """References that do not read 4 mA, with what they read."""
    read = {name: getattr(outputs.bank, name) for name in names(BANK_SIGNALS, Kind.AO)}
    return [
        f"bank.{name} = {value:.4g} mA"
        for name, value in read.items()
        if abs(value - getattr(SAFE_BANK_OUTPUTS, name)) > REST_WITHIN_MA
    ]


def _appears(line: Line, plant: Plant, pace: Pace, scan_ms: int) -> None:
    for _ in range(round(APPEAR_S * 1000 / scan_ms)):
        _scan(line, plant, pace, scan_ms)
        if not line.trouble():
            return
    raise LostError(f"{line.name}: {line.trouble()}")


def _run(line: Line, plant: Plant, pace: Pace, scan_ms: int, seconds: float) -> None:
    for _ in range(round(seconds * 1000 / scan_ms)):
        _scan(line, plant, pace, scan_ms)


def _scan(line: Line, plant: Plant, pace: Pace, scan_ms: int) -> None:
    line.publish(plant.inputs(()))
    pace.wait()
    plant.step(line.outputs(), scan_ms)
