"""A small builder that types traces by hand: a healthy bank, and a timeline of what differs from it.

A ``Story`` starts with every contact healthy, every loop at an ordinary value and every unit at rest.
``set`` changes one signal of one unit from a second onwards; ``during`` changes it for a while. Feedbacks,
pressures and flows follow the typed outputs unless they are typed themselves. Nothing here imitates a
controller: each edge of each output is in the test that needs it, or in ``produce`` / ``stop``.
"""

from __future__ import annotations

import numpy as np

from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, signal_named, to_ma
from sim_plant.bench.monitors import REQUIREMENTS, Context
from sim_plant.bench.trace import (
    BANK_AI,
    BANK_AO,
    BANK_DI,
    BANK_DO,
    UNIT_AI,
    UNIT_DI,
    UNIT_DO,
    Mark,
    Trace,
)
from sim_plant.bench.verdicts import Finding, Verdict
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

SCAN_S = 0.1
DEFAULTS = Setpoints()
AT_DESK = Context(flush_slots=1)
UNIT_REST = {"suction_ma": 2.5, "membrane_ma": 0.0, "permeate_cond_ma": 200.0, "permeate_flow_ma": 0.0}
BANK_REST = {
    "header_ma": 3.0,
    "feed_flow_ma": 5.0,
    "feed_temp_ma": 24.0,
    "feed_cond_ma": 5.0,
    "chlorine_ma": 0.0,
    "booster_speed_ma": 45.0,
    "tank_level_ma": 50.0,
    "product_cond_ma": 200.0,
}
PRODUCING_AFTER_S = 127.0  # flush lead 1 s, start flush 120 s, flush valve shut, settled 5 s, and a second


