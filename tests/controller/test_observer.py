"""Every requirement of the observer can fail: bad traces typed by hand, and a good one that breaks none."""

from __future__ import annotations

from collections.abc import Callable
from typing import Self

import pytest
from bank_harness import _bank_inputs
from bank_watches import ALL_IDS, observer
from harness import QUICK, Values, unit_inputs
from observing import Recall, Scan

from controller.settings import Setpoints
from controller.signals import Command, Inputs, Outputs, Verb, safe_outputs


class Trace:
    """A bank of two units whose outputs are typed by the test; one requirement, or all of them, look on."""

    def __init__(self, name: str = "") -> None:
        self.observer = observer(2)
        if name:
            self.observer.watches = [watch for watch in self.observer.watches if watch.id == name]
        self.setpoints: Setpoints = QUICK
        self.out = safe_outputs(2)
        self.bank: Values = {"level_pct": 20.0}
        self.units: list[Values] = [{}, {}]
        self.age_ms = [0, 0]
        self.shown = ["STANDBY", "STANDBY"]
        self.t_ms = 0
        self.once: dict[str, object] = {"power_up": Recall.NONE}
        self.commands: tuple[Command, ...] = ()
        self.pulse = False

    def drive(self, unit: int, **outputs: bool) -> Self:
        """Outputs of a unit from the next scan on."""
        units = list(self.out.units)
        units[unit - 1] = units[unit - 1]._replace(**outputs)
        self.out = self.out._replace(units=tuple(units))
        return self

    def booster(self, on: bool) -> Self:
        """The booster's output from the next scan on."""
        self.out = self.out._replace(bank=self.out.bank._replace(booster_run=on))
        return self

    def field(self, unit: int, **values: float | bool) -> Self:
        """What the field shows from the next scan on; unit 0 is the bank."""
        (self.units[unit - 1] if unit else self.bank).update(values)
        return self

    def tell(self, verb: Verb, unit: int = 0, by: str = "Ada") -> Self:
        """A command in the next scan."""
        self.commands = (*self.commands, Command(verb, unit, by))
        return self

    def run(self, seconds: float, step_s: float = 0.1) -> Self:
        """Scans that fill that time."""
        for _ in range(max(round(seconds / step_s), 1)):
            self.t_ms += round(step_s * 1000)
            self.pulse = not self.pulse
            bank = _bank_inputs(
                self.out.bank.booster_run, True, self.pulse, 3.0, 2.0, 40.0, tuple(self.bank.items())
            )
            units = tuple(
                unit_inputs(o, 3.0, **held) for o, held in zip(self.out.units, self.units, strict=True)
            )
            inputs = Inputs(bank, units, tuple(self.age_ms), 0, self.commands)
            scan = Scan(self.t_ms, inputs, self.out, self.setpoints, tuple(self.shown))
            self.observer.look(scan._replace(**self.once))
            self.once, self.commands = {}, ()
        return self

    def flush(self, unit: int = 1, seconds: float = 31.0) -> Self:
        """A flush with the pump off."""
        self.drive(unit, flush_valve=True).run(1).drive(unit, feed_valve=True).run(seconds)
        return self.drive(unit, flush_valve=False)

    def start(self, unit: int = 1) -> Self:
        """A start as it should be: the unit produces."""
        self.flush(unit).run(4).drive(unit, enable=True).run(0.3)
        return self.drive(unit, pump=True).run(1)

    def stop(self, unit: int = 1) -> Self:
        """Pump and enable off at once, the feed valve after the coast."""
        self.drive(unit, pump=False, enable=False, divert=False).run(2.2)
        return self.drive(unit, feed_valve=False).run(0.1)

    def dead(self, unit: int = 1) -> Self:
        """All outputs of a unit off at once."""
        return self.drive(unit, feed_valve=False, flush_valve=False, pump=False, enable=False).run(0.1)

    def ready(self) -> Self:
        """Some time after power-up, the loops settled."""
        return self.run(15, 0.5)


def _other_outputs(trace: Trace) -> Outputs:
    return trace.out._replace(bank=trace.out.bank._replace(horn=True))


def _start_again_after(trace: Trace, **shown: float | bool) -> Trace:
    """A running unit is stopped by what the field shows, which goes away, and the unit starts again."""
    trace.ready().start().field(1, **shown).run(2.1).drive(1, pump=False, enable=False).run(1).stop()
    trace.units[0] = {}
    return trace.run(90, 1).start()


def _starts(trace: Trace, count: int) -> Trace:
    for _ in range(count):
        trace.start().stop().run(100, 1)
    return trace


def _unacknowledged(trace: Trace) -> Trace:
    trace.once = {"unacknowledged": _other_outputs(trace)}
    return trace.run(0.1)


def _stale(trace: Trace, age_ms: int) -> Trace:
    trace.age_ms[0] = age_ms
    return trace.run(0.1)


def _link_returns(trace: Trace) -> Trace:
    trace.ready().start()
    trace.age_ms[0] = 2_500
    trace.dead()
    trace.age_ms[0] = 0
    return trace.run(10).drive(1, feed_valve=True).run(0.1)


