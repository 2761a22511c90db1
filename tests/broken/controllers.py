"""Controllers that are wrong on purpose, each in one way that has happened on a real site.

Each is the firmware with one thing spoilt: a setting that is not the site's, an input that is not looked
at, an output that is not let go. The bench must find every one of them; see test_broken.py.
"""

from __future__ import annotations

import copy
import math
import time
from typing import Any, ClassVar

from controller.firmware import Controller
from controller.parts.journal import Entry
from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.signals import (
    BANK_SIGNALS,
    SAFE_UNIT_OUTPUTS,
    UNIT_SIGNALS,
    Command,
    Inputs,
    Outputs,
    UnitOutputs,
    Verb,
    signal_named,
    to_ma,
)
from controller.unit.states import UnitState


class OtherSettings(Controller):
    """The firmware with settings that are not those of the site; ranges do not bind a fool."""

    changes: ClassVar[dict[str, float]] = {}

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        super().__init__(n_units, setpoints.model_copy(update=self.changes), retained_text)


class Spoilt(Controller):
    """The firmware behind something that spoils its inputs or outputs; ``kept`` is part of the state."""

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        super().__init__(n_units, setpoints, retained_text)
        self.kept: dict[str, Any] = {}
        self.now_ms = 0

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        self.now_ms = now_ms  # for the hooks below; made anew in every scan, so no part of the state
        return self.spoil_outputs(super().scan(self.spoil_inputs(inputs), now_ms))

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return inputs

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        return outputs

    def snapshot(self) -> Any:
        return super().snapshot(), copy.deepcopy(self.kept)

    def restore(self, snapshot: Any) -> None:
        super().restore(snapshot[0])
        self.kept = copy.deepcopy(snapshot[1])


def with_units(inputs: Inputs, **values: Any) -> Inputs:
    """Every unit's image with these values, whatever the field says."""
    return inputs._replace(units=tuple(unit._replace(**values) for unit in inputs.units))


def with_bank(inputs: Inputs, **values: Any) -> Inputs:
    """The bank's image with these values."""
    return inputs._replace(bank=inputs.bank._replace(**values))


# --- settings --------------------------------------------------------------------------------------------


class ShortStartFlush(OtherSettings):
    """Somebody was in a hurry: the start flush takes half its time."""

    changes: ClassVar = {"start_flush_s": 60.0, "start_flush_volume_l": 30.0}


class ShortStopFlush(OtherSettings):
    """The stop flush ends after 20 s."""

    changes: ClassVar = {"stop_flush_s": 20.0, "stop_flush_volume_l": 5.0}


class NoBlanking(OtherSettings):
    """The salt peak of a start is judged like any other water."""

    changes: ClassVar = {"tds_blank_start_s": 0.0}


class NeverPurges(OtherSettings):
    """The purge never comes."""

    changes: ClassVar = {"purge_interval_s": 1e6}


class NoBlankingAfterPurge(OtherSettings):
    """What a purge has stirred up is judged like any other water."""

    changes: ClassVar = {"tds_blank_purge_s": 0.0}


class RetriesForEver(OtherSettings):
    """Low suction is retried without end."""

    changes: ClassVar = {"suction_retries": 1000}


class RetriesAtOnce(OtherSettings):
    """Low suction is retried after 5 s."""

    changes: ClassVar = {"suction_retry_1_s": 5.0, "suction_retry_2_s": 5.0, "suction_retry_3_s": 5.0}


class TripsOnADip(OtherSettings):
    """Low suction stops the pump after 2 s; a dip of 4 s should have been ridden through."""

    changes: ClassVar = {"suction_trip_s": 2.0}


class OneFlushTooMany(Controller):
    """One more unit flushes at once than drain and booster can bear."""

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        super().__init__(n_units, setpoints, retained_text)
        self._bank.slots += 1


class TwoPumpsTogether(OneFlushTooMany):
    """Pumps start as soon as their units are ready."""

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        super().__init__(n_units, setpoints.model_copy(update={"stagger_s": 0.0}), retained_text)


# --- inputs that are not looked at -----------------------------------------------------------------------


class IgnoresHighHigh(Spoilt):
    """The high-high float is not wired to the program."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return with_bank(inputs, tank_not_overfull=True)


class IgnoresFullTank(Spoilt):
    """The level is always 50 %, and so a broken level loop is not seen either."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return with_bank(inputs, tank_level_ma=to_ma(signal_named(BANK_SIGNALS, "tank_level_ma"), 50.0))


