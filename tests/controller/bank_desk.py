"""A coordinator alone: the test writes the units' requests and what the shared instruments show."""

from __future__ import annotations

from collections.abc import Callable

from bank_harness import BankRig
from harness import QUICK, SCAN_MS, Values

from controller.bank.coordinator import Coordinator
from controller.bank.memory import BankMemory, Stage
from controller.firmware import _NO_REQUEST
from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, BankOutputs, Command, Verb, from_ma, safe_outputs, signal_named
from controller.unit.permits import QUIET, AlarmSignal, Permits, Request, Want

IDLE = _NO_REQUEST
_SPEED = signal_named(BANK_SIGNALS, "booster_speed_cmd_ma")
_RATE = signal_named(BANK_SIGNALS, "dosing_rate_cmd_ma")


# header, water and health limits that a loop current gives without rounding
HEADER = Setpoints(
    **(
        QUICK.model_dump()
        | {"header_low_bar": 0.75, "header_ready_bar": 1.5, "header_ready_s": 10, "water_good_s": 60}
        | {"temp_trip_degc": 41.25, "chlorine_trip_mgl": 0.125, "health_s": 5}
    )
)

# levels that a loop current gives without rounding: three units are called below 87.5, 62.5, 37.5 %
# and let go at 93.75, 68.75, 43.75 %
LEVELS = Setpoints(
    **(
        QUICK.model_dump()
        | {"tank_stop_pct": 93.75, "tank_first_pct": 87.5, "tank_last_pct": 37.5, "tank_release_pct": 6.25}
        | {"drain_capacity_m3h": 100.0, "booster_capacity_m3h": 100.0}
    )
)
TIMED = LEVELS.model_copy(
    update={"demand_change_s": 60, "min_run_min": 15, "min_rest_min": 10, "rotation_h": 2}
)


class Desk:
    """Booster and dosing pump answer as in the rig; the header stands at its setpoint if not told otherwise.

    ``bank`` holds contacts and loops, as in the rig.
    """

    def __init__(self, n_units: int, setpoints: Setpoints | None = None) -> None:
        self.coordinator = Coordinator(n_units, setpoints or Setpoints())
        self.requests: list[Request] = [IDLE] * n_units
        self.now_ms = 0
        self.step_ms = SCAN_MS
        self.age_ms = 0
        self.alarms: AlarmSignal = QUIET
        self.permits: tuple[Permits, ...] = ()
        self._field = BankRig(n_units, setpoints or Setpoints())
        self.bank: Values = self._field.bank
        self.bank["header_bar"] = 3.0

    @property
    def memory(self) -> BankMemory:
        return self.coordinator.memory

    @property
    def stage(self) -> Stage:
        return self.memory.stage

    @property
    def out(self) -> BankOutputs:
        """What the last scan drives."""
        return self._field.out.bank

    @property
    def speed_hz(self) -> float:
        return from_ma(_SPEED, self.out.booster_speed_cmd_ma)

    @property
    def rate_pct(self) -> float:
        return from_ma(_RATE, self.out.dosing_rate_cmd_ma)

    def ask(self, unit: int, want: Want = Want.NONE, since_ms: int = 0, **changes: object) -> None:
        """Write one unit's request; what is not named is as of a unit that asks for nothing."""
        asked = IDLE._replace(want=want, since_ms=since_ms, **changes)  # type: ignore[arg-type]  # fields
        self.requests[unit - 1] = asked

    def scan(self, seconds: float = 0.1, commands: tuple[Command, ...] = ()) -> tuple[Permits, ...]:
        """Scans that fill that time, each with these commands; the permits of the last one."""
        for _ in range(round(seconds * 1000 / self.step_ms)):
            self.now_ms += self.step_ms
            self._field.now_ms = self.now_ms
            io, asked = self._field.bank_inputs(), tuple(self.requests)
            self.permits, bank = self.coordinator.scan(
                io, self.age_ms, asked, commands, self.now_ms, self.alarms
            )
            self._field.out = safe_outputs(len(self.requests))._replace(bank=bank)
        return self.permits

    def until(self, condition: Callable[[Desk], bool], limit_s: float) -> float:
        """Scan until it holds; seconds from the first scan to that one. AssertionError at the limit."""
        for count in range(round(limit_s * 10)):
            self.scan()
            if condition(self):
                return count / 10
        raise AssertionError(f"not within {limit_s} s: {self.stage}, {self.memory.latched}")

    def command(self, verb: Verb, unit: int = 0) -> tuple[Permits, ...]:
        """One scan with a command; unit 0 is the bank."""
        return self.scan(self.step_ms / 1000, (Command(verb, unit, "Ada"),))

    def press_reset(self, seconds: float = 0.5) -> tuple[Permits, ...]:
        """Press the reset button for so long and let it go; the permits of the scan that sees it let go."""
        self.bank["reset_button"] = True
        self.scan(seconds)
        self.bank["reset_button"] = False
        return self.scan(self.step_ms / 1000)

    def holders(self) -> list[int]:
        """Units that may flush in this scan."""
        return [unit for unit, permit in enumerate(self.scan(), start=1) if permit.token]

    def called(self, seconds: float = 0.1) -> list[int]:
        """Units called after that time."""
        return [unit for unit, permit in enumerate(self.scan(seconds), start=1) if permit.call]

    def journal(self) -> list[tuple[str, str]]:
        """Kind and text of the lines since the last call."""
        lines = [(entry.kind, entry.text) for entry in self.coordinator.events]
        self.coordinator.events.clear()
        return lines


