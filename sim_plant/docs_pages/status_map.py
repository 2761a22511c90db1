"""The page of the status map: what a panel reads, and how it gives a command."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum
from typing import Any

from controller.alarms.states import STATE_TEXT
from controller.panel.codes import ALARM_CODES, PRIORITY_STEP, STAGE_CODES, STATE_CODES, VERB_CODES
from controller.panel.device import UNIT_IDS
from controller.panel.form import Row
from controller.panel.map import BANK_MAP, BLOCK, UNIT_MAP, map_sum
from controller.panel.orders import ORDER_WORDS, WAIT_MS
from controller.parts.answers import OUTCOME_TEXT, Outcome
from controller.signals import UNITS_MAX
from controller.unit.states import EVENT_TEXT, Trip
from sim_plant.docs_pages.markdown import code, page, table

_ORDER_TEXT = {
    "session": "the register `session` as it reads now",
    "sequence": "the register `next` as it reads now: 1 after a start, then one more each time",
    "verb": "see below",
    "unit": "number of a unit; 0 is the bank, not for a start",
    "against": "number of the state that the person saw: needed for start and for the reset of a unit, "
    "0 for the reset of the bank, and as you like for the others",
}


def status_map_page() -> str:
    """The whole page."""
    return page(
        "Status map",
        "What the firmware shows a panel or SCADA over Modbus TCP. It is off unless the program is started "
        "with `--status-port PORT`, and on 127.0.0.1 unless `--status-host HOST` names another address. "
        f"Unit ids {' and '.join(str(unit_id) for unit_id in UNIT_IDS)} answer alike. Modbus has no "
        "password and no secrecy: whoever reaches the port may read, and with `--accept-commands` command. "
        "Keep it on a network of its own.",
        "Addresses count from 0. All of the map stands in input registers (function 4). The bank has the "
        f"addresses from 0, unit n those from n * {BLOCK}: the state of unit 3 is in {3 * BLOCK + 2}. The "
        f"map is the same for 1 and for {UNITS_MAX} units. Values of 32 bits have the high word first. "
        "Between the rows of a block a register reads 0; beyond a block the answer is exception 02.",
        "Each answer is of one moment, between two scans; two answers are of the same scan when their "
        f"`heartbeat` is the same. When no scan has come for {WAIT_MS / 1000:g} s every request is answered "
        "with exception 04, so that values which have stopped cannot pass for values that are steady. Watch "
        "the `heartbeat` nevertheless, and the exception.",
        f"`map` is {map_sum()} for the map on this page. It changes with any address, name or number in it: "
        "let the panel compare it.",
        "## The bank",
        _rows(BANK_MAP),
        "## A unit",
        f"Add n * {BLOCK} for unit n.",
        _rows(UNIT_MAP),
        "## Bits",
        "The lowest bit is 0.",
        *_bits("bank", BANK_MAP),
        *_bits("unit", UNIT_MAP),
        "## Numbers",
        "Events go by their number in [sequence.md](sequence.md), E09 is 9. An alarm is 0 when normal, else "
        f"its priority * {PRIORITY_STEP} plus the number of its state: {2 * PRIORITY_STEP + 1} is priority "
        "2, unacknowledged. Its number is its place in [alarms.md](alarms.md), 1 is the first.",
        table(("State of a unit", "Number"), _numbers(STATE_CODES.items())),
        table(("Trip class", "Number"), [(trip.name, str(trip.value)) for trip in Trip]),
        table(("Pre-start order", "Number"), _numbers(STAGE_CODES.items())),
        table(
            ("Alarm", "Number", "Meaning"),
            [(state.value, str(number), STATE_TEXT[state]) for state, number in ALARM_CODES.items()],
        ),
        table(("Event", "Number"), [(text, str(event.value)) for event, text in EVENT_TEXT.items()]),
        "## Commands",
        "With `--accept-commands` a panel may start, stop, reset and acknowledge, and nothing else: no "
        "setpoint, no maintenance, no shelving. Without it every write is answered with exception 02.",
        f"A command is the whole block of {len(ORDER_WORDS)} holding registers from 0, written in one "
        "request (function 16). Reading them gives the last command that was taken in.",
        table(
            ("Holding register", "Name", "Holds"),
            [(str(place), code(name), _ORDER_TEXT[name]) for place, name in enumerate(ORDER_WORDS)],
        ),
        table(("Verb", "Number"), _numbers(VERB_CODES.items())),
        "The next scan carries it out as `panel at ADDRESS`, by the same rules as a command from anywhere "
        "else, and the journal keeps a line of it. Then `sequence` shows its number and `outcome` what "
        "became of it:",
        table(
            ("Outcome", "Number", "Meaning"),
            [(outcome.name, str(outcome.value), OUTCOME_TEXT[outcome]) for outcome in Outcome],
        ),
        "`start` TAKEN means that the bank may call the unit, not that it runs. `reset` and `stop` of the "
        "bank reach every unit: one that refuses gives the outcome. A reset that needs a named person with a "
        "reason cannot be given from here.",
        "What no command is, is answered at once: exception 02 for another place or length, 03 for "
        "another session, another number, or a verb, unit or state that there is not, 06 while the last "
        "command waits for its scan. Such writes are counted in `refused_writes` and journalled, "
        "a line in 10 s at most.",
        "The same block written again is answered as before and does nothing, so a panel may repeat a "
        "request whose answer was lost, and one that writes without end does no harm. After a start of the "
        "firmware the session is another one, so what was written before it is refused. Two panels that "
        "use the same number for different commands: the first is taken, the other gets exception 03, reads "
        "`next` again and must ask its person again.",
        f"A command that no scan took within {WAIT_MS / 1000:g} s is refused; only a stop still counts.",
    )


def _rows(rows: Iterable[Row[Any]]) -> str:
    return table(
        ("Address", "Name", "Type", "Meaning"),
        [(str(row.address), code(row.name), row.form.value, row.text) for row in rows],
    )


def _bits(block: str, rows: Iterable[Row[Any]]) -> list[str]:
    return [
        table(
            (f"Bit of {code(row.name)}, {block}", "Meaning when 1"),
            [(str(bit), text) for bit, text in enumerate(row.bits)],
        )
        for row in rows
        if row.bits
    ]


def _numbers(codes: Iterable[tuple[Enum, int]]) -> list[tuple[str, str]]:
    return [(str(word.value), str(number)) for word, number in codes]
