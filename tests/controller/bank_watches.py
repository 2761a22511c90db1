"""What the bank must do with all its units at once, requirement by requirement, from narrative 5."""

from __future__ import annotations

from observing import Held, History, Observer, Watch
from unit_watches import ACTUATORS, TOLERANCE_S, UNIT_WATCHES, cut_at_once

from controller.signals import SAFE_UNIT_OUTPUTS

FAST_S, ESTOP_S, DRIVE_S, FULL_S = 0.3, 0.5, 1.0, 2.0  # stated by SR-28, SR-33, SR-40, SR-27
SPACING_MS = 200  # tolerance stated by SR-14, used for SR-52 too
SUMP_FLUSH_S, SUMP_CLEAR_S = 5.0, 60.0  # stated by SR-32
OVERFULL_CLEAR_S = 10.0  # narrative 3.6, pressure and level contacts
ANTISCALANT_STOP_S = 60.0  # stated by SR-36
RESET_WATCHED_S = 2.0


def _pumps(h: History) -> bool:
    return any(unit.out.pump for unit in h.units)


def _pumped(h: History) -> bool:
    return any(unit.was.pump for unit in h.units)


def _all_idle(h: History) -> bool:
    return all(unit.out._replace(beacon=False) == SAFE_UNIT_OUTPUTS for unit in h.units)


class StartsApart(Watch):
    """SR-14."""

    id = "SR-14"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.last: tuple[int, int] | None = None  # moment and unit

    def look(self, h: History) -> bool:
        triggered = False
        for unit, past in enumerate(h.units, start=1):
            if not past.rise("pump"):
                continue
            if self.last is not None and self.last[1] != unit:
                triggered = True
                apart_ms = h.t_ms - self.last[0]
                least_ms = 1000.0 * h.least("stagger_s") - SPACING_MS
                self.require(apart_ms >= least_ms, h, f"unit {unit} started {apart_ms} ms after another")
            self.last = (h.t_ms, unit)
        return triggered


class SlotsKept(Watch):
    """SR-17; a flush that began while the bank's image was lost has no slot and counts for nothing."""

    id = "SR-17"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.alone: set[int] = set()  # units that opened without a coordinator

    def look(self, h: History) -> bool:
        lost = h.bank_fresh.ms < 0
        for unit, past in enumerate(h.units, start=1):
            if not past.out.flush_valve:
                self.alone.discard(unit)
            elif lost and past.rise("flush_valve"):
                self.alone.add(unit)
        flushing = {unit for unit, past in enumerate(h.units, start=1) if past.out.flush_valve}
        slots = h.most_slots()
        self.require(len(flushing - self.alone) <= slots, h, f"{len(flushing)} flush valves, {slots} slots")
        return len(flushing) >= slots and any(past.rise("flush_valve") for past in h.units)


class FullTankStops(Watch):
    """SR-27; a pump whose start was decided just before the level came up may still come on."""

    id = "SR-27"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.full = Held()
        self.high = Held()

    def look(self, h: History) -> bool:
        level = h.bank_value("tank_level_ma")
        known = level is not None and h.settled
        self.full.see(known and level is not None and level >= h.most("tank_stop_pct"), h.t_ms)
        self.high.see(known and level is not None and level > h.most("tank_first_pct"), h.t_ms)
        self.require(not (self.full.overdue(FULL_S) and _pumps(h)), h, "a pump on with the tank full")
        started = any(past.rise("pump") for past in h.units)
        late = self.high.overdue(h.most("enable_lead_s") + TOLERANCE_S)
        self.require(not (late and started), h, "a pump started above the restart level")
        return self.full.ms == 0 and _pumped(h)


class OverfullTankStops(Watch):
    """SR-28: all pumps 0, and none starts before a reset of the bank with the float closed."""

    id = "SR-28"
    outlasts = ("latched",)

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.open = Held()
        self.closed = Held()
        self.latched = False

    def look(self, h: History) -> bool:
        well = h.now.inputs.bank.tank_not_overfull
        self.open.see(h.settled and not well, h.t_ms)
        self.closed.see(well, h.t_ms)
        if 0 in h.reset_units and self.closed.lasted(OVERFULL_CLEAR_S):
            self.latched = False
        self.latched = self.latched or self.open.ms >= 0
        self.require(not (self.open.overdue(FAST_S) and _pumps(h)), h, "a pump on with the float open")
        started = any(past.rise("pump") for past in h.units)
        self.require(not (self.latched and started), h, "a pump started without a reset")
        return self.open.ms == 0 and _pumped(h)