def ready_desk(n_units: int, setpoints: Setpoints | None = None) -> Desk:
    """A bank whose pre-start order is complete: unit 1 draws feed, the others ask for nothing."""
    desk = Desk(n_units, setpoints)
    desk.ask(1, wants_water=True, draws_water=True, pumping=True, started_ms=0, available=True)
    desk.bank["feed_m3h"] = 2.33
    desk.until(lambda d: d.stage is Stage.READY, 200)
    return desk


def with_latch(n_units: int = 2) -> Desk:
    """A bank with the high-high float latched; the float is closed again."""
    desk = ready_desk(n_units, QUICK)
    desk.bank["tank_not_overfull"] = False
    desk.scan()
    desk.bank["tank_not_overfull"] = True
    return desk


def waiting(**shows: float | bool) -> Desk:
    """A bank that has long been idle; what shows may stand in the way of a start that unit 1 now asks for."""
    desk = Desk(1, HEADER)
    desk.scan(100)
    desk.bank |= shows
    desk.scan(2)
    desk.ask(1, wants_water=True)
    return desk


def rising(header_bar: float = 1.5) -> Desk:
    """A bank whose booster has just been started."""
    desk = waiting(header_bar=header_bar)
    desk.until(lambda d: d.stage is Stage.RAISE_HEADER, 100)
    return desk


def full_desk(setpoints: Setpoints = LEVELS, n_units: int = 3) -> Desk:
    """Idle units that may all be called, under a full tank."""
    desk = Desk(n_units, setpoints)
    desk.bank["level_pct"] = 99.0
    for unit in range(1, n_units + 1):
        desk.ask(unit, available=True)
    desk.scan(10)
    return desk


def run_unit(desk: Desk, unit: int, **changes: object) -> None:
    """From now on the unit pumps."""
    desk.ask(unit, Want.NONE, **{"available": True, "pumping": True, "started_ms": desk.now_ms} | changes)  # type: ignore[arg-type]  # fields


def running_desk(setpoints: Setpoints, count: int, level_pct: float, n_units: int = 3) -> Desk:
    """The first ``count`` units are called and pump, as many as the level wants, and have rested before."""
    desk = full_desk(setpoints, n_units)
    desk.bank["level_pct"] = level_pct
    desk.until(lambda d: sum(d.memory.called) == count, 1_000)
    for unit in range(1, count + 1):
        run_unit(desk, unit)
    return desk
