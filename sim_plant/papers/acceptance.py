"""Protocols of the factory and the site acceptance test: what the bench has filled in, and room to sign."""

from __future__ import annotations

from controller.signals import Kind
from sim_plant.bench.evidence.summary import RequirementSummary, margin_text
from sim_plant.bench.verdicts import Verdict
from sim_plant.papers.book import Book
from sim_plant.papers.form import FILL, Cell, Content, Paper, Section, Table
from sim_plant.papers.lists import points_of, range_text, repeat_section
from sim_plant.papers.steps import FAT_STEPS, LOOP_CURRENTS_MA, SAT_STEPS, TOLERANCES

_WORDS = (
    "The words FAT and SAT are used as in IEC 62381, from memory. What the bench has filled in is "
    "printed bold; an empty "
    "cell is filled in by hand, signed by the person who saw it. A bench result is evidence about the "
    "logic, on "
    "a simulated plant; each item of the site test needs the site's own value."
)


def factory_test(book: Book) -> Paper:
    """The factory acceptance test."""
    return Paper(
        "factory-test",
        "Factory acceptance test (FAT)",
        (
            Section("Steps", (_WORDS,), tables=(_steps(FAT_STEPS),)),
            Section("FAT-3 Contacts in and out", tables=(_contacts(book),)),
            Section(
                "FAT-3 Loops",
                (
                    "Below 3.6 and above 21.0 mA a loop is BAD within 2.5 s; at 3.7 and 20.6 mA it is still "
                    "used. Write what is shown, and whether it was adjusted.",
                ),
                tables=(_loops(book),),
            ),
            Section("FAT-4 Requirements", tables=(_requirements(book),)),
            repeat_section(book),
        ),
        wide=True,
    )


def site_test(book: Book) -> Paper:
    """The site acceptance test."""
    return Paper(
        "site-test",
        "Site acceptance test (SAT)",
        (
            Section("Steps", (_WORDS,), tables=(_steps(SAT_STEPS),)),
            Section("SAT-1 Contacts, at the field device", tables=(_contacts(book),)),
            Section("SAT-1 Loops, at the field device", tables=(_site_loops(book),)),
        ),
        wide=True,
    )


def _steps(steps: tuple[tuple[str, str, str], ...]) -> Table:
    rows = [(*step, FILL, FILL, FILL, FILL) for step in steps]
    head = ("Step", "What", "How", "Instrument, serial", "Result", "Signed, date", "Witness")
    return Table(head, rows, (7, 13, 36, 13, 11, 11, 9))


def _contacts(book: Book) -> Table:
    rows: list[list[Content]] = [
        [place, tag, signal.kind.name, signal.text, signal.on_loss, FILL, FILL, FILL]
        for place, tag, signal in points_of(book)
        if signal.kind in (Kind.DI, Kind.DO)
    ]
    head = (
        "Where",
        "Tag",
        "Kind",
        "What it is",
        "On loss",
        "Healthy",
        "Wire broken",
        "Signed, date",
    )
    return Table(head, rows, (7, 10, 6, 33, 14, 9, 9, 12))


def _loops(book: Book) -> Table:
    rows: list[list[Content]] = [
        [tag, signal.kind.name, range_text(signal), *([FILL] * len(LOOP_CURRENTS_MA)), FILL, FILL]
        for _place, tag, signal in points_of(book)
        if signal.kind in (Kind.AI, Kind.AO)
    ]
    head = ("Tag", "Kind", "Range", *(f"{ma:g} mA" for ma in LOOP_CURRENTS_MA), "Adjusted", "Signed, date")
    return Table(head, rows, (9, 5, 14, *[8] * len(LOOP_CURRENTS_MA), 7, 9))


def _site_loops(book: Book) -> Table:
    rows: list[list[Content]] = [
        [place, tag, signal.text, range_text(signal), TOLERANCES[signal.unit], FILL, FILL, FILL, FILL]
        for place, tag, signal in points_of(book)
        if signal.kind in (Kind.AI, Kind.AO)
    ]
    head = ("Where", "Tag", "What", "Range", "Tolerance", "Reference", "As found", "As left", "Signed, date")
    return Table(head, rows, (7, 8, 23, 13, 11, 10, 9, 9, 10))


def _requirements(book: Book) -> Table:
    rows: list[list[Content]] = []
    for text, summary in book.requirements:
        rows.append([text.id, text.statement, *_bench(book, text.id, summary), FILL, FILL])
    head = ("Id", "Requirement", "On the bench", "Runs", "Least margin", "In the run", "Witness", "Remark")
    return Table(head, rows, (6, 37, 10, 6, 10, 15, 8, 8))


def _bench(book: Book, name: str, summary: RequirementSummary) -> tuple[Content, ...]:
    if not book.taken.results or summary.verdict is Verdict.NOT_EXERCISED:
        return (
            Cell("not proven", "no run put it to the test" if book.taken.results else "no evidence"),
            "",
            "",
            "",
        )
    word = Cell(summary.verdict.value, css="bench")
    if book.must_repeat(name):
        word = Cell("repeat", f"{summary.verdict.value} before the change", "repeat")
    elif summary.verdict is not Verdict.PASS:
        word = Cell(summary.verdict.value, css="differs")
    return word, str(summary.runs), margin_text(summary.margin, summary.margin_unit), summary.run_id or "-"
