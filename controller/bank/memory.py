"""All that the bank's coordinator remembers from scan to scan; plain values, as for a unit."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from controller.parts.analogue import Loop
from controller.parts.timing import NEVER
from controller.unit.states import Event

LOOPS = 8  # header, feed flow, temperature, feed conductivity, chlorine, booster speed, level, product


class Stage(StrEnum):
    """The pre-start order of the bank."""

    STOPPED = "STOPPED"
    CHECK_HEALTH = "CHECK_HEALTH"
    CHECK_WATER = "CHECK_WATER"
    RAISE_HEADER = "RAISE_HEADER"
    PROVE_DOSING = "PROVE_DOSING"
    READY = "READY"


@dataclass(slots=True)
class BankMemory:
    """Memory of the coordinator; lists of units are indexed by unit number - 1."""

    n_units: int
    scanned_ms: int = NEVER
    booted_ms: int = 0
    returns: int = 0  # retained: power returns in short order, this one included
    io_seen: bool = False  # the shared image has been fresh since power-up; before, it says nothing
    stale_ms: int = NEVER  # the shared image is too old since
    fresh_ms: int = NEVER  # the shared image is fresh since
    link_lost: bool = False  # the heartbeat was lost and has not been back for long enough
    loops: list[Loop] = field(default_factory=lambda: [Loop() for _ in range(LOOPS)])

    # shared causes
    rule_ms: list[int] = field(default_factory=list)
    latched: list[Event] = field(default_factory=list)
    gone_ms: dict[Event, int] = field(default_factory=dict)
    pressed_ms: int = NEVER  # reset button down since
    released: bool = False  # the button has been seen open since power-up
    horn_ms: int = NEVER

    # feed supply
    stage: Stage = Stage.STOPPED
    stage_ms: int = 0
    healthy_ms: int = NEVER
    water_ms: int = NEVER
    header_ready_ms: int = NEVER
    header_low_ms: int = NEVER
    no_draw_ms: int = NEVER
    booster_ms: int = NEVER
    setpoint_bar: float = 0.0
    integral_hz: float = 0.0
    speed_hz: float = 0.0

    # dosing
    pulse_was: bool = False
    proven: bool = False
    dosing: bool = False
    still_ms: int = NEVER
    unproven_ms: int = NEVER
    undosed_ms: int = NEVER  # no dose asked for since
    strays_ms: list[int] = field(default_factory=list)  # the last two strokes in such a time

    # slots
    tokens: dict[int, int] = field(default_factory=dict)  # unit -> lent at
    start_ms: int = NEVER
    steady_ms: int = NEVER
    close_ms: int = NEVER

    # demand; lists have one entry for each unit
    called: list[bool] = field(default_factory=list)
    released_ms: list[int] = field(default_factory=list)  # moment demand let a unit go
    poor_ms: int = NEVER  # the blended product is too poor since
    wanted: int = 0
    demand_ms: int = NEVER
    full: bool = True  # level is above the first call, nobody new may start
