"""The page of the unit sequence: matrix, outputs, diagrams, trip classes; all from the firmware's tables."""

from __future__ import annotations

from controller.unit.outputs import DRIVES
from controller.unit.states import EVENT_TEXT, STATES, Answer, Event, Trip, UnitState
from controller.unit.table import (
    ACTIVE,
    ALSO,
    BANK_EVENTS,
    CELLS,
    FILLING,
    IDLE,
    RUNNING,
    Cell,
    Group,
    Move,
    destination,
)
from sim_plant.bench.evidence.strips import look_of
from sim_plant.docs_pages.markdown import page, table

ANSWERS = {
    Answer.IGNORE: "-",
    Answer.RECORD: "n",
    Answer.REFUSE: "r",
    Answer.BLOCK: "b",
    Answer.REMEMBER: "q",
}
TRIPS = {
    Trip.NONE: ("", "the state just changes; no actuator was moving"),
    Trip.CLOSE: ("C", "close-down with the pump already off: feed valve shut, then flush valve"),
    Trip.T2: ("T2", "ordinary stop: pump off, coast, stop flush when a slot is free, then shut"),
    Trip.T1: ("T1", "pump off at once, feed valve shut after the coast, no flush; the flush stays owed"),
    Trip.T0: ("T0", "everything de-energised in the same scan"),
    Trip.WELDED: ("K", "as T0, because the pump ran when it was told to stop; critical alarm"),
}
_ORDINARY = (
    Event.CALL,
    Event.STOP,
    Event.SELECTOR_AUTO,
    Event.RETURN_TO_SERVICE,
    Event.QUALITY_ALARM,
    Event.RESET,
    Event.DONE,
)
_GROUPS: tuple[tuple[str, Group], ...] = (
    ("IDLE", IDLE),
    ("FILLING", FILLING),
    ("RUNNING", RUNNING),
    ("STOP_FLUSH", (UnitState.STOP_FLUSH,)),
    ("STOPPING", (UnitState.STOPPING,)),
    ("RETRY_WAIT", (UnitState.RETRY_WAIT,)),
)
Way = tuple[Trip, UnitState]


def sequence_page() -> str:
    """The whole page."""
    return page(
        "The sequence of one unit",
        "What every state answers to every event, what it drives, and how it is left. The tables are those "
        "that the firmware runs (`controller/unit/table.py` and `controller/unit/outputs.py`).",
        "## States",
        table(("Code", "State", "In words"), [(_code(s), s.value, look_of(s).word) for s in STATES]),
        "## Main moves",
        "Moves of the sequence itself, of calls, stops, switches and resets, and the moves that cut all "
        "outputs at once (T0). Every other stop, also one that a fault makes, passes through STOPPING, "
        "which brings pump and valves to rest and then enters the target that the stop had in view.",
        _mermaid([*_ordinary_arrows(), *_cut_arrows()]),
        "## Moves that a fault or a person makes",
        "States that answer nearly alike stand together: IDLE is STANDBY and WAIT_PERMIT, FILLING is "
        "START_FLUSH and DELAY, RUNNING is PUMP_START, PRODUCE, PURGE and QUALITY_FLUSH.",
        _fault_table(),
        "## Trip classes",
        "The classes are this project's own words, not those of a standard. A later line outranks an "
        "earlier one and overrides it while it is in progress. C, T2 and T1 pass through STOPPING.",
        table(("Mark", "Class", "Action"), [(m or "none", t.name, text) for t, (m, text) in TRIPS.items()]),
        "## State by output",
        "1 is energised. The dose column says whether the unit counts in the dosing demand. Rules that stand "
        "above all states can only take away: pump only with the feed valve driven and after a whole start "
        "flush; nothing with stale I/O, isolator off, open E-stop chain, or selector away from AUTO for "
        "almost 5 s, and no pump once it has been away for longer than the coast; feed and flush together "
        "with the pump off never longer than the longest start flush.",
        _output_table(),
        "## State by event",
        _legend(),
        "In one scan the strongest event moves the unit. What stands in that scan, too, and is `q` in the "
        "state that is entered, is remembered at once.",
        _matrix(),
        "## Further targets",
        "Cells with a `+`: the move may end elsewhere, by what the unit remembers.",
        table(
            ("State", "Event", "May also enter"),
            [
                (s.value, f"{_number(e)} {EVENT_TEXT[e]}", ", ".join(t.value for t in targets))
                for (s, e), targets in ALSO.items()
            ],
        ),
    )