class Story:
    """One trace in the making: ``n_units`` units for ``seconds``; rows are 100 ms apart."""

    def __init__(self, seconds: float, n_units: int = 2) -> None:
        self.n = round(seconds / SCAN_S)
        self.n_units = n_units
        self._typed: dict[tuple[str, int], list[tuple[int, int, float, bool]]] = {}
        self._marks: list[Mark] = []
        self._frozen: list[tuple[int, int, int]] = []
        self._journal: list[Entry] | None = None

    # --- typing --------------------------------------------------------------------------------------
    def set(self, at_s: float, name: str, value: float | bool, unit: int = 0) -> Story:
        """From ``at_s`` on the signal has this value (loops in their own unit)."""
        return self._type(at_s, self.n * SCAN_S, name, value, unit, raw=False)

    def during(
        self, from_s: float, to_s: float, name: str, value: float | bool, unit: int = 0, *, raw: bool = False
    ) -> Story:
        """From ``from_s`` until just before ``to_s``; with ``raw`` a loop is typed in mA."""
        return self._type(from_s, to_s, name, value, unit, raw)

    def mark(self, at_s: float, what: str, text: str, unit: int = 0) -> Story:
        """Something that the bench did."""
        self._marks.append(Mark(_row(at_s) * 100, what, unit, text))
        return self

    def command(self, at_s: float, verb: str, unit: int = 0) -> Story:
        """A command that was given."""
        return self.mark(at_s, "command", verb, unit)

    def freeze(self, from_s: float, to_s: float, unit: int = 0) -> Story:
        """The image of a unit, or the shared one, is that of ``from_s`` until just before ``to_s``."""
        self._frozen.append((_row(from_s), _row(to_s), unit))
        return self

    def journal(self, at_s: float, unit: int, text: str, kind: str = "move") -> Story:
        """A line of the target's journal; a story without any has a target that gives none."""
        self._journal = [*(self._journal or []), Entry(_row(at_s) * 100, unit, kind, text)]
        return self

    def press_reset(self, at_s: float, for_s: float = 0.5) -> Story:
        """The reset button, pressed and let go."""
        return self.during(at_s, at_s + for_s, "reset_button", True)

    # --- whole movements of a unit -------------------------------------------------------------------
    def flush(self, at_s: float, for_s: float, unit: int) -> Story:
        """Pump off: flush valve, 1 s later feed for ``for_s``, flush valve 2 s after it."""
        self.during(at_s + 1, at_s + 1 + for_s, "feed_valve", True, unit)
        return self.during(at_s, at_s + 3 + for_s, "flush_valve", True, unit)

    def produce(
        self, at_s: float, to_s: float, unit: int, *, flushed_s: float = 120.0, settled_s: float = 5.0
    ) -> Story:
        """A right start: the flush begins at ``at_s``; the pump runs until ``to_s``, the feed 2 s longer.

        With the usual times the pump starts 126 s after ``at_s``.
        """
        shut_s = at_s + 1 + flushed_s
        self.during(at_s, shut_s, "flush_valve", True, unit)
        self.during(at_s + 1, to_s + 2, "feed_valve", True, unit)
        self.during(shut_s + settled_s, to_s, "pump", True, unit)
        return self.during(shut_s + settled_s - 0.2, to_s, "enable", True, unit)

    def purge(self, at_s: float, unit: int, for_s: float = 20.0) -> Story:
        """Flush valve open while the pump runs."""
        return self.during(at_s, at_s + for_s, "flush_valve", True, unit)

    def cut(self, at_s: float, unit: int, names: tuple[str, ...] = UNIT_DO) -> Story:
        """From ``at_s`` on these outputs of the unit are 0."""
        for name in names:
            self.set(at_s, name, False, unit)
        return self

    def lose_power(self, from_s: float, to_s: float) -> Story:
        """No supply: every output reads 0."""
        self.mark(from_s, "power", "off").mark(to_s, "power", "on")
        for unit in range(1, self.n_units + 1):
            for name in UNIT_DO:
                self.during(from_s, to_s, name, False, unit)
        for name in BANK_DO:
            self.during(from_s, to_s, name, False)
        return self.during(from_s, to_s, "powered", 0.0)

    # --- the trace -----------------------------------------------------------------------------------
    def trace(self) -> Trace:
        """The typed story as a trace."""
        t_ms = np.arange(self.n, dtype=np.int64) * 100
        units = [self._unit(unit) for unit in range(1, self.n_units + 1)]
        bank = self._bank(t_ms)
        return Trace(
            t_ms=t_ms,
            unit_di=_stack([[c[name] for name in UNIT_DI] for c in units]).astype(bool),
            unit_ai=_stack([[c[name] for name in UNIT_AI] for c in units]),
            unit_do=_stack([[c[name] for name in UNIT_DO] for c in units]).astype(bool),
            bank_di=_columns([bank[name] for name in BANK_DI]).astype(bool),
            bank_ai=_columns([bank[name] for name in BANK_AI]),
            bank_do=_columns([bank[name] for name in BANK_DO]).astype(bool),
            bank_ao=_columns([bank[name] for name in BANK_AO]),
            unit_truth=_stack([[c[name] for name in UNIT_TRUTH] for c in units]),
            bank_truth=_columns([bank[name] for name in BANK_TRUTH]),
            unit_state=np.full((self.n, self.n_units), -1, np.int16),
            unit_age_ms=np.stack([self._age(unit) for unit in range(1, self.n_units + 1)], axis=1),
            bank_age_ms=self._age(0),
            marks=sorted(self._marks),
            journal=self._journal,
        )

    def judge(self, requirement: str, setpoints: Setpoints = DEFAULTS, context: Context = AT_DESK) -> Finding:
        """What one requirement says of this story."""
        rule = next(rule for rule in REQUIREMENTS if rule.id == requirement)
        return rule.judge(self.trace(), setpoints, context)

    def verdict(
        self, requirement: str, setpoints: Setpoints = DEFAULTS, context: Context = AT_DESK
    ) -> Verdict:
        """Its verdict alone."""
        return self.judge(requirement, setpoints, context).verdict

    # --- columns -------------------------------------------------------------------------------------
    def _type(
        self, from_s: float, to_s: float, name: str, value: float | bool, unit: int, raw: bool
    ) -> Story:
        self._typed.setdefault((name, unit), []).append((_row(from_s), _row(to_s), float(value), raw))
        return self

    def _filled(self, name: str, unit: int, column: np.ndarray) -> np.ndarray:
        """The column with what was typed laid over it; loops come out in mA."""
        is_loop = name in UNIT_AI if unit else name in (*BANK_AI, *BANK_AO)
        signal = signal_named(UNIT_SIGNALS if unit else BANK_SIGNALS, name) if is_loop else None
        column = np.asarray(column, np.float64).copy()
        if signal is not None:
            column = np.asarray(to_ma(signal, column))
        for first, last, value, raw in self._typed.get((name, unit), []):
            column[first:last] = value if raw or signal is None else to_ma(signal, value)
        return column

    def _age(self, unit: int) -> np.ndarray:
        """How old an image is in ms, at each row."""
        age = np.zeros(self.n, np.int32)
        for first, last, whose in self._frozen:
            if whose == unit:
                rows = len(age[first:last])
                age[first:last] = 100 * np.arange(rows)
        return age

    def _unit(self, unit: int) -> dict[str, np.ndarray]:
        off = np.zeros(self.n)
        outputs = {name: self._filled(name, unit, off) for name in UNIT_DO}
        pump, flush, feed = (outputs[name] > 0 for name in ("pump", "flush_valve", "feed_valve"))
        healthy = dict.fromkeys(UNIT_DI, off + 1)
        healthy |= {"pump_running": pump, "enable_closed": outputs["enable"]}
        loops = {name: off + UNIT_REST.get(name, 0.0) for name in UNIT_AI} | {
            "membrane_ma": np.select([pump & flush, pump], [5.5, 12.5], 0.5),
            "permeate_flow_ma": np.where(pump, 1.4, 0.0),
            "concentrate_flow_ma": np.select([pump & flush, pump, feed & flush], [3.0, 0.93, 2.5], 0.0),
        }
        truth = dict.fromkeys(UNIT_TRUTH, off) | {
            "permeate_m3h": loops["permeate_flow_ma"],
            "permeate_tds_mgl": off + 100.0,
        }
        rest = {name: self._filled(name, unit, column) for name, column in (healthy | loops | truth).items()}
        return outputs | rest

    def _bank(self, t_ms: np.ndarray) -> dict[str, np.ndarray]:
        off = np.zeros(self.n)
        columns = dict.fromkeys(BANK_DI, off + 1) | {"reset_button": off}
        columns |= {"dosing_pulse": t_ms // 1000 % 2}
        columns |= {name: off + BANK_REST[name] for name in BANK_AI}
        columns |= dict.fromkeys(BANK_DO, off) | {"alarm_relay": off + 1, "watchdog": t_ms // 500 % 2}
        columns |= {"booster_run": t_ms >= 6000, "dosing_run": t_ms >= 6000}
        columns |= {"booster_speed_cmd_ma": off + 45.0, "dosing_rate_cmd_ma": off + 10.0}
        columns |= dict.fromkeys(BANK_TRUTH, off) | {"powered": off + 1, "header_bar": off + 3.0}
        return {name: self._filled(name, 0, column) for name, column in columns.items()}


def _row(at_s: float) -> int:
    return round(at_s / SCAN_S)


def _columns(columns: list[np.ndarray]) -> np.ndarray:
    return np.stack(columns, axis=1)


def _stack(units: list[list[np.ndarray]]) -> np.ndarray:
    """Rows x units x signals."""
    return np.stack([np.stack(columns, axis=1) for columns in units], axis=1)
