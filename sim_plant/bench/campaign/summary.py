"""The outcome of a campaign on a terminal or in a pipe."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console
from rich.table import Table

from controller.unit.states import STATES
from sim_plant.bench.campaign.cells import Plan
from sim_plant.bench.campaign.figures import POSSIBLE_MOVES, Figures
from sim_plant.bench.evidence.console import plain_table
from sim_plant.bench.evidence.summary import margin_text
from sim_plant.bench.verdicts import Verdict

FAILURES_SHOWN = 20
NOT_COMPARED = (
    "What answered first was not looked for: no two runs of a live controller are alike to the scan, so "
    "there is no undisturbed run to compare with."
)


def print_plan(console: Console, plan: Plan) -> None:
    """How many cells there are, and why the other combinations are none."""
    table = plain_table("Cells")
    table.add_column("What", overflow="fold")
    table.add_row(str(len(plan.cells)), "to be carried out")
    for reason, count in sorted(plan.skipped.items(), key=lambda pair: -pair[1]):
        table.add_row(str(count), f"left out: {reason}")
    console.print(table)


def print_figures(console: Console, figures: Figures) -> None:
    """Requirements, lines, failures and what was visited; the sentence that sums up comes last."""
    for table in (_requirements(figures), _lines(figures), _failures(figures)):
        if table.row_count:
            console.print(table)
            console.print()
    for line in sentences(figures):
        console.print(line, markup=False, soft_wrap=True)
    console.print(outcome(figures), markup=False, style="bold", soft_wrap=True)


def outcome(figures: Figures) -> str:
    """The outcome in one line; "all held" is said only of a whole campaign."""
    v, done = figures.verdicts, figures.done
    stopped = "" if done == figures.planned else f"{done} of {figures.planned} cells were carried out. "
    if figures.held:
        quiet = v[Verdict.NOT_EXERCISED]
        return f"All {done} cells held" + (f"; {quiet} put nothing to the test." if quiet else ".")
    bad = [
        (v[Verdict.FAIL] - figures.errors, "failed"),
        (figures.errors, "could not be carried out"),
        (v[Verdict.INCONCLUSIVE], "stayed open"),
    ]
    told = ", ".join(f"{n} {word}" for n, word in bad if n)
    return f"{stopped}Of {done} cells {told or 'none failed'}."


def _requirements(figures: Figures) -> Table:
    because = () if figures.live else ("Because of the fault",)
    table = plain_table("Id", "Cells", *because, "Not held", "Worst margin")
    table.add_column("In cell", overflow="fold")
    for r in (r for r in figures.requirements if r.cells):
        numbers = (str(r.cells), *(str(r.more) for _column in because), str(r.broken))
        table.add_row(r.id, *numbers, margin_text(r.margin, r.margin_unit), r.key or "-")
    return table


def _lines(figures: Figures) -> Table:
    if figures.live:
        table = plain_table("Line", "Cells", "Not held")
        table.add_column("Fault", overflow="fold")
        for line in figures.lines:
            table.add_row(line.line, str(line.cells), str(line.broken), line.text)
        return table
    table = plain_table("Line", "Cells", "Not held", "Seen", "Slowest")
    for name in ("In cell", "Answered first", "Fault"):
        table.add_column(name, overflow="fold")
    for line in figures.lines:
        answers = ", ".join(f"{what} ({n})" for what, n in line.answers[:3])
        slowest = "-" if line.slowest_ms is None else f"{line.slowest_ms / 1000:.1f} s"
        numbers = (str(line.cells), str(line.broken), str(line.seen))
        table.add_row(line.line, *numbers, slowest, line.slowest_key or "-", answers or "-", line.text)
    return table


def _failures(figures: Figures) -> Table:
    table = plain_table("Cell")
    for name in ("Fault", "Not held"):
        table.add_column(name, overflow="fold")
    for failure in figures.failures[:FAILURES_SHOWN]:
        table.add_row(failure.key, failure.faults, failure.error or " ".join(failure.broken))
    if (more := len(figures.failures) - FAILURES_SHOWN) > 0:
        table.add_row(f"and {more} more", "", "see campaign.csv")
    return table


def sentences(figures: Figures) -> Iterator[str]:
    """What was not tested, not seen and not visited."""
    idle = [r.id for r in figures.requirements if not r.cells]
    yield f"Requirements that no cell put to the test: {', '.join(idle) or 'none'}."
    yield from [NOT_COMPARED] if figures.live else _seen(figures)
    missed = ", ".join(figures.states_missed)
    yield f"States visited: {len(STATES) - len(figures.states_missed)} of {len(STATES)}" + (
        f"; not {missed}." if missed else "."
    )
    yield f"Moves made: {len(POSSIBLE_MOVES) - len(figures.moves_missed)} of {len(POSSIBLE_MOVES)}."
    hours = figures.simulated_s / 3600.0
    if figures.live:
        real_h = figures.worked_s / 3600.0
        yield f"{hours:.1f} h where the faults struck, {real_h:.1f} h of real time with the ways there."
    else:
        yield f"{hours:.1f} h of the plant in {figures.worked_s:.0f} s of work."


def _seen(figures: Figures) -> Iterator[str]:
    residual = [line.line for line in figures.unseen if line.residual]
    others = [line.line for line in figures.unseen if not line.residual]
    yield f"Not seen in any cell, as inputs and outputs cannot tell: {', '.join(residual) or 'none'}."
    yield f"Not seen in any cell, others: {', '.join(others) or 'none'}."
    seen = [line.line for line in figures.lines if line.residual and line.seen]
    if seen:
        yield f"Seen, though inputs and outputs alone should not tell: {', '.join(seen)}."
