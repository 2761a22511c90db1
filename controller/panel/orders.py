"""Commands of a panel: one block of registers, written whole; each is carried out once or not at all.

Modbus repeats: a client sends a request again when no answer came, a panel may write the same registers for
ever, and after a restart of the firmware whatever was written last is written again. So a command bears the
session of this start and the next sequence number, and one that does not is refused. The same block again is
answered as before and does nothing.

``write`` belongs to the server's thread, ``take`` and ``settle`` to the scanning one. They meet in single
assignments, so neither ever waits for the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from controller.modbus.pdu import AddressError, DeviceBusyError, RefusedError, ValueRefusedError
from controller.panel.codes import STATE_CODES, VERB_CODES
from controller.parts.answers import OUTCOME_TEXT, Answered, Outcome, outcome_of
from controller.signals import Command, Verb
from controller.unit.states import UnitState

ORDER_WORDS = ("session", "sequence", "verb", "unit", "against")
"""The command block, holding registers from 0 on."""
WAIT_MS = 2_000
"""A command that no scan took for so long is refused; only a stop still counts."""
SEQUENCES = 65_535  # after the last comes 1; 0 is none

_VERBS = {number: verb for verb, number in VERB_CODES.items()}
_STATES = {0: "", **{number: state.value for state, number in STATE_CODES.items()}}


class Receipt(NamedTuple):
    """What the last command came to, and what the next one must bear; all 0 before the first."""

    accepts: bool
    next: int = 1
    sequence: int = 0
    outcome: int = 0
    verb: int = 0
    unit: int = 0
    refused_writes: int = 0


class Order(NamedTuple):
    """A command that was written and is sound in itself."""

    words: tuple[int, ...]
    command: Command
    at_ms: int

    @property
    def sequence(self) -> int:
        """Its number."""
        return self.words[1]

    def text(self) -> str:
        """For the journal."""
        c = self.command
        where = f"unit {c.unit}" if c.unit else "bank"
        against = f" against {c.against}" if c.against else ""
        return f"{c.verb.value} {where}{against}, by {c.by}, number {self.sequence}"


class Orders:
    """The commands of one session; ``session`` is 1..65535."""

    def __init__(self, session: int, n_units: int, accepts: bool) -> None:
        self._session, self._n_units, self._accepts = session, n_units, accepts
        self._accepted: tuple[int, ...] | None = None  # the last block that was taken
        self._sequence = 0  # of it
        self._pending: Order | None = None
        self._in_scan: tuple[Order, Outcome | None] | None = None  # with its outcome where no scan is needed
        self._answered = Receipt(accepts)
        self.refused_writes = 0
        self.last_refusal = ""

    @property
    def receipt(self) -> Receipt:
        """As of now."""
        return self._answered._replace(refused_writes=self.refused_writes)

    # --- the server's thread -----------------------------------------------------------------------------

    def read(self, address: int, count: int) -> Sequence[int]:
        """The last block that was taken, zeros before the first."""
        if not self._accepts or address + count > len(ORDER_WORDS):
            raise AddressError
        return (self._accepted or (0,) * len(ORDER_WORDS))[address : address + count]

    def write(self, address: int, values: Sequence[int], writer: str, now_ms: int) -> None:
        """Take a command, or raise why not."""
        try:
            self._write(address, tuple(values), writer, now_ms)
        except RefusedError as refusal:
            self.refused_writes += 1
            self.last_refusal = f"{list(values[:8])} at {address} from {_host(writer)}, {refusal}"
            raise

    def _write(self, address: int, words: tuple[int, ...], writer: str, now_ms: int) -> None:
        if not self._accepts:
            raise AddressError("commands are not taken")
        if address != 0 or len(words) != len(ORDER_WORDS):
            raise AddressError("a command is the whole block in one request")
        if words == self._accepted:
            return  # the answer to it was lost, or a panel writes without end
        command = self._command(words, f"panel at {_host(writer)}")
        if self._pending is not None:
            raise DeviceBusyError("the last command has not been answered yet")
        self._accepted, self._sequence = words, words[1]
        self._pending = Order(words, command, now_ms)

    def _command(self, words: tuple[int, ...], by: str) -> Command:
        session, sequence, verb_code, unit, against_code = words
        if session != self._session:
            raise ValueRefusedError(f"session is {self._session}")
        if sequence != following(self._sequence):
            raise ValueRefusedError(f"the next number is {following(self._sequence)}")
        if verb_code not in _VERBS or unit > self._n_units or against_code not in _STATES:
            raise ValueRefusedError("no such verb, unit or state")
        verb, against = _VERBS[verb_code], _STATES[against_code]
        if verb is Verb.START and not (unit and against):
            raise ValueRefusedError("a start names one unit and the state seen")
        if verb is Verb.RESET and bool(unit) != bool(against):
            raise ValueRefusedError("a reset names the state seen of a unit; the bank has none")
        return Command(verb, unit, by, against)

    # --- the scanning thread -----------------------------------------------------------------------------

    def take(self, states: Sequence[UnitState], now_ms: int) -> Command | None:
        """What goes into the scan that comes now."""
        order = self._pending
        if order is None:
            return None
        self._in_scan = order, self._too_late(order, states, now_ms)
        return order.command if self._in_scan[1] is None else None

    @staticmethod
    def _too_late(order: Order, states: Sequence[UnitState], now_ms: int) -> Outcome | None:
        """What a scan would not look at: the firmware's own reset button knows no state, and no age."""
        command = order.command
        if now_ms - order.at_ms > WAIT_MS and command.verb is not Verb.STOP:
            return Outcome.TOO_LATE
        if command.verb is Verb.RESET and command.unit and states[command.unit - 1] != command.against:
            return Outcome.STATE_PASSED
        return None

    def settle(self, answers: Sequence[Answered]) -> str:
        """The scan is over: the journal line of the command that was in it, or ""."""
        if self._in_scan is None:
            return ""
        order, outcome = self._in_scan
        if outcome is None:
            outcome = outcome_of(order.command, answers)
        _, sequence, verb, unit, _ = order.words
        self._answered = Receipt(True, following(sequence), sequence, outcome, verb, unit)
        self._in_scan = self._pending = None
        return f"{order.text()}: {OUTCOME_TEXT[outcome]}"


def following(sequence: int) -> int:
    """The number after this one.

    >>> following(0), following(7), following(65_535)
    (1, 8, 1)
    """
    return sequence % SEQUENCES + 1


def _host(writer: str) -> str:
    """The address without the port, which changes with each connection."""
    return writer.rpartition(":")[0] or writer
