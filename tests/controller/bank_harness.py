"""A rig that runs a whole controller on the simplest field that answers: no plant is needed."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from itertools import pairwise
from typing import Self

from harness import QUICK, SCAN_MS, Values, to_image, unit_inputs

from controller.firmware import Controller
from controller.settings import Setpoints
from controller.signals import (
    BANK_SIGNALS,
    BankInputs,
    BankOutputs,
    Command,
    Inputs,
    Kind,
    UnitOutputs,
    Verb,
    from_ma,
    safe_outputs,
    signal_named,
)
from controller.unit.states import UnitState

_BOOSTER_SPEED = signal_named(BANK_SIGNALS, "booster_speed_cmd_ma")
_HEALTHY: Values = {signal.name: True for signal in BANK_SIGNALS if signal.kind is Kind.DI} | {
    "reset_button": False,
    "feed_degc": 24.0,
    "feed_ms_cm": 5.0,
    "chlorine_mgl": 0.0,
    "product_us": 200.0,
}


@lru_cache(maxsize=4096)
def _bank_inputs(
    booster: bool,
    dosing: bool,
    stroke: bool,
    header_bar: float,
    feed_m3h: float,
    speed_hz: float,
    held: tuple[tuple[str, float | bool], ...],
) -> BankInputs:
    answers: Values = {
        "booster_running": booster,
        "dosing_running": dosing,
        "dosing_pulse": dosing and stroke,
        "header_bar": header_bar,
        "feed_m3h": feed_m3h,
        "speed_hz": speed_hz,
    }
    image = to_image(BANK_SIGNALS, _HEALTHY | answers) | to_image(BANK_SIGNALS, dict(held))
    return BankInputs(**image)  # type: ignore[arg-type]  # names and kinds are those of the I/O list


class BankRig:
    """A whole controller on a field of healthy units, booster, dosing pump and tank."""

    def __init__(self, n_units: int, setpoints: Setpoints = QUICK, retained: str | None = None) -> None:
        self.n_units = n_units
        self.controller = Controller(n_units, setpoints, retained)
        self.bank: Values = {"level_pct": 20.0}
        self.units: list[Values] = [{} for _ in range(n_units)]
        self.unit_age_ms = [0] * n_units
        self.bank_age_ms = 0
        self.now_ms = 0
        self.out = safe_outputs(n_units)
        self.trace: list[tuple[int, tuple[UnitState, ...], tuple[UnitOutputs, ...], BankOutputs]] = []
        self._commands: tuple[Command, ...] = ()

    @property
    def states(self) -> tuple[UnitState, ...]:
        return self.controller.states()

    def command(self, verb: Verb, unit: int, by: str = "Ada", against: str | None = None) -> Self:
        """Give a command in the next scan; unit 0 is the bank."""
        seen = self.states[unit - 1].value if against is None else against
        self._commands = (*self._commands, Command(verb, unit, by, seen))
        return self

    def press_reset(self, seconds: float = 0.5) -> None:
        """Press the reset button and let it go again."""
        self.bank["reset_button"] = True
        self.run(seconds)
        self.bank["reset_button"] = False
        self.step()

    def header_bar(self) -> float:
        """Header pressure of the fake field: the square of the booster's speed, 3 bar at 40 Hz."""
        if "header_bar" in self.bank:
            return float(self.bank["header_bar"])
        return round(3.0 * (self.speed_hz() / 40.0) ** 2, 3) if self.out.bank.booster_run else 0.0

    def speed_hz(self) -> float:
        """Speed of the fake booster: at once what it is told."""
        return round(from_ma(_BOOSTER_SPEED, self.out.bank.booster_speed_cmd_ma), 3)

    def bank_inputs(self) -> BankInputs:
        """Input image of what the units share, for the outputs last driven."""
        draws = ((3.4 if u.flush_valve else 2.33) if u.pump else 2.5 for u in self.out.units if u.feed_valve)
        return _bank_inputs(
            self.out.bank.booster_run,
            self.out.bank.dosing_run,
            self.now_ms % 1000 < 500,
            self.header_bar(),
            sum(draws),
            self.speed_hz(),
            tuple(self.bank.items()),
        )

    def step(self) -> None:
        """One scan."""
        self.now_ms += SCAN_MS
        header = self.header_bar()
        units = tuple(unit_inputs(o, header, **h) for o, h in zip(self.out.units, self.units, strict=True))
        inputs = Inputs(self.bank_inputs(), units, tuple(self.unit_age_ms), self.bank_age_ms, self._commands)
        self._commands = ()
        self.out = self.controller.scan(inputs, self.now_ms)
        self.trace.append((self.now_ms, self.states, self.out.units, self.out.bank))

    def run(self, seconds: float) -> None:
        """As many scans as fill that time."""
        for _ in range(round(seconds * 1000 / SCAN_MS)):
            self.step()

    def until(self, condition: Callable[[Self], bool], limit_s: float) -> float:
        """Run until it holds; seconds from the first scan to that one. AssertionError at the limit."""
        first_ms = self.now_ms + SCAN_MS
        while self.now_ms - first_ms < limit_s * 1000:
            self.step()
            if condition(self):
                return (self.now_ms - first_ms) / 1000
        raise AssertionError(f"not within {limit_s} s: {self.states}, {self.controller.waits()}")

    def rises(self, output: str) -> list[tuple[int, int]]:
        """Moment and unit of every rise of a unit output in the trace."""
        return self._edges(output, rising=True)

    def falls(self, output: str) -> list[tuple[int, int]]:
        """Moment and unit of every fall of a unit output in the trace."""
        return self._edges(output, rising=False)

    def _edges(self, output: str, *, rising: bool) -> list[tuple[int, int]]:
        edges = []
        for (_, _, before, _), (t_ms, _, after, _) in pairwise(self.trace):
            for unit, (was, now) in enumerate(zip(before, after, strict=True), start=1):
                if getattr(was, output) is not getattr(now, output) and getattr(now, output) is rising:
                    edges.append((t_ms, unit))
        return edges


@cache
def _producing(n_units: int, setpoints: Setpoints) -> BankRig:
    rig = BankRig(n_units, setpoints)
    rig.until(lambda r: all(s is UnitState.PRODUCE for s in r.states), 120 + 120 * n_units)
    return rig


def producing_bank(n_units: int, setpoints: Setpoints = QUICK) -> BankRig:
    """A bank in which every unit produces; its trace begins with this moment."""
    source = _producing(n_units, setpoints)
    rig = BankRig(n_units, setpoints)
    rig.controller.restore(source.controller.snapshot())
    rig.now_ms, rig.out = source.now_ms, source.out
    rig.trace.append(source.trace[-1])
    return rig
