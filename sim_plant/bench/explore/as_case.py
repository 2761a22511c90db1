"""A sequence that was found, as a case file: what a person or a worn part does, at full time scale.

A sequence is a list of scans in ticks. Between what it does, the bank is left to itself: the bench's plant
starts, flushes and produces as the sequence did. Each thing is done when the unit is in the state in which
the sequence did it, as long after entering as the ticks say (``_after_s``), and is undone where the sequence
no longer has it.

Not everything that a scan may be given can be brought about from outside: a bank that lends no slot, say.
What cannot is named, and the case is then a beginning for a person (``AsCase.not_said``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from controller.settings import Setpoints
from controller.signals import Verb
from controller.unit.states import STATES, UnitState
from sim_plant.bench.explore.scale import real_s, ticks
from sim_plant.bench.explore.scene import CHOSEN
from sim_plant.bench.explore.search import Search, Violation
from sim_plant.bench.explore.step import Next

UNIT = 1
HOLD_S = 3.0  # longer than any on-delay of a protection but those of quality and sensors
SLOW_HOLD_S = 70.0
COMMANDS_APART_S = 1.5  # a command that follows another within a second is refused
AFTER_S = 420.0
_FOR_QUALITY = ("tds_mgl", "permeate_cond", "membrane BAD")

_OPENS = {
    "pump_running": None,
    "motor_healthy": "stuck_open",
    "suction_ok": "stuck_open",
    "discharge_ok": "stuck_open",
    "permeate_ok": "stuck_open",
    "skid_dry": "stuck_open",
}
_BANK: dict[str, dict[str, Any]] = {
    "TANK_HIGH_HIGH": {"target": "tank_not_overfull", "kind": "stuck_open"},
    "FLOOR_LEAK": {"target": "floor_dry", "kind": "stuck_open"},
    "SUMP_HIGH": {"target": "sump_ok", "kind": "stuck_open"},
    "BOOSTER_FAULT": {"target": "drive_healthy", "kind": "stuck_open"},
    "FEED_HOT": {"target": "feed_temp", "kind": "stuck_at", "value_degc": 50},
    "OXIDANT": {"target": "chlorine", "kind": "stuck_at", "value_mgl": 1},
    "HEADER_LOST": {"target": "header", "kind": "stuck_at", "value_bar": 0.1},
    "DOSING_LOST": {"target": "dosing", "kind": "no_pulse"},
    "ANTISCALANT_LOW": {"target": "antiscalant_ok", "kind": "stuck_open"},
}
_QUANTITIES = {
    "suction_bar": ("suction", "value_bar"),
    "membrane_bar": ("membrane", "value_bar"),
    "concentrate_m3h": ("concentrate_flow", "value_m3h"),
}
_IN_STATE: dict[UnitState, tuple[str, ...]] = {
    UnitState.BOOT: ("boot_s",),
    UnitState.START_FLUSH: ("flush_lead_s", "start_flush_s"),
    UnitState.DELAY: ("settle_s",),
    UnitState.PRODUCE: ("tds_blank_start_s", "purge_interval_s"),
    UnitState.PURGE: ("purge_evidence_s", "purge_s"),
    UnitState.QUALITY_FLUSH: ("purge_evidence_s", "quality_flush_s"),
    UnitState.STOPPING: ("coast_s", "token_wait_s"),
    UnitState.STOP_FLUSH: ("stop_flush_s",),
    UnitState.RETRY_WAIT: ("suction_retry_1_s",),
}
_PASSING = frozenset(
    {
        "on-delays run",
        "on-delays run, feed never proven",
        "ready",
        "may_start",
        "token",
        "start_slot",
        "close_feed",
        "maintenance_slot",
    }
)


@dataclass
class AsCase:
    """A case as plain data for ``case_toml``, and what of the sequence it does not say."""

    table: dict[str, Any]
    not_said: list[str] = field(default_factory=list)


def as_case(found: Search, violation: Violation) -> AsCase:
    """The case of a shortest sequence to a violation."""
    return _Writer(found.order.setpoints).write(found.play(violation), _states(found, violation), violation)


def _states(found: Search, violation: Violation) -> list[UnitState]:
    """State of the unit before each scan of the sequence."""
    return [STATES[found.codes[place][0]] for place in found.path(violation)]


class _Writer:
    def __init__(self, site: Setpoints) -> None:
        self._site = site
        self._ticks = ticks(site)
        self.steps: list[dict[str, Any]] = []
        self.not_said: list[str] = []
        self._on: dict[str, str] = {}  # what is on, by the name of the step that put it on

    def write(self, edges: Sequence[Next], states: Sequence[UnitState], violation: Violation) -> AsCase:
        """The whole case."""
        first = next((k for k, edge in enumerate(edges) if self._done(edge)), len(edges) - 1)
        entered = [self._ticks_in(states, k) for k in range(len(states))]
        for k in range(first, len(edges)):
            when = {"when_state": states[k].value, "after_s": self._after_s(states[k], entered[k])}
            self._undo(edges[k], when)
            self._do(edges[k], when)
        self._undo(
            None, {"when_state": self.steps[-1]["when_state"], "after_s": HOLD_S} if self.steps else {}
        )
        table: dict[str, Any] = {
            "title": f"Found by exploring: {violation.text}"[:120],
            "family": "found by exploring",
            "given": {"states": [states[first].value], "unit": UNIT, "offset_s": 0.1},
            "step": self.steps,
            "run": {"for_s": AFTER_S},
        }
        return AsCase(table, sorted(set(self.not_said)))

    @staticmethod
    def _done(edge: Next) -> bool:
        return edge.scene is None or bool(set(edge.scene.atoms) - _PASSING)

    @staticmethod
    def _ticks_in(states: Sequence[UnitState], k: int) -> int:
        begin = k
        while begin and states[begin - 1] is states[k]:
            begin -= 1
        return k - begin

    def _after_s(self, state: UnitState, n: int) -> float:
        """Seconds in a state for so many ticks: in proportion between the limits that the state knows."""
        known = [(0.0, 0.0)]
        known += sorted(
            (float(self._ticks[name]), real_s(name, self._site)) for name in _IN_STATE.get(state, ())
        )
        for (low, low_s), (high, high_s) in pairwise(known):
            if low <= n < high:
                return round(low_s + (high_s - low_s) * (n - low) / (high - low), 1) + 0.5
        return max(round(known[-1][1] + n - known[-1][0] - 0.3, 1), 0.5)  # the state is about to end

    # --- what is done ---

    def _do(self, edge: Next, when: dict[str, Any]) -> None:
        if edge.scene is None:
            self.steps.append({**when, "power": "off", "for_s": 1})
            return
        for atom in edge.scene.atoms:
            if atom in _PASSING or atom in self._on:
                continue
            self._one(atom, when)

    def _one(self, atom: str, when: dict[str, Any]) -> None:
        if atom in ("selector_auto", "isolator_on"):
            self.steps.append({**when, "operate": f"{atom} off"})
            self._on[atom] = f"{atom} on"
        elif atom == "estop_open":
            self.steps.append({**when, "operate": "estop_healthy off"})
            self._on[atom] = "estop_healthy on"
        elif atom == "STOP":
            self.steps.append({**when, "operate": "bank_run off"})
            self._on[atom] = "bank_run on"
        elif atom == "reset" or atom in {verb.value for verb in Verb}:
            later = {**when, "after_s": when["after_s"] + COMMANDS_APART_S}
            self.steps.append({**later, "command": atom, "by": "a person"})
        elif atom == "call":
            self.steps.append({**when, "tank_pct": 96})
        elif atom == "COORDINATOR_LOST":
            self.steps.append({**when, "bank_image": "frozen", "for_s": 10})
        elif atom in CHOSEN:
            self.not_said.append(f"{atom.replace('_', ' ')}: comes of what went before")
        else:
            self._inject(atom, when)

    def _inject(self, atom: str, when: dict[str, Any]) -> None:
        fault = self._fault(atom)
        if fault is None:
            self.not_said.append(atom)
            return
        name = f"{atom} {len(self.steps)}".replace("_", " ")
        self.steps.append({"name": name, **when, "inject": fault})
        self._on[atom] = name

    def _fault(self, atom: str) -> dict[str, Any] | None:
        if atom == "pump_running":
            return {"target": "pump_running", "kind": "stuck_closed"}
        if atom in _OPENS:
            return {"target": atom, "kind": "stuck_open"}
        if atom in _BANK:
            return dict(_BANK[atom])
        if atom.startswith("image"):
            return {"target": "unit_io", "kind": "lost"}
        word, _, value = atom.rpartition(" ")
        if word in _QUANTITIES:
            target, key = _QUANTITIES[word]
            return {"target": target, "kind": "stuck_at", key: float(value)}
        if word == "tds_mgl":
            return {
                "target": "permeate_cond",
                "kind": "stuck_at",
                "value_uscm": min(float(value) / self._site.tds_per_us, 1000.0),
            }
        if atom.endswith((" BAD", " no measurement")):
            return {"target": atom.split(" ")[0], "kind": "open_circuit"}
        return None

    def _undo(self, edge: Next | None, when: dict[str, Any]) -> None:
        """End what the next scan no longer has; None: everything."""
        still = set() if edge is None or edge.scene is None else set(edge.scene.atoms)
        for atom in [atom for atom in self._on if atom not in still]:
            how = self._on.pop(atom)
            later = {**when, "after_s": when["after_s"] + self._hold_s(atom)}
            if how.endswith((" on", " off")):
                self.steps.append({**later, "operate": how})
            else:
                self.steps.append({**later, "clear": how})
            when["after_s"] = later["after_s"]

    @staticmethod
    def _hold_s(atom: str) -> float:
        return SLOW_HOLD_S if atom.startswith(_FOR_QUALITY) else HOLD_S
