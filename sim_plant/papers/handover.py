"""Residual faults, lock-out sheets, the hand-over report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from controller.signals import UNIT_SIGNALS
from controller.unit.table import CELLS, Move
from sim_plant.bench.campaign.answers import RESIDUAL
from sim_plant.bench.evidence.summary import coverage_line, headline
from sim_plant.bench.verdicts import Verdict
from sim_plant.catalogue import CATALOGUE
from sim_plant.papers.book import Book
from sim_plant.papers.form import FILL, Content, Paper, Section, Table
from sim_plant.papers.lists import repeat_section
from sim_plant.papers.steps import BASELINE, ENERGIES, LOCK_OUT, REJOIN, ROUTINE


def residual_faults(_book: Book) -> Paper:
    """Faults that inputs and outputs cannot catch, and the routine check that covers each."""
    rows: list[list[Content]] = [[line, CATALOGUE[line].text, *ROUTINE[line], FILL] for line in RESIDUAL]
    table = Table(("Fault", "What", "Routine check", "How often", "Who"), rows, (7, 27, 38, 15, 13))
    return Paper(
        "residual-faults",
        "Residual faults",
        (
            Section(
                "Faults that no input shows",
                (
                    f"Of the {len(CATALOGUE)} faults of the catalogue these cannot be caught by inputs "
                    f"and outputs. Each "
                    "is left to a person. The intervals are proposals; the owner sets and signs them.",
                ),
                tables=(table,),
            ),
        ),
    )


def lock_out(book: Book) -> Paper:
    """The cautions, then a sheet for each unit."""
    return Paper(
        "lock-out",
        "Lock-out sheets",
        [_sheet(unit) for unit in range(1, book.site.units + 1)],
        signed=False,
        cautions_whole=True,
    )


def _sheet(unit: int) -> Section:
    tags = {signal.name: signal.tag.replace("x", str(unit), 1) for signal in UNIT_SIGNALS}
    named = {
        "isolator": tags["isolator_on"],
        "feed": tags["feed_valve"],
        "suction": tags["suction_ma"],
        "membrane": tags["membrane_ma"],
        "selector": tags["selector_auto"],
    }
    steps: list[list[Content]] = [
        [str(number), do.format(**named), note.format(**named), FILL, FILL]
        for number, (do, note) in enumerate(LOCK_OUT, start=1)
    ]
    back: list[list[Content]] = [
        [str(number), text.format(**named), "", FILL, FILL] for number, text in enumerate(REJOIN, start=1)
    ]
    energies: list[list[Content]] = [[text, at.format(**named), FILL] for text, at in ENERGIES]
    head, widths = ("Step", "Do", "Note", "Seen", "Name, time"), (6, 44, 25, 11, 14)
    return Section(
        f"Unit {unit}",
        (
            "A program in OFF or MAINTENANCE is not isolation. Local code and the house's own procedure come "
            "first. Valves and locks by their plate on site:",
        ),
        tables=(
            Table(("Energy", "Isolated at", "Lock and tag no."), energies, (45, 32, 23)),
            Table(head, steps, widths),
            Table(("Step", "Back to service", "Note", "Seen", "Name, time"), back, widths),
        ),
        css="sheet",
    )


def hand_over(book: Book, bound: Sequence[Paper]) -> Paper:
    """What is handed over, what was shown, what is open."""
    units: list[list[Content]] = [
        [str(unit), *([FILL] * len(BASELINE))] for unit in range(1, book.site.units + 1)
    ]
    share = 93 // len(BASELINE)
    open_rows: list[list[Content]] = [[str(number), FILL, FILL, FILL] for number in range(1, 7)]
    papers: list[list[Content]] = [[f"{n:02d}", paper.title, FILL] for n, paper in enumerate(bound, start=1)]
    return Paper(
        "hand-over",
        "Hand-over report",
        (
            Section("What the bench has shown", _shown(book)),
            repeat_section(book),
            Section("Not proven", _open(book)),
            Section("Papers", tables=(Table(("No", "Paper", "Handed over"), papers, (8, 62, 30)),)),
            Section(
                "Baseline of each unit",
                ("After 24 to 72 h of production; later values are compared with these.",),
                tables=(Table(("Unit", *BASELINE), units, (7, *[share] * len(BASELINE))),),
            ),
            Section(
                "Open points", tables=(Table(("No", "What", "Who", "Until"), open_rows, (6, 58, 20, 16)),)
            ),
            Section(
                "Handed over with it",
                ("Fill in: where it lies, in which state.",),
                tables=(
                    Table(
                        ("What", "Where, state"),
                        [(text, FILL) for text in ("copy of program and site folder", "spares", "contacts")],
                        (40, 60),
                    ),
                ),
            ),
        ),
        cautions_whole=True,
    )


def _shown(book: Book) -> tuple[str, ...]:
    about = book.taken.about
    if about is None or book.taken.refused:
        return ("Nothing: there is no evidence that counts for this site and these settings.",)
    moves = Counter(book.proof(key).mark.value for key, cell in CELLS.items() if isinstance(cell, Move))
    told = ", ".join(f"{count} {word}" for word, count in sorted(moves.items()))
    return (
        headline(book.taken.results, about),
        coverage_line(summary for _text, summary in book.requirements),
        f"Of {sum(moves.values())} cells of the cause-and-effect table that name a move: {told}.",
    )


def _open(book: Book) -> tuple[str, ...]:
    failed = [t.id for t, s in book.requirements if s.verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE)]
    never = [t.id for t, s in book.requirements if s.verdict is Verdict.NOT_EXERCISED]
    return (
        f"Requirements that failed or stayed open: {', '.join(failed) or 'none'}.",
        f"Requirements that no run put to the test: {', '.join(never) or 'none'}.",
        f"Faults that no input shows: {', '.join(RESIDUAL)}; see residual faults.",
        "Hard-wired protection, valves, pumps, instruments and wiring: only the site test shows them.",
    )
