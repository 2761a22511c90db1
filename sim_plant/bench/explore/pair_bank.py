"""The coordinator of two units in bytes, and one scan of it.

The firmware's own ``Coordinator`` is put into a memory, told what the units asked for, and scanned once. Its
grants are computed, none is chosen. Remembered are the stage of the pre-start, what is latched, who has the
flush slot, who is called, and how long ago a pump started, a feed valve shut, the last draw ended and power
came. Left out, because every scan makes it anew from what it is given: the wanted number of units and "full"
(from the level), the speed of the booster and the dose, which nothing in the sequence reads. What else it
remembers is chosen in every scan (``Chosen``).
"""

from __future__ import annotations

from typing import NamedTuple

from controller import retained
from controller.bank.coordinator import Coordinator
from controller.bank.memory import BankMemory, Stage
from controller.bank.shared import SHARED
from controller.bank.view import HEADER, LEVEL
from controller.parts.analogue import Loop, Quality
from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.signals import BankInputs, Command
from controller.unit.permits import Permits, Request, Want
from controller.unit.states import Event
from sim_plant.bench.explore.base import NOW_MS, Passed
from sim_plant.bench.explore.reading import LONG_AGO_MS
from sim_plant.bench.explore.scale import TICK_MS, short, ticks

UNITS = 2
STAGES = tuple(Stage)
CAUSES: tuple[Event, ...] = tuple(dict.fromkeys(rule.event for rule in SHARED))


class Asked(NamedTuple):
    """What the bank reads of a unit's request. Places in the queue and run hours are chosen, not counted."""

    want: Want = Want.NONE
    flushing: bool = False
    wants_start: bool = False
    wants_close: bool = False
    wants_water: bool = False
    draws_water: bool = False
    pumping: bool = False
    available: bool = False
    in_maintenance: bool = False
    started: bool = False  # the pump came on in this very scan; an earlier start the bank knows already
    shut: bool = False  # the feed valve was let go in this very scan; likewise


def asked_of(request: Request, started: bool, shut: bool) -> Asked:
    """What counts of a request; ``started`` and ``shut`` by the outputs before and after the scan."""
    return Asked(
        request.want,
        request.flushing,
        request.wants_start,
        request.wants_close,
        request.wants_water,
        request.draws_water,
        request.pumping,
        request.available,
        request.in_maintenance,
        started,
        shut,
    )


class Chosen(NamedTuple):
    """What a scan of the bank is given in place of memory."""

    waits: bool = False  # header not steady, and no step of the pre-start has had its time
    demand_moves: bool = False  # demand may change its mind in this scan
    lapsed: bool = False  # the lease of a slot has run out
    late: bool = False  # this step of the pre-start takes too long
    held_back: bool = False  # power came and went: nobody resumes
    second_first: bool = False  # unit 2 has waited longer and run less


class BankScene(NamedTuple):
    """All that one scan of the bank is given. ``told`` says what is not as in the base."""

    told: tuple[str, ...]
    io: BankInputs
    age_ms: int
    commands: tuple[Command, ...]
    chosen: Chosen


class BankScanned(NamedTuple):
    """What one scan made of it."""

    code: bytes
    permits: tuple[Permits, ...]
    booster: bool


