"""A bank on an obedient plant, in which anything may be faulted at any time, watched by an observer.

The plant answers the outputs at once (pump, pressures, flows; the tank fills and empties); a story overlays
faults: contacts, loops, ramps, frozen images, power losses, a step back to an earlier moment.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import Any

from bank_harness import _bank_inputs
from bank_watches import observer
from harness import QUICK, SCAN_MS, Values, unit_inputs
from observing import Observer, Recall, Scan

from controller.firmware import Controller, Snapshot
from controller.settings import Setpoints
from controller.signals import BankInputs, Command, Inputs, Outputs, UnitInputs, Verb, safe_outputs

FILL_PCT_H, DRAW_PCT_H = 3.5, 6.0  # of one producing unit, and by the consumers: about the bundled plant's
TWIN_SCANS = 30  # so long a twin runs on without the acknowledgement


@dataclass
class Ramp:
    """A loop on its way from one value to another."""

    where: Values
    name: str
    goal: float
    per_s: float


@dataclass
class World:
    """Everything beside the controller that changes with time; copied as a whole to come back to it."""

    level_pct: float = 20.0
    bank: Values = field(default_factory=dict)
    units: list[Values] = field(default_factory=list)
    frozen: dict[int, Any] = field(default_factory=dict)  # images that no longer change; 0 is the bank's
    age_ms: dict[int, int] = field(default_factory=dict)
    ramps: list[Ramp] = field(default_factory=list)
    now_ms: int = 0
    origin_ms: int = 0  # of the firmware's clock
    scans: int = 0
    out: Outputs = field(default_factory=lambda: safe_outputs(1))
    power_up: Recall | None = None
    struck: frozenset[int] = frozenset()


@dataclass
class Moment:
    """A moment to which a story can go back."""

    snapshot: Snapshot
    world: World
    watching: Observer
    setpoints: Setpoints


class StoryBank:
    """A controller, its world, and the observer of both."""

    def __init__(self, n_units: int, setpoints: Setpoints = QUICK) -> None:
        self.n_units = n_units
        self.controller = Controller(n_units, setpoints)
        self.world = World(units=[{} for _ in range(n_units)], out=safe_outputs(n_units))
        self.watching = observer(n_units)
        self.visited: dict[str, int] = {}
        self.told: list[tuple[Inputs, int, Outputs]] = []  # since the moment kept
        self.kept: Moment | None = None
        self._commands: tuple[Command, ...] = ()
        self._twin: Controller | None = None
        self._twin_scans = 0

    # --- time ----------------------------------------------------------------------------------------
    def step(self, dt_ms: int = SCAN_MS) -> None:
        """One scan, ``dt_ms`` after the last one."""
        w = self.world
        w.now_ms += dt_ms
        w.scans += 1
        self._move_plant(dt_ms)
        inputs = self._inputs(dt_ms)
        firmware_ms = w.now_ms - w.origin_ms
        unacknowledged = self._run_twin(inputs, firmware_ms)
        w.out = self.controller.scan(inputs, firmware_ms)
        if self.kept is not None:
            self.told.append((inputs, firmware_ms, w.out))
        shown = tuple(state.value for state in self.controller.states())
        for state in shown:
            self.visited[state] = self.visited.get(state, 0) + 1
        scan = Scan(
            w.now_ms, inputs, w.out, self.controller.setpoints, shown, w.power_up, w.struck, unacknowledged
        )
        w.power_up, w.struck = None, frozenset()
        self.watching.look(scan)

    def run(self, scans: int, dt_ms: int = SCAN_MS) -> None:
        """As many scans."""
        for _ in range(scans):
            self.step(dt_ms)

    def _move_plant(self, dt_ms: int) -> None:
        w = self.world
        hours = dt_ms / 3_600_000
        producing = sum(u.pump and not u.flush_valve for u in w.out.units)
        w.level_pct += (FILL_PCT_H * producing - DRAW_PCT_H) * hours
        w.level_pct = min(max(w.level_pct, 0.0), 100.0)
        for ramp in w.ramps:
            value = float(ramp.where.get(ramp.name, ramp.goal))
            step = ramp.per_s * dt_ms / 1000.0
            ramp.where[ramp.name] = round(value + min(max(ramp.goal - value, -step), step), 3)
        for unit in w.frozen:
            w.age_ms[unit] = w.age_ms.get(unit, 0) + dt_ms

    # --- images --------------------------------------------------------------------------------------
    def _bank_inputs(self, dt_ms: int) -> BankInputs:
        w = self.world
        draws = ((3.4 if u.flush_valve else 2.33) if u.pump else 2.5 for u in w.out.units if u.feed_valve)
        stroke = w.scans % 10 < 5 if dt_ms < 500 else w.scans % 2 == 0
        held = {"level_pct": round(w.level_pct, 1)} | w.bank
        bank = w.out.bank
        return _bank_inputs(
            bank.booster_run,
            bank.dosing_run,
            stroke,
            self._header_bar(),
            sum(draws),
            self._speed_hz(),
            tuple(held.items()),
        )

    def _speed_hz(self) -> float:
        """The booster's speed, at once what it is told; rounded for the same reason as the header."""
        return round((self.world.out.bank.booster_speed_cmd_ma - 4.0) * 60.0 / 16.0, 1)

    def _header_bar(self) -> float:
        """As the rig's header, rounded so that equal images are built once."""
        w = self.world
        if "header_bar" in w.bank:
            return float(w.bank["header_bar"])
        speed_hz = (w.out.bank.booster_speed_cmd_ma - 4.0) * 60.0 / 16.0
        return round(3.0 * (speed_hz / 40.0) ** 2, 2) if w.out.bank.booster_run else 0.0

    def _inputs(self, dt_ms: int) -> Inputs:
        w = self.world
        header = self._header_bar()
        live: list[UnitInputs] = [
            unit_inputs(out, header, **held) for out, held in zip(w.out.units, w.units, strict=True)
        ]
        units = tuple(w.frozen.get(n, io) for n, io in enumerate(live, start=1))
        bank = self._bank_inputs(dt_ms)
        if 0 in w.frozen:
            bank = w.frozen[0]
        ages = tuple(w.age_ms.get(n, 0) for n in range(1, self.n_units + 1))
        commands, self._commands = self._commands, ()
        return Inputs(bank, units, ages, w.age_ms.get(0, 0), commands)

    # --- people --------------------------------------------------------------------------------------
    def command(self, verb: Verb, unit: int, by: str, against: str | None, reason: str = "") -> None:
        """Give a command in the next scan; ``against`` None means the state that the panel shows."""
        seen = self.controller.states()[unit - 1].value if against is None else against
        self._commands = (*self._commands, Command(verb, unit, by, seen, reason, hours=1.0))
        if verb is Verb.ACKNOWLEDGE and self._twin is None:
            self._twin = self._copy()
            self._twin_scans = TWIN_SCANS

    def _copy(self) -> Controller:
        twin = Controller(self.n_units, self.controller.setpoints)
        twin.restore(self.controller.snapshot())
        return twin

    def _run_twin(self, inputs: Inputs, firmware_ms: int) -> Outputs | None:
        if self._twin is None:
            return None
        others = tuple(c for c in inputs.commands if c.verb is not Verb.ACKNOWLEDGE)
        out = self._twin.scan(inputs._replace(commands=others), firmware_ms)
        self._twin_scans -= 1
        if self._twin_scans <= 0:
            self._twin = None
        return out

    def press(self, scans: int) -> None:
        """Press the reset button for so many scans, and let it go."""
        self.world.bank["reset_button"] = True
        self.run(scans)
        self.world.bank.pop("reset_button", None)
        self.run(2)

    def set(self, name: str, value: float) -> bool:
        """Change a setpoint; False when the firmware refuses it."""
        before = self.controller.setpoints
        try:
            self.controller.change_setpoint(
                name, value, "Ada", "a story", self.world.now_ms - self.world.origin_ms
            )
        except ValueError:
            assert self.controller.setpoints is before, "SR-56: a refused setpoint has changed something"
            return False
        self._twin, self.kept = None, None
        return True

    # --- faults --------------------------------------------------------------------------------------
    def freeze(self, unit: int) -> None:
        """The image of a unit (0: of the bank) no longer changes, and its age grows."""
        w = self.world
        if unit == 0:
            w.frozen[0] = self._bank_inputs(SCAN_MS)
        else:
            w.frozen[unit] = unit_inputs(w.out.units[unit - 1], self._header_bar(), **w.units[unit - 1])

    def thaw(self, unit: int) -> None:
        """The image is live again."""
        self.world.frozen.pop(unit, None)
        self.world.age_ms.pop(unit, None)

    def heal(self) -> None:
        """Everything in the field is as it should be again; the tank is not full."""
        w = self.world
        w.bank, w.units, w.ramps = {}, [{} for _ in range(self.n_units)], []
        w.frozen, w.age_ms, w.level_pct = {}, {}, min(w.level_pct, 25.0)

    def put_right(self) -> None:
        """People mend everything, return units to service, reset and start; a producing bank runs on."""
        self.heal()
        self.run(8, 1000)
        out = [n for n, state in enumerate(self.controller.states(), start=1) if state.value == "MAINTENANCE"]
        for unit in out:
            self.world.units[unit - 1]["selector_auto"] = False
        self.run(2)
        for unit in out:
            self.command(Verb.RETURN_TO_SERVICE, unit, "Ada", None)
        self.run(2)
        for unit in out:
            self.world.units[unit - 1].pop("selector_auto")
        if any(state.value in ("LOCKOUT", "ESTOP") for state in self.controller.states()) or self._latched():
            self.run(62, 1000)
            self.press(3)
        self.run(12)
        if any(state.value in ("LOCKOUT", "ESTOP") for state in self.controller.states()):
            self.command(Verb.RESET, 0, "Ada", None, "the same cause again")
            self.run(12)
        for unit in range(1, self.n_units + 1):
            self.command(Verb.START, unit, "Ada", None)
        self.step()

    def until_pumping(self, limit_s: int) -> None:
        """Run until a unit produces, or give up: a story may have made it impossible."""
        for _ in range(limit_s):
            if any(out.pump for out in self.world.out.units):
                break
            self.step(1000)
        self.run(5)

    def _latched(self) -> bool:
        return not self.world.out.bank.alarm_relay

    def strike(self, unit: int) -> None:
        """The state in a unit's memory is overwritten by rubbish."""
        snapshot = self.controller.snapshot()
        snapshot.units[unit - 1].state = "rubbish"  # type: ignore[assignment]  # that is the fault
        self.controller.restore(snapshot)
        self.world.struck = frozenset({unit})
        self._twin, self.kept = None, None

    def lose_power(self, off_ms: int, recall: Recall, new_origin: bool) -> None:
        """The program is gone for a while, and starts again with what it kept."""
        text = {
            Recall.GOOD: self.controller.retained(),
            Recall.DAMAGED: self.controller.retained().replace("units", "unots", 1),
            Recall.NONE: None,
        }[recall]
        w = self.world
        self.watching.lose_power(w.now_ms)
        self.controller = Controller(self.n_units, self.controller.setpoints, text)
        w.now_ms += off_ms
        w.out, w.power_up = safe_outputs(self.n_units), recall
        if new_origin:
            w.origin_ms = w.now_ms
        self._twin, self.kept, self._commands = None, None, ()

    # --- moments -------------------------------------------------------------------------------------
    def keep(self) -> None:
        """Remember this moment."""
        self.kept = Moment(
            self.controller.snapshot(),
            copy.deepcopy(self.world),
            copy.deepcopy(self.watching),
            self.controller.setpoints,
        )
        self.told = []

    def go_back(self) -> None:
        """Be at the kept moment again, in a new program; what follows gives the same outputs once more."""
        moment = self.kept
        if moment is None:
            return
        self.controller = Controller(self.n_units, moment.setpoints)
        self.controller.restore(moment.snapshot)
        for inputs, firmware_ms, out in self.told:
            assert self.controller.scan(inputs, firmware_ms) == out, "a restored controller goes another way"
        self.controller.restore(moment.snapshot)
        triggers = self.watching.triggers
        self.world, self.watching = copy.deepcopy(moment.world), copy.deepcopy(moment.watching)
        self.watching.triggers = triggers
        self._twin, self._commands, self.told = None, (), []

    def fork(self) -> StoryBank:
        """An independent copy that continues from here."""
        twin = StoryBank(self.n_units, self.controller.setpoints)
        twin.controller.restore(self.controller.snapshot())
        twin.world, twin.watching = copy.deepcopy(self.world), copy.deepcopy(self.watching)
        twin.watching.triggers.clear()  # each counts what it has seen itself
        return twin