def _shows_maintenance(trace: Trace) -> Trace:
    trace.shown[0] = "MAINTENANCE"
    trace.run(1)
    trace.shown[0] = "STANDBY"
    trace.observer.lose_power(trace.t_ms)
    trace.once = {"power_up": Recall.GOOD}
    return trace.run(10).drive(1, flush_valve=True).run(0.1)


def _chatter(trace: Trace) -> Trace:
    trace.ready()
    for scan in range(30):
        trace.field(1, suction_ok=scan % 2 == 0).drive(1, flush_valve=scan % 8 < 4).run(0.1)
    return trace


def _struck(trace: Trace) -> Trace:
    trace.once = {"struck": frozenset({1})}
    return trace.run(1).drive(1, flush_valve=True).run(0.1)


def _two_flushes(trace: Trace) -> Trace:
    trace.setpoints = Setpoints(**(QUICK.model_dump() | {"drain_capacity_m3h": 4.3}))
    return trace.drive(1, flush_valve=True).drive(2, flush_valve=True).run(0.1)


def _held_reset(trace: Trace) -> Trace:
    trace.ready().field(0, estop_healthy=False).run(1).field(0, reset_button=True, estop_healthy=True).run(10)
    return trace.field(0, reset_button=False).run(1).drive(1, flush_valve=True).run(0.1)


