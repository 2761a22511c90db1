"""One RO unit, scanned: inputs and permits in, outputs and a request out.

The order of a scan is fixed: judge the loops, keep the running sums, collect the events that stand,
let the strongest one move the sequence (or, when none does, a completed step), then drive the outputs.
At most one move is made in a scan.
"""

from __future__ import annotations

from controller.parts.answers import Answered, Outcome
from controller.parts.journal import Entry
from controller.parts.timing import HOUR_S, NEVER, held_s, recent, since
from controller.settings import Setpoints
from controller.signals import Command, UnitInputs, UnitOutputs, Verb
from controller.unit import progress
from controller.unit.memory import UnitMemory
from controller.unit.moves import latch, perform
from controller.unit.outputs import drive
from controller.unit.permits import Permits, Request
from controller.unit.protections import CLEAR_S, RULES, Rule
from controller.unit.states import EVENT_TEXT, PUMPING, RESTING, Answer, Event, Trip, UnitState
from controller.unit.table import BANK_EVENTS, CELLS, Move, close
from controller.unit.view import View, look

ABORT_S = 3.0  # STOP held so long gives up a stop flush
STOP_PAUSE_S = 1.0  # stop commands closer than this are one held button
TOO_FAST_S = 1.0  # between two commands that are taken

_COMMANDS: dict[Verb, Event] = {
    Verb.START: Event.CALL,
    Verb.STOP: Event.STOP,
    Verb.MAINTAIN: Event.MAINTENANCE_REQUEST,
    Verb.RETURN_TO_SERVICE: Event.RETURN_TO_SERVICE,
}


def _watched_rules(s: Setpoints) -> dict[UnitState, tuple[tuple[int, Rule, float], ...]]:
    """For every state, the rules that mean something in it, with their place and delay in ms.

    A rule on an instrument that is not fitted is left out. A rule is not evaluated where the matrix says
    that its event has no effect by design.
    """
    rules = [
        (index, rule, getattr(s, rule.delay) * 1000.0 if rule.delay else 0.0)
        for index, rule in enumerate(RULES)
        if not rule.only_with or getattr(s, rule.only_with)
    ]
    return {
        state: tuple(entry for entry in rules if CELLS[state, entry[1].event] is not Answer.IGNORE)
        for state in UnitState
    }


