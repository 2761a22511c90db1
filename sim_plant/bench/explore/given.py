"""What an observer at the terminals makes of a scene: measured, answered, given by the bank and by people.

Two scenes that are given alike are one to the observer, and so are judged once where they also lead to the
same. A condition that has an on-delay counts once that has run out.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.signals import UNIT_SIGNALS, Verb, from_ma, signal_named
from controller.unit.states import Event
from sim_plant.bench.explore.base import LOOP_NAMES, LOOP_OF, REFERENCE_BAR, Scene

_SIGNAL = {name: signal_named(UNIT_SIGNALS, LOOP_NAMES[place]) for name, place in LOOP_OF.items()}


class Given(NamedTuple):
    """All that the requirements and the observer's memory ask of a scene."""

    fresh: bool  # the image is young enough to be judged
    lost: bool  # the image is so old that it counts as lost
    suction_low: bool
    suction_gone: bool  # all but gone, or the suction switch open
    suction_bad: bool  # its loop is BAD
    pressure_known: bool
    pressure_high: bool
    pressure_fallen: bool  # below what shows that a flush valve is open
    flowing: bool  # concentrate flows as through an open flush valve
    water_very_bad: bool
    quality_bad: bool  # its loop is BAD
    only_quality: bool  # nothing is wrong but a reading of quality
    permeate_blocked: bool
    leak: bool
    discharge_ok: bool
    motor_healthy: bool
    runs: bool  # the contactor says so, for as long as it takes to believe it
    stands: bool  # the contactor says the contrary, likewise
    isolator_on: bool
    selector_auto: bool
    estop_open: bool
    reset: bool
    returned: bool  # somebody returns the unit to service
    ready: bool
    token: bool
    events: tuple[Event, ...]  # causes of the bank


def given(scene: Scene, s: Setpoints) -> Given:
    """A scene as the observer has it; ``s`` are the setpoints that the unit runs with."""
    io, p, elapsed = scene.io, scene.permits, scene.presets.elapsed
    suction = _value(scene, "suction_bar")
    pressure = _value(scene, "membrane_bar")
    quality = _value(scene, "tds_mgl")
    flow = _value(scene, "concentrate_m3h")
    return Given(
        fresh=scene.age_ms <= 1000.0 * s.io_stale_s,
        lost=scene.age_ms >= 1000.0 * s.io_lost_s,
        suction_low=elapsed and suction is not None and suction < s.suction_trip_bar,
        suction_gone=elapsed
        and (not io.suction_ok or (suction is not None and suction < s.suction_fast_bar)),
        suction_bad=_bad(scene, "suction_bar"),
        pressure_known=pressure is not None,
        pressure_high=elapsed and pressure is not None and pressure > s.discharge_trip_bar,
        pressure_fallen=pressure is not None and pressure < s.purge_evidence_ratio * REFERENCE_BAR,
        flowing=flow is not None and flow > s.purge_evidence_flow_m3h,
        water_very_bad=elapsed and quality is not None and quality * s.tds_per_us > s.tds_lockout_mgl,
        quality_bad=elapsed and _bad(scene, "tds_mgl"),
        only_quality=bool(scene.atoms) and all(atom.startswith("tds_mgl") for atom in scene.atoms),
        permeate_blocked=elapsed and not io.permeate_ok,
        leak=elapsed and not io.skid_dry,
        discharge_ok=io.discharge_ok,
        motor_healthy=io.motor_healthy,
        runs=elapsed and io.pump_running,
        stands=elapsed and not io.pump_running,
        isolator_on=io.isolator_on,
        selector_auto=io.selector_auto,
        estop_open=p.estop_open,
        reset=p.reset,
        returned=any(command.verb is Verb.RETURN_TO_SERVICE for command in p.commands),
        ready=p.ready,
        token=p.token,
        events=p.events,
    )


def _bad(scene: Scene, quantity: str) -> bool:
    return scene.presets.loops[LOOP_OF[quantity]] is Quality.BAD


def _value(scene: Scene, quantity: str) -> float | None:
    """What a loop shows, None when it is not to be believed; of quality the conductivity."""
    place = LOOP_OF[quantity]
    ma: float = getattr(scene.io, LOOP_NAMES[place])
    if scene.presets.loops[place] is not Quality.GOOD or ma < 4.0:
        return None
    return from_ma(_SIGNAL[quantity], ma)