class BankAge(NamedTuple):
    """A timer of the bank: up to how many ticks it counts, and which of them are short."""

    cap: int
    short: int

    def code(self, since_ms: int) -> int:
        """0 for never or long enough ago, else the age in ticks and one."""
        age = (NOW_MS - since_ms) // TICK_MS
        return 0 if since_ms == NEVER or age >= self.cap else age + 1

    def lasting_code(self, since_ms: int) -> int:
        """The same for a timer that goes on standing when its limit has passed."""
        return 0 if since_ms == NEVER else 1 + min((NOW_MS - since_ms) // TICK_MS, self.cap)

    def moment_ms(self, code: int, passed: Passed) -> int:
        """When it began, seen from a scan before which that has passed."""
        if not code:
            return NEVER
        gets_on = passed is Passed.TICK or (passed is Passed.SHORT and code <= self.short)
        return NOW_MS - (code - 1 + gets_on) * TICK_MS


class BankCodec:
    """The coordinator's memory to bytes and back; only inside ``pair_in_ticks``."""

    def __init__(self, site: Setpoints) -> None:
        t = ticks(site)
        self.start = BankAge(t["stagger_s"], short(site, "stagger_s"))
        self.close = BankAge(t["feed_close_gap_s"], short(site, "feed_close_gap_s"))
        self.draw = BankAge(t["NO_DRAW_S"], short(site, "NO_DRAW_S"))
        self.boot_cap = max(t["boot_s"], t["resume_s"] + t["resume_step_s"])
        self.boot = BankAge(self.boot_cap + 1, short(site, "boot_s", "resume_s", "resume_step_s"))

    def encode(self, m: BankMemory) -> bytes:
        """The memory right after a scan at NOW_MS, or before the first one."""
        flags = sum((unit in m.tokens) << place for place, unit in enumerate((1, 2)))
        flags += sum(called << place for place, called in enumerate(m.called, start=2))
        flags += (m.io_seen << 4) + ((m.proven and m.stage is Stage.PROVE_DOSING) << 5)
        booted = 0
        if m.scanned_ms != NEVER:
            booted = 1 + min((NOW_MS - m.booted_ms) // TICK_MS, self.boot_cap)
        return bytes(
            (
                STAGES.index(m.stage),
                flags,
                self.start.code(m.start_ms),
                self.close.code(m.close_ms),
                0 if m.stage is Stage.STOPPED else self.draw.lasting_code(m.no_draw_ms),
                booted,
                *_mask(m.latched).to_bytes(2, "big"),
            )
        )

    def decode(self, code: bytes, m: BankMemory, passed: Passed) -> None:
        """Put a memory right before the scan at NOW_MS; what is chosen is not touched."""
        stage, flags, start, close, draw, booted, *mask = code
        m.stage = STAGES[stage]
        m.tokens = {unit: NOW_MS for place, unit in enumerate((1, 2)) if flags >> place & 1}
        m.called = [bool(flags >> 2 & 1), bool(flags >> 3 & 1)]
        m.io_seen, m.proven = bool(flags >> 4 & 1), bool(flags >> 5 & 1)
        m.start_ms = self.start.moment_ms(start, passed)
        m.close_ms = self.close.moment_ms(close, passed)
        m.no_draw_ms = self.draw.moment_ms(draw, passed)
        m.booted_ms = self.boot.moment_ms(booted, passed)
        m.scanned_ms = NOW_MS - (passed is Passed.TICK) * TICK_MS if booted else NEVER
        bits = int.from_bytes(bytes(mask), "big")
        m.latched = [event for place, event in enumerate(CAUSES) if bits >> place & 1]


def _mask(latched: list[Event]) -> int:
    return sum(1 << place for place, event in enumerate(CAUSES) if event in latched)


class Bank:
    """The firmware's coordinator of two units, put into any memory and scanned once."""

    def __init__(self, site: Setpoints, scaled_site: Setpoints) -> None:
        self.codec = BankCodec(site)
        self.coordinator = Coordinator(UNITS, scaled_site)
        self._s = scaled_site
        self._good = Loop(Quality.GOOD, started_ms=LONG_AGO_MS)
        self._elapsed = [LONG_AGO_MS] * len(SHARED)
        self._after_power: dict[bytes, bytes] = {}

    def start(self) -> bytes:
        """Power comes for the first time."""
        return self.codec.encode(Coordinator(UNITS, self._s).memory)

    def scan(self, code: bytes, asked: tuple[Asked, Asked], scene: BankScene, passed: Passed) -> BankScanned:
        """One scan; what the units asked for is of the scan before it."""
        self.codec.decode(code, self.coordinator.memory, passed)
        return self.scan_memory(asked, scene, passed)

    def scan_memory(self, asked: tuple[Asked, Asked], scene: BankScene, passed: Passed) -> BankScanned:
        """One scan of the memory as it stands, at NOW_MS."""
        self.preset(self.coordinator.memory, scene.chosen)
        requests = tuple(
            self.request(a, passed, first=scene.chosen.second_first == (unit == UNITS))
            for unit, a in enumerate(asked, start=1)
        )
        permits, outputs = self.coordinator.scan(scene.io, scene.age_ms, requests, scene.commands, NOW_MS)
        self.coordinator.events.clear()
        # how long a bank that is held back waits yet is for display only
        permits = tuple(p._replace(hold_s=0.0) for p in permits)
        return BankScanned(self.codec.encode(self.coordinator.memory), permits, outputs.booster_run)

    def request(self, asked: Asked, passed: Passed, *, first: bool) -> Request:
        """A request as a unit gave it; the first of the two has waited longer and run less."""
        started = self.codec.start.moment_ms(int(asked.started), passed)
        shut = self.codec.close.moment_ms(int(asked.shut), passed)
        return Request(
            want=asked.want,
            since_ms=NOW_MS - TICK_MS * (2 if first else 1) if asked.want else 0,
            flushing=asked.flushing,
            wants_start=asked.wants_start,
            wants_close=asked.wants_close,
            wants_water=asked.wants_water,
            draws_water=asked.draws_water,
            feed_off_ms=shut,
            pumping=asked.pumping,
            available=asked.available,
            in_maintenance=asked.in_maintenance,
            alarmed=False,  # for the alarm relay only
            quality_poor=False,  # for the order of starts only, which is chosen
            run_ms=0 if first else 1,
            started_ms=started,
            tds_mgl=0.0,
        )

    def preset(self, m: BankMemory, chosen: Chosen) -> None:
        """What is chosen in place of memory."""
        over_ms = NEVER if chosen.waits else LONG_AGO_MS
        m.healthy_ms = m.water_ms = m.header_ready_ms = m.steady_ms = over_ms
        m.header_low_ms = LONG_AGO_MS
        m.stage_ms = LONG_AGO_MS if chosen.late else NOW_MS
        m.demand_ms = NEVER if chosen.demand_moves else NOW_MS
        m.tokens = dict.fromkeys(m.tokens, LONG_AGO_MS if chosen.lapsed else NOW_MS)
        m.returns = self._s.brownout_returns if chosen.held_back else 0
        m.rule_ms = list(self._elapsed)
        m.gone_ms = dict.fromkeys(m.latched, LONG_AGO_MS)
        self._good.broken_ms = self._good.outside_ms = NEVER
        m.loops = [self._good] * len(m.loops)
        m.loops[HEADER], m.loops[LEVEL] = (Loop(Quality.GOOD, started_ms=LONG_AGO_MS) for _ in range(2))
        m.stale_ms, m.fresh_ms, m.link_lost = NEVER, LONG_AGO_MS, False
        m.pressed_ms = m.horn_ms = m.poor_ms = m.booster_ms = NEVER
        m.released = m.pulse_was = m.dosing = False
        m.still_ms = m.unproven_ms = m.undosed_ms = NEVER
        m.strays_ms = []
        m.released_ms = [NEVER] * UNITS
        m.wanted = UNITS
        m.setpoint_bar = m.integral_hz = m.speed_hz = 0.0

    def powered(self, code: bytes) -> bytes:
        """Power goes and comes again; what is retained is read back by the firmware's own code."""
        kept = code[-2:]
        if kept not in self._after_power:
            m, fresh = self.coordinator.memory, Coordinator(UNITS, self._s).memory
            self.codec.decode(code, m, Passed.NOTHING)
            retained.recall(retained.encode(retained.gather(m, [])), fresh, [])
            self._after_power[kept] = self.codec.encode(fresh)
        return self._after_power[kept]

    @staticmethod
    def latched(code: bytes) -> bool:
        """A shared cause is latched."""
        return any(code[-2:])
