"""One run at the desk: the rig, what was done to it, and the way back. Knows no thread, clock or network.

What is asked for between two scans is done at once or put off. ``back`` repeats it, so whatever changes the
run must come in through ``order`` and ``do``.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from controller.firmware import Controller
from controller.parts.answers import OUTCOME_TEXT, Outcome, outcome_of
from controller.parts.journal import Entry
from controller.picture import Picture
from controller.settings import Setpoints
from controller.signals import Command, Verb
from controller.unit.states import UnitState
from sim_plant.bench.approach import RECIPES, bring
from sim_plant.bench.rig import Rig
from sim_plant.bench.runner import act_on
from sim_plant.bench.steps import BANK_SWITCHES, UNIT_SWITCHES, Step
from sim_plant.bench.targets import DeskTarget
from sim_plant.bench.trace import Recorder
from sim_plant.desk.history import ROW_MS, Change, History, Mark
from sim_plant.desk.shelf import Kept, Shelf
from sim_plant.desk.wishes import Deed, Order, RefusedError
from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.site import Site

KEEP_MS = 10_000
ASKED_MAX = 5_000
JOURNAL_MAX, RECEIPTS_MAX = 200, 12
NO_POWER = "refused: the controller has no power"
_STATELESS = frozenset({Verb.STOP, Verb.ACKNOWLEDGE})  # the firmware takes these in any state


@dataclass
class Receipt:
    """What became of a wish; ``outcome`` is "" until that is known."""

    t_ms: int
    text: str
    outcome: str = ""
    ok: bool = False


@dataclass(frozen=True)
class Performed:
    """One step that was done; None with words for what a case cannot say."""

    t_ms: int
    step: Step | None
    words: str
    fault: Fault | None = None


@dataclass(frozen=True)
class Active:
    """A fault in force; ``left_s`` None when it stays."""

    name: str
    fault: Fault
    left_s: float | None


@dataclass
class _Asked:
    t_ms: int
    wish: Order | Deed


@dataclass
class _Waiting:
    """A command that goes into the next scan."""

    command: Command
    receipt: Receipt
    settled: Callable[[Receipt], None]


@dataclass
class _Made:
    """Makes controllers and remembers the last one, which is the one that runs."""

    controller: Controller = field(init=False)

    def __call__(self, n_units: int, setpoints: Setpoints, retained_text: str | None) -> Controller:
        self.controller = Controller(n_units, setpoints, retained_text)
        return self.controller


def _nobody(_receipt: Receipt) -> None:
    """For commands that are repeated: they have been answered already."""


class Session:
    """A bank that starts cold, with a low tank, as a case that is given in BOOT does."""

    def __init__(self, site: Site, seed: int, bank_off: bool = False, options: str = "") -> None:
        """``options`` are what ``prove`` needs on its command line for the same plant and settings."""
        self.site, self.seed, self.options = site, seed, options
        self._made = _Made()
        plant = Plant(site.units, site.file.plant, seed)
        self.rig = Rig(plant, DeskTarget(site.units, site.setpoints, self._made), site.file.site.scan_ms)
        bring(self.rig, 1, UnitState.BOOT, RECIPES[UnitState.BOOT], site.setpoints)
        self.history = History(site.units)
        self.journal: deque[Entry] = deque(maxlen=JOURNAL_MAX)
        self.receipts: deque[Receipt] = deque(maxlen=RECEIPTS_MAX)
        self.performed: list[Performed] = []
        self.coming: list[tuple[int, Deed]] = []
        self._asked: list[_Asked] = []
        self._waiting: list[_Waiting] = []
        self._states: tuple[int, ...] = ()
        self._shown: Picture | None = None
        self._empty = Recorder(site.units, self.rig.target.state_names)
        self._shelf = Shelf()
        self._keep()
        if bank_off:
            self.do(Deed(kind="deed", step={"operate": "bank_run off"}))
        self.scan()
        self.picture()

    @property
    def controller(self) -> Controller:
        """The firmware that runs."""
        return self._made.controller

    @property
    def now_ms(self) -> int:
        """Plant time; the next scan is the one of this moment."""
        return self.rig.now_ms

    @property
    def kept(self) -> int:
        """How many copies there are to go back from."""
        return len(self._shelf)

    def picture(self) -> Picture:
        """The firmware's own picture after the last scan."""
        self._shown = self.controller.picture() or self._shown  # none between power return and the next scan
        assert self._shown is not None, "a session begins with a scan"
        return self._shown

    # --- time ------------------------------------------------------------------------------------------

    def scan(self) -> None:
        """One scan, with what is due before it."""
        while self.coming and self.coming[0][0] <= self.now_ms:
            self._perform(self.coming.pop(0)[1])
        self.rig.scan()
        self._settle()
        self._look()
        if self.now_ms % KEEP_MS < self.rig.scan_ms:
            self._keep()

    def _look(self) -> None:
        """Take over what the scan has shown."""
        lines = self.rig.recorder.journal
        if lines:
            self.journal.extend(lines)
            lines.clear()
        scanned_ms = self.now_ms - self.rig.scan_ms
        states = self.rig.target.states() if self.rig.powered else (-1,) * self.site.units
        if states != self._states:
            before = self._states or (None,) * self.site.units
            for unit, (old, new) in enumerate(zip(before, states, strict=True), start=1):
                if old != new:
                    self.history.changed(Change(scanned_ms, unit, new))
            self._states = states
        if self.now_ms % ROW_MS < self.rig.scan_ms and self.rig.powered:
            self.history.add(self.picture())

    def _keep(self) -> None:
        self.rig.begin_record()  # what the rig has recorded is in our own journal and history
        snapshot = dataclasses.replace(self.rig.snapshot(), recorder=self._empty)
        self._shelf.add(Kept(self.now_ms, snapshot, tuple(self.coming), self._states))

    def back(self, to_ms: int) -> None:
        """Wind back to just before the scan of that moment, and forget what came after."""
        to_ms -= to_ms % self.rig.scan_ms
        if not self.rig.scan_ms <= to_ms < self.now_ms:
            raise RefusedError(f"there is no way back to {to_ms / 1000:g} s: it is {self.now_ms / 1000:g} s")
        kept = self._shelf.before(to_ms)
        self._asked = [asked for asked in self._asked if asked.t_ms < to_ms]
        self._restore(kept)
        again = [asked for asked in self._asked if asked.t_ms >= kept.t_ms]
        while self.now_ms < to_ms:
            while again and again[0].t_ms == self.now_ms:
                self._carry_out(again.pop(0).wish)
            self.scan()

    def _restore(self, kept: Kept) -> None:
        self.rig.restore(kept.rig)
        self.rig.begin_record()
        self.coming, self._states = list(kept.coming), kept.states
        self._waiting.clear()
        self.performed = [done for done in self.performed if done.t_ms < kept.t_ms]
        self.history.forget_from(kept.t_ms)
        earlier = [line for line in self.journal if line.t_ms < kept.t_ms]
        self.journal.clear()
        self.journal.extend(earlier)

    # --- what people do --------------------------------------------------------------------------------

    def order(self, order: Order, settled: Callable[[Receipt], None] = _nobody) -> Receipt:
        """Give a command to the next scan. The receipt is complete, and ``settled`` called, after it."""
        if order.unit > self.site.units:
            raise RefusedError(f"there is no unit {order.unit}: the site has {self.site.units}")
        receipt = Receipt(self.now_ms, order.words())
        self.receipts.append(receipt)
        seen = self.rig.state_of(order.unit) if order.unit else ""
        if order.verb is Verb.RESET and order.unit and order.against != seen:
            receipt.outcome = OUTCOME_TEXT[Outcome.STATE_PASSED]  # the firmware's own reset knows no state
            settled(receipt)
            return receipt
        self._remember(order)
        self._command(order, receipt, settled)
        return receipt

    def do(self, deed: Deed) -> Receipt:
        """Do it now, or put it off as it says; RefusedError or InputError when it cannot be done."""
        self._check(deed)
        receipt = Receipt(self.now_ms, "", "done", True)
        self._remember(deed)
        words = self._carry_out(deed)
        receipt.text = words or f"in {deed.in_s:g} s: {_words_of(deed.action(self.now_ms, ''))}"
        self.receipts.append(receipt)
        return receipt

    def _remember(self, wish: Order | Deed) -> None:
        if len(self._asked) >= ASKED_MAX:
            raise RefusedError(f"{ASKED_MAX} things have been done in this run: begin a new one")
        self._asked.append(_Asked(self.now_ms, wish))

    def _carry_out(self, wish: Order | Deed) -> str:
        """Words for what was done; "" when it is put off or waits for the next scan."""
        if isinstance(wish, Order):
            self._command(wish, Receipt(self.now_ms, wish.words()), _nobody)
            return ""
        if wish.in_s > 0:
            self.coming.append((self.now_ms + round(wish.in_s * 1000.0), wish))
            self.coming.sort(key=lambda entry: entry[0])  # stable: of two at one moment the first asked
            return ""
        return self._perform(wish)

    def _command(self, order: Order, receipt: Receipt, settled: Callable[[Receipt], None]) -> None:
        command = order.command()
        self._waiting.append(_Waiting(command, receipt, settled))
        step = None
        if self._sayable(order):
            step = Step(at_s=self.now_ms / 1000.0, unit=order.unit, command=order.verb, by=order.by)
        self._note(Performed(self.now_ms, step, order.words()))
        self.rig.give(command)

    def _sayable(self, order: Order) -> bool:
        """A step of a case commands against the state of that moment and names neither alarm nor reason."""
        if order.alarm or order.reason or order.verb in (Verb.SHELVE, Verb.UNSHELVE):
            return False
        seen = self.rig.state_of(order.unit) if order.unit else ""
        return order.verb in _STATELESS or order.against == seen

    def _perform(self, deed: Deed) -> str:
        injects = sum(done.fault is not None for done in self.performed)
        name = f"fault-{injects + 1}" if "inject" in deed.step else ""
        step = deed.action(self.now_ms, name)
        injected = {done.step.name: done.fault for done in self.performed if done.step and done.fault}
        marks = len(self.rig.recorder.marks)
        act_on(self.rig, step, deed.unit or 0, injected)
        words = "; ".join(mark.text for mark in self.rig.recorder.marks[marks:]) or _words_of(step)
        self._note(Performed(self.now_ms, step, words, injected.get(name)))
        return words

    def _note(self, done: Performed) -> None:
        self.performed.append(done)
        self.history.mark(Mark(done.t_ms, done.words))

    def _check(self, deed: Deed) -> None:
        unit, step, n_units = deed.unit or 0, deed.action(self.now_ms, ""), self.site.units
        if unit > n_units:
            raise RefusedError(f"there is no unit {unit}: the site has {n_units}")
        if step.inject is not None:
            step.inject.fault(unit, n_units)
        if step.operate is not None:
            switch = step.operate.split()[0]
            if (switch in UNIT_SWITCHES and unit == 0) or (switch in BANK_SWITCHES and unit > 0):
                raise RefusedError(f"{switch} belongs to {'a unit' if unit == 0 else 'the bank'}")
        if step.clear is not None and step.clear not in [active.name for active in self.active()]:
            raise RefusedError(f"no fault {step.clear} is in force")

    def _settle(self) -> None:
        """The scan is over: what became of the commands that were in it."""
        if not self._waiting:
            return
        answers = self.controller.answers() if self.rig.powered else []
        for waiting in self._waiting:
            outcome = outcome_of(waiting.command, answers)
            text = OUTCOME_TEXT[outcome] if self.rig.powered else NO_POWER
            if outcome is Outcome.REFUSED:
                text = f"refused: {self._refusal_of(waiting.command) or 'the journal says why'}"
            waiting.receipt.outcome, waiting.receipt.ok = text, outcome is Outcome.TAKEN
            waiting.settled(waiting.receipt)
        self._waiting.clear()

    def _refusal_of(self, command: Command) -> str:
        lines = self.rig.recorder.journal or []
        said = [line.text for line in lines if line.kind == "refused" and line.unit == command.unit]
        return said[-1] if said else ""

    # --- what is so ------------------------------------------------------------------------------------

    def active(self) -> list[Active]:
        """Faults in force, with the name under which each was done."""
        found = []
        for fault in self.rig.plant.active():
            done = next(d for d in reversed(self.performed) if d.fault == fault)
            assert done.step is not None
            left_s = None
            if done.step.for_s is not None:
                left_s = max(done.step.for_s - (self.now_ms - done.t_ms) / 1000.0, 0.0)
            found.append(Active(done.step.name, fault, left_s))
        return found

    def coming_words(self) -> list[tuple[int, str]]:
        """What is put off: when it is due, and what it is."""
        return [(due_ms, _words_of(deed.action(due_ms, ""))) for due_ms, deed in self.coming]


def _words_of(step: Step) -> str:
    """A step in words, where the rig has none yet."""
    where = f" of unit {step.unit}" if step.unit else ""
    if step.inject is not None:
        value = "" if step.inject.value is None else f" {step.inject.value:g}"
        return f"{step.inject.target} {step.inject.kind}{value}{where}"
    for name in ("tank_pct", "demand_m3h", "operate", "power", "bank_image", "wall_clock_s", "clear"):
        value = getattr(step, name)
        if value is not None:
            return f"{name} {value}{where}"
    assert step.setpoint is not None
    return f"setpoint {step.setpoint.name} {step.setpoint.value:g}"
