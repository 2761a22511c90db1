"""The cause-and-effect table: every event in every state, with the run that shows the cell."""

from __future__ import annotations

from collections import Counter

from controller.unit.states import EVENT_TEXT, STATES, Answer, Event, UnitState
from controller.unit.table import BANK_EVENTS, CELLS, Move
from sim_plant.bench.evidence.strips import look_of
from sim_plant.bench.evidence.summary import time_text
from sim_plant.docs_pages.lists import unit_of_setpoint
from sim_plant.docs_pages.markdown import number
from sim_plant.docs_pages.sequence import ANSWERS, TRIPS, cell_text
from sim_plant.papers.book import Book
from sim_plant.papers.form import Cell, Content, Paper, Section, Table
from sim_plant.papers.proofs import Key, Mark

LETTERS = {Mark.PROVEN: "P", Mark.KEPT: "k", Mark.REPEAT: "R", Mark.DIFFERS: "F", Mark.NOT: "-"}
_MEANS = {
    Mark.PROVEN: "shown by the run of that number, which passed",
    Mark.KEPT: "the event came, state and outputs stayed; that the next start waited was not looked at",
    Mark.REPEAT: "was shown before a setpoint that the cause reads was changed: repeat the run",
    Mark.DIFFERS: "the run of that number shows something else than the table",
    Mark.NOT: "no run of the evidence shows it",
}


def cause_and_effect(book: Book) -> Paper:
    """The whole paper."""
    marks = Counter(book.proof(key).mark for key in CELLS if isinstance(CELLS[key], Move))
    others = Counter(book.proof(key).mark for key in CELLS if not isinstance(CELLS[key], Move))
    numbers = _run_numbers(book)
    return Paper(
        "cause-and-effect",
        "Cause-and-effect table",
        (
            Section("What is proven", (_sum("cells that name a move", marks), _sum("other cells", others))),
            Section("Causes and effects", _reading(), tables=(_matrix(book, numbers), *_legend())),
            Section("What raises each cause", tables=(_causes(book),)),
            Section("What each state drives", ("See the control narrative, section States.",)),
            Section(
                "Runs", ("Numbers in the cells are those of this list.",), tables=(_runs(book, numbers),)
            ),
        ),
        csv=_list(book),
        wide=True,
    )


def _sum(what: str, marks: Counter[Mark]) -> str:
    told = ", ".join(f"{marks[mark]} {mark.value}" for mark in Mark if marks[mark])
    return f"{sum(marks.values())} {what}: {told}."


def _reading() -> tuple[str, ...]:
    return (
        "A row is a cause, a column the state in which it finds the unit. The upper line of a cell is the "
        "answer, the lower one its mark and the number of the run that shows it. B marks a cause that the "
        "bank latches for all units.",
        "A cell counts as shown when a unit's journal named event, state left and state entered, and feed "
        "valve, flush valve, pump and enable in the record of that scan were off where the table says "
        "so. That a stop "
        "went on as it should is judged by the requirements, not here.",
    )


def _run_numbers(book: Book) -> dict[str, int]:
    used = {book.proof(key).run_id for key in CELLS} - {""}
    return {run_id: place for place, run_id in enumerate(sorted(used), start=1)}


def _matrix(book: Book, numbers: dict[str, int]) -> Table:
    head = ("Cause", *(look_of(state.value).code for state in STATES))
    rows: list[list[Content]] = []
    for event in Event:
        latched = " B" if event in BANK_EVENTS else ""
        cause = Cell(f"E{event.value:02d}{latched} {EVENT_TEXT[event]}", ", ".join(book.reads.tags_of(event)))
        rows.append([cause, *(_cell(book, (state, event), numbers) for state in STATES)])
    return Table(head, rows, (20, *[5] * len(STATES)), "matrix")


def _cell(book: Book, key: Key, numbers: dict[str, int]) -> Cell:
    proof = book.proof(key)
    shown = f"{LETTERS[proof.mark]} {numbers[proof.run_id]}" if proof.run_id else LETTERS[proof.mark]
    if CELLS[key] is Answer.IGNORE and not proof.run_id:
        return Cell(cell_text(*key), css="idle")
    return Cell(cell_text(*key), shown, proof.mark.value.replace(" ", "-"))


def _legend() -> tuple[Table, ...]:
    answers = [(mark, answer.value) for answer, mark in ANSWERS.items()]
    moves = [(f"{mark}>XX" if mark else ">XX", text) for mark, text in TRIPS.values()]
    moves.append(("...+", "the move may end elsewhere, by what the unit remembers"))
    states = [(look_of(state.value).code, state.value) for state in STATES]
    marks = [(LETTERS[mark], f"{mark.value}: {_MEANS[mark]}") for mark in Mark]
    return (
        Table(("Mark", "Meaning"), marks, (8, 92)),
        Table(("Answer", "Meaning"), [*answers, *moves], (8, 92)),
        Table(("Code", "State"), states, (8, 92)),
    )


def _causes(book: Book) -> Table:
    rows: list[list[Content]] = []
    for event in Event:
        for one in book.reads.initiators.get(event, ()):
            rows.append(
                [
                    f"E{event.value:02d} {EVENT_TEXT[event]}",
                    one.text,
                    ", ".join(one.tags) or "the unit's own state",
                    f"{value_text(book, one.delay)}" if one.delay else "at once",
                    f"{one.clear_s:g} s" if one.clear_s else "-",
                    ", ".join(f"{name} = {value_text(book, name)}" for name in one.setpoints) or "-",
                ]
            )
    head = ("Cause", "Raised when", "Tags read", "Held for", "Gone for, before a reset", "Setpoints read")
    return Table(head, rows, (18, 26, 15, 8, 9, 24))


def value_text(book: Book, name: str) -> str:
    """A setpoint in force with its unit."""
    return f"{number(getattr(book.setpoints, name))} {unit_of_setpoint(name)}".strip()


def _runs(book: Book, numbers: dict[str, int]) -> Table:
    results = {result.run_id: result for result in book.taken.results}
    rows = []
    for run_id, place in numbers.items():
        result = results[run_id]
        shows = sum(book.proof(key).run_id == run_id for key in CELLS)
        rows.append((str(place), run_id, result.case, result.verdict.value, str(result.seed), str(shows)))
    head = ("No", "Run", "Case", "Verdict", "Seed", "Cells")
    return Table(head, rows, (5, 30, 43, 8, 8, 6))


def _list(book: Book) -> Table:
    rows = []
    for event in Event:
        for state in STATES:
            proof, cell = book.proof((state, event)), CELLS[state, event]
            rows.append(
                (
                    f"E{event.value:02d}",
                    EVENT_TEXT[event],
                    " ".join(book.reads.tags_of(event)),
                    state.value,
                    *_answer(cell),
                    proof.mark.value,
                    proof.run_id,
                    str(proof.unit or ""),
                    time_text(proof.at_ms) if proof.run_id else "",
                )
            )
    head = ("event", "cause", "tags", "state", "class", "then", "mark", "run", "unit", "at")
    return Table(head, rows)


def _answer(cell: Move | Answer) -> tuple[str, str]:
    if isinstance(cell, Answer):
        return "", cell.value
    target: UnitState = cell.target
    return cell.trip.name, target.value
