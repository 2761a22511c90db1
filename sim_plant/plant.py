"""The simulated plant: takes the outputs of a controller, gives back what its instruments say.

``Plant`` owns the arrays and the people's side (switches, faults, supply); the physics is in
``process``, what lies between a true value and a wire in ``field``. Nothing here knows any controller
but through the images of ``controller.signals``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

import sim_plant.process.layout as at
from controller.signals import (
    BANK_SIGNALS,
    UNITS_MAX,
    UNITS_MIN,
    BankInputs,
    Command,
    Inputs,
    Kind,
    Outputs,
    UnitInputs,
    names,
    safe_outputs,
)
from sim_plant.faults import Fault, check, faults_of, spec_of
from sim_plant.field.effects import FaultArrays, apply_faults
from sim_plant.field.entry import entry_point
from sim_plant.field.instruments import HIGH_WORD
from sim_plant.process import packing
from sim_plant.process.parameters import PlantParameters
from sim_plant.process.vessels import profile_at, step_floats

STEP_MS_MIN, STEP_MS_MAX = 1, 500
MS_PER_S = 1000.0

_TANK_LOOP = names(BANK_SIGNALS, Kind.AI).index("tank_level_ma")
_BANK_SWITCHES = {
    "reset_button": at.B_RESET,
    "bank_run": at.B_RUN,
    "estop_healthy": at.B_ESTOP,
    "product_valve": at.B_PRODUCT_VALVE,
}
_UNIT_SWITCHES = {
    "selector_auto": at.U_AUTO,
    "isolator_on": at.U_ISOLATOR,
    "feed_hand_valve": at.U_HAND_VALVE,
}


@dataclass(frozen=True)
class PlantSnapshot:
    """Everything that the future of a plant depends on; picklable, not to be changed."""

    numbers: NDArray[np.float64]
    contacts: NDArray[np.bool_]
    faults: tuple[Fault, ...]


class Plant:
    """A bank of ``n_units`` units with its source, drain and tank.

    Same arguments, same calls: the same plant to the last bit. ``unit_truth`` (N, len(UNIT_TRUTH)) and
    ``bank_truth`` (len(BANK_TRUTH),) hold the true state in display units; ``step`` updates them in
    place. Raises ValueError for a number of units outside the I/O list's limits.

    The plant starts at rest: it has stood overnight, so the salt on the two sides of each membrane is
    even; switches in AUTO and run, hand valves open, no faults, power on.
    """

    def __init__(self, n_units: int, parameters: PlantParameters, seed: int = 0) -> None:
        if not UNITS_MIN <= n_units <= UNITS_MAX:
            raise ValueError(f"n_units = {n_units} must lie in {UNITS_MIN} to {UNITS_MAX}")
        self.n_units = n_units
        self.parameters = parameters
        self._advance = entry_point()
        self._safe = safe_outputs(n_units)
        self._faults: tuple[Fault, ...] = ()
        self._lost: frozenset[int] = frozenset()  # units whose I/O module does not answer
        self._written: object = None  # unit outputs that are on the wires already
        self._allocate()
        self._start_at_rest(seed)
        self._write_outputs(self._safe)
        self._look()

    def _allocate(self) -> None:
        """The buffers, their views, and the arrays of the healthy and the broken plant."""
        n, p = self.n_units, self.parameters
        self._constants = packing.pack_constants(p, n)
        self._state = np.zeros(at.state_size(n))
        self._scratch = np.zeros(at.scratch_size(n))
        self._di = np.zeros(n * at.UNIT_DIS + at.BANK_DIS, np.bool_)
        self._a = at.views(self._constants, self._state, self._scratch, self._di, n)
        dis, ais = at.UNIT_DIS, at.UNIT_AIS
        self._unit_cuts = [(slice(i * dis, i * dis + dis), slice(i * ais, i * ais + ais)) for i in range(n)]
        self._bank_cut = (slice(n * dis, None), slice(n * ais, None))
        self.unit_truth = self._a.unit_truth
        self.bank_truth = self._a.bank_truth
        self._healthy = FaultArrays(
            packing.neutral_unit_faults(n),
            packing.neutral_bank_faults(),
            packing.neutral_loop_faults(len(self._a.loops)),
            np.zeros(len(self._di)),
        )
        self._broken = FaultArrays(
            self._a.unit_faults, self._a.bank_faults, self._a.loop_faults, self._a.contact_faults
        )

    def _start_at_rest(self, seed: int) -> None:
        p, u, b = self.parameters, self._a.u, self._a.b
        start = [profile_at(row, float(p.day.start_h)) for row in self._a.profiles]
        feed = start[at.PR_TDS]
        even = feed * p.unit.feed_side_l / (p.unit.feed_side_l + p.unit.permeate_hold_up_l)
        u[:, at.U_CELL : at.U_CELL + p.unit.cells] = even
        u[:, at.U_PERMEATE_TDS] = even
        u[:, (at.U_PROTECTOR, at.U_PSHH, at.U_PSH)] = 1.0
        u[:, (at.U_AUTO, at.U_ISOLATOR, at.U_HAND_VALVE)] = 1.0
        u[:, (at.U_WEAR_A, at.U_WEAR_B, at.U_WEAR_LOSS)] = 1.0
        b[at.B_SEED] = seed & HIGH_WORD
        b[at.B_TDS], b[at.B_TEMPERATURE] = feed, start[at.PR_TEMPERATURE]
        b[at.B_CHLORINE] = start[at.PR_CHLORINE]
        b[at.B_TANK] = p.tank.volume_m3 * p.tank.level_pct / 100.0
        b[at.B_TANK_SALT] = b[at.B_TANK] * p.tank.tds_mgl * at.MGL
        b[[at.B_PRODUCT_TDS, at.B_TANK_TDS]] = p.tank.tds_mgl * at.MGL
        b[at.B_PRODUCT_PRESSURE] = self._a.p[at.P_PRODUCT_STATIC]
        b[at.B_STOCK] = p.dosing.tank_l * 1000.0
        b[at.B_DEMAND], b[at.B_DEMAND_SET] = start[at.PR_DEMAND], at.FREE
        b[[at.B_MAINS, at.B_VOLTAGE]] = 1.0
        b[[at.B_POWER, at.B_ESTOP, at.B_RUN, at.B_PRODUCT_VALVE, at.B_SUPPLY_OK]] = 1.0
        b[[at.B_FLOAT_HIGH_OK, at.B_FLOAT_LOW_OK]] = 1.0
        apply_faults((), self._broken, self._healthy)
        self._look()  # the loops have long settled: start their lags at the true values
        self._a.loop_state[:, at.LS_VALUE] = self._a.true

    # --- the scan ----------------------------------------------------------------------------------

    def inputs(self, commands: tuple[Command, ...] = ()) -> Inputs:
        """The input image of this moment, with the given commands of people."""
        contacts, loops = self._di.tolist(), self._a.ma.tolist()
        units = tuple([UnitInputs._make(contacts[di] + loops[ai]) for di, ai in self._unit_cuts])
        bank = BankInputs._make(contacts[self._bank_cut[0]] + loops[self._bank_cut[1]])
        return Inputs(bank, units, self._ages_ms(), 0, commands)

    def step(self, outputs: Outputs, dt_ms: int) -> None:
        """Advance by ``dt_ms`` (1 to 500) with these outputs on the wires.

        Raises ValueError for a step outside it and for analogue outputs that are no number.
        """
        if not STEP_MS_MIN <= dt_ms <= STEP_MS_MAX:
            raise ValueError(f"dt_ms = {dt_ms} must lie in {STEP_MS_MIN} to {STEP_MS_MAX}")
        powered = self._a.b[at.B_POWER] > 0.0
        self._write_outputs(outputs if powered else self._safe)
        self._run(dt_ms / MS_PER_S)

    def _write_outputs(self, outputs: Outputs) -> None:
        """Put the image on the wires; a unit whose I/O is lost keeps what its module holds."""
        bank = outputs.bank
        if not (isfinite(bank.booster_speed_cmd_ma) and isfinite(bank.dosing_rate_cmd_ma)):
            raise ValueError(f"analogue outputs must be finite mA: {bank}")
        self._a.bank_out[:] = bank
        if outputs.units == self._written:
            return
        if len(outputs.units) != self.n_units:
            raise ValueError(f"{len(outputs.units)} unit outputs for a plant of {self.n_units} units")
        if self._lost:
            for i in range(self.n_units):
                if i + 1 not in self._lost:
                    self._a.u[i, at.U_OUT : at.U_CELL] = outputs.units[i]
        else:
            self._a.u[:, at.U_OUT : at.U_CELL] = outputs.units
        self._written = outputs.units

    def _ages_ms(self) -> tuple[int, ...]:
        if not self._lost:
            return (0,) * self.n_units
        ages = self._a.u[:, at.U_IO_AGE]
        return tuple(
            round(float(ages[i]) * MS_PER_S) if i + 1 in self._lost else 0 for i in range(self.n_units)
        )

    def _run(self, dt_s: float) -> None:
        self._advance(self._constants, self._state, self._scratch, self._di, self.n_units, dt_s)

    def _look(self) -> None:
        self._run(0.0)

    # --- faults ------------------------------------------------------------------------------------

    def inject(self, fault: Fault) -> None:
        """Break something. A fault of the same target, kind and unit replaces the earlier one.

        Raises UnsupportedFault for what the plant cannot do.
        """
        check(fault, self.n_units)
        self._set_faults((*self._others(fault), fault))

    def inject_id(
        self, fault_id: str, unit: int = 1, severity: float = 0.5, way: int = 0
    ) -> tuple[Fault, ...]:
        """Make a line of the fault catalogue happen, see ``faults.faults_of``; the faults injected."""
        faults = faults_of(fault_id, unit, severity, way)
        for fault in faults:
            self.inject(fault)
        return faults

    def clear(self, fault: Fault) -> None:
        """Mend it: ends the fault of that target, kind and unit, whatever its value; no effect if none.

        Raises UnsupportedFault for a pair of target and kind that does not exist.
        """
        spec_of(fault.target, fault.kind)
        self._set_faults(self._others(fault))

    def active(self) -> tuple[Fault, ...]:
        """The faults in force, in the order of their injection."""
        return self._faults

    def _others(self, fault: Fault) -> tuple[Fault, ...]:
        key = (fault.target, fault.kind, fault.unit)
        return tuple(f for f in self._faults if (f.target, f.kind, f.unit) != key)

    def _set_faults(self, faults: tuple[Fault, ...]) -> None:
        self._faults = faults
        self._lost = frozenset(f.unit for f in faults if f.target == "unit_io")
        self._written = None
        apply_faults(faults, self._broken, self._healthy)
        self._look()

    # --- people ------------------------------------------------------------------------------------

    def operate(self, switch: str, unit: int, on: bool) -> None:
        """Turn a switch, press a button, move a hand valve; ``on`` is closed, or open for a valve.

        For a unit (1 to N): "selector_auto", "isolator_on", "feed_hand_valve". For the bank (unit 0):
        "reset_button", "bank_run", "estop_healthy", "product_valve". Raises ValueError otherwise.
        """
        if switch in _UNIT_SWITCHES and 1 <= unit <= self.n_units:
            self._a.u[unit - 1, _UNIT_SWITCHES[switch]] = float(on)
        elif switch in _BANK_SWITCHES and unit == 0:
            self._a.b[_BANK_SWITCHES[switch]] = float(on)
        elif switch in _UNIT_SWITCHES:
            raise ValueError(f"{switch}: unit = {unit} must lie in 1 to {self.n_units}")
        elif switch in _BANK_SWITCHES:
            raise ValueError(f"{switch} belongs to the bank: unit = {unit} must be 0")
        else:
            raise ValueError(
                f"no switch {switch!r}; there are: {', '.join((*_UNIT_SWITCHES, *_BANK_SWITCHES))}"
            )
        self._look()

    def set_power(self, on: bool) -> None:
        """Supply of controls and motors. Off: all de-energises, contacts read open, loops 0 mA."""
        self._a.b[[at.B_POWER, at.B_MAINS, at.B_VOLTAGE]] = float(on)
        self._a.b[at.B_WATCHDOG_AGE] = 0.0  # the watchdog relay starts its time anew
        self._look()

    def set_tank_pct(self, pct: float) -> None:
        """Set the tank's level (0 to 100 %), its water unchanged in quality; ValueError outside it."""
        if not 0.0 <= pct <= 100.0:
            raise ValueError(f"pct = {pct:g} must lie in 0 to 100")
        b, volume = self._a.b, self.parameters.tank.volume_m3 * pct / 100.0
        concentration = b[at.B_TANK_SALT] / b[at.B_TANK] if b[at.B_TANK] > 0.0 else 0.0
        b[at.B_TANK], b[at.B_TANK_SALT] = volume, volume * concentration
        step_floats(self._a.p, b)
        self._a.loop_state[self.n_units * at.UNIT_AIS + _TANK_LOOP, at.LS_VALUE] = pct
        self._look()

    def set_demand_m3h(self, m3h: float) -> None:
        """Set what is drawn from the tank from now on, whatever the daily profile says.

        ValueError when it is negative or not a number.
        """
        if not 0.0 <= m3h <= 1e5:
            raise ValueError(f"m3h = {m3h:g} must lie in 0 to 1e5")
        self._a.b[at.B_DEMAND_SET] = m3h * at.M3H

    # --- snapshots ---------------------------------------------------------------------------------

    def snapshot(self) -> PlantSnapshot:
        """All that the future depends on; ``restore`` continues from it bit for bit."""
        return PlantSnapshot(self._state.copy(), self._di.copy(), self._faults)

    def restore(self, snapshot: object) -> None:
        """Go back to a snapshot of a plant with the same parameters and number of units.

        Raises ValueError when it is something else.
        """
        if not isinstance(snapshot, PlantSnapshot) or snapshot.numbers.shape != self._state.shape:
            raise ValueError(f"not a snapshot of a plant of {self.n_units} units")
        self._state[:] = snapshot.numbers
        self._di[:] = snapshot.contacts
        self._faults = snapshot.faults
        self._lost = frozenset(f.unit for f in snapshot.faults if f.target == "unit_io")
        self._written = None

    def __reduce__(self) -> tuple[object, ...]:
        """Copies and pickles are built anew: the arrays are views of one buffer and must stay so."""
        return _rebuilt, (self.n_units, self.parameters, self.snapshot())

    # --- balances ----------------------------------------------------------------------------------

    def water_balance_m3(self) -> tuple[float, float, float]:
        """(in, out, stored) since the start of the run; in - out - change of stored is rounding."""
        p, u, b = self._a.p, self._a.u, self._a.b
        out = b[at.B_OUT_DRAIN] + b[at.B_OUT_USED] + b[at.B_OUT_OVERFLOW] + b[at.B_SPILLED]
        pipes = (
            p[at.P_HEADER_COMPLIANCE] * b[at.B_HEADER] + p[at.P_PRODUCT_COMPLIANCE] * b[at.B_PRODUCT_PRESSURE]
        )
        pipes += p[at.P_COMPLIANCE] * float(u[:, at.U_SUCTION].sum() + u[:, at.U_MEMBRANE].sum())
        return float(b[at.B_IN]), float(out), float(pipes + b[at.B_TANK] + b[at.B_SUMP])

    def salt_balance_kg(self) -> tuple[float, float, float]:
        """(in, out, stored) since the start of the run, from the membranes' inlet to drain and users."""
        p, u, b = self._a.p, self._a.u, self._a.b
        cells = u[:, at.U_CELL : at.U_CELL + self.parameters.unit.cells]
        stored = cells.sum() * p[at.P_CELL_VOLUME] + u[:, at.U_PERMEATE_TDS].sum() * p[at.P_HOLD_UP]
        out = b[at.B_SALT_DRAIN] + b[at.B_SALT_USED] + b[at.B_SALT_OVERFLOW]
        return float(b[at.B_SALT_IN]), float(out), float(stored + b[at.B_TANK_SALT])

    def antiscalant_balance_kg(self) -> tuple[float, float, float]:
        """(in, out, stored) since the start of the run, from the dosing strokes to the drain."""
        p, u, b = self._a.p, self._a.u, self._a.b
        cells = u[:, at.U_ANTISCALANT : at.U_ANTISCALANT + self.parameters.unit.cells]
        stored = cells.sum() * p[at.P_CELL_VOLUME] + b[at.B_ANTISCALANT] * p[at.P_HEADER_VOLUME]
        return float(b[at.B_ANTISCALANT_IN]), float(b[at.B_ANTISCALANT_OUT]), float(stored)


def _rebuilt(n_units: int, parameters: PlantParameters, snapshot: PlantSnapshot) -> Plant:
    plant = Plant(n_units, parameters)
    plant.restore(snapshot)
    return plant
