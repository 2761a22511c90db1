"""What each unit's outputs may and may not do, requirement by requirement, from narrative 3.1 and 5."""

from __future__ import annotations

from observing import HOUR_MS, Held, History, Watch

from controller.signals import SAFE_UNIT_OUTPUTS, Verb

ACTUATORS = ("feed_valve", "flush_valve", "pump", "enable", "divert")
FAST_S, PUMP_S, FEED_S = 0.3, 0.5, 5.0  # stated by SR-09 and SR-10; by SR-50
SELECTOR_DEAD_S = FEED_S - 0.1  # one scan earlier: output rule (c) answers in the scan that reaches it
TOLERANCE_S = 0.5  # narrative 2.3
CHATTER_CHANGES, CHATTER_GAP_MS = 8, 900  # 10 Hz makes ten changes in a second; one second less one scan


def _driven(h: History, unit: int) -> bool:
    return any(getattr(h.units[unit - 1].was, name) for name in ACTUATORS)


def _idle(h: History, unit: int) -> bool:
    return h.units[unit - 1].out._replace(beacon=False) == SAFE_UNIT_OUTPUTS


def _flushed_too_long(h: History, unit: int) -> bool:
    """Output rule (d) has ended a flush in this scan: it cuts both valves, and waits for no turn."""
    past = h.units[unit - 1]
    ended = past.was.feed_valve and past.was.flush_valve and not past.was.pump and past.both.ms < 0
    return bool(ended and past.flushes_ms and past.flushes_ms[-1] >= 1000.0 * h.least("start_flush_max_s"))


def cut_at_once(h: History, unit: int) -> bool:
    """A cause that takes every output of the unit in the same scan (T0, K, or output rule c or d).

    Class K, the welded contactor, outranks T0 and leads straight to a state with every output off (3.5, E18).
    """
    past, bank = h.units[unit - 1], h.now.inputs.bank
    assert past.io is not None
    return (
        not bank.estop_healthy
        or not bank.floor_dry
        or not past.fresh
        or not past.io.isolator_on
        or not past.io.skid_dry
        or past.selector_off.lasted(SELECTOR_DEAD_S - 0.1)
        or past.welded.lasted(h.least("feedback_s"))
        or unit in h.now.struck
        or h.was_hung
        or _flushed_too_long(h, unit)
    )


class PumpNeedsFeed(Watch):
    """SR-01 and output rule (a), without the one sample of lag: outputs of one image are of one scan."""

    id = "SR-01"

    def look(self, h: History) -> bool:
        out = self.past(h).out
        self.require(out.feed_valve or not out.pump, h, "pump on, feed off")
        return out.pump


class EnableLeads(Watch):
    """Narrative 3.1, footnote e: the enable contactor is on before the pump, and while it is on."""

    id = "3.1 e"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.enabled = Held()

    def look(self, h: History) -> bool:
        past = self.past(h)
        self.enabled.see(past.out.enable, h.t_ms)
        self.require(past.out.enable or not past.out.pump, h, "pump on, enable off")
        if past.rise("pump"):
            self.require(
                self.enabled.lasted(h.least("enable_lead_s")), h, "pump on before the enable has led"
            )
        return past.rise("pump")


class WholeFlushFirst(Watch):
    """SR-02 and output rule (b)."""

    id = "SR-02"

    def look(self, h: History) -> bool:
        past = self.past(h)
        if not past.rise("pump"):
            return False
        whole = any(length >= 1000.0 * h.least("start_flush_s") for length in past.flushes_ms)
        self.require(whole, h, "pump started without a whole start flush since it was last on")
        self.require(past.flush_off.lasted(h.least("settle_s")), h, "pump started before the valves settled")
        return True


class NothingCarriedOver(Watch):
    """SR-03: pieces of flushes do not add up; the last flush before a start is whole by itself."""

    id = "SR-03"

    def look(self, h: History) -> bool:
        past = self.past(h)
        least_ms = 1000.0 * h.least("start_flush_s")
        if not past.rise("pump") or not any(length < least_ms for length in past.flushes_ms[:-1]):
            return False
        self.require(past.flushes_ms[-1] >= least_ms, h, "the flush after one that was cut is not whole")
        return True