BAD: list[tuple[str, str, Callable[[Trace], object]]] = [
    ("SR-01", "pump without feed", lambda t: t.drive(1, pump=True).run(0.1)),
    ("3.1 e", "pump without enable", lambda t: t.drive(1, pump=True).run(0.1)),
    ("3.1 e", "no lead", lambda t: t.drive(1, pump=True, enable=True).run(0.1)),
    ("SR-02", "no flush", lambda t: t.drive(1, feed_valve=True, pump=True).run(0.1)),
    ("SR-02", "a second short", lambda t: t.flush(seconds=29).run(4).drive(1, pump=True).run(0.1)),
    ("SR-02", "not settled", lambda t: t.flush().run(2.5).drive(1, pump=True).run(0.1)),
    ("SR-02", "flushed before the last run", lambda t: t.start().stop().run(5).drive(1, pump=True).run(0.1)),
    (
        "SR-03",
        "two halves",
        lambda t: t.flush(seconds=16).run(1).flush(seconds=16).run(4).drive(1, pump=True).run(1),
    ),
    ("SR-05", "no suction", lambda t: t.ready().start().field(1, suction_bar=0.2).run(1.8)),
    ("SR-05", "switch open", lambda t: t.ready().start().field(1, suction_ok=False).run(1.8)),
    (
        "SR-07",
        "retried unflushed",
        lambda t: (
            t.ready().start().field(1, suction_ok=False).stop().flush(1, 5).run(4).drive(1, pump=True).run(1)
        ),
    ),
    ("SR-09", "switch ignored", lambda t: t.ready().start().field(1, discharge_ok=False).run(0.6)),
    ("SR-10", "protector ignored", lambda t: t.ready().start().field(1, motor_healthy=False).run(0.6)),
    ("SR-10", "no reset", lambda t: _start_again_after(t, motor_healthy=False)),
    ("SR-13", "no rest", lambda t: t.start().stop().start()),
    ("SR-13", "nine starts", lambda t: _starts(t, 9)),
    ("SR-14", "5 s apart", lambda t: t.drive(1, pump=True).run(5).drive(2, pump=True).run(0.1)),
    ("SR-17", "two on one slot", _two_flushes),
    ("SR-18", "pump off", lambda t: t.drive(1, flush_valve=True).run(64)),
    ("SR-18", "pump on", lambda t: t.drive(1, flush_valve=True, pump=True).run(66)),
    ("SR-22", "bad water for ever", lambda t: t.ready().field(1, permeate_us=900.0).start().run(245)),
    ("SR-26", "loop ignored", lambda t: t.ready().start().field(1, suction_ma=float("nan")).run(2.8)),
    ("SR-26", "no reset", lambda t: _start_again_after(t, suction_ma=0.0)),
    ("SR-27", "full", lambda t: t.ready().start().field(0, level_pct=95.0).run(2.3)),
    (
        "SR-27",
        "started at 86 %",
        lambda t: t.ready().field(0, level_pct=86.0).run(5).drive(1, pump=True).run(0.1),
    ),
    ("SR-28", "float ignored", lambda t: t.ready().start().field(0, tank_not_overfull=False).run(0.6)),
    (
        "SR-28",
        "no reset",
        lambda t: t.ready().field(0, tank_not_overfull=False).run(1).field(0, tank_not_overfull=True).start(),
    ),
    (
        "SR-30",
        "leak ignored",
        lambda t: t.ready().drive(1, feed_valve=True).field(1, skid_dry=False).run(2.8),
    ),
    (
        "SR-31",
        "unit runs on",
        lambda t: t.ready().drive(1, feed_valve=True).field(0, floor_dry=False).run(2.8),
    ),
    ("SR-31", "booster runs on", lambda t: t.ready().booster(True).field(0, floor_dry=False).run(2.8)),
    ("SR-32", "pump runs on", lambda t: t.ready().start().field(0, sump_ok=False).run(2.8)),
    (
        "SR-32",
        "flush runs on",
        lambda t: t.ready().drive(1, flush_valve=True).field(0, sump_ok=False).run(5.3),
    ),
    (
        "SR-32",
        "not clear",
        lambda t: (
            t.ready()
            .field(0, sump_ok=False)
            .run(4)
            .field(0, sump_ok=True)
            .run(50)
            .drive(1, flush_valve=True)
            .run(0.1)
        ),
    ),
    (
        "SR-33",
        "runs on",
        lambda t: t.ready().drive(1, flush_valve=True).field(0, estop_healthy=False).run(0.8),
    ),
    ("SR-33", "booster", lambda t: t.ready().booster(True).field(0, estop_healthy=False).run(0.8)),
    (
        "SR-33",
        "starts on release",
        lambda t: (
            t.field(0, estop_healthy=False)
            .run(1)
            .field(0, estop_healthy=True)
            .run(60, 1)
            .drive(1, flush_valve=True)
            .run(0.1)
        ),
    ),
    ("SR-33", "a held button", _held_reset),
    ("SR-36", "new start", lambda t: t.ready().field(0, antiscalant_ok=False).run(2).start()),
    (
        "SR-36",
        "after the grace",
        lambda t: t.ready().start().field(0, antiscalant_ok=False).run(31 * 60 + 5, 1),
    ),
    ("SR-40", "pump", lambda t: t.ready().start().field(0, drive_healthy=False).run(1.3)),
    ("SR-40", "booster", lambda t: t.ready().booster(True).field(0, source_wet=False).run(1.3)),
    ("SR-42", "after 4 s", lambda t: t.run(4).drive(1, flush_valve=True).run(0.1)),
    ("SR-42", "no header", lambda t: t.field(0, header_bar=1.0).ready().start()),
    ("SR-42", "no stroke", lambda t: t.field(0, dosing_pulse=False).ready().start()),
    ("SR-45", "link lost", lambda t: _stale(t.ready().drive(1, flush_valve=True).run(1), 2_600)),
    ("SR-45", "not stable", _link_returns),
    ("SR-49", "through a reboot", _shows_maintenance),
    ("SR-50", "pump", lambda t: t.ready().start().field(1, selector_auto=False).run(0.8)),
    ("SR-50", "feed", lambda t: t.ready().drive(1, feed_valve=True).field(1, selector_auto=False).run(5.3)),
    (
        "SR-50",
        "comes on",
        lambda t: t.ready().field(1, selector_auto=False).run(1).drive(1, flush_valve=True).run(0.1),
    ),
    (
        "SR-51",
        "reset starts",
        lambda t: (
            t.ready()
            .field(0, sump_ok=False)
            .run(5)
            .tell(Verb.RESET)
            .run(1)
            .drive(1, flush_valve=True)
            .run(0.1)
        ),
    ),
    (
        "SR-52",
        "together",
        lambda t: (
            t.drive(1, feed_valve=True)
            .drive(2, feed_valve=True)
            .run(1)
            .drive(1, feed_valve=False)
            .run(0.5)
            .drive(2, feed_valve=False)
            .run(0.1)
        ),
    ),
    ("SR-57", "the twin differs", _unacknowledged),
    ("SR-58", "hammers", _chatter),
    ("SR-58", "stop ignored", lambda t: t.ready().start().tell(Verb.STOP, 1).run(0.8)),
    ("rule (c)", "stale", lambda t: _stale(t.drive(1, flush_valve=True).run(1), 1_100)),
    ("rule (c)", "isolated", lambda t: t.drive(1, flush_valve=True).field(1, isolator_on=False).run(0.1)),
    ("rule (c)", "E-stop", lambda t: t.drive(1, enable=True).field(0, estop_healthy=False).run(0.1)),
    ("rule (c)", "selector", lambda t: t.drive(1, feed_valve=True).field(1, selector_auto=False).run(5.0)),
    ("rule (d)", "both open", lambda t: t.flush(seconds=61)),
    ("rule (e)", "flush at once", _struck),
]


@pytest.mark.parametrize(
    ("name", "bad"), [(n, bad) for n, _, bad in BAD], ids=[f"{n} {t}" for n, t, _ in BAD]
)
def test_a_bad_trace_is_found_by_its_requirement(name: str, bad: Callable[[Trace], object]) -> None:
    with pytest.raises(AssertionError, match=f"^{name}: ".replace("(", r"\(").replace(")", r"\)")):
        bad(Trace(name))


def test_every_requirement_has_a_bad_trace() -> None:
    assert {name for name, _, _ in BAD} == set(ALL_IDS)


def test_a_good_trace_breaks_nothing() -> None:
    trace = Trace().ready().booster(True).run(12).start().run(12).start(2).run(60, 1)

    trace.stop(1).run(2).stop(2).flush(1, 21).drive(1, feed_valve=False).run(1)

    assert trace.observer.triggers["SR-02"] == 2
    assert trace.observer.triggers["SR-14"] == 1