class FloorLeak(Watch):
    """SR-31."""

    id = "SR-31"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.wet = Held()

    def look(self, h: History) -> bool:
        self.wet.see(h.settled and not h.now.inputs.bank.floor_dry, h.t_ms)
        if self.wet.overdue(h.most("leak_s") + TOLERANCE_S):
            quiet = _all_idle(h) and not h.now.out.bank.booster_run
            self.require(quiet, h, "an output on with the floor wet")
        return self.wet.ms > 0 and _all_idle(h) and any(past.was.feed_valve for past in h.units)


class SumpHigh(Watch):
    """SR-32: pumps 0, flush valves 0 within 5 s, no flush before the sump has been clear for 60 s.

    The 5 s hold for the debounce, the tail of a flush valve and one other feed valve that closes first.
    Feed valves close one by one (SR-52); from the third on the tail is cut short.
    """

    id = "SR-32"
    outlasts = ("blocked",)

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.high = Held()
        self.clear = Held()
        self.blocked = False

    def look(self, h: History) -> bool:
        ok = h.now.inputs.bank.sump_ok
        self.high.see(h.settled and not ok, h.t_ms)
        self.clear.see(ok, h.t_ms)
        began = self.high.ms == 0 and any(past.was.flush_valve for past in h.units)
        leak_s = h.most("leak_s")
        if self.high.overdue(leak_s + TOLERANCE_S):
            self.blocked = True
            self.require(not _pumps(h), h, "a pump on with the sump high")
        if self.clear.lasted(SUMP_CLEAR_S):
            self.blocked = False
        limit_s = SUMP_FLUSH_S - 2.0 + leak_s
        flushing = any(past.out.flush_valve for past in h.units)
        self.require(not (self.high.overdue(limit_s) and flushing), h, "a flush valve open, sump high")
        opened = any(past.rise("flush_valve") for past in h.units)
        self.require(not (self.blocked and opened), h, "flushed before the sump was clear for 60 s")
        return began


class EmergencyStop(Watch):
    """SR-33: everything 0 within 0.5 s; nothing on again before a reset that follows the release.

    The matrix keeps a unit in OFF or MAINTENANCE where it is (3.5, E30), so such a unit, as the panel shows
    it, needs the turn of its selector and no reset.
    """

    id = "SR-33"
    outlasts = ("held_back",)

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.open = Held()
        self.held_back: set[int] = set()

    def look(self, h: History) -> bool:
        healthy = h.now.inputs.bank.estop_healthy
        began = not healthy and self.open.ms < 0 and not all(not any(past.was[:4]) for past in h.units)
        self.open.see(not healthy, h.t_ms)
        if self.open.overdue(ESTOP_S):
            quiet = _all_idle(h) and not h.now.out.bank.booster_run
            self.require(quiet, h, "an output on with the E-stop chain open")
        for unit, past in enumerate(h.units, start=1):
            if not healthy:
                self.held_back.add(unit)
                if h.now.shown[unit - 1] in ("OFF", "MAINTENANCE"):
                    self.held_back.discard(unit)
            elif h.reset_given(unit):
                self.held_back.discard(unit)
            rose = any(past.rise(name) for name in ACTUATORS)
            text = f"unit {unit} came on after an E-stop without a reset"
            self.require(not (unit in self.held_back and rose), h, text)
        return began


class AntiscalantLow(Watch):
    """SR-36: a start that begins with the tank low is never finished; running units stop after the grace."""

    id = "SR-36"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.low = Held()

    def look(self, h: History) -> bool:
        self.low.see(h.settled and not h.now.inputs.bank.antiscalant_ok, h.t_ms)
        grace_s = 60.0 * h.most("antiscalant_grace_min") + ANTISCALANT_STOP_S
        self.require(not (self.low.overdue(grace_s) and _pumps(h)), h, "a pump on after the grace")
        for past in h.units:
            if past.rise("pump") and past.flush_rise_ms is not None and self.low.since_ms is not None:
                begun_ms = past.flush_rise_ms - self.low.since_ms
                self.require(begun_ms <= 1000.0 * TOLERANCE_S, h, "a start was begun with the tank low")
        return self.low.ms == 0 and any(past.was.feed_valve for past in h.units)


class DriveLost(Watch):
    """SR-40."""

    id = "SR-40"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.lost = Held()

    def look(self, h: History) -> bool:
        bank = h.now.inputs.bank
        self.lost.see(h.settled and not (bank.drive_healthy and bank.source_wet), h.t_ms)
        running = _pumps(h) or h.now.out.bank.booster_run
        self.require(not (self.lost.overdue(DRIVE_S) and running), h, "pump or booster on without water")
        return self.lost.ms == 0 and _pumped(h)