class SuctionGone(Watch):
    """SR-05; suction is judged once the feed valve has been open for its blanking time (3.5, E09)."""

    id = "SR-05"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.gone = Held()
        self.open = Held()

    def look(self, h: History) -> bool:
        past = self.past(h)
        assert past.io is not None
        judged = past.fresh and past.feed_on.lasted(h.most("suction_blank_s"))
        bar = past.value("suction_ma")
        self.gone.see(judged and bar is not None and bar < h.least("suction_fast_bar"), h.t_ms)
        self.open.see(judged and not past.io.suction_ok, h.t_ms)
        begins = 0 in (self.gone.ms, self.open.ms) and past.out.pump
        for held in (self.gone, self.open):
            late = held.overdue(h.most("suction_fast_s") + TOLERANCE_S)
            self.require(not (late and past.out.pump), h, "pump on without suction")
        return begins


class RetryFlushes(Watch):
    """SR-07: after a stop by low suction the next start has a whole start flush of its own."""

    id = "SR-07"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.stopped_ms: int | None = None

    def look(self, h: History) -> bool:
        past = self.past(h)
        assert past.io is not None
        if past.fall("pump"):
            bar = past.value("suction_ma")
            low = not past.io.suction_ok or (bar is not None and bar < h.most("suction_trip_bar"))
            self.stopped_ms = h.t_ms if low and past.fresh else None
        if not past.rise("pump") or self.stopped_ms is None:
            return False
        whole = past.flushes_ms and max(past.flushes_ms) >= 1000.0 * h.least("start_flush_s")
        self.require(bool(whole), h, "retried after low suction without a whole start flush")
        return True


class ContactStopsPump(Watch):
    """A contact of the unit that is open: pump 0 within a time, whatever the loops read."""

    contact, limit_s = "", 0.0

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.open = Held()

    def look(self, h: History) -> bool:
        past = self.past(h)
        self.open.see(past.fresh and not getattr(past.io, self.contact), h.t_ms)
        late = self.open.overdue(self.limit_s) and past.out.pump
        self.require(not late, h, f"pump on with {self.contact} open")
        return self.open.ms == 0 and past.was.pump


class DischargeSwitch(ContactStopsPump):
    """SR-09."""

    id, contact, limit_s = "SR-09", "discharge_ok", FAST_S


class SelectorStopsPump(ContactStopsPump):
    """SR-50, first half: pump 0 within 0.5 s."""

    id, contact, limit_s = "SR-50", "selector_auto", PUMP_S

    def look(self, h: History) -> bool:
        triggered = super().look(h)
        past = self.past(h)
        if self.open.overdue(FEED_S):
            self.require(_idle(h, self.unit), h, "an output on with the selector OFF")
        for name in ("feed_valve", "flush_valve", "pump"):
            self.require(not (past.rise(name) and self.open.ms > 0), h, f"{name} went on, selector OFF")
        return triggered


class MotorProtector(ContactStopsPump):
    """SR-10: the pump stops, and needs a reset that is given after 60 s closed.

    The trip is taken as latched once its contact has been open for three scans after the pump fell, and
    nothing that cuts all outputs came between: a T0 outranks it, and leads elsewhere (3.5, last note).
    """

    id, contact, limit_s = "SR-10", "motor_healthy", FAST_S
    outlasts = ("latched",)
    CLOSED_S = 60.0

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.closed = Held()
        self.confirming = 0
        self.latched = False

    def look(self, h: History) -> bool:
        triggered = super().look(h)
        past = self.past(h)
        assert past.io is not None
        self.closed.see(past.io.motor_healthy, h.t_ms)
        self._confirm(h)
        if self.latched and h.reset_given(self.unit) and self.closed.lasted(self.CLOSED_S):
            self.latched = False
        self.require(not (self.latched and past.rise("pump")), h, "restarted without a valid reset")
        return triggered

    def _confirm(self, h: History) -> None:
        past = self.past(h)
        assert past.io is not None
        if past.io.motor_healthy or cut_at_once(h, self.unit):
            self.confirming = 0
        elif past.fall("pump"):
            self.confirming = 1
        elif self.confirming:
            self.confirming += 1
            self.latched = self.latched or self.confirming > 3


class StartsAndRest(Watch):
    """SR-13. The starts of the last hour outlast a loss of power with its memory."""

    id = "SR-13"
    outlasts = ("starts_ms",)

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.starts_ms: list[int] = []

    def look(self, h: History) -> bool:
        past = self.past(h)
        self.starts_ms = [t for t in self.starts_ms if h.t_ms - t < HOUR_MS]
        if not past.rise("pump"):
            return False
        self.starts_ms.append(h.t_ms)
        self.require(len(self.starts_ms) <= h.most("max_starts_per_h"), h, "too many starts in an hour")
        if past.pump_fall_ms is None:
            return False
        off_ms = h.t_ms - past.pump_fall_ms
        self.require(
            off_ms >= 1000.0 * h.least("min_off_s"), h, f"started {off_ms / 1000:.1f} s after a stop"
        )
        return True


