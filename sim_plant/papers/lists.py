"""Papers that are lists: points, alarms, setpoints."""

from __future__ import annotations

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.rules import PRIORITY_TEXT, AlarmRule, Frozen, LoopFault
from controller.alarms.unit_rules import UNIT_RULES
from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, Signal
from controller.unit.states import EVENT_TEXT, Event
from controller.wiring.listing import PointRow, point_rows, summary_lines
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.docs_pages.lists import range_of_setpoint, unit_of_setpoint
from sim_plant.docs_pages.markdown import number, span
from sim_plant.papers.book import Book
from sim_plant.papers.cause_effect import value_text
from sim_plant.papers.form import FILL, Cell, Content, Paper, Section, Table


def points_of(book: Book) -> list[tuple[str, str, Signal]]:
    """Every signal of the site with its tag: that of a unit has the unit's number in it."""
    units = [
        (f"unit {unit}", signal.tag.replace("x", str(unit), 1), signal)
        for unit in range(1, book.site.units + 1)
        for signal in UNIT_SIGNALS
    ]
    return [*(("bank", signal.tag, signal) for signal in BANK_SIGNALS), *units]


def range_text(signal: Signal) -> str:
    """What a signal carries."""
    if signal.kind is Kind.DI:
        return "contact"
    return "coil" if signal.kind is Kind.DO else f"{span(signal.lo, signal.hi)} {signal.unit}"


def io_list(book: Book) -> Paper:
    """Every point, and where it lives on Modbus."""
    rows = [
        (where, tag, signal.kind.name, signal.text, range_text(signal), signal.on_loss)
        for where, tag, signal in points_of(book)
    ]
    head = ("Where", "Tag", "Kind", "What it is", "Range", "On loss")
    sections = [
        Section(
            "Points",
            (
                "Tags follow ISA-5.1: loop number is unit times 100 plus item. A protective contact is "
                "closed when "
                "healthy, an actuator is de-energised to its safe position, a feedback is closed when "
                "the thing is "
                "true: a cut wire reads as a trip, or as not proven. Loops are 4 to 20 mA. What is "
                "marked (option) "
                "may be left out by a site.",
            ),
            tables=(Table(head, rows, (8, 12, 6, 44, 16, 14)),),
        )
    ]
    listed: Table = Table(head, rows)
    if book.wiring is not None:
        points = list(point_rows(book.wiring))
        fields = ("tag", "signal", "device", "unit_id", "table", "address", "bit", "type", "scaling")
        short = Table(
            fields,
            [tuple(getattr(point, name) for name in fields) for point in points],
            (9, 22, 9, 6, 9, 8, 5, 11, 21),
        )
        words = (*summary_lines(book.wiring), *(f"Remark: {note}" for note in book.wiring.notes))
        sections.append(Section("Addresses on Modbus, from wiring.toml", words, tables=(short,)))
        listed = Table(PointRow._fields, points)
    else:
        sections.append(Section("Addresses on Modbus", ("The site has no wiring.toml.",)))
    return Paper("io-list", "I/O and point list", sections, csv=listed, wide=True)


def alarm_list(book: Book) -> Paper:
    """Every alarm with what the operator does."""
    head = ("Alarm", "Tag", "Priority", "Raised by", "Delay", "Reset", "Means", "Operator action")
    widths = (15, 7, 6, 16, 7, 7, 19, 23)
    unit = [_alarm(book, rule) for rule in UNIT_RULES]
    bank = [_alarm(book, rule) for rule in BANK_RULES]
    both = [("unit", *row) for row in unit] + [("bank", *row) for row in bank]
    priorities = [(str(p.value), text) for p, text in PRIORITY_TEXT.items()]
    return Paper(
        "alarm-list",
        "Alarm list with operator action",
        (
            Section(
                "Priorities",
                (
                    "The words are those of ISA-18.2, from memory. An alarm tells a person of something; "
                    "it stops "
                    "nothing. To acknowledge says: seen, and changes no output. A reset releases what "
                    "the sequence "
                    "has latched, once its cause is gone. The delay is the alarm's own, after that of "
                    "its cause.",
                    f"An alarm may be shelved for at most {value_text(book, 'shelve_max_h')}, with a "
                    f"name and a "
                    "reason; priority 1 may not.",
                ),
                tables=(Table(("Priority", "Meaning"), priorities, (10, 90)),),
            ),
            Section("Alarms of each unit", tables=(Table(head, unit, widths),)),
            Section("Alarms of the bank", tables=(Table(head, bank, widths),)),
        ),
        csv=Table(("scope", *(word.lower() for word in head)), both),
        wide=True,
    )


