"""Expectations of a case, judged on the trace of a run."""

from __future__ import annotations

import numpy as np

from controller.unit.states import UnitState
from sim_plant.bench.alarms_seen import PREFIX, shown
from sim_plant.bench.cases import Expectation
from sim_plant.bench.trace import Bools, Trace
from sim_plant.bench.verdicts import Finding, Verdict

Anchors = dict[str, int]
"""Moment in ms of the strike ("") and of every named step that was done."""


def judge(
    expectation: Expectation, trace: Trace, unit: int, anchors: Anchors, uncertainty_ms: int
) -> Finding:
    """The finding of one expectation; "others" is the worst of the other units."""
    if expectation.after not in anchors:
        return _finding(expectation, Verdict.FAIL, unit, detail=f"step {expectation.after!r} was never done")
    if expectation.unit == "others":
        found = [
            _judge_unit(expectation, trace, other, anchors, uncertainty_ms)
            for other in range(1, trace.n_units + 1)
            if other != unit
        ]
        if not found:
            return _finding(expectation, Verdict.NOT_EXERCISED, unit, detail="the bank has no other unit")
        return max(found, key=lambda f: (list(Verdict).index(f.verdict), -(f.margin or 0.0)))
    chosen = unit if expectation.unit is None else int(expectation.unit)
    return _judge_unit(expectation, trace, chosen, anchors, uncertainty_ms)


def _judge_unit(e: Expectation, trace: Trace, unit: int, anchors: Anchors, uncertainty_ms: int) -> Finding:
    if e.signal == "state" and not (trace.unit_state[:, unit - 1] >= 0).any():
        return _finding(e, Verdict.INCONCLUSIVE, unit, detail="the target reports no states")
    if e.signal.removeprefix("bank.").startswith(PREFIX) and trace.journal is None:
        return _finding(e, Verdict.INCONCLUSIVE, unit, detail="the target gives no journal")
    start_ms = anchors[e.after] + round(e.from_s * 1000.0)
    end_ms = _end_ms(e, trace, anchors[e.after], start_ms)
    window = (trace.t_ms >= start_ms) & (trace.t_ms <= end_ms)
    held = holds(e, trace, unit)
    if e.within_s is not None:
        return _becomes(e, trace, unit, held & window, start_ms, uncertainty_ms)
    if not window.any():
        return _finding(e, Verdict.FAIL, unit, detail="the run ended before the window opened")
    broken = np.flatnonzero(window & ~held)
    missing_ms = end_ms - int(trace.t_ms[-1]) - trace.scan_ms  # the last row stands for one scan
    if len(broken) == 0 and missing_ms > 0:
        seen = f"the run ended {missing_ms / 1000.0:g} s before the window closed"
        return _finding(e, Verdict.FAIL, unit, triggers=1, detail=seen)
    if len(broken) == 0:
        return _finding(e, Verdict.PASS, unit, triggers=1)
    at_ms = int(trace.t_ms[broken[0]])
    return _finding(
        e, Verdict.FAIL, unit, triggers=1, at_ms=at_ms, detail=f"broken {_after(at_ms, start_ms)}"
    )


def _end_ms(e: Expectation, trace: Trace, anchor_ms: int, start_ms: int) -> int:
    if e.within_s is not None:
        return start_ms + round(e.within_s * 1000.0)
    return int(trace.t_ms[-1]) if e.until_s is None else anchor_ms + round(e.until_s * 1000.0)


def _becomes(
    e: Expectation, trace: Trace, unit: int, hits: Bools, start_ms: int, uncertainty_ms: int
) -> Finding:
    assert e.within_s is not None
    rows = np.flatnonzero(hits)
    if len(rows) == 0:
        seen = f"not within {e.within_s:g} s"
        return _finding(e, Verdict.FAIL, unit, triggers=1, at_ms=start_ms, detail=seen)
    at_ms = int(trace.t_ms[rows[0]])
    margin_s = e.within_s - (at_ms - start_ms) / 1000.0
    sure = uncertainty_ms == 0 or margin_s * 1000.0 >= uncertainty_ms
    return Finding(
        e.text,
        Verdict.PASS if sure else Verdict.INCONCLUSIVE,
        triggers=1,
        margin=margin_s,
        margin_unit="s",
        at_ms=at_ms,
        unit=unit,
        limit=f"within {e.within_s:g} s",
        detail=f"seen {_after(at_ms, start_ms)}",
    )


def holds(e: Expectation, trace: Trace, unit: int) -> Bools:
    """For each row of the trace, in its window or not: whether the unit (or the bank) is as it must be."""
    so = _is_so(e, trace, unit)
    return ~so if e.never else so


def _is_so(e: Expectation, trace: Trace, unit: int) -> Bools:
    if e.signal == "state":
        wanted = (e.is_,) if isinstance(e.is_, UnitState) else e.is_
        assert isinstance(wanted, tuple)
        codes = [trace.state_names.index(state.value) for state in wanted]
        return np.isin(trace.unit_state[:, unit - 1], codes)
    name = e.signal.removeprefix("bank.")
    if name.startswith(PREFIX):
        is_shown = shown(trace, name, 0 if name != e.signal else unit)
        return np.asarray(is_shown == e.is_)
    values = trace.bank(name) if name != e.signal else trace.unit(name, unit)
    if isinstance(e.is_, bool):
        return np.asarray(values == e.is_)
    if e.below is not None:
        return np.asarray(values < e.below)
    assert e.above is not None, "an expectation compares with one of the three"
    return np.asarray(values > e.above)


def _after(at_ms: int, start_ms: int) -> str:
    return f"{(at_ms - start_ms) / 1000.0:.1f} s after the window opened"


def _finding(
    e: Expectation, verdict: Verdict, unit: int, triggers: int = 0, at_ms: int | None = None, detail: str = ""
) -> Finding:
    limit = "never" if e.never else ("throughout" if e.within_s is None else f"within {e.within_s:g} s")
    return Finding(e.text, verdict, triggers, at_ms=at_ms, unit=unit, limit=limit, detail=detail)