class FlushBounded(Watch):
    """SR-18: the longest start flush and 3 s with the pump off, the longest flush and 5 s with it on."""

    id = "SR-18"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.idle = Held()
        self.running = Held()

    def look(self, h: History) -> bool:
        out = self.past(h).out
        self.idle.see(out.flush_valve and not out.pump, h.t_ms)
        self.running.see(out.flush_valve and out.pump, h.t_ms)
        on_s = max(h.most("quality_flush_s"), h.most("purge_s")) + 5.0
        self.require(
            not self.idle.overdue(h.most("start_flush_max_s") + 3.0), h, "flush open too long, pump off"
        )
        self.require(not self.running.overdue(on_s), h, "flush open too long, pump on")
        return self.past(h).fall("flush_valve")


class BothOpenBounded(Watch):
    """Output rule (d)."""

    id = "rule (d)"

    def look(self, h: History) -> bool:
        past = self.past(h)
        late = past.both.overdue(h.most("start_flush_max_s") + TOLERANCE_S)
        self.require(not late, h, "feed and flush open, pump off, for too long")
        return past.both.ms > 1000.0 * h.least("start_flush_s")


class BadWaterShows(Watch):
    """SR-22: water above the lockout level since the pump came on stops it in a bounded time.

    Each flush with the pump on blanks for its own length and a while after. One of them may cut the lockout
    delay short; the next delay must then pass, however often the unit purges.
    """

    id = "SR-22"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.bad = Held()
        self.flushes = 0

    def look(self, h: History) -> bool:
        past = self.past(h)
        us = past.value("permeate_cond_ma")
        tds = -1.0 if us is None else us * h.least("tds_per_us")
        self.bad.see(past.out.pump and past.fresh and tds > h.most("tds_lockout_mgl"), h.t_ms)
        if self.bad.ms <= 0:
            self.flushes = int(past.out.flush_valve)
        self.flushes += past.rise("flush_valve")
        again_s = max(h.most("quality_flush_s"), h.most("purge_s")) + h.most("tds_blank_purge_s")
        lockout_s = h.most("tds_lockout_s")
        limit_s = h.most("tds_blank_start_s") + 2.0 * lockout_s + self.flushes * again_s + 2.0
        self.require(
            not self.bad.overdue(limit_s), h, "pump on with bad water for longer than blanking hides"
        )
        return past.fall("pump") and tds > h.most("tds_lockout_mgl")


class SuctionLoopBroken(Watch):
    """SR-26: pump 0 within 2.5 s of the break, and a reset is needed; a T0 in the same scan outranks it."""

    id = "SR-26"
    outlasts = ("latched",)

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.broken = Held()
        self.latched = False

    def look(self, h: History) -> bool:
        past = self.past(h)
        broken = past.loops["suction_ma"].broken
        self.broken.see(past.fresh and broken.ms >= 0, h.t_ms)
        self.require(not (self.broken.overdue(2.5) and past.out.pump), h, "pump on with the loop broken")
        triggered = past.fall("pump") and self.broken.lasted(2.0) and not cut_at_once(h, self.unit)
        self.latched = (self.latched and not h.reset_given(self.unit)) or triggered
        self.require(not (self.latched and past.rise("pump")), h, "restarted without a reset")
        return triggered


class SkidLeak(Watch):
    """SR-30, the unit's own half."""

    id = "SR-30"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.wet = Held()

    def look(self, h: History) -> bool:
        past = self.past(h)
        assert past.io is not None
        self.wet.see(past.fresh and not past.io.skid_dry, h.t_ms)
        if self.wet.overdue(h.most("leak_s") + TOLERANCE_S):
            self.require(_idle(h, self.unit), h, "an output on with the skid wet")
        return self.wet.ms > 0 and _driven(h, self.unit) and _idle(h, self.unit)


class LinkLost(Watch):
    """SR-45: outputs 0 within 2.5 s of the loss; nothing opens before 30 s of fresh images."""

    id = "SR-45"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.lost = False

    def look(self, h: History) -> bool:
        past = self.past(h)
        lost_ms = 1000.0 * h.most("io_lost_s")
        begins = not self.lost and past.age_ms >= lost_ms
        self.lost = (self.lost or begins) and not past.fresh_for.lasted(h.least("io_back_s"))
        if past.age_ms > lost_ms + 500:
            self.require(_idle(h, self.unit), h, "an output on with the link lost")
        for name in ("pump", "feed_valve"):
            self.require(
                not (self.lost and past.rise(name)), h, f"{name} on before the link was stable again"
            )
        return begins


