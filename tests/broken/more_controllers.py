"""More controllers that are wrong on purpose, for the runs of test_the_ten.py."""

from __future__ import annotations

from typing import Any, ClassVar

from controllers import OtherSettings, Spoilt

from controller.parts.timing import NEVER
from controller.settings import Setpoints
from controller.signals import UNIT_SIGNALS, Inputs, Outputs, signal_named, to_ma
from controller.unit.states import Trip, UnitState


class BlanksForEver(OtherSettings):
    """Quality is blanked after a start, and the blanking never ends."""

    changes: ClassVar = {"tds_blank_start_s": 1e9}


class JudgesOnlyBlankedSalt(Spoilt):
    """The guard of the quality alarms is negated: they look only while they should be blanked."""

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        self.blank_ms = 1000.0 * setpoints.tds_blank_start_s
        unblanked = {"tds_blank_start_s": 0.0, "tds_blank_purge_s": 0.0}
        super().__init__(n_units, setpoints.model_copy(update=unblanked), retained_text)

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        good_ma = to_ma(signal_named(UNIT_SIGNALS, "permeate_cond_ma"), 200.0)
        pairs = zip(inputs.units, self._units, strict=True)
        return inputs._replace(
            units=tuple(
                io if self._starts(unit.memory.pump_ms) else io._replace(permeate_cond_ma=good_ma)
                for io, unit in pairs
            )
        )

    def _starts(self, pump_ms: int) -> bool:
        return pump_ms != NEVER and self.now_ms - pump_ms < self.blank_ms


class ClearsDebtEarly(Spoilt):
    """The flush that a stop owes counts as done when the unit has stopped, not when it was flushed."""

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        for unit in self._units:
            if unit.memory.state is UnitState.STOPPING:
                unit.memory.flush_owed = False
        return outputs


class SkipsStopFlush(Spoilt):
    """Every ordinary stop is made like a trip, and nobody remembers that a flush was owed."""

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        for unit in self._units:
            if unit.memory.state is UnitState.STOPPING and unit.memory.trip is Trip.T2:
                unit.memory.trip, unit.memory.flush_owed = Trip.T1, False
        return outputs


class ResetStartsPumps(Spoilt):
    """A press of the reset button runs every unit that is locked out for 3 s, cause or no cause."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        pressed = inputs.bank.reset_button and not self.kept.get("pressed", False)
        self.kept["pressed"] = inputs.bank.reset_button
        if pressed:
            locked_out = [unit.memory.state is UnitState.LOCKOUT for unit in self._units]
            self.kept["reset"] = (self.now_ms, locked_out)
        return inputs

    def spoil_outputs(self, outputs: Outputs) -> Outputs:
        reset_ms, woken = self.kept.get("reset", (NEVER, ()))
        if reset_ms == NEVER or self.now_ms - reset_ms > 3000:
            return outputs
        units = tuple(
            unit._replace(feed_valve=True, pump=True, enable=True) if wakes else unit
            for unit, wakes in zip(outputs.units, woken, strict=True)
        )
        return outputs._replace(units=units)


class KeepsItsSlot(Spoilt):
    """The slot that was lent for a stop flush is never given back."""

    def spoil_inputs(self, inputs: Inputs) -> Inputs:
        if any(unit.memory.state is UnitState.STOP_FLUSH for unit in self._units):
            self.kept["lent"] = True
        elif self.kept.get("lent", False):
            self._bank.slots = self.setpoints.flush_slots(self.n_units) - 1
        return inputs

    def restore(self, snapshot: Any) -> None:
        super().restore(snapshot)
        self._bank.slots = self.setpoints.flush_slots(self.n_units)


class ForgetsLatches(Spoilt):
    """What was latched, an E-stop or a lockout, is forgotten when the power goes."""

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        super().__init__(n_units, setpoints, retained_text)
        self._bank.memory.latched = []
        for unit in self._units:
            unit.memory.latched, unit.memory.estopped = None, False