class QuietAfterBoot(Watch):
    """SR-42, with what SR-39 asks before the first pump start: header under pressure, a dosing stroke."""

    id = "SR-42"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.header = Held()
        self.header_seen = self.stroke_seen = self.pulse = self.started = False

    def look(self, h: History) -> bool:
        bank = h.now.inputs.bank
        out = h.now.out.bank
        self.header.see((h.bank_value("header_ma") or 0.0) >= h.least("header_ready_bar"), h.t_ms)
        self.header_seen = self.header_seen or self.header.lasted(h.least("header_ready_s"))
        self.stroke_seen = self.stroke_seen or (bank.dosing_pulse and not self.pulse)
        self.pulse = bank.dosing_pulse
        if not h.powered.lasted(h.least("boot_s")):
            quiet = _all_idle(h) and not (out.booster_run or out.dosing_run)
            self.require(quiet, h, "an output on just after power-up")
        if self.started or not any(past.rise("pump") for past in h.units):
            return False
        self.started = True
        self.require(self.header_seen, h, "first pump start without header pressure")
        self.require(self.stroke_seen, h, "first pump start without a dosing stroke")
        return True


class ResetsDoNoMore(Watch):
    """SR-51: a reset with its cause standing brings nothing on in the next 2 s.

    Causes that show at the contacts and latch; that a held button is no reset is in the history's resets.
    """

    id = "SR-51"
    BANK = ("estop_healthy", "tank_not_overfull", "source_wet", "floor_dry", "sump_ok", "drive_healthy")

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.standing = Held()
        self.given = Held()

    def look(self, h: History) -> bool:
        bank = h.now.inputs.bank
        stands = h.settled and any(not getattr(bank, name) for name in self.BANK)
        self.standing.see(stands, h.t_ms)
        latched = self.standing.lasted(h.most("leak_s") + TOLERANCE_S)
        pressed = h.reset_units or (bank.reset_button and h.pressed_ms == h.t_ms)
        if latched and pressed:
            self.given = Held()
        self.given.see(latched and (bool(pressed) or 0 <= self.given.ms <= 1000 * RESET_WATCHED_S), h.t_ms)
        if self.given.ms >= 0:
            rose = any(past.rise(name) for past in h.units for name in ACTUATORS)
            self.require(not rose, h, "an output came on by a reset with the cause present")
        return self.given.ms == 0


class ClosuresApart(Watch):
    """SR-52: feed valves of two units close a second apart, unless all outputs of a unit are cut at once.

    A selector that has been OFF for almost 5 s cuts everything (output rule c, SR-50: dead within 5 s), so
    such a closure is a cut: what of several selectors turned OFF together found no turn ends in one scan.
    An ordinary closure keeps away from a cut one too, unless both fall into one scan: that is not foreseen.
    """

    id = "SR-52"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.last: tuple[int, int] | None = None

    def look(self, h: History) -> bool:
        triggered = False
        closed = [unit for unit, past in enumerate(h.units, start=1) if past.fall("feed_valve")]
        for unit in closed:
            if cut_at_once(h, unit):
                continue
            if self.last is not None and self.last[1] != unit:
                apart_ms = h.t_ms - self.last[0]
                triggered = triggered or apart_ms < 5_000
                least_ms = 1000.0 * h.least("feed_close_gap_s") - SPACING_MS
                self.require(apart_ms >= least_ms, h, f"unit {unit} closed {apart_ms} ms after another")
            self.last = (h.t_ms, unit)
        if closed:
            self.last = (h.t_ms, closed[-1])
        return triggered


class AcknowledgeIsSilent(Watch):
    """SR-57: a twin that was not told of the acknowledgement drives the same outputs."""

    id = "SR-57"

    def look(self, h: History) -> bool:
        twin = h.now.unacknowledged
        if twin is None:
            return False
        self.require(twin == h.now.out, h, "an output differs because of an acknowledgement")
        return True


BANK_WATCHES: tuple[type[Watch], ...] = (
    StartsApart,
    SlotsKept,
    FullTankStops,
    OverfullTankStops,
    FloorLeak,
    SumpHigh,
    EmergencyStop,
    AntiscalantLow,
    DriveLost,
    QuietAfterBoot,
    ResetsDoNoMore,
    ClosuresApart,
    AcknowledgeIsSilent,
)
ALL_IDS = tuple(sorted({watch.id for watch in (*UNIT_WATCHES, *BANK_WATCHES)}))


def observer(n_units: int) -> Observer:
    """A new observer of a bank, with every requirement."""
    units = [kind(unit) for kind in UNIT_WATCHES for unit in range(1, n_units + 1)]
    return Observer(History(n_units), [*units, *(kind() for kind in BANK_WATCHES)])