class MaintenanceIsDead(Watch):
    """SR-49: from the moment the panel shows MAINTENANCE until a return to service is asked for.

    A request may rightly be refused (too fast, stale, too many out), so the beginning is taken from what
    the panel shows. The end is a command of a named person with the selector OFF and the isolator on;
    until then nothing else counts, whatever the panel shows. A memory that was lost has lost the flag too.
    """

    id = "SR-49"
    outlasts = ("out_of_service",)

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.out_of_service = False

    def look(self, h: History) -> bool:
        past = self.past(h)
        assert past.io is not None
        away = past.io.isolator_on and not past.io.selector_auto
        if away and any(c.by for c in h.commanded(Verb.RETURN_TO_SERVICE, self.unit)):
            self.out_of_service = False
        begins = not self.out_of_service and h.now.shown[self.unit - 1] == "MAINTENANCE"
        self.out_of_service = self.out_of_service or begins
        self.require(not self.out_of_service or _idle(h, self.unit), h, "an output on in maintenance")
        return begins


class DeadUnit(Watch):
    """Output rule (c): stale image, isolated, E-stop open, or selector OFF for as long as SR-50 allows.

    The selector leaves the pump the coast and no longer; the valves wait for their turn until 5 s (SR-52).
    """

    id = "rule (c)"

    def look(self, h: History) -> bool:
        past = self.past(h)
        assert past.io is not None
        dead = (
            not past.fresh
            or not past.io.isolator_on
            or not h.now.inputs.bank.estop_healthy
            or past.selector_off.ms >= 1000.0 * SELECTOR_DEAD_S
        )
        coasted = past.selector_off.ms > 1000.0 * h.most("coast_s")
        self.require(not (coasted and past.out.pump), h, "a pump on with the selector OFF for the coast")
        self.require(not dead or _idle(h, self.unit), h, "an output on in a dead unit")
        return dead and _driven(h, self.unit)


class RubbishForcesBoot(Watch):
    """Output rule (e): a state that is none forces BOOT, which is quiet for its whole time."""

    id = "rule (e)"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.quiet_until_ms = 0

    def look(self, h: History) -> bool:
        struck = self.unit in h.now.struck
        if struck:
            self.quiet_until_ms = h.t_ms + round(1000.0 * h.least("boot_s"))
        if h.t_ms < self.quiet_until_ms:
            self.require(_idle(h, self.unit), h, "an output on just after a state that is none")
        return struck


class ChatterTamed(Watch):
    """SR-58: valves change once a second at most while a contact chatters, and STOP is always taken.

    The changes that count begin once the chatter has shown itself; the trip that it causes may close what
    was just opened.
    """

    id = "SR-58"

    def __init__(self, unit: int = 0) -> None:
        super().__init__(unit)
        self.changed_ms: dict[str, int] = {}
        self.stop = Held()

    def look(self, h: History) -> bool:
        past = self.past(h)
        if h.commanded(Verb.STOP, self.unit):
            self.stop = Held()
            self.stop.see(True, h.t_ms)
        elif self.stop.ms >= 0:
            self.stop.see(not past.rise("enable"), h.t_ms)
        late = self.stop.overdue(TOLERANCE_S) and past.out.pump
        self.require(not late, h, "stop command not taken")
        chatters = h.chatters(self.unit, CHATTER_CHANGES)
        for name in ("feed_valve", "flush_valve"):
            if chatters and (past.rise(name) or past.fall(name)):
                apart_ms = h.t_ms - self.changed_ms.get(name, -HOUR_MS)
                self.require(apart_ms >= CHATTER_GAP_MS, h, f"{name} changed twice in {apart_ms} ms")
                self.changed_ms[name] = h.t_ms
        return chatters and _driven(h, self.unit)


UNIT_WATCHES: tuple[type[Watch], ...] = (
    PumpNeedsFeed,
    EnableLeads,
    WholeFlushFirst,
    NothingCarriedOver,
    SuctionGone,
    RetryFlushes,
    DischargeSwitch,
    SelectorStopsPump,
    MotorProtector,
    StartsAndRest,
    FlushBounded,
    BothOpenBounded,
    BadWaterShows,
    SuctionLoopBroken,
    SkidLeak,
    LinkLost,
    MaintenanceIsDead,
    DeadUnit,
    RubbishForcesBoot,
    ChatterTamed,
)
