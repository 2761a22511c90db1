"""What a page must know once: the site, its signals, states, faults, limits and cautions."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from controller.alarms.states import STATE_TEXT
from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, Signal
from controller.unit.states import STATES
from sim_plant.bench.evidence.cautions import CAUTIONS
from sim_plant.bench.evidence.strips import look_of
from sim_plant.bench.steps import BANK_SWITCHES, UNIT_SWITCHES, unit_word
from sim_plant.catalogue import CATALOGUE
from sim_plant.desk.recording import Recording
from sim_plant.faults import FAULTS
from sim_plant.site import Site

ABOUT_VERSION = 1
SIMULATION = (
    "Simulation: no plant is moved by this page. Prototype and test bench, not a safety system: no SIL or PL "
    "is claimed."
)
RECORD = (
    "Record of a run that is over, read only. Prototype and test bench, not a safety system: no SIL or PL "
    "is claimed."
)
LIVE = (
    "Read only: this page shows a controller that runs elsewhere and writes nothing to it. What it shows may "
    "be a real plant. Prototype and test bench, not a safety system: no SIL or PL is claimed."
)
LOCK_OUT = CAUTIONS[3]
"""Shown before a unit is taken out of service or its isolator is turned."""


def about_site(site: Site, seed: int) -> dict[str, Any]:
    """Plain data for JSON."""
    return {
        "version": ABOUT_VERSION,
        "program": version("skidproof"),
        "name": site.name,
        "title": site.file.site.title,
        "units": site.units,
        "scan_ms": site.file.site.scan_ms,
        "seed": seed,
        "diverter": site.file.plant.unit.has_diverter,
        "proofs": site.setpoints.position_proofs,
        "simulation": SIMULATION,
        "lock_out": LOCK_OUT,
        "cautions": list(CAUTIONS),
        "states": [_state(state.value) for state in STATES],
        "alarm_states": {state.value: text for state, text in STATE_TEXT.items()},
        "unit_signals": [_signal(signal) for signal in UNIT_SIGNALS],
        "bank_signals": [_signal(signal) for signal in BANK_SIGNALS],
        "unit_switches": list(UNIT_SWITCHES),
        "bank_switches": list(BANK_SWITCHES),
        "faults": _faults(),
        "limits": limits(site.setpoints),
        "shelve_max_h": site.setpoints.shelve_max_h,
        "setpoints": site.setpoints.model_dump(),
    }


def about_record(recording: Recording, program: str) -> dict[str, Any]:
    """Of a stored record; without settings, which it does not hold, and so without limits in the trends."""
    notes, trace = recording.notes, recording.trace
    run = notes.get("run_id", "")
    told = [notes[key] for key in ("case", "variant") if notes.get(key)]
    told += [f"verdict: {notes['verdict']}"] if notes.get("verdict") else []
    units = [str(unit) for unit in range(1, trace.n_units + 1)]
    return {
        "version": ABOUT_VERSION,
        "program": program,
        "name": run or "record",
        "title": f"Record of {run or 'a beginning that runs share'}{': ' if told else ''}{'; '.join(told)}",
        "units": trace.n_units,
        "scan_ms": trace.scan_ms,
        "seed": notes.get("seed"),
        "diverter": False,
        "proofs": False,
        "picked": int(notes["unit"]) if notes.get("unit") in units else 1,
        "first_s": recording.first_ms / 1000.0,
        "last_s": recording.last_ms / 1000.0,
        "simulation": RECORD,
        "lock_out": LOCK_OUT,
        "cautions": list(CAUTIONS),
        "states": [
            *(_state(name) for name in trace.state_names),
            {"name": "", "code": "?", "words": "not told"},
        ],
        "unit_signals": [_signal(signal) for signal in UNIT_SIGNALS],
        "bank_signals": [_signal(signal) for signal in BANK_SIGNALS],
        "faults": [],
        "limits": {},
        "setpoints": {},
    }


def about_status(place: str, n_units: int, program: str) -> dict[str, Any]:
    """Of a controller whose status map is read. The map holds no setpoints: trends have no limits."""
    return {
        "version": ABOUT_VERSION,
        "program": program,
        "name": place,
        "title": f"Status of the controller at {place}",
        "live": True,
        "units": n_units,
        "seed": None,
        "diverter": False,
        "proofs": False,
        "simulation": LIVE,
        "lock_out": LOCK_OUT,
        "cautions": list(CAUTIONS),
        "states": [
            *(_state(state.value) for state in STATES),
            {"name": "", "code": "?", "words": "not known"},
        ],
        "unit_signals": [_signal(signal) for signal in UNIT_SIGNALS],
        "bank_signals": [_signal(signal) for signal in BANK_SIGNALS],
        "faults": [],
        "limits": {},
        "setpoints": {},
    }


def _state(name: str) -> dict[str, str]:
    look = look_of(name)
    return {"name": name, "code": look.code, "words": look.word}


def _signal(signal: Signal) -> dict[str, Any]:
    row: dict[str, Any] = {
        "name": signal.name,
        "tag": signal.tag,
        "kind": signal.kind.name,
        "text": signal.text,
    }
    if signal.kind in (Kind.AI, Kind.AO):
        row |= {"unit": signal.unit, "lo": signal.lo, "hi": signal.hi}
    return row


def _faults() -> list[dict[str, Any]]:
    """Every pair of target and kind, with the severities that the catalogue names for it."""
    severities: dict[tuple[str, str], tuple[float, float]] = {}
    for line in CATALOGUE.values():
        for way in line.ways:
            for injection in way:
                if injection.mild is not None and injection.severe is not None:
                    pair = (injection.target, injection.kind)
                    severities.setdefault(pair, (injection.mild, injection.severe))
    rows = []
    for (target, kind), spec in FAULTS.items():
        row: dict[str, Any] = {
            "target": target,
            "kind": kind,
            "text": spec.text,
            "per_unit": spec.per_unit,
            "ids": list(spec.ids),
        }
        if spec.value_unit:
            row |= {"key": f"value_{unit_word(spec.value_unit)}", "unit": spec.value_unit}
            row |= {"lo": spec.lo, "hi": spec.hi}
        if (target, kind) in severities:
            row["mild"], row["severe"] = severities[target, kind]
        rows.append(row)
    return rows


def limits(s: Setpoints) -> dict[str, list[dict[str, Any]]]:
    """Lines to draw into a trend of a loop: value in the loop's unit, words, and whether it is a trip."""

    def line(value: float, words: str, trip: bool = False) -> dict[str, Any]:
        return {"value": value, "words": words, "trip": trip}

    return {
        "suction_ma": [
            line(s.suction_trip_bar, "low suction trip", trip=True),
            line(s.suction_alarm_bar, "low suction alarm"),
        ],
        "membrane_ma": [
            line(s.discharge_trip_bar, "high pressure trip", trip=True),
            line(s.discharge_alarm_bar, "high pressure alarm"),
        ],
        "permeate_cond_ma": [
            line(s.tds_lockout_mgl / s.tds_per_us, "quality lockout", trip=True),
            line(s.tds_alarm_mgl / s.tds_per_us, "quality alarm"),
        ],
        "header_ma": [
            line(s.header_bar, "header setpoint"),
            line(s.header_low_bar, "header lost", trip=True),
        ],
        "tank_level_ma": [
            line(s.tank_stop_pct, "tank full"),
            line(s.tank_first_pct, "first unit called"),
            line(s.tank_last_pct, "all units called"),
        ],
    }