class IgnoresLowSuction(Spoilt):
    """Neither suction transmitter nor switch is looked at."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        healthy_ma = to_ma(signal_named(UNIT_SIGNALS, "suction_ma"), 2.5)
        return with_units(inputs, suction_ma=healthy_ma, suction_ok=True)


class IgnoresSuctionSwitch(Spoilt):
    """Only the transmitter is looked at."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return with_units(inputs, suction_ok=True)


class IgnoresSalt(Spoilt):
    """Permeate quality always reads good."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        good_ma = to_ma(signal_named(UNIT_SIGNALS, "permeate_cond_ma"), 200.0)
        return with_units(inputs, permeate_cond_ma=good_ma)


class IgnoresLeak(Spoilt):
    """The skid is always dry."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return with_units(inputs, skid_dry=True)


class IgnoresOverload(Spoilt):
    """The motor protector always reads healthy."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return with_units(inputs, motor_healthy=True)


class IgnoresSelector(Spoilt):
    """The selector always reads AUTO."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return with_units(inputs, selector_auto=True)


class BlindToContacts(Spoilt):
    """Every contact of protections reads healthy, whatever the field says."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        units = tuple(
            unit._replace(discharge_ok=True, permeate_ok=True, pump_running=output.pump)
            for unit, output in zip(inputs.units, self._driven(), strict=True)
        )
        names = ("floor_dry", "sump_ok", "drive_healthy", "booster_running", "antiscalant_ok")
        pulse = self.now_ms // 1000 % 2 == 0
        return with_bank(inputs._replace(units=units), **dict.fromkeys(names, True), dosing_pulse=pulse)

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        self.kept["outputs"] = outputs.units
        return outputs

    def _driven(self) -> tuple[UnitOutputs, ...]:
        nothing: tuple[UnitOutputs, ...] = (SAFE_UNIT_OUTPUTS,) * self.n_units
        return self.kept.get("outputs", nothing)  # type: ignore[no-any-return] # what was kept above


class Blind(BlindToContacts):
    """The loops read healthy too; that they never move is an alarm of its own, so the relay tells no more."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        unit_ma = {"membrane_ma": 12.5, "suction_ma": 2.5, "permeate_cond_ma": 200.0}
        bank_ma = {"chlorine_ma": 0.0, "feed_temp_ma": 24.0}
        loops = {name: to_ma(signal_named(UNIT_SIGNALS, name), value) for name, value in unit_ma.items()}
        shared = {name: to_ma(signal_named(BANK_SIGNALS, name), value) for name, value in bank_ma.items()}
        return with_bank(with_units(super().spoil_inputs(inputs), **loops), **shared)


class IgnoresAge(Spoilt):
    """An image of a unit counts as fresh however long it has not changed."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return inputs._replace(unit_age_ms=(0,) * self.n_units)


class IgnoresHeartbeat(Spoilt):
    """The image of what the units share counts as fresh however long it has not changed."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return inputs._replace(bank_age_ms=0)


class OneStopsAll(Spoilt):
    """A unit that is silent takes all the others with it."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        return inputs._replace(unit_age_ms=(max(inputs.unit_age_ms),) * self.n_units)


# --- clock, data port, journal ---------------------------------------------------------------------------


class TimesByTheWallClock(Spoilt):
    """Its timers hang on the date."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:  # noqa: ARG002 - the time it should use
        return super().scan(inputs, round(1000 * time.time()))


class TakesAnySetpoint(Spoilt):
    """Every number that is written is taken, from anybody."""

    def change_setpoint(
        self,
        name: str,
        value: float,
        by: str,  # noqa: ARG002 - what it should look at
        reason: str,  # noqa: ARG002 - as above
        now_ms: int,  # noqa: ARG002 - nothing is written down either
    ) -> None:
        if not math.isfinite(value):
            raise ValueError(f"{name} = {value} is no number")
        self._adopt(self.setpoints.model_copy(update={name: value}))


class ForgetsCauses(Spoilt):
    """Its journal says that a unit moved, not why."""

    def take_events(self) -> list[Entry]:
        return [line._replace(text=line.text.partition(":")[0]) for line in super().take_events()]