def _alarm(book: Book, rule: AlarmRule) -> tuple[str, ...]:
    delay = value_text(book, rule.on_delay) if isinstance(rule.on_delay, str) else f"{rule.on_delay:g} s"
    reset = "needed" if rule.latching else "-"
    return (
        rule.id,
        rule.tag,
        str(rule.priority.value),
        _source(rule),
        delay,
        reset,
        rule.text,
        rule.action,
    )


def _source(rule: AlarmRule) -> str:
    match rule.source:
        case Event():
            return f"E{rule.source.value:02d} {EVENT_TEXT[rule.source]}"
        case LoopFault():
            return f"loop {rule.source.quality.name}"
        case Frozen():
            return "loop does not move"
    return rule.source


def setpoint_record(book: Book) -> Paper:
    """Default, as found, as left, range, reason of every setpoint, and what its change touches."""
    rows: list[list[Content]] = [_setpoint(book, name) for name in Setpoints.model_fields]
    head = ("Setpoint", "Meaning", "Unit", "Default", "As found", "As left", "Range", "Reason", "Touches")
    filled = "As left is what was given." if book.left else "As left is to be written on site."
    about = (
        "As found is what site.toml says. " + filled + " Values that differ from the default are framed. "
        "Defaults belong to an invented plant: each must be replaced by a site value and signed.",
        "Touches names the requirements, causes, steps and alarms that read the setpoint: they are "
        "tested again "
        "when it is changed.",
    )
    listed = Table([word.lower() for word in head], rows)
    table = Table(head, rows, (15, 17, 6, 7, 7, 8, 11, 12, 17))
    return Paper(
        "setpoint-record",
        "Setpoint record",
        (Section("Setpoints", about, tables=(table,)), repeat_section(book)),
        csv=listed,
        wide=True,
    )


def _setpoint(book: Book, name: str) -> list[Content]:
    field = Setpoints.model_fields[name]
    found = getattr(book.site.setpoints, name)
    left: Content = FILL
    if book.left:
        value = getattr(book.left.setpoints, name)
        left = Cell(number(value), css="repeat" if value != found else "")
    reason: Content = Cell(book.left.reasons[name]) if book.left and name in book.left.reasons else FILL
    return [
        name,
        field.description or "",
        unit_of_setpoint(name),
        number(field.default),
        Cell(number(found), css="repeat" if found != field.default else ""),
        left,
        range_of_setpoint(field),
        reason,
        ", ".join(_touched(book, name)) or "-",
    ]


def _touched(book: Book, name: str) -> list[str]:
    requirements = [r.id for r in REQUIREMENTS if name in r.setpoints]
    causes = [f"E{e.value:02d}" for e in Event if name in book.reads.setpoints_of(e)]
    steps = [f"step {state.value}" for state, read in book.reads.of_step.items() if name in read]
    alarms = [f"alarm {r.id}" for r in (*UNIT_RULES, *BANK_RULES) if r.on_delay == name]
    return requirements + causes + steps + alarms


def repeat_section(book: Book) -> Section:
    """What must be tested again because of what was changed."""
    repeats = book.repeats
    if not repeats.changed:
        against = "the evidence" if book.taken.about and not book.taken.refused else "site.toml"
        return Section("To be repeated", (f"Nothing: the settings in force are those of {against}.",))
    files = sorted({run.source for run in book.runs if run.run_id in repeats.runs})
    names = [file.removesuffix(".case.toml") for file in files]
    sets = " ".join(f"--set {name}={number(getattr(book.setpoints, name))}" for name in repeats.changed)
    sentences = [
        f"Changed: {', '.join(repeats.changed)}.",
        f"Requirements: {', '.join(sorted(repeats.requirements)) or 'none names it'}.",
        f"Alarms delayed by it: {', '.join(repeats.alarms) or 'none'}.",
        f"Cases, {len(repeats.runs)} runs: {', '.join(names) or 'none'}.",
        f"On the bench: all cases with {sets}. A result made before the change is no proof of what is "
        f"listed here.",
    ]
    if repeats.all_of_it:
        unknown = ", ".join(repeats.all_of_it)
        sentences.append(f"No rule or requirement is known to read {unknown}: so everything is repeated.")
    return Section("To be repeated", sentences)
