"""Invented traces and results for the tests of the evidence writer.

The curves are drawn by hand, not simulated: a unit is flushed, produces, is purged and, in a failing run,
keeps its pump on through a dip of the feed header before it locks out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, signal_named, to_ma
from sim_plant.bench.evidence import About
from sim_plant.bench.evidence.strips import STATE_ORDER as STATES
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
from sim_plant.bench.verdicts import Finding, RunResult, Verdict
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

# state -> feed, flush, pump, membrane pressure, permeate mg/L
_LOOKS = {
    "START_FLUSH": (1, 1, 0, 1.6, 700.0),
    "DELAY": (1, 0, 0, 2.9, 700.0),
    "PUMP_START": (1, 0, 1, 9.0, 600.0),
    "PRODUCE": (1, 0, 1, 12.5, 104.0),
    "PURGE": (1, 1, 1, 5.6, 130.0),
    "STOP_FLUSH": (1, 1, 0, 1.6, 300.0),
}


def make_trace(
    rows: int = 6000, n_units: int = 6, dip_s: float | None = 400.0, tells_state: bool = True, seed: int = 1
) -> Trace:
    """A bank that starts, produces and, ``dip_s`` after the beginning, sees its header fall."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(rows) * 0.1
    unit_state = np.full((rows, n_units), STATES.index("STANDBY"), np.int16)
    for unit in range(n_units):
        _sequence(unit_state[:, unit], t_s, 12.0 + 14.0 * unit, dip_s if unit == 1 else None)
    header = 3.0 + 0.02 * rng.standard_normal(rows)
    if dip_s is not None:
        header[(t_s > dip_s) & (t_s < dip_s + 12)] *= 0.12
    unit_do, unit_truth = _units(unit_state, header, rng)
    unit_ai = 4 + np.zeros((rows, n_units, len(UNIT_AI)))
    for name, truth in (("suction_ma", "suction_bar"), ("membrane_ma", "membrane_bar")):
        signal = signal_named(UNIT_SIGNALS, name)
        value = unit_truth[:, :, UNIT_TRUTH.index(truth)]
        unit_ai[:, :, UNIT_AI.index(name)] = to_ma(signal, value)  # type: ignore[arg-type]
    tds = unit_truth[:, :, UNIT_TRUTH.index("permeate_tds_mgl")]
    unit_ai[:, :, UNIT_AI.index("permeate_cond_ma")] = 4 + 16 * np.minimum(tds / 0.5, 1000) / 1000
    bank_truth, bank_ai = _bank(header, t_s)
    marks = [Mark(5_000, "command", 0, "start")]
    if dip_s is not None:
        marks += [
            Mark(int(dip_s * 1000), "inject", 0, "feed_header dip 0.12"),
            Mark(int(dip_s * 1000) + 12_000, "clear", 0, "feed_header"),
            Mark(int(dip_s * 1000) + 60_000, "operate", 2, "selector off"),
        ]
    return Trace(
        t_ms=np.arange(rows, dtype=np.int64) * 100,
        unit_di=rng.random((rows, n_units, len(UNIT_DI))) < 0.5,
        unit_ai=unit_ai,
        unit_do=unit_do,
        bank_di=np.ones((rows, len(BANK_DI)), np.bool_),
        bank_ai=bank_ai,
        bank_do=np.ones((rows, len(BANK_DO)), np.bool_),
        bank_ao=np.full((rows, len(BANK_AO)), 14.0),
        unit_truth=unit_truth,
        bank_truth=bank_truth,
        unit_state=unit_state if tells_state else np.full((rows, n_units), -1, np.int16),
        unit_age_ms=np.zeros((rows, n_units), np.int32),
        bank_age_ms=np.zeros(rows, np.int32),
        state_names=tuple(STATES) if tells_state else (),
        marks=marks,
    )


def _sequence(codes: NDArray[np.int16], t_s: NDArray[np.float64], at_s: float, dip_s: float | None) -> None:
    for state, lasts_s in (("WAIT_PERMIT", 3), ("START_FLUSH", 120), ("DELAY", 5), ("PUMP_START", 6)):
        codes[t_s >= at_s] = STATES.index(state)
        at_s += lasts_s
    while at_s < t_s[-1]:
        for state, lasts_s in (("PRODUCE", 280), ("PURGE", 20)):
            codes[t_s >= at_s] = STATES.index(state)
            at_s += lasts_s
    if dip_s is not None:
        codes[t_s >= dip_s + 9] = STATES.index("STOPPING")
        codes[t_s >= dip_s + 11] = STATES.index("RETRY_WAIT")
        codes[t_s >= dip_s + 71] = STATES.index("LOCKOUT")


