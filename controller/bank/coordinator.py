"""The coordinator: one scan of all that the units share.

It runs before the units in every scan. It reads the shared inputs and what the units asked for in the
scan before, and answers each unit with its permits. It never looks into a unit's memory.
"""

from __future__ import annotations

from controller.bank import demand, shared, slots, supply
from controller.bank.memory import BankMemory, Stage
from controller.bank.view import HEADER, BankView, look
from controller.parts.answers import Answered, Outcome
from controller.parts.journal import Entry
from controller.parts.timing import NEVER, held_s, since
from controller.settings import Setpoints
from controller.signals import BankInputs, BankOutputs, Command, Verb
from controller.unit.permits import QUIET, AlarmSignal, Permits, Request
from controller.unit.states import EVENT_TEXT, Event

WATCHDOG_HALF_PERIOD_MS = 500
HEARTBEAT_S = 5.0  # the shared image has not changed for so long: the tank level is no longer known


def heartbeat_lost(m: BankMemory, s: Setpoints, now_ms: int) -> bool:
    """The shared image has not changed for so long that the coordinator is lost."""
    return held_s(m.stale_ms, now_ms) >= HEARTBEAT_S - s.io_stale_s


class Coordinator:
    """Shared logic of a bank; holds no state of its own beside ``memory`` and ``events``."""

    def __init__(self, n_units: int, setpoints: Setpoints) -> None:
        self.slots = setpoints.flush_slots(n_units)
        self.memory = BankMemory(
            n_units,
            rule_ms=[NEVER] * len(shared.SHARED),
            called=[False] * n_units,
            released_ms=[NEVER] * n_units,
        )
        self.events: list[Entry] = []
        self.answers: list[Answered] = []  # to the commands of the last scan; no part of the state
        self._s = setpoints

    def adopt(self, setpoints: Setpoints) -> None:
        """Go on with other setpoints; ValueError when they leave no room for a flush."""
        self.slots = setpoints.flush_slots(self.memory.n_units)
        self._s = setpoints

    def scan(
        self,
        io: BankInputs,
        age_ms: int,
        requests: tuple[Request, ...],
        commands: tuple[Command, ...],
        now_ms: int,
        alarms: AlarmSignal = QUIET,
    ) -> tuple[tuple[Permits, ...], BankOutputs]:
        """One scan; permits in unit order, and the bank's outputs. ``alarms`` is of the scan before."""
        m, s = self.memory, self._s
        self.answers.clear()
        if m.scanned_ms == NEVER:
            m.scanned_ms = m.booted_ms = now_ms
        stale = age_ms > s.io_stale_s * 1000.0
        m.stale_ms = since(stale, m.stale_ms, now_ms)
        m.fresh_ms = since(not stale, m.fresh_ms, now_ms)
        m.io_seen = m.io_seen or not stale
        if heartbeat_lost(m, s, now_ms):
            m.link_lost = True
        elif held_s(m.fresh_ms, now_ms) >= s.io_back_s:
            m.link_lost = False  # SR-47: nothing starts before the link has been back for so long
        if held_s(m.booted_ms, now_ms) >= 60.0 * s.brownout_min:
            m.returns = 0
        v = look(s, m, io, stale, requests, self.slots, now_ms)
        # contacts settle after power-up; what stands is judged when a unit's BOOT may end
        settled = v.held_s(m.booted_ms) >= s.boot_s
        fresh: list[Event] = []
        if settled and m.io_seen:
            fresh = shared.latch_float(v) if stale else shared.latch_causes(v)
        for event in fresh:
            self._note(v, "cause", EVENT_TEXT[event])
        reset_units = self._resets(v, commands)
        stage = m.stage
        supply.step_stage(v)
        if m.stage is not stage:
            self._note(v, "move", f"{stage.value} > {m.stage.value}")
        demand.update(v)
        permits = self._permits(v, commands, reset_units)
        outputs = self._outputs(v, bool(fresh), alarms)
        m.scanned_ms = now_ms
        return permits, outputs

    def _resets(self, v: BankView, commands: tuple[Command, ...]) -> frozenset[int]:
        """Units that a reset reaches in this scan; 0 stands for the bank and so for every unit."""
        reached = {command.unit for command in commands if command.verb is Verb.RESET}
        if shared.reset_given(v):
            reached.add(0)
        if 0 in reached:
            cleared = shared.clear_causes(v)
            for event in cleared:
                self._note(v, "note", f"reset: {EVENT_TEXT[event]}")
            for event in v.m.latched:
                self._note(v, "refused", f"reset: {EVENT_TEXT[event]} persists")
            outcome = Outcome.TAKEN if cleared else Outcome.NOTHING_TO_DO
            outcome = Outcome.CAUSE_STANDS if v.m.latched else outcome
            self.answers.extend(
                Answered(c, outcome) for c in commands if c.verb is Verb.RESET and c.unit == 0
            )
        return frozenset(reached)

    def _permits(
        self, v: BankView, commands: tuple[Command, ...], reset_units: frozenset[int]
    ) -> tuple[Permits, ...]:
        m = v.m
        token_units = slots.lend_flush_slots(v)
        start_unit = slots.grant_start(v)
        close_unit = slots.grant_close(v)
        events = list(m.latched)
        if supply.header_lost(v):
            events.append(Event.HEADER_LOST)
        if m.io_seen and not v.io.bank_run:
            events.append(Event.STOP)
        if heartbeat_lost(m, v.s, v.now_ms):
            events.append(Event.COORDINATOR_LOST)
        ready = m.stage is Stage.READY and not m.latched and not m.link_lost
        estop_open, header_bar = m.io_seen and not v.io.estop_healthy, v.values[HEADER]
        held_back = m.full or not v.io.antiscalant_ok or not v.good(HEADER) or v.stale
        may_leave = self._may_leave(v, commands)
        shared_events, hold_s = tuple(events), self._hold_s(v)
        return tuple(
            Permits(
                call=m.called[unit - 1],
                ready=ready and resumed,
                may_start=not held_back and resumed,
                hold_s=hold_s,
                token=unit in token_units,
                start_slot=unit == start_unit,
                close_feed=unit == close_unit,
                maintenance_slot=unit in may_leave,
                estop_open=estop_open,
                reset=unit in reset_units or 0 in reset_units,
                header_bar=header_bar,
                events=shared_events,
                commands=tuple(c for c in commands if c.unit in (0, unit)),
            )
            for unit, resumed in enumerate(supply.units_resumed(v), start=1)
        )

    @staticmethod
    def _may_leave(v: BankView, commands: tuple[Command, ...]) -> frozenset[int]:
        """Of the units that ask to be taken out in this scan, the first for which there is room."""
        asked = {command.unit for command in commands if command.verb is Verb.MAINTAIN}
        asking = [unit for unit, _ in enumerate(v.requests, start=1) if unit in asked or 0 in asked]
        room = v.s.max_in_maintenance - sum(request.in_maintenance for request in v.requests)
        return frozenset(asking[: max(room, 0)])

    @staticmethod
    def _hold_s(v: BankView) -> float:
        """How long it must stay steady yet; the scan that finds it so has forgotten the returns."""
        if v.m.returns < v.s.brownout_returns:
            return 0.0
        return 60.0 * v.s.brownout_min - v.held_s(v.m.booted_ms)

    def _outputs(self, v: BankView, fresh: bool, alarms: AlarmSignal) -> BankOutputs:
        dt_s = (v.now_ms - v.m.scanned_ms) / 1000.0
        booster_run, speed_ma = supply.drive_booster(v, dt_s)
        dosing_run, rate_ma = supply.drive_dosing(v)
        healthy = not (alarms.urgent or v.m.latched or any(request.alarmed for request in v.requests))
        return BankOutputs(
            booster_run=booster_run,
            dosing_run=dosing_run,
            alarm_relay=healthy and v.io.estop_healthy and not v.stale,
            watchdog=(v.now_ms // WATCHDOG_HALF_PERIOD_MS) % 2 == 0,
            horn=shared.horn(v, fresh or alarms.sounding),
            booster_speed_cmd_ma=speed_ma,
            dosing_rate_cmd_ma=rate_ma,
        )

    def _note(self, v: BankView, kind: str, text: str) -> None:
        self.events.append(Entry(v.now_ms, 0, kind, text))
