"""A second look at failing cells, for the report: carried out once more, drawn, and reduced on demand.

A campaign keeps no traces. Of thousands of cells that fail alike a person wants to see a few, and each
kind of failure once; ``worth_a_look`` chooses them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

from sim_plant.bench.campaign.cells import Cell
from sim_plant.bench.campaign.figures import Failure
from sim_plant.bench.campaign.work import LOST, Hands, Order, bench_of, cell_start, hand_out_to
from sim_plant.bench.evidence import draw_run
from sim_plant.bench.failures import NotFailingError
from sim_plant.bench.shrink import shrink
from sim_plant.bench.verdicts import RunResult

LOOKS_MAX = 60
"""So many failing cells are drawn; a picture has some 50 kB, and the page must open at once."""
SHRUNK_MAX = 20
"""So many kinds of failure are reduced; each takes some dozens of runs."""


@dataclass(frozen=True)
class Look:
    """One failing cell, seen again. ``result`` has no trace, and is None when it could not be had.

    ``shrunk`` is the text of the smallest case that fails alike, "" when none was looked for or found;
    ``note`` says how that went, or why there is no result.
    """

    cell: Cell
    result: RunResult | None
    picture: str = ""
    shrunk: str = ""
    note: str = ""


def worth_a_look(failures: Iterable[Failure], most: int = LOOKS_MAX) -> list[Failure]:
    """The first of each kind, then the second of each, until there are enough.

    A kind is a line of the catalogue and what it broke.
    """
    kinds: dict[tuple[str, tuple[str, ...], str], list[Failure]] = {}
    for failure in failures:
        kinds.setdefault(_kind(failure), []).append(failure)
    ranked = [(place, failure) for alike in kinds.values() for place, failure in enumerate(alike)]
    return [failure for _place, failure in sorted(ranked, key=lambda one: one[0])][:most]


def first_of_each_kind(failures: Iterable[Failure]) -> list[Failure]:
    """One of each kind, in the order of coming."""
    return list({_kind(failure): failure for failure in reversed(list(failures))}.values())[::-1]


def _kind(failure: Failure) -> tuple[str, tuple[str, ...], str]:
    return failure.key.split("/")[0], failure.broken, failure.error


def look_closer(order: Order, cells: Sequence[Cell], hands: Hands, shrinking: bool) -> Iterator[Look]:
    """Every cell once more, as they come."""
    do = partial(_look, shrinking)
    return hand_out_to(do, lambda cell: Look(cell, None, note=LOST), order, cells, cell_start, hands)


def _look(shrinking: bool, order: Order, cells: tuple[Cell, ...]) -> list[Look]:
    """In a worker."""
    return [_look_at(order, cell, shrinking) for cell in cells]


def _look_at(order: Order, cell: Cell, shrinking: bool) -> Look:
    """Whatever goes wrong becomes the note, as in the campaign itself: the report must be written."""
    try:
        return _seen(order, cell, shrinking)
    except Exception as error:
        return Look(cell, None, note=f"{type(error).__name__}: {error}")


def _seen(order: Order, cell: Cell, shrinking: bool) -> Look:
    workshop, run = bench_of(order).workshop, cell.run(order.for_s)
    result = workshop.carry_out(run, since_strike=True)
    assert result.trace is not None
    picture = draw_run(result.trace, result, order.job.site.setpoints.model_dump())
    findings, result = result.requirements, replace(result, trace=None)
    if not shrinking:
        return Look(cell, result, picture)
    try:
        shrunk = shrink(workshop, run, findings)
    except NotFailingError as error:  # a controller that does not do the same thing twice
        return Look(cell, result, picture, note=str(error))
    return Look(cell, result, picture, shrunk.toml(), shrunk.words())