class AcknowledgeSilences(Spoilt):
    """Acknowledging switches the horn off, as on many panels."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        told = any(command.verb is Verb.ACKNOWLEDGE for command in inputs.commands)
        self.kept["quiet"] = self.kept.get("quiet", False) or told
        return inputs

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        quiet = self.kept.get("quiet", False)
        return outputs._replace(bank=outputs.bank._replace(horn=False)) if quiet else outputs


class FollowsTheSelector(Spoilt):
    """Each feed valve is wired through the selector, bounce and all."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        self.kept["auto"] = [unit.selector_auto for unit in inputs.units]
        return inputs

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        pairs = zip(outputs.units, self.kept["auto"], strict=True)
        units = tuple(unit._replace(feed_valve=unit.feed_valve and auto) for unit, auto in pairs)
        return outputs._replace(units=units)


class WakesFromMaintenance(Spoilt):
    """A start command brings a unit in maintenance to life: its feed valve opens."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        woken = [command.unit for command in inputs.commands if command.verb is Verb.START]
        self.kept["woken"] = [*self.kept.get("woken", []), *woken]
        return inputs

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        units = list(outputs.units)
        for unit in self.kept["woken"]:
            units[unit - 1] = units[unit - 1]._replace(feed_valve=True)
        return outputs._replace(units=tuple(units))


# --- things that are done unasked, or not done -----------------------------------------------------------


class RestartsAfterEstop(Spoilt):
    """The release of the emergency stop counts as a reset."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        released = inputs.bank.estop_healthy and not self.kept.get("healthy", True)
        self.kept["healthy"] = inputs.bank.estop_healthy
        reset = (Command(Verb.RESET, 0, "nobody"),) if released else ()
        return inputs._replace(commands=inputs.commands + reset)


class ResumesWithoutFlush(Spoilt):
    """After a loss of power it believes the membranes flushed.

    It does not look at the phase relay in its first second, while the relay is still pulling in.
    """

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        if retained_text is not None:
            brief = {"start_flush_s": 1.0, "start_flush_volume_l": 0.0, "resume_s": 0.0, "resume_step_s": 0.0}
            setpoints = setpoints.model_copy(update={**brief, "min_off_s": 0.0})
        super().__init__(n_units, setpoints, retained_text)

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        born_ms = self.kept.setdefault("born_ms", self.now_ms)
        return with_bank(inputs, supply_healthy=True) if self.now_ms - born_ms < 1000 else inputs


class ResetsItself(Spoilt):
    """A reset every 5 s, so that nobody has to walk to the panel."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        reset = (Command(Verb.RESET, 0, "nobody"),) if self.now_ms % 5000 == 0 else ()
        return inputs._replace(commands=inputs.commands + reset)


class PumpRunsOn(Spoilt):
    """Each pump and its enable contactor are held for 3 s after they should be off."""

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        seen = self.kept.setdefault("seen", [NEVER] * self.n_units)
        units = []
        for i, unit in enumerate(outputs.units):
            if unit.pump:
                seen[i] = self.now_ms
            held = seen[i] != NEVER and self.now_ms - seen[i] <= 3000
            units.append(unit._replace(pump=unit.pump or held, enable=unit.enable or held))
        return outputs._replace(units=tuple(units))


class FlushValveStaysOpen(Spoilt):
    """The flush valve is held for 60 s after it should be shut."""

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        seen = self.kept.setdefault("seen", [NEVER] * self.n_units)
        units = []
        for i, unit in enumerate(outputs.units):
            if unit.flush_valve:
                seen[i] = self.now_ms
            held = seen[i] != NEVER and self.now_ms - seen[i] <= 60_000
            units.append(unit._replace(flush_valve=unit.flush_valve or held))
        return outputs._replace(units=tuple(units))


class PartFlushCounts(Spoilt):
    """What was flushed before a start flush was cut counts towards the next one."""

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        began = self.kept.setdefault("began", [NEVER] * self.n_units)
        credit = self.kept.setdefault("credit", [0] * self.n_units)
        for i, unit in enumerate(self._units):
            memory = unit.memory
            if memory.state is UnitState.START_FLUSH and memory.both_ms != NEVER:
                if began[i] == NEVER:
                    began[i] = self.now_ms
                if self.now_ms - began[i] == 15_000:  # by then the flow has shown that the valve is open
                    memory.both_ms -= credit[i]
            elif began[i] != NEVER:
                credit[i] = 0 if memory.state is UnitState.DELAY else self.now_ms - began[i]
                began[i] = NEVER
        return outputs