class Sequencer:
    """The sequence of one unit. Holds no state of its own beside ``memory`` and ``events``."""

    def __init__(self, unit: int, n_units: int, setpoints: Setpoints) -> None:
        self.unit = unit
        self.memory = UnitMemory(rule_ms=[NEVER] * len(RULES))
        self.events: list[Entry] = []
        self.answers: list[Answered] = []  # to the commands of the last scan; no part of the state
        self._seen: View | None = None  # of the last scan, to explain the wait; no part of the state
        self._s = setpoints
        self._watch = _watched_rules(setpoints)
        self._seat = (unit, n_units)

    def adopt(self, setpoints: Setpoints) -> None:
        """Go on with other setpoints; timers that run are judged by the new ones."""
        self._s = setpoints
        self._watch = _watched_rules(setpoints)

    def scan(self, io: UnitInputs, age_ms: int, permits: Permits, now_ms: int) -> tuple[UnitOutputs, Request]:
        """One scan; returns outputs and the request to the bank."""
        outputs, v = self.step(io, age_ms, permits, now_ms)
        return outputs, progress.request(v)

    def step(self, io: UnitInputs, age_ms: int, permits: Permits, now_ms: int) -> tuple[UnitOutputs, View]:
        """All of a scan but the request to the bank, which changes nothing in the unit."""
        self.answers.clear()
        if not isinstance(self.memory.state, UnitState):
            self.start_over(f"illegal state {self.memory.state!r}", now_ms)
        v = look(self._s, self.memory, io, age_ms, permits, now_ms, self._seat)
        self._sums(v)
        active = self._standing(v)
        if not self._react(v, active) and not v.stale:
            self._advance(v)
        self._let_feed_close(v)
        outputs = drive(v)
        self._seen = v
        return outputs, v

    def start_over(self, why: str, now_ms: int) -> None:
        """Global rule (e): a state that is none forces BOOT. So does a scan that did not come to its end.

        Nothing is driven from here on.
        """
        self.events.append(Entry(now_ms, self.unit, "cause", why))
        m = self.memory
        m.state, m.entered_ms, m.pump_off_ms = UnitState.BOOT, now_ms, now_ms
        if m.feed_ms != NEVER:
            m.feed_off_ms = now_ms
        m.feed_ms = m.flush_ms = m.both_ms = m.pump_ms = m.enable_ms = NEVER
        m.flush_owed, m.flush_complete = True, False

    def waits_for(self) -> str:
        """What the unit waits for, in words; empty before the first scan."""
        if self._seen is None or self._seen.m is not self.memory:
            return ""
        return progress.WAITS[self.memory.state](self._seen) or "step complete"

    # --- running sums --------------------------------------------------------------------------------

    def _sums(self, v: View) -> None:
        m, s = v.m, v.s
        m.io_fresh_ms = since(not v.stale, m.io_fresh_ms, v.now_ms)
        m.io_stale_ms = since(v.stale, m.io_stale_ms, v.now_ms)
        if v.age_ms >= s.io_lost_s * 1000.0:
            m.link_lost = True
        elif v.held_s(m.io_fresh_ms) >= s.io_back_s:
            m.link_lost = False
        m.selector_off_ms = since(not v.io.selector_auto, m.selector_off_ms, v.now_ms)
        if m.scanned_ms == NEVER:
            self._first_scan(v)
        dt_ms = v.now_ms - m.scanned_ms
        m.scanned_ms = v.now_ms
        if m.both_ms != NEVER and v.concentrate_m3h is not None:
            m.volume_l += max(v.concentrate_m3h, 0.0) * dt_ms / 3600.0
        if m.pump_ms != NEVER:
            m.run_ms += dt_ms
        if m.feed_ms != NEVER and v.suction_bar is not None and v.suction_bar >= s.suction_trip_bar:
            m.feed_proven = True
        self._forget(v)
        if m.state in (UnitState.PURGE, UnitState.QUALITY_FLUSH) and not m.evidence:
            m.evidence = self._purge_shows(v)
        good = not v.blanked and v.tds_mgl is not None and v.tds_mgl < s.tds_clear_mgl
        m.tds_good_ms = since(good, m.tds_good_ms, v.now_ms)
        if good:
            m.quality_alarm = m.quality_flush_due = False

    @staticmethod
    def _first_scan(v: View) -> None:
        """After power-up nothing is known of before: the motor may have stopped just now."""
        m = v.m
        m.scanned_ms = m.entered_ms = m.pump_off_ms = m.owed_since_ms = v.now_ms
        m.was_auto = v.io.selector_auto
        m.starts_ms = [v.now_ms + ago_ms for ago_ms in m.starts_ms]  # recalled as times before power-up
        m.io_lost_ms = [v.now_ms + ago_ms for ago_ms in m.io_lost_ms]  # likewise

    @staticmethod
    def _forget(v: View) -> None:
        m = v.m
        m.starts_ms = recent(m.starts_ms, v.now_ms, HOUR_S)
        m.suction_ms = recent(m.suction_ms, v.now_ms, HOUR_S)
        m.quality_flushes_ms = recent(m.quality_flushes_ms, v.now_ms, HOUR_S)
        m.io_lost_ms = recent(m.io_lost_ms, v.now_ms, HOUR_S)
        running = m.state in PUMPING and m.state is not UnitState.PUMP_START
        if running and v.held_s(m.forgive_ms) >= 60.0 * v.s.suction_forgive_min:
            m.suction_ms.clear()

    @staticmethod
    def _purge_shows(v: View) -> bool:
        """Pressure has fallen, or flow has risen, as it must with the flush valve open."""
        m, s = v.m, v.s
        if v.in_state_s > s.purge_evidence_s:
            return False
        fallen = v.membrane_bar is not None and v.membrane_bar < s.purge_evidence_ratio * m.reference_bar
        flowing = v.concentrate_m3h is not None and v.concentrate_m3h > s.purge_evidence_flow_m3h
        return fallen or flowing

    # --- events --------------------------------------------------------------------------------------

    def _standing(self, v: View) -> list[Event]:
        """Every event that holds in this scan."""
        m, p = v.m, v.p
        events = [] if v.stale else self._protections(v)
        if p.estop_open:
            events.append(Event.ESTOP)
            if m.state is UnitState.OFF and v.io.selector_auto:
                m.estopped = (
                    True  # the turn of the selector came before the release and does not count for it
                )
        events.extend(p.events)
        # in a state that drives something the loss counts at once: the stale image has just cut the outputs
        if v.age_ms >= v.s.io_lost_s * 1000.0 or (v.stale and m.state not in RESTING):
            events.append(self._io_lost(v))
        if v.io.selector_auto and not m.was_auto and v.io.isolator_on:
            events.append(Event.SELECTOR_AUTO)
        m.was_auto = v.io.selector_auto
        if p.call and not m.stopped:
            events.append(Event.CALL)
        else:
            events.append(Event.CALL_WITHDRAWN)
        if self._slot_lost(v):
            events.append(Event.TOKEN_LOST)
        events.extend(self._commands(v))
        if m.state is UnitState.LOCKOUT:
            m.cause_gone_ms = since(not v.stale and m.latched not in events, m.cause_gone_ms, v.now_ms)
        if p.reset:
            outcome = self._reset_outcome(v)
            if outcome is not Outcome.NOTHING_TO_DO:
                events.append(Event.RESET if outcome is Outcome.TAKEN else Event.RESET_REFUSED)
            self.answers.extend(Answered(c, outcome) for c in p.commands if c.verb is Verb.RESET)
        return events

    @staticmethod
    def _io_lost(v: View) -> Event:
        """A loss counts once, however long it lasts, and in every state but BOOT, where none was had yet."""
        m = v.m
        counted = bool(m.io_lost_ms) and m.io_lost_ms[-1] >= m.io_stale_ms
        if len(m.io_lost_ms) - counted >= v.s.io_retries:
            return Event.IO_LOST_SPENT
        if not counted and m.state is not UnitState.BOOT:
            m.io_lost_ms.append(v.now_ms)
        return Event.IO_LOST

    @staticmethod
    def _slot_lost(v: View) -> bool:
        pressed = v.held_s(v.m.stop_seen_ms) <= STOP_PAUSE_S
        if v.m.state is UnitState.STOP_FLUSH and pressed and v.held_s(v.m.stop_ms) >= ABORT_S:
            return True  # a person holds STOP: the flush is given up, its debt stays
        if v.alone and v.m.state is UnitState.STOP_FLUSH:
            return False
        if v.m.state is UnitState.DELAY and v.in_state_s >= v.s.settle_s + v.s.start_slot_wait_s:
            return True
        return v.m.state in progress.NEEDS_SLOT and not v.p.token

    def _protections(self, v: View) -> list[Event]:
        m, now_ms = v.m, v.now_ms
        events: list[Event] = []
        timers = m.rule_ms
        for index, rule, delay_ms in self._watch[m.state]:
            holds = rule.when(v)
            if holds is None:
                if rule.event is m.latched:
                    m.cause_gone_ms = NEVER  # a cause that cannot be judged has not gone
                continue
            if not holds:
                timers[index] = NEVER
                continue
            if timers[index] == NEVER:
                timers[index] = now_ms
            if now_ms - timers[index] >= delay_ms:
                self._raise(v, rule.event, events)
        if m.state is UnitState.PRODUCE and v.p.token and progress.quality_flush_due(v):
            events.append(Event.QUALITY_ALARM)
        return events

    def _raise(self, v: View, event: Event, events: list[Event]) -> None:
        """Add a standing event, in the form in which the unit's budgets leave it."""
        m, s = v.m, v.s
        if event is Event.LOW_SUCTION:
            if Event.HEADER_LOST in v.p.events:
                return  # one cause, one alarm: the header explains it
            if len(m.suction_ms) >= s.suction_retries and m.state is not UnitState.STOPPING:
                event = Event.LOW_SUCTION_SPENT
        elif event is Event.QUALITY_ALARM:
            m.quality_alarm = m.quality_flush_due = True  # the flush itself waits for a slot
            if not progress.quality_flush_due(v) or len(m.quality_flushes_ms) < s.quality_flush_budget:
                return
            event = Event.QUALITY_LOCKOUT
        if event not in events:
            events.append(event)

    def _commands(self, v: View) -> list[Event]:
        accepted: list[Event] = []
        for command in v.p.commands:
            event = _COMMANDS.get(command.verb)
            if event is None:
                continue
            refusal = self._refusal(v, command)
            self.answers.append(Answered(command, refusal[0] if refusal else Outcome.TAKEN))
            if refusal:
                self._note(v, "refused", f"{command.verb.value}: {refusal[1]}")
                continue
            v.m.command_ms = v.now_ms
            if command.verb is Verb.START:
                v.m.stopped = False  # the call itself comes from the bank, when the tank wants water
                continue
            if command.verb is Verb.STOP:
                v.m.stopped = True
                held = 0.0 <= v.held_s(v.m.stop_seen_ms) <= STOP_PAUSE_S
                v.m.stop_ms = v.m.stop_ms if held else v.now_ms
                v.m.stop_seen_ms = v.now_ms
            accepted.append(event)
        return accepted

    @staticmethod
    def _refusal(v: View, command: Command) -> tuple[Outcome, str] | None:
        """Why a command is not taken, or None. STOP is always taken."""
        if command.verb is Verb.STOP:
            return None
        if 0.0 <= v.held_s(v.m.command_ms) < TOO_FAST_S:
            return Outcome.TOO_FAST, "too fast"
        if command.against != v.m.state.value:
            text = f"given against {command.against or 'no state'}, the unit is in {v.m.state.value}"
            return Outcome.STATE_PASSED, text
        if command.verb is Verb.START and CELLS[v.m.state, Event.CALL] is Answer.REFUSE:
            return Outcome.NOT_FROM_HERE, f"not from {v.m.state.value}"
        if command.verb is Verb.MAINTAIN and not v.p.maintenance_slot:
            return Outcome.REFUSED, "as many units as allowed are out for maintenance"
        if command.verb is Verb.RETURN_TO_SERVICE:
            if not command.by:
                return Outcome.REFUSED, "needs the name of a person"
            if v.io.selector_auto or not v.io.isolator_on:
                return Outcome.REFUSED, "needs the selector OFF and the isolator on"
        return None

    def _reset_outcome(self, v: View) -> Outcome:
        """The cause has gone, and it is not the same one again and again without an explanation."""
        m = v.m
        if m.state not in (UnitState.LOCKOUT, UnitState.ESTOP):
            return Outcome.NOTHING_TO_DO
        if not self._cause_gone(v):
            return Outcome.CAUSE_STANDS
        again = m.state is UnitState.LOCKOUT and m.latched is m.reset_cause
        if not again or len(recent(m.resets_ms, v.now_ms, HOUR_S)) < v.s.resets_per_h:
            return Outcome.TAKEN
        if any(c.verb is Verb.RESET and c.by and c.reason for c in v.p.commands):
            return Outcome.TAKEN
        self._note(v, "refused", "reset: the same cause again; a named person must give the reason")
        return Outcome.REASON_NEEDED

    @staticmethod
    def _cause_gone(v: View) -> bool:
        m = v.m
        if m.state is UnitState.ESTOP:
            return not v.p.estop_open
        needed_s = CLEAR_S.get(m.latched, 0.0) if m.latched is not None else 0.0
        return held_s(m.cause_gone_ms, v.now_ms) >= needed_s

    # --- moves ---------------------------------------------------------------------------------------

    def _react(self, v: View, events: list[Event]) -> bool:
        """Let the strongest event act; True when the state changed."""
        m = v.m
        moving: list[tuple[Trip, int, Move]] = []  # the greatest: strongest class, then lowest number
        before, m.active = m.active, 0
        blocks = (event for event in events if CELLS[m.state, event] is Answer.BLOCK)
        m.blocked_by = next(blocks, None)
        for event in events:
            bit = 1 << event
            m.active |= bit
            cell = CELLS[m.state, event]
            if isinstance(cell, Move):
                if self._moves_now(v, event, cell, fresh=not before & bit):
                    moving.append((cell.trip, -event, cell))
            elif cell is Answer.REMEMBER:
                self._remember(v, event)
            elif cell is Answer.REFUSE and not before & bit and event is not Event.CALL:
                self._note(v, "refused", EVENT_TEXT[event])
        self._log_new(v, m.active & ~before)
        if not moving:
            return False
        _trip, number, move = max(moving)
        acts = Event(-number)
        self._perform(v, acts, move)
        # what comes in the very scan of a stop counts as what comes in the scan after it
        for event in events:
            if event is not acts and CELLS[m.state, event] is Answer.REMEMBER:
                self._remember(v, event)
        return True

    @staticmethod
    def _moves_now(v: View, event: Event, cell: Move, *, fresh: bool) -> bool:
        """A standing event that only confirms the present state acts once; a call must be startable."""
        if cell.target is v.m.state:
            return fresh
        if event is Event.CALL:
            return v.m.blocked_by is None and v.p.may_start
        return True

    def _perform(self, v: View, event: Event, cell: Move) -> None:
        left = v.m.state
        entered = perform(v, event, cell)
        watched = {index for index, _rule, _delay_ms in self._watch[entered]}
        v.m.rule_ms = [ms if index in watched else NEVER for index, ms in enumerate(v.m.rule_ms)]
        towards = f", then {v.m.target.value}" if entered is UnitState.STOPPING else ""
        if entered is UnitState.PUMP_START and v.m.first_start:
            self._note(v, "note", "first start after maintenance: a person must be present")
        self._note(v, "move", f"{left.value} > {entered.value}{towards}: {EVENT_TEXT[event]}")

    def _advance(self, v: View) -> None:
        """No event acted: is the present step complete?"""
        m = v.m
        cell = CELLS[m.state, Event.DONE]
        if not isinstance(cell, Move) or progress.WAITS[m.state](v) is not None:
            return
        if m.state is UnitState.START_FLUSH and m.start_flushes_due > 1:
            # after maintenance the membranes are flushed twice, each with a slot of its own
            m.start_flushes_due = 1
            self._perform(v, Event.TOKEN_LOST, close(UnitState.STANDBY))
            return
        self._perform(v, Event.DONE, cell)

    @staticmethod
    def _remember(v: View, event: Event) -> None:
        """Act at the end of the present stop: change where it leads."""
        m = v.m
        if event is Event.CALL or m.target is UnitState.LOCKOUT:
            return
        if event is Event.SELECTOR_OFF:
            m.target = UnitState.OFF
            m.trip = max(m.trip, Trip.T1)
        elif event is Event.MAINTENANCE_REQUEST:
            m.target = UnitState.MAINTENANCE
        elif event not in BANK_EVENTS:
            m.target = UnitState.LOCKOUT
            latch(v, event)

    def _let_feed_close(self, v: View) -> None:
        """In a stop the feed valve waits for its turn among the units, but not for ever."""
        m = v.m
        if not progress.feed_may_close(v):
            m.close_due_ms = NEVER
            return
        m.close_due_ms = since(True, m.close_due_ms, v.now_ms)
        patience_s = (v.n_units + 1) * v.s.feed_close_gap_s
        if m.feed_ms == NEVER or v.p.close_feed or v.held_s(m.close_due_ms) >= patience_s:
            if m.state is UnitState.STOP_FLUSH and progress.stop_flush_whole(v) is None:
                m.flush_owed, m.owed_since_ms, m.last_flush_ms = False, NEVER, v.now_ms
            m.closing = True

    # --- journal -------------------------------------------------------------------------------------

    def _note(self, v: View, kind: str, text: str) -> None:
        self.events.append(Entry(v.now_ms, self.unit, kind, text))

    def _log_new(self, v: View, fresh: int) -> None:
        """A line for every event whose bit is set, in the order of their numbers."""
        quiet = (Event.CALL, Event.CALL_WITHDRAWN, Event.STARTS_LIMIT)
        while fresh:
            lowest = fresh & -fresh
            fresh -= lowest
            event = Event(lowest.bit_length() - 1)
            if event not in quiet:
                self._note(v, "cause", EVENT_TEXT[event])