def _units(
    unit_state: NDArray[np.int16], header: NDArray[np.float64], rng: np.random.Generator
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    rows, n_units = unit_state.shape
    looks = np.array([_LOOKS.get(name, (0, 0, 0, 0.0, 400.0)) for name in STATES], float)[unit_state]
    unit_do = np.zeros((rows, n_units, len(UNIT_DO)), np.bool_)
    truth = 0.1 * rng.random((rows, n_units, len(UNIT_TRUTH)))
    for i, name in enumerate(("feed_valve", "flush_valve", "pump")):
        unit_do[:, :, UNIT_DO.index(name)] = looks[:, :, i] > 0
    unit_do[:, :, UNIT_DO.index("enable")] = looks[:, :, 2] > 0
    truth[:, :, UNIT_TRUTH.index("suction_bar")] = np.where(looks[:, :, 0] > 0, 0.9 * header[:, None], 0.05)
    noise = 0.05 * rng.standard_normal((rows, n_units))
    truth[:, :, UNIT_TRUTH.index("membrane_bar")] = looks[:, :, 3] + noise
    smooth = looks[:, :, 4].copy()
    for row in range(1, rows):
        smooth[row] += (smooth[row - 1] - smooth[row]) * 0.995
    truth[:, :, UNIT_TRUTH.index("permeate_tds_mgl")] = smooth
    return unit_do, truth


def _bank(
    header: NDArray[np.float64], t_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    truth = np.zeros((len(t_s), len(BANK_TRUTH)))
    truth[:, BANK_TRUTH.index("header_bar")] = header
    truth[:, BANK_TRUTH.index("tank_pct")] = 55 + 0.01 * t_s
    ai = np.full((len(t_s), len(BANK_AI)), 12.0)
    reading = np.where((t_s > 300) & (t_s < 340), -1.5, header)  # the loop of the header broken for 40 s
    for name, value in (("header_ma", reading), ("tank_level_ma", truth[:, BANK_TRUTH.index("tank_pct")])):
        signal = signal_named(BANK_SIGNALS, name)
        ai[:, BANK_AI.index(name)] = to_ma(signal, value)  # type: ignore[arg-type]
    return truth, ai


def make_result(
    run_id: str = "low-suction-PR-1",
    verdict: Verdict = Verdict.PASS,
    margin: float | None = 0.4,
    trace: Trace | None = None,
    **changes: object,
) -> RunResult:
    """One run with one requirement of the given verdict, one always kept, and one expectation."""
    failed = verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE)
    fields: dict[str, object] = {
        "run_id": run_id,
        "case": "The feed header dips while a unit produces",
        "family": "feed header",
        "source": "cases/header.toml",
        "state": "PRODUCE",
        "variant": "dip to 0.12, 12 s",
        "unit": 2,
        "seed": 7,
        "requirements": [
            Finding(
                "SR-04",
                verdict,
                triggers=0 if verdict is Verdict.NOT_EXERCISED else 1,
                margin=margin,
                margin_unit="s",
                at_ms=405_500 if failed else 404_900,
                unit=2,
                limit="pump off within 5.5 s of suction below 0.8 bar",
                detail="pump off after 9.0 s" if failed else "pump off after 5.1 s",
            ),
            Finding("SR-01", Verdict.PASS, triggers=4),
        ],
        "expectations": [],
        "trace": trace,
        "simulated_s": 600.0,
        "took_s": 0.3,
    }
    return RunResult(**{**fields, **changes})  # type: ignore[arg-type]


def make_about(planned_runs: int, complete: bool = True, **changes: object) -> About:
    """Where invented evidence comes from; one setting differs from its default."""
    defaults = Setpoints().model_dump()
    fields: dict[str, object] = {
        "site": "nursery",
        "title": "Seedling nursery",
        "target": "our firmware at the desk",
        "seed": 7,
        "settings": {**defaults, "purge_interval_s": 900.0},
        "defaults": defaults,
        "plant": {"units": 6, "feed": {"tds_mgl": 3200.0}},
        "started": "2026-01-02T03:04:05+00:00",
        "took_s": 41.25,
        "version": "0.1.0",
        "python": "3.11.2",
        "platform": "Linux x86_64",
        "command": "skidproof prove nursery --seed 7",
        "complete": complete,
        "planned_runs": planned_runs,
    }
    return About(**{**fields, **changes})  # type: ignore[arg-type]