def cell_text(state: UnitState, event: Event) -> str:
    """One cell of the matrix in its short form, for example ``T1>LO``."""
    cell: Cell = CELLS[state, event]
    if isinstance(cell, Answer):
        return ANSWERS[cell]
    more = "+" if (state, event) in ALSO else ""
    return f"{TRIPS[cell.trip][0]}>{_code(cell.target)}{more}"


def _code(state: UnitState) -> str:
    return look_of(state.value).code


def _number(event: Event) -> str:
    return f"E{event.value:02d}"


def _legend() -> str:
    answers = [(f"`{mark}`", answer.value) for answer, mark in ANSWERS.items()]
    moves = [
        (f"`{mark}>XX`", f"{trip.name}, then the state XX" if mark else "change to the state XX")
        for trip, (mark, _) in TRIPS.items()
    ]
    states = ", ".join(f"{_code(s)} {s.value}" for s in STATES)
    return "\n\n".join(
        [
            table(("Cell", "Meaning"), [*answers, *moves]),
            f"Column heads: {states}.",
            "B behind a number marks a cause that the bank latches: units rest in STANDBY and one reset at "
            "the bank is enough. In XF and ST the target SB stands for the target that was recorded when the "
            "stop began. Of two events in one scan the stronger class wins, then the lower number.",
        ]
    )


def _matrix() -> str:
    head = ("Event", *(_code(state) for state in STATES))
    rows = [
        (
            f"{_number(event)}{' B' if event in BANK_EVENTS else ''} {EVENT_TEXT[event]}",
            *(cell_text(state, event) for state in STATES),
        )
        for event in Event
    ]
    return table(head, rows)


def _output_table() -> str:
    head = ("State", "Feed valve", "Flush valve", "Pump", "Enable", "Diverter to tank", "Dose")
    rows = []
    for state in STATES:
        row = DRIVES[state]
        cells = (row.feed, row.flush, row.pump, row.enable, row.divert)
        rows.append((state.value, *(drive.value for drive in cells), "yes" if row.dose else "no"))
    return table(head, rows)


def _mermaid(lines: list[str]) -> str:
    return "\n".join(["```mermaid", "stateDiagram-v2", *(f"    {line}" for line in lines), "```"])


def _ordinary_arrows() -> list[str]:
    """One arrow for each pair of states, labelled with the numbers of the events that make the move."""
    events: dict[tuple[UnitState, UnitState], list[Event]] = {}
    for event in _ORDINARY:
        for state in STATES:
            cell = CELLS[state, event]
            if isinstance(cell, Move):
                for target in (destination(state, cell), *ALSO.get((state, event), ())):
                    events.setdefault((state, target), []).append(event)
    labels = [
        (source, target, " / ".join(EVENT_TEXT[event] for event in made))
        for (source, target), made in events.items()
    ]
    ordered = sorted(labels, key=lambda arrow: (STATES.index(arrow[0]), STATES.index(arrow[1])))
    return [
        "[*] --> BOOT",
        *(f"{source.value} --> {target.value} : {text}" for source, target, text in ordered),
    ]


def _ways(group: Group) -> dict[Way, list[Event]]:
    """How the states of a group are left by events that are no part of the ordinary course."""
    ways: dict[Way, list[Event]] = {}
    for event in Event:
        moves = {cell for state in group if isinstance(cell := CELLS[state, event], Move)}
        if event in _ORDINARY or event is Event.REBOOT:
            continue
        for move in sorted(moves):
            ways.setdefault((move.trip, move.target), []).append(event)
    return ways


def _cut_arrows() -> list[str]:
    """One arrow for each state that a T0 move of a working unit enters at once."""
    cuts: dict[UnitState, list[str]] = {}
    for event in Event:
        moves = {cell for state in ACTIVE if isinstance(cell := CELLS[state, event], Move)}
        for move in sorted(moves):
            if move.trip is Trip.T0 and event is not Event.REBOOT:
                cuts.setdefault(move.target, []).append(EVENT_TEXT[event])
    arrows = [f"WORKING --> {target.value} : {' / '.join(texts)}" for target, texts in cuts.items()]
    return ['state "any state from START_FLUSH to STOPPING" as WORKING', *arrows]


def _fault_table() -> str:
    rows = [
        (
            name,
            TRIPS[trip][0] or "none",
            target.value,
            ", ".join(f"{_number(e)} {EVENT_TEXT[e]}" for e in events),
        )
        for name, group in _GROUPS
        for (trip, target), events in sorted(_ways(group).items())
    ]
    note = "E37 (controller restarted) leads from every state to BOOT with class T0 and is not drawn."
    return (
        table(("From", "Class", "Then", "Events that do so in at least one state of the group"), rows)
        + f"\n\n{note}"
    )
