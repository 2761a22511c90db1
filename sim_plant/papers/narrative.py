"""The control narrative, from the tables that run."""

from __future__ import annotations

import re

from controller.bank.shared import SHARED
from controller.signals import UNIT_SIGNALS
from controller.unit.outputs import DRIVES, GLOBAL_RULES
from controller.unit.progress import WAITS
from controller.unit.states import EVENT_TEXT, STATES, Event, UnitState
from controller.unit.table import CELLS, Move
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.docs_pages.sequence import TRIPS
from sim_plant.papers.book import Book
from sim_plant.papers.cause_effect import value_text
from sim_plant.papers.form import Paper, Section, Table

_TAGS = {signal.name: signal.tag for signal in UNIT_SIGNALS}


def control_narrative(book: Book) -> Paper:
    """What bank and unit do, in words and in the site's values."""
    s, units = book.setpoints, book.site.units
    slots = s.flush_slots(units)
    return Paper(
        "control-narrative",
        "Control narrative",
        (
            Section(
                "The bank",
                (
                    f"{units} equal reverse-osmosis units draw from one feed header, which a booster "
                    f"pump keeps at "
                    f"{value_text(book, 'header_bar')}. One dosing pump adds antiscalant to the feed of all. "
                    "Permeate goes to one product tank, concentrate to one drain.",
                    f"At most {slots} of them may flush at once: drain and booster take no more "
                    f"({value_text(book, 'drain_capacity_m3h')} and "
                    f"{value_text(book, 'booster_capacity_m3h')}).",
                    f"Units are called as the tank empties: the first below "
                    f"{value_text(book, 'tank_first_pct')}, "
                    f"all below {value_text(book, 'tank_last_pct')}; all stop at "
                    f"{value_text(book, 'tank_stop_pct')}. "
                    f"Two pumps never start within {value_text(book, 'stagger_s')}.",
                    "Hard-wired protection acts whatever the program does: the E-stop chain, the discharge "
                    "switches, the motor protectors, the high-high float, the watchdog relay.",
                ),
            ),
            Section(
                "States of a unit",
                (
                    "1 is energised. Outputs not named are off. Of two causes in one scan the stronger "
                    "class wins, "
                    "then the lower number.",
                ),
                tables=(_states(), _steps()),
            ),
            Section(
                "How a state is left",
                ("The classes are this project's own words.",),
                tables=(Table(("Class", "Action"), [(m or "none", t) for m, t in TRIPS.values()], (10, 90)),),
            ),
            Section("Rules above all states", ("They can only take away.",), tables=(_global(),)),
            Section("Protections of a unit", tables=(_protections(book),)),
            Section(
                "Causes of the bank",
                ("Latched for all units at once; one reset at the bank releases them when they are gone.",),
                tables=(_shared(book),),
            ),
            Section("What is required", ("With the values of this site.",), tables=(_required(book),)),
        ),
    )


def _states() -> Table:
    rows = []
    for state in STATES:
        row = DRIVES[state]
        driven = (row.feed, row.flush, row.pump, row.enable, row.divert)
        rows.append((state.value, *(drive.value for drive in driven), "yes" if row.dose else "no"))
    tags = (_TAGS[name] for name in ("feed_valve", "flush_valve", "pump", "enable", "divert"))
    head = ("State", *tags, "Counts for dosing")
    return Table(head, rows, (19, 15, 15, 15, 8, 15, 13))


def _steps() -> Table:
    rows = []
    for state in STATES:
        done = CELLS[state, Event.DONE]
        then = done.target.value if isinstance(done, Move) else "-"
        rows.append((state.value, _sentence(WAITS[state].__doc__), then))
    return Table(("State", "Its own step", "Then"), rows, (22, 56, 22))


def _global() -> Table:
    rows = [
        (rule.name, _sentence(rule.when.__doc__), ", ".join(_TAGS[name] for name in rule.takes))
        for rule in GLOBAL_RULES
    ]
    return Table(("Rule", "When", "Takes away"), rows, (20, 45, 35))


def _protections(book: Book) -> Table:
    shared = {rule.event for rule in SHARED}
    events = [event for event in book.reads.initiators if event not in shared]
    return _causes(book, events)


def _shared(book: Book) -> Table:
    return _causes(book, list(dict.fromkeys(rule.event for rule in SHARED)))


def _causes(book: Book, events: list[Event]) -> Table:
    rows = []
    for event in sorted(events):
        cell = CELLS[UnitState.PRODUCE, event]
        then = f"{TRIPS[cell.trip][0]} to {cell.target.value}" if isinstance(cell, Move) else cell.value
        for one in book.reads.initiators[event]:
            held = value_text(book, one.delay) if one.delay else "at once"
            rows.append((EVENT_TEXT[event], one.text, ", ".join(one.tags) or "-", held, then))
    return Table(("Cause", "When", "Tags", "Held for", "From PRODUCE"), rows, (22, 34, 15, 10, 19))


def _required(book: Book) -> Table:
    rows = [(r.id, r.text(book.setpoints), r.kind, "; ".join(r.hazard)) for r in REQUIREMENTS]
    return Table(("Id", "Requirement", "Kind", "Guards against"), rows, (8, 58, 11, 23))


def _sentence(text: str | None) -> str:
    """A rule's own words without the letter of its list."""
    return re.sub(r"^\([a-z]\) ", "", " ".join((text or "").split()))
