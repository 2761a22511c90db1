"""The outcome of a sabotage on a terminal or in a pipe."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.table import Table

from sim_plant.bench.evidence.console import plain_table
from sim_plant.bench.sabotage.change import Change
from sim_plant.bench.sabotage.figures import Figures
from sim_plant.bench.sabotage.outcome import Outcome
from sim_plant.bench.sabotage.plan import KINDS

SHOWN = 20


def print_changes(console: Console, changes: Sequence[Change]) -> None:
    """How many changes of every kind there are."""
    counts = Counter(change.kind for change in changes)
    table = plain_table("Changes")
    table.add_column("Kind")
    table.add_column("What", overflow="fold")
    for kind, text in KINDS.items():
        table.add_row(str(counts[kind]), kind, text)
    table.add_row(str(len(changes)), "all", "")
    console.print(table)


def print_figures(console: Console, figures: Figures) -> None:
    """Kinds, requirements, survivors; the sentence that sums up comes last."""
    for table in (_kinds(figures), _requirements(figures), _survivors(figures)):
        if table.row_count:
            console.print(table)
            console.print()
    for line in sentences(figures):
        console.print(line, markup=False, soft_wrap=True)
    console.print(outcome(figures), markup=False, style="bold", soft_wrap=True)


def outcome(figures: Figures) -> str:
    """The outcome in one line."""
    n = figures.counts
    stopped = f"{figures.left} changes are still to be tried. " if figures.left else ""
    told = f"Of {figures.carried_out} changes that were carried out {n[Outcome.CAUGHT]} were caught, "
    told += f"{n[Outcome.UNSEEN]} showed nothing, {n[Outcome.EXPLAINED]} are explained, "
    return f"{stopped}{told}{n[Outcome.SURVIVED] or 'none'} survived unexplained."


def _kinds(figures: Figures) -> Table:
    table = plain_table("Kind", *(outcome.value for outcome in Outcome))
    table.add_column("What", overflow="fold")
    for kind, counts in figures.by_kind.items():
        table.add_row(kind, *(str(counts[outcome]) for outcome in Outcome), KINDS[kind])
    return table


def _requirements(figures: Figures) -> Table:
    table = plain_table("Requirement", "Caught", "Alone")
    for name, (caught, alone) in figures.caught_by.items():
        if caught:
            table.add_row(name, str(caught), str(alone))
    return table


def _survivors(figures: Figures) -> Table:
    table = plain_table("Survived")
    for name in ("What was changed", "What differed"):
        table.add_column(name, overflow="fold")
    survivors = figures.of(Outcome.SURVIVED)
    for one in survivors[:SHOWN]:
        table.add_row(one.change.id, one.change.text, one.differs)
    if (more := len(survivors) - SHOWN) > 0:
        table.add_row(f"and {more} more", "", "see sabotage.csv")
    return table


def sentences(figures: Figures) -> Iterator[str]:
    """What was not tried, what never caught anything, what is out of order."""
    yield f"Requirements that caught nothing: {', '.join(figures.never_caught) or 'none'}."
    by_case = figures.by_case_alone - figures.broke_off
    yield f"Caught by an expectation of a case and by no requirement: {by_case}."
    if figures.broke_off:
        yield f"Caught because the run broke off: {figures.broke_off}."
    yield f"Not tried, as no run touches the entry: {figures.counts[Outcome.UNTRIED]}."
    for why, how_many in figures.never_touched.items():
        yield f"Of these no run ever can: {how_many}, {why}."
    for run, why in figures.unsound.items():
        yield f"Untouched, the run {run} does not hold: {why}."
    for reason in figures.idle_reasons:
        yield f"Explained for nothing, take it off the list: {reason.change}."
